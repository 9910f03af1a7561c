"""Brake effectiveness: the motion is the scales, and what it weighs is compared with what the pressure promises.

Theory of operation. While the block moves, drum and load obey

    e T(p) + T_aux + s [ lam m (g + a) r/N  +  j J a N/r ] = 0,     s = +1 hoisting, -1 lowering

with the upward acceleration a from the estimator, the hanging mass m, the configured inertia J, and the tackle's
friction lam (lowering factor, or 1 over the hoisting efficiency; API RP 9B). T(p) is the torque the configured
friction gives at the measured pressures. The drive appears nowhere: readings count only while it is known to be gone.

One equation, three doubts: friction e, inertia j, sheave factor K. No single stop can tell them apart, but a shift's
work can, because each shows in another place: a roll with the brake off weighs inertia against load, a steady descent
weighs friction against load, and hoisting shifts the sheaves' friction to the other side. So they are three states of
one extended Kalman filter, with the configured half-widths as prior, and its covariance says what has been told apart
so far and what has not. An error of the load itself cannot be seen by any of this (it scales friction and inertia
alike); it is added to sigma.

Timing. The estimator's acceleration comes late: in its steady state it is the true one through a third-order
low-pass, whose delay follows from its own sigmas: the Riccati solution of the white-jerk model has gains 2w, 2w^2,
w^3 and variances P_vv = 3 w^3 R, P_aa = 2 w^5 R, so w = sqrt(1.5) sigma_a / sigma_v and the delay is 2/w (derived
here). Pressure and auxiliary torque go through a low-pass of the same delay before they are compared, and readings in
a transient weigh less.

Forgetting. Friction walks: a little with time, more at each application, so that a brake which got oil on its disc is
found out in the next stop or two. Inertia and sheaves hardly change. Friction here is the *cold* one: heat is taken
out by the fade curve before and put back after, or a hot brake would be counted as faded twice. Band torque goes as
exp(f phi), so the state is a factor on friction, and effectiveness (a ratio of torques) follows through the
exponential.
"""

import math
from collections.abc import Mapping
from typing import Any, Final

from scipy.constants import g as _STANDARD_GRAVITY

from monitor.config import Rig
from monitor.core.braking import BrakeModel
from monitor.physics.tackle import dead_line_factor, efficiency_hoisting, factor_lowering

_G: Final = float(_STANDARD_GRAVITY)
_MOVING_M_S: Final = 0.06
"""Slower than this, stick-slip and the coming standstill hide the torque."""
_WALK_PER_APPLICATION: Final = 0.04
_WALK_PER_BRAKING_S: Final = 0.02
"""Friction may change by this much (standard deviation) per application, and per root second of braking."""
_WALK_IDLE_S: Final = 8 * 3600.0
"""Without any braking, evidence is back at the prior's width after this long: a night of rain on the discs."""
_INERTIA_FLOOR: Final = 0.015
_SHEAVE_FLOOR: Final = 0.002
"""What is left of these doubts however long one looks: the equation itself is not better."""
_TORQUE_FLOOR: Final = 0.03
"""Share of the torques at work that the equation may be wrong by in one reading."""
_MIN_READINGS: Final = 6
"""Readings under braking that make an application evidence."""
_SURPRISE: Final = 0.3
"""Mean of five innovations over their sigmas that a steady brake does not show (they are weighted to be far below 1)."""
_TELLING: Final = 0.005
"""A reading that takes less than this share off friction's variance says nothing."""
_EVIDENT: Final = 0.85
"""Share of the configured half-width below which sigma makes the value VALID."""
ASSURED_Z: Final = 2.6
"""Standard deviations below the best value that the assured scale takes (99.5 % one-sided)."""


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


