"""Brake effectiveness: the motion is the scales, and what it weighs is compared with what the pressure promises.

Theory of operation. While the block moves, drum and load obey

    e T(p) + T_aux + s [ lam m (g + a) r/N  +  j J a N/r ] = 0,     s = +1 hoisting, -1 lowering

with the upward acceleration a from the estimator, the hanging mass m, the configured inertia J, and the tackle's
friction lam (lowering factor, or 1 over the hoisting efficiency; API RP 9B). T(p) is the torque the configured friction
gives at the measured pressures. The drive appears nowhere: readings count only while it is known to be gone.

One equation, three doubts: friction e, inertia j, sheave factor K. No single stop can tell them apart, but a shift's
work can, because each shows in another place: a roll with the brake off weighs inertia against load, a steady descent
weighs friction against load, and hoisting shifts the sheaves' friction to the other side. So they are three states of
one extended Kalman filter (`monitor.core.brakes.friction_filter`), with the configured half-widths as prior, and its
covariance says how far the three have been separated.

Two ways to weigh. *Readings*: the equation itself, at each grid point. It needs the motion to be steady for longer
than the estimator's delay, so it serves drags and gentle stops. *Stops*: the equation times the drum's angle, summed
from the first pressure to rest (derived here):

    e sum(T dtheta) + sum(T_aux dtheta) = j J w0^2 / 2 + lam m (v0^2 / 2 - s g d)

Height and speed before the stop are well known and at its end the speed is zero, so it needs no acceleration, and a
stop of a third of a second can be weighed; what limits it is the time between pressure and position readings. It is
used for the stops that were too short for readings.

Timing of readings. The estimator's acceleration comes late: in its steady state it is the true one through a
third-order low-pass, whose delay follows from its own sigmas: the Riccati solution of the white-jerk model has gains
2w, 2w^2, w^3 and variances P_vv = 3 w^3 R, P_aa = 2 w^5 R, so w = sqrt(1.5) sigma_a / sigma_v and the delay is 2/w
(derived here). Pressure and auxiliary torque go through a low-pass of the same delay before they are compared, and
readings in a transient weigh less.

Friction here is the *cold* one: heat is taken out by the fade curve before and put back after, or a hot brake would be
counted as faded twice. Band torque goes as exp(f phi), so the state is a factor on friction, and effectiveness (a ratio
of torques) follows through the exponential.
"""

import math
from dataclasses import dataclass
from typing import Final

from monitor.core.brakes.friction_filter import WALK_PER_APPLICATION, WALK_PER_BRAKING_S, BrakeFilter
from monitor.units import STANDARD_GRAVITY_M_S2 as _G

_TORQUE_SHOWS_M_S: Final = 0.06
"""Slower than this, stick-slip and the coming standstill hide the torque."""
_TORQUE_FLOOR: Final = 0.03
"""Share of the torques at work that the equation may be wrong by in one reading."""
_MIN_READINGS: Final = 6
"""Readings under braking that make an application evidence."""
_MAX_MEAN_INNOVATION: Final = 0.2
"""Mean of five innovations over their sigmas that a steady brake does not show (they are weighted to be far below
1)."""
_CHANGED_WALK: Final = 0.1
"""By how much friction may have changed (standard deviation) at each reading of 50 ms beyond that mean."""
_OTHER_SHARE: Final = 0.1
"""Share of the brake's torque from which the doubt of the auxiliary brake's is the likelier cause of what is off."""
_MIN_INFORMATION: Final = 0.005
"""A reading that takes less than this share off friction's variance says nothing."""
_STOP_FROM_M_S: Final = 0.2
_LONGEST_STOP_S: Final = 3.0
_LATE: Final = 0.3
"""Share of a grid step by which pressures, as last readings, are older than the motion: transport (about 15 ms; common
practice, no source). The phase of its readings makes it anything from -0.2 to 0.8."""
_PRESSURE_TIME_S: Final = 0.03
"""Standard doubt of the time between pressure and position readings; the same at each stop, hence on the large side."""
_ENERGY_FLOOR: Final = 0.07
"""Share of a stop's energy that the balance may miss: the rope gives and takes as the block swings on it."""


