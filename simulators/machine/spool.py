"""Rope on the true drum: layers, the climb from one to the next, and the ripple of the cross-overs.

The monitor computes with sharp layer changes. A real rope climbs over about half a turn, and crosses the strand below
twice in every turn, which lifts the line by a fraction of a millimetre (common practice, no source). Both are here, so
that the monitor's geometry is tested against something it does not know.
"""

import math

TAU = 2 * math.pi
_TWICE_TAU = 2 * TAU


class Spool:
    """Rope on a drum as a smooth function of the turns that lie on it.

    Radius of layer k (first is 1): D/2 + d/2 + (k - 1) c d (wire-rope handbooks). Around each layer change the radius
    rises linearly over `crossover_turns` on either side; the line on the drum is the exact integral, so that it depends on
    the turns alone and a thousand strokes do not creep.
    """

    __slots__ = ("crossover_turns", "last", "line_start", "per_turn", "radius", "ripple_m", "rise", "wraps")

    def __init__(
        self,
        core_diameter_m: float,
        rope_diameter_m: float,
        wraps_per_layer: float,
        nesting: float,
        layers: int,
        crossover_turns: float = 0.25,
        ripple_m: float = 0.0003,
    ) -> None:
        first = (core_diameter_m + rope_diameter_m) / 2
        self.wraps = wraps_per_layer
        self.radius = [first + k * nesting * rope_diameter_m for k in range(layers + 1)]
        self.per_turn = [TAU * r for r in self.radius]
        self.line_start = [0.0]
        for per_turn in self.per_turn[:-1]:
            self.line_start.append(self.line_start[-1] + per_turn * wraps_per_layer)
        self.rise = TAU * nesting * rope_diameter_m
        self.crossover_turns = crossover_turns
        self.ripple_m = ripple_m
        self.last = layers

    def line_m(self, turns: float) -> float:
        """Rope on the drum, m."""
        wraps = self.wraps
        k = int(turns / wraps) if turns > 0 else 0
        if k > self.last:
            k = self.last
        into = turns - k * wraps
        line = self.line_start[k] + self.per_turn[k] * into
        w = self.crossover_turns
        if into < w and k > 0:
            line += self.rise * ((into + w) ** 2 / (4 * w) - into)
        elif wraps - into < w and k < self.last:
            line += self.rise * (into - wraps + w) ** 2 / (4 * w)
        return line + self.ripple_m * math.sin(_TWICE_TAU * turns)

    def radius_m(self, turns: float) -> float:
        """Line per radian, m: the lever arm of the rope's pull. The derivative of `line_m` by the angle."""
        wraps = self.wraps
        k = int(turns / wraps) if turns > 0 else 0
        if k > self.last:
            k = self.last
        into = turns - k * wraps
        radius = self.radius[k]
        w = self.crossover_turns
        if into < w and k > 0:
            radius += self.rise / TAU * ((into + w) / (2 * w) - 1)
        elif wraps - into < w and k < self.last:
            radius += self.rise / TAU * (into - wraps + w) / (2 * w)
        return radius + 2 * self.ripple_m * math.cos(_TWICE_TAU * turns)

    def turns(self, line_m: float) -> float:
        """Turns on the drum when `line_m` metres lie on it (Newton's method; the curve is smooth and rising)."""
        turns = line_m / self.per_turn[0]
        for _ in range(60):
            step = (line_m - self.line_m(turns)) / (TAU * self.radius_m(turns))
            turns += step
            if abs(step) < 1e-10:
                break
        return turns
