"""Motion of the block: if the driller brakes now, how far does it still go, and does it stop at all?

What moves is not only the load. The drum, the brake discs and the geared motors turn with it, and seen from the block
they weigh J N^2 / r^2: on a land rig over a thousand tonnes, far more than the string. So a hoist with the brake open
falls at a few tenths of a m/s2, never at g, and a hoist that brakes must stop its own drum first. The layer matters
twice: at the same torque a larger radius gives less pull on the line, and makes the drum's inertia smaller as seen
from the block.

A stop has phases. *Reaction*: nothing is changed yet, and speed stays what it is. *Lag*: the brake has been called for
(or the power is gone) and does not act yet. Gravity does; going down the block gains speed, going up it loses some.
*Ramp*: pressure builds, torque grows in proportion. *Full torque*: constant deceleration. Each phase has a closed
form, so a reach costs microseconds, and `Phases.allowed_m_s` inverts the same form instead of searching.

Two limits make hoisting unlike lowering. A brake may stop the drum faster than gravity can slow the block: then the
lines go slack and the block coasts on like a thrown stone, v^2 / 2g; no brake can stop it shorter. And a heavy load
stops by itself when the power is lost, within a few tenths of a second, and then falls: if the brake lags longer than
that, a hoisting event has become a lowering event. The empty block is the worst case at the
crown, because hardly any gravity helps; the heavy string is the worst case at the floor.

If the brake cannot beat the load, the block never stops. That is a value here (`stops=False`, distance infinite), not
an extrapolation. Friction in the tackle helps to stop in both directions; the torque that a stop needs is that much
smaller, and who must be certain sets the sheave factor to 1 for lowering.

Symbols: m mass on the hook (block included), J inertia at the drum shaft, N lines, r radius to the rope on its layer,
m_J = J N^2 / r^2 the drum as seen from the block, eh efficiency of the tackle hoisting, el its factor lowering (`tackle`),
T torque at the drum shaft, v speed, a acceleration, g gravity.

Speeds are magnitudes along the motion; times and torques are taken not to be below zero and are not checked, since these
forms run for every look at the hoist. The line is taken as stiff and the radius as constant: a stop within one layer. On a
line that stretches, the block swings on past the drum's stop, by up to twice the share dec/g of its static stretch (Hooke's
law, derived here): some centimetres. Formulas: Newton's law for block and drum joined by the rope, with the tackle factors of
API RP 9B; derived here, checked against numerical integration.
"""

import math
from dataclasses import dataclass, field
from typing import Final

from monitor.physics.given import above_zero, not_below_zero
from monitor.physics.tackle import efficiency_hoisting, factor_lowering
from monitor.units import STANDARD_GRAVITY_M_S2 as _G


@dataclass(frozen=True, slots=True)
class Hoist:
    """What hangs and what turns: load with block, drum inertia (motors included by gear ratio squared), lines, radius.

    Raises:
        ValueError: a mass or inertia below zero, no mass at all, radius not above zero, K below 1, no lines.
    """

    mass_kg: float
    drum_inertia_kg_m2: float
    lines: int
    radius_m: float
    sheave_factor: float = 1.04
    efficiency: float = field(init=False, repr=False, compare=False)
    lowering: float = field(init=False, repr=False, compare=False)
    drum_mass_kg: float = field(init=False, repr=False, compare=False)
    """The drum's inertia as seen from the block: J N^2 / r^2."""
    pull_per_torque: float = field(init=False, repr=False, compare=False)
    """Force at the block per torque at the drum, 1/m: N / r."""

    def __post_init__(self) -> None:
        """Check, and work out what every formula needs."""
        above_zero(mass_kg=self.mass_kg, radius_m=self.radius_m)
        not_below_zero(drum_inertia_kg_m2=self.drum_inertia_kg_m2)
        pull = self.lines / self.radius_m
        put = object.__setattr__
        put(self, "efficiency", efficiency_hoisting(self.sheave_factor, self.lines))
        put(self, "lowering", factor_lowering(self.sheave_factor, self.lines))
        put(self, "drum_mass_kg", self.drum_inertia_kg_m2 * pull * pull)
        put(self, "pull_per_torque", pull)


class Reach:
    """How far the block still travels. `stops` False: it never does; distance, time and peak speed are infinite."""

    __slots__ = ("distance_m", "peak_speed_m_s", "stops", "time_s")

    def __init__(self, distance_m: float, time_s: float, peak_speed_m_s: float, stops: bool) -> None:
        self.distance_m: Final = distance_m
        self.time_s: Final = time_s
        self.peak_speed_m_s: Final = peak_speed_m_s
        self.stops: Final = stops