def estimator_delay_s(speed_sigma_m_s: float, acceleration_sigma_m_s2: float) -> float:
    """Delay of the estimated acceleration, s, from the estimate's own sigmas (see the top of this file); 0.02 to 0.4
    s."""
    if not (speed_sigma_m_s > 0.0 and acceleration_sigma_m_s2 > 0.0):
        return 0.1
    return min(0.4, max(0.02, 2.0 / math.sqrt(1.5) * speed_sigma_m_s / acceleration_sigma_m_s2))


class Lag:
    """Three equal first-order lags in a row with a given total delay, at any step: the acceleration's low-pass,
    imitated."""

    __slots__ = ("_a", "_b", "value")

    def __init__(self) -> None:
        self.value = self._a = self._b = 0.0

    def step(self, number: float, gain: float) -> None:
        """Take one input; `gain` is dt / (dt + delay/3), which makes each stage's mean delay a third of the whole."""
        self._a += gain * (number - self._a)
        self._b += gain * (self._a - self._b)
        self.value += gain * (self._b - self.value)

    def reset(self, number: float) -> None:
        """Begin at `number`."""
        self._a = self._b = self.value = number


@dataclass(slots=True)
class BrakeGridInputs:
    """What one grid point gives to the estimate of effectiveness; filled again each time. NaN for what is not known."""

    dt: float = 0.05
    speed_m_s: float = math.nan
    acceleration_m_s2: float = math.nan
    speed_sigma_m_s: float = math.nan
    acceleration_sigma_m_s2: float = math.nan
    turns: float = math.nan
    radius_m: float = math.nan
    mass_kg: float = math.nan
    pressure_sum_pa: float = math.nan
    """Both circuits together; NaN too where another brake is set, or may be."""
    aux_n_m: float = math.nan
    aux_doubt_n_m: float = math.nan
    driven: bool = True
    """Whether the drive may be pulling."""
    fade: float = 1.0
    doubtful: bool = False
    """Inputs are worse than usual."""


class _Stop:
    """Sums over one stop, from the first pressure on."""

    __slots__ = (
        "angle",
        "arm",
        "aux_doubt_j",
        "aux_j",
        "fade",
        "last_angle",
        "mass",
        "pressure_angle",
        "sigma",
        "speed",
        "t",
        "way",
    )

    def __init__(self, way: int, speed: float, sigma: float, arm: float, mass: float, fade: float) -> None:
        self.way, self.speed, self.sigma, self.arm, self.mass, self.fade = way, speed, sigma, arm, mass, fade
        self.angle = self.pressure_angle = self.aux_j = self.aux_doubt_j = self.t = self.last_angle = 0.0


