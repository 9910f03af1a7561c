"""Brakes: what torque can be had, and what takes it away.

Four machines hold or slow a drum, and they fail differently. *Caliper discs* squeeze a disc from both faces: torque is
proportional to clamp force and friction, plainly. The service calipers press with oil, so no pressure is no brake; the
emergency calipers are pressed by springs and lifted by oil, so no pressure is full brake, but a worn pad lets the
spring expand and costs force, and oil that does not drain holds the brake half off. *Bands* wrap the rim: each bit of
rim pulls the band tighter for the next, so tension grows as exp(f phi). That multiplies the hand's force enormously and
punishes equally: 30 % less friction can ask for half as much pull again, and the same band pulled at the other end (or
the drum turning the other way) holds a fifth or less.

The *electrodynamic* brake drags eddy currents through its rotor: torque rises with speed, peaks at the critical speed,
falls beyond, and is nothing at standstill. It can slow a load and never hold it. A hot rotor conducts worse, which
moves the peak to higher speed and takes torque away below it; without coolant it must be counted out in minutes. The
*regenerative* drive is limited by torque and by power, and vanishes in an instant when it trips. Whoever leans on
either must have the friction brake in reserve: the friction brake alone decides whether the block stops.

Friction fades. A lining is flat to 200 or 250 degC, then loses a third of its grip by 350 to 400, and partly recovers
when cold; wet or oily it has half from the start. So a brake has no torque of its own, only one at this pressure, wear,
temperature and friction, and the question "does it hold?" is a ratio: torque it can apply over torque the load demands,
on the layer the rope is on now.

Symbols: mu or f coefficient of friction, F clamp force, r radius to the middle of the friction (ri, ro inner and outer radius
of a pad), p pressure, A piston area, F0 spring force, k spring rate, w wear of a pad; T1, T2 tension of a band at its tight
and slack end, phi wrap, b width, D diameter; T_pk greatest torque and n_c or v_c critical speed of an electrodynamic brake,
u speed over critical speed, B field, rho resistivity, chi air gap, d disc thickness, c and xi geometry factors near one half
and one, mu0 permeability of vacuum.

Torques are at the drum shaft in N m, pressures gauge in Pa, angles in rad.
"""

import math
from dataclasses import dataclass
from typing import NamedTuple

from monitor.physics.given import above_zero, not_below_zero


def holding_ratio(brake_torque_n_m: float, load_torque_n_m: float) -> float:
    """Torque that the brake can apply over torque that the load demands; infinite without load.

    No published minimum for drilling hoists was found: the ratio required is the site's to set. Related: ISO 18296 ship
    winches hold 1.5 times the drum load.
    """
    if load_torque_n_m <= 0.0:
        return math.inf
    return brake_torque_n_m / load_torque_n_m


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


def effective_radius_m(inner_m: float, outer_m: float, worn_in: bool = True) -> float:
    """Radius at which the friction of a pad acts, m, between its inner and outer radius.

    Worn in (uniform wear): (ri + ro)/2. New (uniform pressure): (2/3)(ro^3 - ri^3)/(ro^2 - ri^2). Standard in
    machine-design texts; they differ by 0.2 % for 0.70 to 0.825 m.

    Raises:
        ValueError: not 0 <= inner < outer.
    """
    if not 0.0 <= inner_m < outer_m:
        raise ValueError(f"pad from {inner_m} to {outer_m} m: inner radius must be below the outer and not below zero")
    if worn_in:
        return (inner_m + outer_m) / 2
    return 2 / 3 * (outer_m**3 - inner_m**3) / (outer_m**2 - inner_m**2)


def pad_force_n(peak_pressure_pa: float, inner_m: float, outer_m: float, angle_rad: float) -> float:
    """Force that presses one worn-in pad, N, at a peak lining pressure: p ri (ro - ri) theta (machine-design texts).

    Uniform wear puts the peak pressure at the inner radius.

    Raises:
        ValueError: not 0 <= inner < outer.
    """
    effective_radius_m(inner_m, outer_m)  # the same pad, so the same check
    return peak_pressure_pa * inner_m * (outer_m - inner_m) * angle_rad