_NEVER = Reach(math.inf, math.inf, math.inf, False)


# --- the phases of a stop: one kernel for both directions, and its inverse ------------------------------------------
#
# v: speed; hold_s: constant speed; lag_s: acceleration a (along the motion); ramp_s: acceleration a - jerk t; then
# constant deceleration dec. For hoisting, the ramp ends early where deceleration meets g (slack lines).


class Phases:
    """What a stop does to the speed, whatever the speed is: worked out once, it serves reaches and their inverse."""

    __slots__ = ("coast_m_s2", "jerk_m_s3", "ramp_s", "slowing_m_s2")

    def __init__(self, coast_m_s2: float, jerk_m_s3: float, ramp_s: float, slowing_m_s2: float) -> None:
        self.coast_m_s2: Final = coast_m_s2
        """Acceleration along the motion before the brake acts."""
        self.jerk_m_s3: Final = jerk_m_s3
        """By which the ramp takes from it."""
        self.ramp_s: Final = ramp_s
        self.slowing_m_s2: Final = slowing_m_s2
        """Deceleration after the ramp; 0 where the brake does not beat the load."""

    def begun(self, done_s: float) -> "Phases":
        """The same stop with the first `done_s` of its ramp over: that share of the torque acts already."""
        a, jerk, ramp_s, dec = self.coast_m_s2, self.jerk_m_s3, self.ramp_s, self.slowing_m_s2
        done = done_s if done_s < ramp_s else ramp_s
        return Phases(a - jerk * done, jerk, ramp_s - done, dec)

    def helped(self, slowing_m_s2: float) -> "Phases":
        """The same stop with a further `slowing_m_s2` all along, such as an auxiliary brake's."""
        return Phases(self.coast_m_s2 - slowing_m_s2, self.jerk_m_s3, self.ramp_s, self.slowing_m_s2 + slowing_m_s2)

    def after_s(self, time_s: float, speed_m_s: float, lag_s: float) -> tuple[float, float]:
        """(way, speed) after `time_s` of the stop, m and m/s; at rest it stays."""
        a, jerk, ramp_s, dec = self.coast_m_s2, self.jerk_m_s3, self.ramp_s, self.slowing_m_s2
        whole = self.reach(speed_m_s, 0.0, lag_s)
        if whole.stops and whole.time_s <= time_s:
            return whole.distance_m, 0.0
        t = min(time_s, lag_s)
        way, v = (speed_m_s + 0.5 * a * t) * t, speed_m_s + a * t
        t = min(time_s - t, ramp_s)
        if t > 0.0:
            way += (v + (0.5 * a - jerk * t / 6.0) * t) * t
            v += (a - 0.5 * jerk * t) * t
        t = time_s - lag_s - ramp_s
        if t > 0.0:
            slowing = dec if dec > 0.0 else jerk * ramp_s - a
            way += (v - 0.5 * slowing * t) * t
            v -= slowing * t
        return way, v

    def speed_after_m(self, distance_m: float, speed_m_s: float, lag_s: float) -> float:
        """Speed that is left, m/s, after `distance_m` of the stop; 0 where the block is at rest by then."""
        a, jerk, ramp_s, dec = self.coast_m_s2, self.jerk_m_s3, self.ramp_s, self.slowing_m_s2
        v1 = speed_m_s + a * lag_s
        in_lag = (speed_m_s + v1) * 0.5 * lag_s
        if v1 <= 0.0 or distance_m <= in_lag:
            return math.sqrt(max(0.0, speed_m_s * speed_m_s + 2.0 * a * distance_m))
        left = distance_m - in_lag
        v2 = v1 + (a - 0.5 * jerk * ramp_s) * ramp_s
        in_ramp = (v1 + (0.5 * a - jerk * ramp_s / 6.0) * ramp_s) * ramp_s
        if v2 > 0.0 and left >= in_ramp:
            return math.sqrt(max(0.0, v2 * v2 - 2.0 * dec * (left - in_ramp)))
        if self.reach(v1, 0.0, 0.0).distance_m <= left:
            return 0.0
        # Within the ramp the way is a cubic in time, rising as long as the block moves: halve the interval.
        early, late = 0.0, ramp_s
        for _ in range(40):
            t = 0.5 * (early + late)
            v = v1 + (a - 0.5 * jerk * t) * t
            if v > 0.0 and (v1 + (0.5 * a - jerk * t / 6.0) * t) * t < left:
                early = t
            else:
                late = t
        return max(0.0, v1 + (a - 0.5 * jerk * early) * early)

    def reach(self, speed_m_s: float, hold_s: float, lag_s: float) -> Reach:
        """The stop from a speed held for `hold_s`, with the brake acting `lag_s` after that."""
        a, jerk, ramp_s, dec = self.coast_m_s2, self.jerk_m_s3, self.ramp_s, self.slowing_m_s2
        if dec <= 0.0:
            return _NEVER
        v = speed_m_s
        v1 = v + a * lag_s
        if v1 <= 0.0 and a < 0.0:  # at rest before the brake acts
            t = -v / a
            return Reach(v * (hold_s + 0.5 * t), hold_s + t, v, True)
        distance = v * hold_s + (v + v1) * 0.5 * lag_s
        v2 = v1 + (a - 0.5 * jerk * ramp_s) * ramp_s
        if ramp_s > 0.0:
            peak = v1 + 0.5 * a * a / jerk if a > 0.0 else v
            if v2 <= 0.0:  # at rest before full torque
                root = math.sqrt(a * a + 2.0 * jerk * v1)
                t = (a + root) / jerk if a >= 0.0 else 2.0 * v1 / (root - a)
                distance += (v1 + (0.5 * a - jerk * t / 6.0) * t) * t
                return Reach(distance, hold_s + lag_s + t, peak, True)
            distance += (v1 + (0.5 * a - jerk * ramp_s / 6.0) * ramp_s) * ramp_s
        else:
            peak = v1 if a > 0.0 else v
        t = v2 / dec
        return Reach(distance + 0.5 * v2 * t, hold_s + lag_s + ramp_s + t, peak, True)

    def allowed_m_s(self, room_m: float, hold_s: float, lag_s: float) -> float:
        """Highest speed whose `reach` stays within `room_m`; 0.0 when even a block at rest would go further."""
        a, jerk, ramp_s, dec = self.coast_m_s2, self.jerk_m_s3, self.ramp_s, self.slowing_m_s2
        if dec <= 0.0 or not room_m > 0.0:
            return 0.0
        wait = hold_s + lag_s
        # Full torque is reached: distance = p v^2 / 2 + q v + s with v2 = v + gain.
        gain = a * wait - a * hold_s + (a - 0.5 * jerk * ramp_s) * ramp_s
        q = wait + ramp_s + gain / dec
        s = 0.5 * a * lag_s * lag_s + a * lag_s * ramp_s + (0.5 * a - jerk * ramp_s / 6.0) * ramp_s * ramp_s
        s += 0.5 * gain * gain / dec - room_m
        disc = q * q - 2.0 * s / dec
        if disc >= 0.0:
            root = math.sqrt(disc)
            v = -2.0 * s / (q + root) if q >= 0.0 else (root - q) * dec
            if v >= 0.0 and v + gain >= 0.0:
                return v
        if gain > 0.0:  # full torque is always reached, and the speed found was below zero
            return 0.0
        if a < 0.0:  # at rest within the lag: v hold + v^2 / (2 |a|) = room
            v = 2.0 * room_m / (hold_s + math.sqrt(hold_s * hold_s - 2.0 * room_m / a))
            if v <= -a * lag_s:
                return v
        if ramp_s <= 0.0:
            return 0.0
        # At rest within the ramp, after t: v1 = jerk t^2 / 2 - a t. The distance is a cubic in t, convex and rising where
        # v1 >= 0, so Newton from the end of the ramp comes down to the root without passing it.
        t = ramp_s
        const = -a * lag_s * wait + 0.5 * a * lag_s * lag_s - room_m
        for _ in range(60):
            value = (0.5 * jerk * t - a) * t * wait + (jerk * t / 3.0 - 0.5 * a) * t * t + const
            slope = (jerk * t - a) * wait + (jerk * t - a) * t
            step = value / slope
            t -= step
            if jerk * t <= 2.0 * a:  # below v1 = 0: even a block at rest would go further than the room
                return 0.0
            if abs(step) < 1e-12 * ramp_s:
                break
        return max(0.0, (0.5 * jerk * t - a) * t - a * lag_s)