class Effectiveness:
    """The filter over friction, inertia and sheaves of one rig."""

    def __init__(self, rig: Rig, brake: BrakeModel) -> None:
        self._brake = brake
        doubt = rig.uncertainty
        lines, k = rig.line.lines, rig.line.sheave_factor
        self._lines = lines
        self._inertia = rig.drum.inertia_kg_m2
        # Tackle factors at the configured K and their logarithmic slopes in K. A load that comes from the dead line was
        # itself corrected with K, and its error goes the other way.
        dead = rig.sensor_of("hook_load") is None

        def pull(way: int, factor: float) -> float:
            share = factor_lowering(factor, lines) if way < 0 else 1.0 / efficiency_hoisting(factor, lines)
            return share / dead_line_factor(factor, lines, way) / lines if dead else share

        low = max(1.0, k - 0.01)
        slope = {way: math.log(pull(way, k + 0.01) / pull(way, low)) / (k + 0.01 - low) for way in (1, -1)}
        self._tackle = {1: 1.0 / efficiency_hoisting(k, lines), -1: factor_lowering(k, lines)}
        self._tackle_slope = slope
        self._sheave_low, self._sheave_high = 1.0 - k, 0.06
        self.prior = max(doubt.friction, 0.03)
        self._load_doubt = 0.5 * doubt.load
        # Uniform over the half-width has a standard deviation of 0.58 of it.
        self._prior_var = (self.prior**2, (0.58 * doubt.inertia + 0.01) ** 2, (0.6 * doubt.sheave + 0.001) ** 2)
        self._idle_walk = self._prior_var[0] / _WALK_IDLE_S
        self.friction, self.inertia, self.sheave = 1.0, 1.0, 0.0
        ee, jj, kk = self._prior_var
        self._p = (ee, 0.0, 0.0, jj, 0.0, kk)
        self.applications = 0
        self._readings = 0
        self._applied = False
        self._pressure, self._aux = Lag(), Lag()
        self._surprise = 0.0
        self._known_s = self._free_s = self._moving_s = 0.0
        self._way = 0
        self.observing = False

    # --- one grid point ---------------------------------------------------------------------------------------------

    def step(
        self,
        dt: float,
        speed: float,
        acceleration: float,
        speed_sigma: float,
        acceleration_sigma: float,
        radius: float,
        mass: float,
        pressure_sum: float,
        aux: float,
        aux_doubt: float,
        driven: bool,
        fade: float,
        doubtful: bool,
    ) -> None:
        """One grid point, `dt` seconds after the last. Anything not known is NaN and makes this reading no evidence.

        `pressure_sum` is that of both circuits, Pa; `aux` the auxiliary brake's torque, N m, with its standard doubt;
        `driven` whether the drive may be pulling; `fade` the share of cold friction left; `doubtful` marks inputs
        worse than usual.
        """
        ee, ej, ek, jj, jk, kk = self._p
        if ee < self._prior_var[0]:
            ee += self._idle_walk * dt
            self._p = (ee, ej, ek, jj, jk, kk)
        delay = estimator_delay_s(speed_sigma, acceleration_sigma)
        gain = dt / (dt + delay / 3.0)
        self.observing = False
        if math.isnan(pressure_sum + aux):
            self._known_s = 0.0
            return
        if self._known_s == 0.0:
            self._pressure.reset(pressure_sum)
            self._aux.reset(aux)
        self._known_s += dt
        self._pressure.step(pressure_sum, gain)
        self._aux.step(aux, gain)
        self._count_application(pressure_sum / (2.0 * self._brake.full_pressure_pa))
        self._free_s = 0.0 if driven else self._free_s + dt
        way = 0 if not abs(speed) > _MOVING_M_S + 2.0 * speed_sigma else 1 if speed > 0.0 else -1
        self._moving_s = self._moving_s + dt if way == self._way and way != 0 else 0.0
        self._way = way
        wait = 0.1 + 2.5 * delay
        if way == 0 or self._moving_s < wait or self._free_s < wait or self._known_s < wait:
            return
        if not (mass > 0.0 and radius > 0.0 and math.isfinite(acceleration) and acceleration > -0.7 * _G):
            return
        self._weigh(
            dt, way, acceleration, acceleration_sigma, radius, mass, pressure_sum, aux_doubt, fade, doubtful, delay
        )

    def _count_application(self, share: float) -> None:
        if self._applied:
            if share < 0.05:
                self._applied = False
        elif share > 0.10:
            self._applied = True
            self._surprise = 0.0
            self._readings = 0
            ee, ej, ek, jj, jk, kk = self._p
            self._p = (max(ee, min(ee + _WALK_PER_APPLICATION**2, self._prior_var[0])), ej, ek, jj, jk, kk)

    def _weigh(
        self,
        dt: float,
        way: int,
        a: float,
        a_sigma: float,
        radius: float,
        mass: float,
        pressure_now: float,
        aux_doubt: float,
        fade: float,
        doubtful: bool,
        delay: float,
    ) -> None:
        """One scalar update of the filter. The equation's residual is the innovation."""
        arm = radius / self._lines
        scale = self.friction * fade
        pressure = self._pressure.value
        torque = self._brake.circuit_torque_n_m(pressure, scale, way)
        slope = (self._brake.circuit_torque_n_m(pressure, scale + 0.01, way) - torque) * 100.0 * fade
        tackle = self._tackle[way] * math.exp(self._tackle_slope[way] * self.sheave)
        load = tackle * mass * arm
        heft = load + self.inertia * self._inertia / arm  # torque per unit of the block's acceleration
        expected = -(way * (torque + self._aux.value) + load * _G) / heft
        residual = a - expected
        # Sensitivities are taken at the expected acceleration: the noise of the measured one in them would pull
        # inertia, and friction with it, towards zero (errors in variables).
        h1 = -way * slope / heft
        h2 = -expected * self._inertia / (arm * heft)
        h3 = -self._tackle_slope[way] * load * (_G + expected) / heft
        # Noise: the acceleration's own, correlated over about twice its delay; the equation's floor; a transient, in
        # which the imitated low-pass may be off the same way each time; the auxiliary brake's doubt, which does not
        # average out.
        floor = _TORQUE_FLOOR * ((torque + load * _G) / heft + abs(expected)) * (2.0 if doubtful else 1.0)
        lagging = self._brake.circuit_torque_n_m(abs(pressure_now - pressure), scale, way) / heft
        aux_off = aux_doubt / heft
        r = (a_sigma * a_sigma + floor * floor) * max(2.0, 2.0 * delay / dt)
        r += 8.0 * lagging * lagging + 20.0 * aux_off * aux_off

        braking = pressure > 0.16 * self._brake.full_pressure_pa
        ee, ej, ek, jj, jk, kk = self._p
        if braking and ee < self._prior_var[0]:
            ee += _WALK_PER_BRAKING_S**2 * dt
            # Readings that are off the same way again and again: the brake has changed, so believe the past less.
            if abs(self._surprise) > _SURPRISE:
                ee += _WALK_PER_APPLICATION**2 * dt / 0.05
        q1 = ee * h1 + ej * h2 + ek * h3
        q2 = ej * h1 + jj * h2 + jk * h3
        q3 = ek * h1 + jk * h2 + kk * h3
        s = h1 * q1 + h2 * q2 + h3 * q3 + r
        if braking:
            self._surprise += 0.2 * (residual / math.sqrt(s) - self._surprise)
        if residual * residual > 9.0 * s:
            # One reading far out must not carry the estimate away; many in a row will (its weight is lowered, not
            # taken).
            s = residual * residual / 9.0
        g1, g2, g3 = q1 / s, q2 / s, q3 / s
        self.friction = min(2.0, max(0.05, self.friction + g1 * residual))
        self.inertia = min(3.0, max(0.3, self.inertia + g2 * residual))
        self.sheave = min(self._sheave_high, max(self._sheave_low, self.sheave + g3 * residual))
        self._p = (
            max(1e-6, ee - g1 * q1),
            ej - g1 * q2,
            ek - g1 * q3,
            max(_INERTIA_FLOOR**2, jj - g2 * q2),
            jk - g2 * q3,
            max(_SHEAVE_FLOOR**2, kk - g3 * q3),
        )
        self.observing = True
        if braking and g1 * q1 > _TELLING * ee:
            self._readings += 1
            if self._readings == _MIN_READINGS:
                self.applications += 1

    # --- answers ----------------------------------------------------------------------------------------------------

    @property
    def sigma(self) -> float:
        """Standard deviation of `friction`, with the load's doubt, which the motion cannot show."""
        return math.sqrt(self._p[0] + (self._load_doubt * self.friction) ** 2)

    @property
    def evident(self) -> bool:
        """Whether the brake has been weighed well enough to say more than the configuration does."""
        return self.applications > 0 and self.sigma < _EVIDENT * self.prior

    @property
    def best(self) -> float:
        """Factor on friction to expect: the configured friction (1) until an application has been weighed."""
        return self.friction if self.applications else 1.0

    @property
    def low(self) -> float:
        """Factor on friction to rely on: the configured worst case, or more where the lower end of the evidence is
        higher.

        The configured half-width is taken off whatever is better known, so a brake found weak is believed weak at once.
        """
        worst = min(1.0, self.friction) - self.prior
        if self.applications:
            worst = max(worst, self.friction - ASSURED_Z * self.sigma)
        return max(0.02, worst)

    @property
    def tackle_lowering(self) -> float:
        """Lowering factor of the tackle as tracked."""
        return self._tackle[-1] * math.exp(self._tackle_slope[-1] * self.sheave)

    def torque_ratio(self, scale: float) -> float:
        """Torque at a friction `scale` over torque at the configured friction, at equal pressure, lowering."""
        full = self._brake.full_pressure_pa
        return self._brake.circuit_torque_n_m(full, scale) / self._brake.circuit_torque_n_m(full, 1.0)

    def state(self) -> dict[str, Any]:
        """What a restart needs, JSON-able."""
        return {"x": [self.friction, self.inertia, self.sheave], "p": list(self._p), "applications": self.applications}

    def restore(self, saved: Mapping[str, Any], idle_s: float) -> None:
        """Take up `saved` from `state`, `idle_s` seconds later: friction has had that long to change.

        Raises:
            ValueError: it is not such a state.
        """
        try:
            x = [float(number) for number in saved["x"]]
            p = [float(number) for number in saved["p"]]
            applications = int(saved["applications"])
        except (KeyError, TypeError, ValueError) as error:
            raise ValueError(f"brake effectiveness cannot be restored: {error!r}") from None
        fits = len(x) == 3 and len(p) == 6 and all(map(math.isfinite, x + p)) and min(p[0], p[3], p[5]) > 0.0
        if not fits or not (0.05 <= x[0] <= 2.0 and 0.3 <= x[1] <= 3.0) or applications < 0:
            raise ValueError("brake effectiveness cannot be restored: numbers missing or out of bounds")
        self.friction, self.inertia, self.sheave = x
        self.sheave = min(self._sheave_high, max(self._sheave_low, self.sheave))
        walked = p[0] + self._idle_walk * max(0.0, idle_s)
        self._p = (max(p[0], min(walked, self._prior_var[0])), p[1], p[2], p[3], p[4], p[5])
        self.applications = applications