def face_torque_n_m(force_n: float, friction: float, radius_m: float) -> float:
    """Torque of one pad on one face, N m: mu F r. Textbooks often quote this one and not that of the whole brake."""
    return friction * force_n * radius_m


def caliper_torque_n_m(clamp_n: float, friction: float, radius_m: float, calipers: int) -> float:
    """Torque of caliper brakes, N m: 2 mu F r per caliper, since each clamps both faces with the force F."""
    return 2 * face_torque_n_m(clamp_n, friction, radius_m) * calipers


@dataclass(frozen=True, slots=True)
class ServiceCalipers:
    """Hydraulically applied calipers: pressure clamps, no pressure is no brake.

    `return_pressure_pa` is what the retraction springs eat before the pads touch.

    Raises:
        ValueError: a friction, radius, number or area not above zero; a return pressure below it.
    """

    friction: float
    radius_m: float
    calipers: int
    piston_area_m2: float
    return_pressure_pa: float = 0.0

    def __post_init__(self) -> None:
        """Check."""
        above_zero(
            friction=self.friction,
            radius_m=self.radius_m,
            calipers=self.calipers,
            piston_area_m2=self.piston_area_m2,
        )
        not_below_zero(return_pressure_pa=self.return_pressure_pa)

    def clamp_n(self, pressure_pa: float) -> float:
        """Clamp force of one caliper, N: piston area times pressure above the retraction springs'."""
        return max(0.0, pressure_pa - self.return_pressure_pa) * self.piston_area_m2

    def torque_n_m(self, pressure_pa: float, fade: float = 1.0) -> float:
        """Torque of all calipers, N m, with friction scaled by `fade`."""
        return caliper_torque_n_m(self.clamp_n(pressure_pa), self.friction * fade, self.radius_m, self.calipers)

    def pressure_for_torque_pa(self, torque_n_m: float, fade: float = 1.0) -> float:
        """Pressure that gives a torque, Pa: the inverse of `torque_n_m`.

        Raises:
            ValueError: faded to nothing, so that no pressure gives any.
        """
        above_zero(fade=fade)
        per_pa = caliper_torque_n_m(self.piston_area_m2, self.friction * fade, self.radius_m, self.calipers)
        return self.return_pressure_pa + torque_n_m / per_pa


@dataclass(frozen=True, slots=True)
class EmergencyCalipers:
    """Spring-applied, pressure-released calipers: no pressure is full brake.

    Clamp force F(p, w) = max(0, F0 - k w - A p): springs of force `spring_n` with new pads and rate
    `spring_rate_n_per_m` lose force with pad wear w, and the pressure p on `piston_area_m2` takes the rest (derived
    here, usual arrangement).

    Raises:
        ValueError: a friction, radius, number, force, rate or area not above zero.
    """

    friction: float
    radius_m: float
    calipers: int
    spring_n: float
    spring_rate_n_per_m: float
    piston_area_m2: float

    def __post_init__(self) -> None:
        """Check."""
        above_zero(
            friction=self.friction,
            radius_m=self.radius_m,
            calipers=self.calipers,
            spring_n=self.spring_n,
            spring_rate_n_per_m=self.spring_rate_n_per_m,
            piston_area_m2=self.piston_area_m2,
        )

    def clamp_n(self, pressure_pa: float = 0.0, wear_m: float = 0.0) -> float:
        """Clamp force of one caliper, N."""
        force = self.spring_n - self.spring_rate_n_per_m * wear_m - self.piston_area_m2 * max(0.0, pressure_pa)
        return max(0.0, force)

    def torque_n_m(self, pressure_pa: float = 0.0, wear_m: float = 0.0, fade: float = 1.0) -> float:
        """Torque of all calipers, N m; residual `pressure_pa` takes torque away."""
        return caliper_torque_n_m(self.clamp_n(pressure_pa, wear_m), self.friction * fade, self.radius_m, self.calipers)

    def lift_pressure_pa(self, wear_m: float = 0.0) -> float:
        """Pressure at which the pads start to lift, Pa. A value that drifts down tells of wear or a weak spring."""
        return (self.spring_n - self.spring_rate_n_per_m * wear_m) / self.piston_area_m2

    def release_pressure_pa(self, clearance_m: float, wear_m: float = 0.0) -> float:
        """Pressure that holds the pads off by a clearance, Pa: the springs must be pushed back that much further."""
        return self.lift_pressure_pa(wear_m) + self.spring_rate_n_per_m * clearance_m / self.piston_area_m2

    def wear_from_lift_pressure_m(self, lift_pressure_pa: float) -> float:
        """Pad wear, m, that a lift pressure seen on the rig points to: the inverse of `lift_pressure_pa`."""
        return (self.spring_n - lift_pressure_pa * self.piston_area_m2) / self.spring_rate_n_per_m


