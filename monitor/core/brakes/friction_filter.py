"""Friction, inertia and sheave factor of one rig, as one small Kalman filter: what is known of them, and how well.

Theory of operation. Three states: factor on the configured friction (cold), factor on the configured inertia, and the
sheave factor's difference from the configured one. Friction and inertia start at the file's values with the file's
half-widths. The sheave factor starts half its half-width lower: what a file has is the book's value for such bearings, and
sheaves in service run as easily or more so (1.04 by API RP 9B for roller bearings, 1.02 in rigging tables; see
`monitor.physics.tackle`). It may lie anywhere between the file's value and that less the half-width.

What lowering alone shows is ratios: friction, inertia and the tackle's factor for lowering may all be larger by the same share,
and no motion down is another for it. So friction over that factor is soon known to 1 %, and friction itself no better than
the sheaves: 6.5 % for one hundredth of K on twelve lines. Hoisting tells them apart, because sheaves that hinder up help
down. The stop mark needs the ratio only (`relative_to_file`).

`update` is one scalar measurement update, whoever has worked out innovation, sensitivities and noise
(`monitor.core.brakes.effectiveness`).

Friction walks: a little with time, more at each application and while braking. Inertia and sheaves hardly change, but
their variance never falls below a floor, because the equation of motion itself is no better. An error of the load
scales friction and inertia alike and cannot be seen in any motion; it is added to sigma.
"""

import math
from collections.abc import Mapping
from typing import Any, Final

from monitor.config.rig import Rig
from monitor.core.brakes.model import BrakeModel
from monitor.physics.tackle import dead_line_factor, efficiency_hoisting, factor_lowering

WALK_PER_APPLICATION: Final = 0.04
WALK_PER_BRAKING_S: Final = 0.02
"""Friction may change by this much (standard deviation) per application, and per root second of braking."""
_WALK_IDLE_S: Final = 8 * 3600.0
"""Without any braking, evidence is back at the prior's width after this long: a night of rain on the discs."""
_INERTIA_FLOOR: Final = 0.015
_SHEAVE_FLOOR: Final = 0.002
WEAKER_Z: Final = 1.5
"""Sigmas by which a brake must be found weaker before the file's promise begins to give way."""
ASSURED_Z: Final = 2.6
"""Standard deviations below the best value that the assured scale takes (99.5 % one-sided)."""


