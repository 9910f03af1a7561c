"""Brakes: what torque can be had, and what takes it away.

Three machines hold or slow a drum, and they fail differently. *Caliper discs* squeeze a disc from both faces: torque is
proportional to clamp force and friction, plainly. *Bands* wrap the rim: each bit of rim pulls the band tighter for the next,
so tension grows as exp(f phi). That multiplies the hand's force enormously and punishes equally: 30 % less friction can ask
for half as much pull again, and the same band pulled at the other end (or the drum turning the other way) holds a fifth or
less.

The *electrodynamic* brake drags eddy currents through its rotor: torque rises with speed, peaks at the critical speed, falls
beyond, and is nothing at standstill. It can slow a load and never hold it. A hot rotor conducts worse, which moves the peak
to higher speed and takes torque away below it. Whoever leans on it must have the friction brake in reserve: the friction
brake alone decides whether the block stops.

Friction fades. A lining is flat to 200 or 250 degC, then loses a third of its grip by 350 to 400, and partly recovers when
cold; wet or oily it has half from the start. So a brake has no torque of its own, only one at this pressure, wear,
temperature and friction, and the question "does it hold?" is a ratio: torque it can apply over torque the load demands, on
the layer the rope is on now.

Symbols: mu or f coefficient of friction, F clamp force, r radius to the middle of the friction; T1, T2 tension of a band at
its tight and slack end, phi wrap; T_pk greatest torque of an electrodynamic brake, u speed over its critical speed.

Torques are at the drum shaft in N m, angles in rad.
"""

import math
from dataclasses import dataclass

from monitor.physics.given import above_zero


def fade_factor(temperature_c: float, onset_c: float, full_c: float, floor: float) -> float:
    """Share of the cold friction left at a temperature: 1 up to `onset_c`, straight down to `floor` at `full_c`.

    The shape is common practice without a published source (flat to 200-250 degC, 60-75 % at 350-400 degC); the numbers are
    the lining's, from its data sheet.

    Raises:
        ValueError: `full_c` not above `onset_c`, or a floor outside 0 to 1.
    """
    if not (full_c > onset_c and 0.0 <= floor <= 1.0):
        raise ValueError(
            f"fade from {onset_c} to {full_c} degC down to {floor}: needs full above onset, floor from 0 to 1"
        )
    if temperature_c <= onset_c:
        return 1.0
    if temperature_c >= full_c:
        return floor
    return 1.0 - (1.0 - floor) * (temperature_c - onset_c) / (full_c - onset_c)


# --- caliper discs --------------------------------------------------------------------------------------------------


def caliper_torque_n_m(clamp_n: float, friction: float, radius_m: float, calipers: int) -> float:
    """Torque of caliper brakes, N m: 2 mu F r per caliper, since each clamps both faces with the force F.

    Textbooks often quote mu F r, which is the torque of one face and not that of the whole brake.
    """
    return 2 * (friction * clamp_n * radius_m) * calipers


# --- bands ----------------------------------------------------------------------------------------------------------


def band_ratio(friction: float, wrap_rad: float) -> float:
    """Tight-end over slack-end tension of a sliding band: exp(f phi) (Euler and Eytelwein).

    Also what a pull at the slack end is worth against the same pull at the tight end: 5.2 at f = 0.35 and 270 degrees,
    39.9 at 0.65 and 325. Small change of friction, large change of torque.
    """
    return math.exp(friction * wrap_rad)


def band_torque_n_m(
    pull_n: float, friction: float, wrap_rad: float, radius_m: float, self_energising: bool = True
) -> float:
    """Torque of a band pulled with `pull_n`, N m: at the slack end (the drum's motion helps) or at the tight end.

    T = (T1 - T2) r with T1/T2 = exp(f phi), for a band that slides or is about to (Euler and Eytelwein).
    """
    ratio = band_ratio(friction, wrap_rad)
    return pull_n * (ratio - 1.0) * radius_m / (1.0 if self_energising else ratio)


# --- electrodynamic -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class EddyBrake:
    """Electrodynamic brake: `peak_torque_n_m` at `critical_speed_rad_s` of the drum, at rated current, rotor cold.

    More than the rated current brings nothing.

    Raises:
        ValueError: a torque, speed or current not above zero.
    """

    peak_torque_n_m: float
    critical_speed_rad_s: float
    rated_current_a: float

    def __post_init__(self) -> None:
        """Check."""
        above_zero(
            peak_torque_n_m=self.peak_torque_n_m,
            critical_speed_rad_s=self.critical_speed_rad_s,
            rated_current_a=self.rated_current_a,
        )

    def torque_n_m(self, speed_rad_s: float, current_a: float) -> float:
        """Braking torque, N m: 2 T_pk / (u + 1/u), u = speed / critical speed; 0 at standstill.

        Scales with the square of the current. A hot rotor has less below the critical speed, which its resistivity raises
        (Wouterse, IEE Proc. B 138, 1991: v_c is proportional to resistivity, the peak is not); that is left out here.
        """
        if speed_rad_s <= 0.0:
            return 0.0
        share = min(abs(current_a) / self.rated_current_a, 1.0)
        return self.peak_torque_n_m * share * share * eddy_curve(speed_rad_s / self.critical_speed_rad_s)


def eddy_curve(u: float) -> float:
    """Torque over peak torque at u = speed / critical speed: 2 / (u + 1/u); linear low, 1 at u = 1, falling beyond."""
    return 2 * u / (1 + u * u) if u > 0.0 else 0.0