# --- bands ----------------------------------------------------------------------------------------------------------


class Band(NamedTuple):
    """One band at work: tension at the tight and the slack end, and the torque between them."""

    tight_n: float
    slack_n: float
    torque_n_m: float


def band_ratio(friction: float, wrap_rad: float) -> float:
    """Tight-end over slack-end tension of a sliding band: exp(f phi) (Euler and Eytelwein).

    Also what a pull at the slack end is worth against the same pull at the tight end: 5.2 at f = 0.35 and 270 degrees,
    39.9 at 0.65 and 325. Small change of friction, large change of torque.
    """
    return math.exp(friction * wrap_rad)


def band_from_pull(
    pull_n: float, friction: float, wrap_rad: float, radius_m: float, self_energising: bool = True
) -> Band:
    """A band pulled with `pull_n`: at the slack end (the drum's motion helps) or at the tight end (it works against).

    T = (T1 - T2) r with T1/T2 = exp(f phi), for a band that slides or is about to (Euler and Eytelwein).

    Raises:
        ValueError: pull, friction or wrap below zero, no radius.
    """
    not_below_zero(pull_n=pull_n, friction=friction, wrap_rad=wrap_rad)
    above_zero(radius_m=radius_m)
    ratio = band_ratio(friction, wrap_rad)
    slack = pull_n if self_energising else pull_n / ratio
    return Band(slack * ratio, slack, slack * (ratio - 1) * radius_m)


def band_from_peak_pressure(
    peak_pressure_pa: float, friction: float, wrap_rad: float, radius_m: float, width_m: float
) -> Band:
    """A band loaded to its lining pressure: T1 = p_max b D / 2 at the tight end, where pressure is greatest.

    From p = T / (b r) under a bent band (machine-design texts). A circulated answer takes that pressure all around and finds
    672 N m for 620 kPa, D 350 mm, b 25 mm, f 0.30 and 270 degrees, where this gives 359.

    Raises:
        ValueError: radius or width not above zero.
    """
    above_zero(radius_m=radius_m, width_m=width_m)
    tight = peak_pressure_pa * width_m * radius_m
    slack = tight / band_ratio(friction, wrap_rad)
    return Band(tight, slack, (tight - slack) * radius_m)


def band_peak_pressure_pa(tight_n: float, radius_m: float, width_m: float) -> float:
    """Lining pressure at the tight end, Pa: p_max = 2 T1 / (b D) (machine-design texts).

    Raises:
        ValueError: radius or width not above zero.
    """
    above_zero(radius_m=radius_m, width_m=width_m)
    return tight_n / (width_m * radius_m)


def band_torque_n_m(
    pull_n: float, friction: float, wrap_rad: float, radius_m: float, self_energising: bool = True
) -> float:
    """Torque of a band pulled with `pull_n`, N m: at the slack end (the drum's motion helps) or at the tight end.

    T = (T1 - T2) r with T1/T2 = exp(f phi), for a band that slides or is about to (Euler and Eytelwein).
    """
    ratio = band_ratio(friction, wrap_rad)
    return pull_n * (ratio - 1.0) * radius_m / (1.0 if self_energising else ratio)