class BrakeFilter:
    """The three states and their covariance, with the rig's torque and tackle formulas at the present state."""

    def __init__(self, rig: Rig, brake: BrakeModel) -> None:
        self.brake = brake
        doubt = rig.uncertainty
        self.lines = lines = rig.line.lines
        self.inertia_kg_m2 = rig.drum.inertia_kg_m2
        self.full_pa = rig.brake.full_pressure_pa
        counts, position = rig.sensor_of("drum_counts"), rig.sensor_of("block_position")
        self.position_sigma_m = 0.0
        """Noise of one reading of the position that the motion is taken from."""
        if counts is not None and counts.counts_per_turn is not None:
            self.position_sigma_m = counts.sigma / counts.counts_per_turn * math.pi * rig.drum.core_diameter_m / lines
        elif position is not None:
            self.position_sigma_m = position.sigma * position.si.scale
        # A load that comes from the dead line was itself corrected with K, and its error goes the other way.
        dead = rig.sensor_of("hook_load") is None
        k = rig.line.sheave_factor

        def pull(way: int, factor: float) -> float:
            share = factor_lowering(factor, lines) if way < 0 else 1.0 / efficiency_hoisting(factor, lines)
            return share / dead_line_factor(factor, lines, way) if dead else share

        low = max(1.0, k - 0.01)
        self._tackle = {1: 1.0 / efficiency_hoisting(k, lines), -1: factor_lowering(k, lines)}
        self.tackle_slope = {way: math.log(pull(way, k + 0.01) / pull(way, low)) / (k + 0.01 - low) for way in (1, -1)}
        """Logarithmic slope of the tackle factor in K, by direction."""
        self._sheave_low, self._sheave_high = 1.0 - k, 0.06
        self.prior = max(doubt.friction, 0.03)
        self._load_doubt = 0.5 * doubt.load
        # Uniform over the half-width has a standard deviation of 0.58 of it.
        self._prior_var = (self.prior**2, (0.58 * doubt.inertia + 0.01) ** 2, (0.29 * doubt.sheave + 0.001) ** 2)
        self._idle_walk = self._prior_var[0] / _WALK_IDLE_S
        self.friction, self.inertia, self.sheave = 1.0, 1.0, max(self._sheave_low, -0.5 * doubt.sheave)
        ee, jj, kk = self._prior_var
        self._p = (ee, 0.0, 0.0, jj, 0.0, kk)
        self.applications = 0
        """Applications that were evidence."""
        self._relative: dict[int, float] = {}
        """Answers of `relative_to_file` at the present state, by direction."""
        self._at_most = math.inf
        """Friction at most, as the last evidence had it: time without evidence makes no brake better."""

    # --- the machine at the present state -------------------------------------------------------------------------------

    def per_pa(self, fade: float, way: int) -> tuple[float, float]:
        """(torque per pascal of grip, its slope in the friction factor), N m/Pa."""
        full, scale = self.full_pa, self.friction * fade
        torque = self.brake.circuit_torque_n_m(full, scale, way)
        return torque / full, (self.brake.circuit_torque_n_m(full, scale + 0.01, way) - torque) * 100.0 * fade / full

    def tackle(self, way: int) -> float:
        """Tackle factor as tracked: fast line over hook load times lines, hoisting (+1) or lowering (-1)."""
        return self._tackle[way] * math.exp(self.tackle_slope[way] * self.sheave)

    def relative_to_file(self, way: int) -> float:
        """What friction is to be multiplied with where the load is worked out with the configured tackle factor: friction over
        the tackle's factor is what the motion shows, far better than either."""
        if not self.applications:
            return 1.0
        if way not in self._relative:
            per_pa, slope = self.per_pa(1.0, way)
            # A band's torque grows faster than its friction.
            self._relative[way] = math.exp(-self.tackle_slope[way] * self.sheave * per_pa / (slope * self.friction))
        return self._relative[way]

    # --- updates ------------------------------------------------------------------------------------------------------

    def idle(self, dt: float) -> None:
        """Time passes."""
        self.walk(self._idle_walk * dt)

    def walk(self, variance: float) -> None:
        """Friction may have changed by this much; it is never less known than the file says."""
        ee, ej, ek, jj, jk, kk = self._p
        if ee < self._prior_var[0]:
            self._p = (ee + variance, ej, ek, jj, jk, kk)

    def update(self, h1: float, h2: float, h3: float, innovation: float, r: float) -> tuple[float, float]:
        """One scalar update with sensitivities to friction, inertia and sheave factor and noise variance `r`.

        Returns (share of friction's variance that it took, innovation over its standard deviation). An innovation
        beyond three standard deviations is weighed as three: one odd reading must not carry the estimate away, many
        will.
        """
        ee, ej, ek, jj, jk, kk = self._p
        q1 = ee * h1 + ej * h2 + ek * h3
        q2 = ej * h1 + jj * h2 + jk * h3
        q3 = ek * h1 + jk * h2 + kk * h3
        s = h1 * q1 + h2 * q2 + h3 * q3 + r
        size = innovation / math.sqrt(s)
        if size > 3.0 or size < -3.0:
            s *= size * size / 9.0
        g1, g2, g3 = q1 / s, q2 / s, q3 / s
        self.friction = min(2.0, max(0.05, self.friction + g1 * innovation))
        self.inertia = min(3.0, max(0.3, self.inertia + g2 * innovation))
        self.sheave = min(self._sheave_high, max(self._sheave_low, self.sheave + g3 * innovation))
        self._p = (
            max(1e-6, ee - g1 * q1),
            ej - g1 * q2,
            ek - g1 * q3,
            max(_INERTIA_FLOOR**2, jj - g2 * q2),
            jk - g2 * q3,
            max(_SHEAVE_FLOOR**2, kk - g3 * q3),
        )
        self._at_most = self.friction + WEAKER_Z * self.sigma
        self._relative.clear()
        return g1 * q1 / ee, size

    # --- answers ----------------------------------------------------------------------------------------------------

    @property
    def sigma(self) -> float:
        """Standard deviation of `friction`, with the load's doubt, which the motion cannot show."""
        return math.sqrt(self._p[0] + (self._load_doubt * self.friction) ** 2)

    @property
    def friction_variance(self) -> float:
        """Variance of `friction`, without the load's doubt."""
        return self._p[0]

    @property
    def best(self) -> float:
        """Factor on friction to expect: the configured friction (1) until an application has been weighed."""
        return self.friction if self.applications else 1.0

    @property
    def low(self) -> float:
        """Factor on friction to rely on: the configured worst case, or the lower end of the evidence where that is
        higher.

        The file's promise that friction is within its half-width loses its worth as a brake is found weaker than the
        file says, beyond what the evidence's own doubt may explain: then the evidence alone counts. A vague hint is no
        evidence: it would make a sound brake seem to be none. All of it is friction as the configured sheaves have it, where
        that is less: they hinder a load on its way down most.
        """
        if not self.applications:
            return max(0.02, 1.0 - max(0.0, 1.0 - self.friction) - self.prior)
        relative = min(1.0, self.relative_to_file(-1))
        friction, sigma = self.friction * relative, self.sigma
        weaker = max(0.0, 1.0 - min(self._at_most * relative, friction + WEAKER_Z * sigma))
        return max(0.02, 1.0 - self.prior - 2.0 * weaker, friction - ASSURED_Z * sigma)

    @property
    def high(self) -> float:
        """Factor on friction at the strongest that is credible: the upper end of the file's promise, or of the evidence."""
        if not self.applications:
            return 1.0 + self.prior
        return self.friction + ASSURED_Z * self.sigma

    def torque_ratio(self, scale: float) -> float:
        """Torque at a friction `scale` over torque at the configured friction, at equal pressure, lowering."""
        full = self.brake.full_pressure_pa
        return self.brake.circuit_torque_n_m(full, scale) / self.brake.circuit_torque_n_m(full, 1.0)

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
        except (KeyError, TypeError, ValueError, OverflowError) as error:
            raise ValueError(f"brake effectiveness cannot be restored: {error!r}") from None
        fits = len(x) == 3 and len(p) == 6 and all(map(math.isfinite, x + p)) and min(p[0], p[3], p[5]) > 0.0
        if not fits or not (0.05 <= x[0] <= 2.0 and 0.3 <= x[1] <= 3.0) or applications < 0:
            raise ValueError("brake effectiveness cannot be restored: numbers missing or out of bounds")
        self.friction, self.inertia, self.sheave = x
        self.sheave = min(self._sheave_high, max(self._sheave_low, self.sheave))
        self._at_most = x[0] + WEAKER_Z * math.sqrt(p[0] + (self._load_doubt * x[0]) ** 2)
        walked = p[0] + self._idle_walk * max(0.0, idle_s)
        self._p = (max(p[0], min(walked, self._prior_var[0])), p[1], p[2], p[3], p[4], p[5])
        self.applications = applications
        self._relative.clear()