_HELPLESS = Phases(0.0, 0.0, 0.0, 0.0)


# --- lowering -------------------------------------------------------------------------------------------------------


def lowering_phases(
    hoist: Hoist,
    mass_kg: float,
    brake_torque_n_m: float,
    ramp_s: float,
    aux_torque_n_m: float = 0.0,
    aux_holds: bool = False,
) -> Phases:
    """The phases of a lowering stop with `mass_kg` on the hook, whatever `hoist` has there. See `reach_lowering`."""
    load = hoist.lowering * mass_kg
    mass = hoist.drum_mass_kg + load
    drive = load * _G - aux_torque_n_m * hoist.pull_per_torque
    brake = brake_torque_n_m * hoist.pull_per_torque
    if not aux_holds:
        if brake <= load * _G:
            return _HELPLESS
        drive = drive if drive > 0.0 else 0.0
    if brake <= drive:
        return _HELPLESS
    return Phases(drive / mass, brake / (mass * ramp_s) if ramp_s > 0.0 else 0.0, ramp_s, (brake - drive) / mass)


def reach_lowering(
    speed_m_s: float,
    hoist: Hoist,
    brake_torque_n_m: float,
    reaction_s: float,
    lag_s: float,
    ramp_s: float = 0.0,
    aux_torque_n_m: float = 0.0,
    aux_holds: bool = False,
) -> Reach:
    """How far a block lowered at `speed_m_s` (a magnitude) still goes down when braking is called for now.

    Constant speed for `reaction_s`; then the brake is called and gravity alone acts for `lag_s`; torque grows linearly
    over `ramp_s` to `brake_torque_n_m` and stays. `aux_torque_n_m` helps during lag, ramp and stop. A brake without
    torque at standstill (eddy current) cannot hold: with `aux_holds` False it counts for no more than cancelling
    gravity, and the friction brake alone must beat the load, or the block never stops. Even so the reach is a little short
    for it: the torque given is held to the end, where a real one fades with the speed. Leave it out where the answer must be
    on the safe side. Set `aux_holds` for a drive that holds at zero speed. Pass 0 for a power cut that takes the auxiliary along.

    Returns `stops=False` when the torque does not beat the load. Derived here (see the top of this file); lowering
    150 t at 1 m/s with 0.5 s lag and 240 kN m reaches 0.848 m with 1600 kg m2.
    """
    phases = lowering_phases(hoist, hoist.mass_kg, brake_torque_n_m, ramp_s, aux_torque_n_m, aux_holds)
    return phases.reach(speed_m_s, reaction_s, lag_s)