@dataclass(frozen=True, slots=True)
class TwoBands:
    """Two bands on one shaft behind one lever.

    `friction` per band (they differ when one rim is hotter or wetter). `first_share` is the first band's share of the
    pull: 0.5 with a working equaliser; without one, whatever the adjustment leaves.
    """

    friction: tuple[float, float]
    wrap_rad: float
    radius_m: float
    first_share: float = 0.5

    def bands(self, pull_n: float, self_energising: bool = True) -> tuple[Band, Band]:
        """Both bands under a total pull (twice the pull of one band when equalised)."""
        return (
            band_from_pull(pull_n * self.first_share, self.friction[0], self.wrap_rad, self.radius_m, self_energising),
            band_from_pull(
                pull_n * (1 - self.first_share), self.friction[1], self.wrap_rad, self.radius_m, self_energising
            ),
        )

    def torque_n_m(self, pull_n: float, self_energising: bool = True) -> float:
        """Torque of both bands, N m."""
        first, second = self.bands(pull_n, self_energising)
        return first.torque_n_m + second.torque_n_m

    def heat_share(self, pull_n: float = 1.0, self_energising: bool = True) -> float:
        """Share of the heat that the first rim takes: its share of the torque. Far from 0.5 is an unequal pair."""
        first, second = self.bands(pull_n, self_energising)
        return first.torque_n_m / (first.torque_n_m + second.torque_n_m)


def lining_torque_n_m(pressure_pa: float, friction: float, diameter_m: float, width_m: float) -> float:
    """Torque of a lining pressed evenly around the whole rim, N m: f p (pi D b) D / 2 (machine-design texts)."""
    return friction * pressure_pa * math.pi * diameter_m**2 * width_m / 2


def stopping_torque_n_m(inertia_kg_m2: float, speed_rad_s: float, time_s: float) -> float:
    """Torque that stops an inertia in a time, N m: J omega / t (handbooks: W k^2 n / (308 t) in lb ft2, rpm, s).

    Raises:
        ValueError: no time.
    """
    above_zero(time_s=time_s)
    return inertia_kg_m2 * speed_rad_s / time_s


# --- electrodynamic -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class EddyBrake:
    """Electrodynamic brake: `peak_torque_n_m` at `critical_speed_rad_s` of the drum, at rated current, rotor cold.

    Above `saturation` times the rated current more current brings nothing. `resistivity_per_k` is the rotor's rise of
    resistivity (0.005 per K for steel, common practice without source). Without coolant torque is counted down to
    nothing over `coolant_grace_s` (common practice without source).

    Raises:
        ValueError: a torque, speed, current, saturation or grace not above zero; a resistivity that falls with heat.
    """

    peak_torque_n_m: float
    critical_speed_rad_s: float
    rated_current_a: float
    saturation: float = 1.0
    resistivity_per_k: float = 0.005
    coolant_grace_s: float = 180.0

    def __post_init__(self) -> None:
        """Check."""
        above_zero(
            peak_torque_n_m=self.peak_torque_n_m,
            critical_speed_rad_s=self.critical_speed_rad_s,
            rated_current_a=self.rated_current_a,
            saturation=self.saturation,
            coolant_grace_s=self.coolant_grace_s,
        )
        not_below_zero(resistivity_per_k=self.resistivity_per_k)

    def torque_n_m(
        self, speed_rad_s: float, current_a: float, rotor_rise_k: float = 0.0, coolant_lost_s: float = 0.0
    ) -> float:
        """Braking torque, N m: 2 T_pk / (u + 1/u), u = speed / critical speed; 0 at standstill.

        Scales with the square of the current; a hot rotor raises the critical speed and so lowers torque below it
        (Wouterse 1991: v_c is proportional to resistivity, the peak is not).
        """
        if speed_rad_s <= 0.0:
            return 0.0
        share = min(abs(current_a) / self.rated_current_a, self.saturation)
        critical = self.critical_speed_rad_s
        if rotor_rise_k > 0.0:
            critical *= 1 + self.resistivity_per_k * rotor_rise_k
        torque = self.peak_torque_n_m * share * share * eddy_curve(speed_rad_s / critical)
        return torque * self.coolant_factor(coolant_lost_s) if coolant_lost_s > 0.0 else torque

    def coolant_factor(self, coolant_lost_s: float) -> float:
        """Share of torque to count on after coolant has been lost for a time: straight down to 0."""
        return max(0.0, 1.0 - max(0.0, coolant_lost_s) / self.coolant_grace_s)