class Effectiveness:
    """Weighs the friction brake of one rig in its motion. The results are in `filter`."""

    def __init__(self, filter_: BrakeFilter) -> None:
        self.filter = filter_
        self._readings = self._drags = 0
        self._applied = False
        self._pressure, self._aux = Lag(), Lag()
        self._mean_innovation = 0.0
        self._known_s = self._free_s = self._moving_s = 0.0
        self._way = 0
        self._stop: _Stop | None = None
        self._before = (math.nan, math.nan, math.nan)
        """Turns, speed and its sigma at the grid point before."""

    def step(self, inputs: BrakeGridInputs) -> None:
        """One grid point."""
        dt, speed = inputs.dt, inputs.speed_m_s
        self.filter.idle(dt)
        before, self._before = self._before, (inputs.turns, speed, inputs.speed_sigma_m_s)
        pressure, aux = inputs.pressure_sum_pa, inputs.aux_n_m
        if math.isnan(pressure + aux):
            self._known_s = 0.0
            self._stop = None
            return
        delay = estimator_delay_s(inputs.speed_sigma_m_s, inputs.acceleration_sigma_m_s2)
        if self._known_s == 0.0:
            self._pressure.reset(pressure)
            self._aux.reset(aux)
        self._known_s += dt
        gain = dt / (dt + delay / 3.0)
        self._pressure.step(pressure, gain)
        self._aux.step(aux, gain)
        self._free_s = 0.0 if inputs.driven else self._free_s + dt
        wait = 0.1 + 2.5 * delay
        ready = self._moving_s >= wait and self._free_s >= wait and self._known_s >= wait
        self._follow_applications(inputs, ready, before)
        way = 0 if not abs(speed) > _TORQUE_SHOWS_M_S + 2.0 * inputs.speed_sigma_m_s else 1 if speed > 0.0 else -1
        self._moving_s = self._moving_s + dt if way == self._way and way != 0 else 0.0
        self._way = way
        if way == 0 or not ready or self._moving_s == 0.0:
            return
        if inputs.mass_kg > 0.0 and inputs.radius_m > 0.0 and inputs.acceleration_m_s2 > -0.7 * _G:
            self._update_from_reading(inputs, way, delay)

    # --- readings -----------------------------------------------------------------------------------------------------

    def _update_from_reading(self, inputs: BrakeGridInputs, way: int, delay: float) -> None:
        """One scalar update of the filter: the acceleration that the state expects, against the estimator's."""
        filter_ = self.filter
        arm = inputs.radius_m / filter_.lines
        clamping = filter_.brake.clamping_pressure_pa(self._pressure.value)
        per_pa, slope = filter_.per_pa(inputs.fade, way)
        torque = per_pa * clamping
        load = filter_.tackle(way) * inputs.mass_kg * arm
        # Torque per unit of the block's acceleration.
        effective_inertia = load + filter_.inertia * filter_.inertia_kg_m2 / arm
        expected = -(way * (torque + self._aux.value) + load * _G) / effective_inertia
        # Noise: the acceleration's own, correlated over about twice its delay; the equation's floor; a transient, in
        # which the imitated low-pass may be off the same way each time; contact pressure and the auxiliary brake's
        # doubt, which do not average out.
        floor = (
            _TORQUE_FLOOR
            * ((torque + load * _G) / effective_inertia + abs(expected))
            * (2.0 if inputs.doubtful else 1.0)
        )
        lagging = per_pa * (inputs.pressure_sum_pa - self._pressure.value) / effective_inertia
        contact = per_pa * filter_.brake.clamping_doubt_pa / effective_inertia if clamping > 0.0 else 0.0
        aux_off = inputs.aux_doubt_n_m / effective_inertia
        sigma = inputs.acceleration_sigma_m_s2
        r = (sigma * sigma + floor * floor) * max(2.0, 2.0 * delay / inputs.dt)
        r += 8.0 * lagging * lagging + 20.0 * aux_off * aux_off
        if contact > 0.0:
            # The same at each reading of a long drag: where friction is known better than that, it adds nothing.
            share = per_pa * filter_.brake.clamping_doubt_pa / (slope * clamping)
            if share * share > filter_.friction_variance:
                return
            # However many readings an application has, they must not add more than three would, had they no other
            # noise: the weights 1/(n(n+1)) sum up to one.
            self._drags += 1
            # An auxiliary brake that has less than it shows has less at each of them, too.
            r += self._drags * (self._drags + 1) / 3.0 * (contact * contact + aux_off * aux_off)

        braking = clamping > 0.16 * filter_.full_pa
        if braking:
            filter_.walk(WALK_PER_BRAKING_S**2 * inputs.dt)
            # Readings that are off the same way again and again: the brake has changed, so believe the past less.
            # Not while an auxiliary brake that does not give what it shows may be what is off.
            other = inputs.aux_doubt_n_m > _OTHER_SHARE * torque
            if abs(self._mean_innovation) > _MAX_MEAN_INNOVATION and not other:
                filter_.walk(_CHANGED_WALK**2 * inputs.dt / 0.05)
        # Sensitivities are taken at the expected acceleration: the noise of the measured one in them would pull
        # inertia, and friction with it, towards zero (errors in variables).
        took, size = filter_.update(
            -way * slope * clamping / effective_inertia,
            -expected * filter_.inertia_kg_m2 / (arm * effective_inertia),
            -filter_.tackle_slope[way] * load * (_G + expected) / effective_inertia,
            inputs.acceleration_m_s2 - expected,
            r,
        )
        if braking:
            self._mean_innovation += 0.2 * (size - self._mean_innovation)
            if took > _MIN_INFORMATION:
                self._readings += 1
                if self._readings == _MIN_READINGS:
                    filter_.applications += 1

    # --- stops --------------------------------------------------------------------------------------------------------

    def _follow_applications(self, inputs: BrakeGridInputs, ready: bool, before: tuple[float, float, float]) -> None:
        """Follow applications: friction may have changed at each, and a stop is summed up from its first pressure."""
        share = inputs.pressure_sum_pa / (2.0 * self.filter.full_pa)
        if self._applied:
            if share < 0.03:
                self._applied = False
                self._stop = None
        elif share > 0.05:
            self._applied = True
            self._mean_innovation = 0.0
            self._readings = self._drags = 0
            self.filter.walk(WALK_PER_APPLICATION**2)
            turns, speed, sigma = before
            if ready and abs(speed) > _STOP_FROM_M_S and inputs.mass_kg > 0.0 and math.isfinite(turns + sigma):
                way = 1 if speed > 0.0 else -1
                self._stop = _Stop(
                    way, abs(speed), sigma, inputs.radius_m / self.filter.lines, inputs.mass_kg, inputs.fade
                )
        stop = self._stop
        if stop is None:
            return
        stop.t += inputs.dt
        angle = (inputs.turns - before[0]) * math.tau * stop.way
        if inputs.driven or stop.t > _LONGEST_STOP_S or not angle * stop.arm < 3.0 * inputs.dt * stop.speed + 0.02:
            self._stop = None
            return
        # An angle below zero takes back what the estimate had gone too far in the moment of stopping.
        clamping = self.filter.brake.clamping_pressure_pa(inputs.pressure_sum_pa)
        stop.angle += angle
        stop.pressure_angle += clamping * ((1.0 - _LATE) * angle + _LATE * stop.last_angle)
        stop.last_angle = angle
        stop.aux_j += inputs.aux_n_m * angle
        stop.aux_doubt_j += inputs.aux_doubt_n_m * angle
        if inputs.speed_m_s * stop.way <= 0.0 or angle <= 0.002 * stop.angle:
            self._stop = None
            if self._readings < _MIN_READINGS:
                self._update_from_stop(stop, inputs)

    def _update_from_stop(self, stop: _Stop, inputs: BrakeGridInputs) -> None:
        """One scalar update of the filter from the energy of a whole stop, J."""
        filter_ = self.filter
        way = stop.way
        per_pa, slope = filter_.per_pa(stop.fade, way)
        omega = stop.speed / stop.arm
        spin = 0.5 * filter_.inertia_kg_m2 * omega * omega
        load = filter_.tackle(way) * stop.mass * (0.5 * stop.speed * stop.speed - way * _G * stop.arm * stop.angle)
        work = per_pa * stop.pressure_angle
        short = filter_.inertia * spin + load - stop.aux_j - work  # energy that the brake took beyond what was expected
        if not (spin > 0.0 and stop.angle > 0.0 and stop.pressure_angle > 0.0):
            return
        kinetic = 2.0 * stop.sigma / stop.speed * spin
        timing = _PRESSURE_TIME_S * per_pa * filter_.brake.clamping_pressure_pa(inputs.pressure_sum_pa) * 0.5 * omega
        contact = per_pa * filter_.brake.clamping_doubt_pa * stop.angle
        floor = _ENERGY_FLOOR * (spin + abs(load)) * (2.0 if inputs.doubtful else 1.0)
        # Where the way itself is in doubt, so is the work over it: a position read to a centimetre says little of a stop
        # of three. Its noise counts at both ends; and a speed that is shown where the block stands is the estimate's
        # error, which its delay has made one of the way, too, but of no more than three sigmas of its readings (one and
        # a half delays of it, seen with a position read to 1 cm).
        sigma = filter_.position_sigma_m
        delay = estimator_delay_s(inputs.speed_sigma_m_s, inputs.acceleration_sigma_m_s2)
        overrun = min(1.5 * delay * abs(inputs.speed_m_s), 3.0 * sigma)
        way_doubt = math.hypot(sigma, sigma, overrun) / stop.arm
        force = (
            per_pa * filter_.brake.clamping_pressure_pa(inputs.pressure_sum_pa)
            + filter_.tackle(way) * stop.mass * _G * stop.arm
        )
        r = (force * way_doubt) ** 2 + kinetic**2 + timing**2 + contact**2 + floor**2 + stop.aux_doubt_j**2
        took, _ = filter_.update(slope * stop.pressure_angle, -spin, -filter_.tackle_slope[way] * load, short, r)
        if took > 0.1:
            filter_.applications += 1