# --- hoisting -------------------------------------------------------------------------------------------------------


def hoisting_phases(hoist: Hoist, mass_kg: float, brake_torque_n_m: float, ramp_s: float) -> Phases:
    """The phases of a hoisting stop with `mass_kg` on the hook, whatever `hoist` has there: slack lines from g on."""
    load = mass_kg / hoist.efficiency
    mass = hoist.drum_mass_kg + load
    brake = brake_torque_n_m * hoist.pull_per_torque
    coast = load * _G / mass
    dec = coast + brake / mass
    if ramp_s <= 0.0 or brake <= 0.0:
        return Phases(-coast, 0.0, 0.0, dec if dec < _G else _G)
    jerk = brake / (mass * ramp_s)
    if dec > _G:
        return Phases(-coast, jerk, (_G - coast) / jerk, _G)
    return Phases(-coast, jerk, ramp_s, dec)


def reach_hoisting(
    speed_m_s: float,
    hoist: Hoist,
    brake_torque_n_m: float,
    reaction_s: float,
    lag_s: float,
    ramp_s: float = 0.0,
    drive_during_reaction: bool = True,
) -> Reach:
    """How far a block hoisted at `speed_m_s` still goes up when braking is called for now.

    The drive keeps the speed for `reaction_s` (without `drive_during_reaction` it is gone at once and gravity slows the
    block); then gravity alone for `lag_s`; torque grows over `ramp_s` and stays. Where deceleration would pass g the
    lines go slack and the block coasts: never shorter than v^2 / 2g from there. It always stops; whether it then falls
    is another question. Derived here; an empty 20 t block at 1.5 m/s, 0.2 s reaction, 0.5 s lag, 240 kN m,
    6000 kg m2 reaches 1.777 m.
    """
    phases = hoisting_phases(hoist, hoist.mass_kg, brake_torque_n_m, ramp_s)
    if drive_during_reaction:
        return phases.reach(speed_m_s, reaction_s, lag_s)
    return phases.reach(speed_m_s, 0.0, reaction_s + lag_s)