def eddy_curve(u: float) -> float:
    """Torque over peak torque at u = speed / critical speed: 2 / (u + 1/u); linear low, 1 at u = 1, falling beyond."""
    return 2 * u / (1 + u * u) if u > 0.0 else 0.0


def eddy_geometry_factor(pole_centre_m: float, disc_radius_m: float, pole_diameter_m: float) -> float:
    """Factor c of a pole of diameter D at radius R on a disc of radius A (Wouterse, IEE Proc. B 138, 1991).

    c = 1/2 [1 - 1/4 / ((1 + R/A)^2 ((A - R)/D)^2)]; 0.5 for a small pole far from the rim.

    Raises:
        ValueError: a pole that does not lie on the disc.
    """
    r, a, d = pole_centre_m, disc_radius_m, pole_diameter_m
    if not (d > 0 and r - d / 2 >= 0 and r + d / 2 <= a):
        raise ValueError(f"a pole of {d} m at radius {r} m does not lie on a disc of radius {a} m")
    return 0.5 * (1 - 0.25 / ((1 + r / a) ** 2 * ((a - r) / d) ** 2))


def eddy_force_low_speed_n(
    speed_m_s: float,
    field_t: float,
    pole_diameter_m: float,
    disc_thickness_m: float,
    resistivity_ohm_m: float,
    c: float,
) -> float:
    """Drag of one pole well below critical speed, N: (pi/4)(c/rho) D^2 d B^2 v (Wouterse 1991)."""
    return math.pi / 4 * c / resistivity_ohm_m * pole_diameter_m**2 * disc_thickness_m * field_t**2 * speed_m_s


def eddy_critical_speed_m_s(
    pole_diameter_m: float, gap_m: float, disc_thickness_m: float, resistivity_ohm_m: float, c: float, xi: float = 1.0
) -> float:
    """Rim speed of greatest drag, m/s: (2/mu0)(rho/d) sqrt(chi/D) / sqrt(c xi), chi the gap.

    Wouterse 1991, from memory.
    """
    return 2 / _MU0 * resistivity_ohm_m / disc_thickness_m * math.sqrt(gap_m / pole_diameter_m / (c * xi))


def eddy_peak_force_n(field_t: float, pole_diameter_m: float, gap_m: float, c: float, xi: float = 1.0) -> float:
    """Greatest drag of one pole, N: (1/mu0) sqrt(c/xi)(pi/4) D^2 B^2 sqrt(chi/D) (Wouterse 1991, from memory)."""
    area_field = math.pi / 4 * pole_diameter_m**2 * field_t**2
    return math.sqrt(c / xi * gap_m / pole_diameter_m) * area_field / _MU0


_MU0 = 4e-7 * math.pi


# --- regenerative ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class RegenerativeDrive:
    """A drive that lowers against its motors: limited by torque and by power, nothing at all once tripped."""

    torque_limit_n_m: float
    power_limit_w: float

    def torque_n_m(self, speed_rad_s: float, tripped: bool = False) -> float:
        """Braking torque available, N m: min(T_max, P_max / omega) at the drum; 0 when the drive, its chopper or its
        resistor has tripped (derived here).
        """
        if tripped:
            return 0.0
        if speed_rad_s <= 0.0:
            return self.torque_limit_n_m
        return min(self.torque_limit_n_m, self.power_limit_w / speed_rad_s)
