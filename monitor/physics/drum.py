"""The drum: from turns of a shaft to metres of rope, and from there to the height of the block.

Rope does not wind onto a cylinder but onto itself. The first layer lies on the bare drum; the second in the valleys
of the first, so it is not a full rope diameter further out but about sqrt(3)/2 of it (three touching circles form an
equilateral triangle). Where the rope climbs from one groove to the next it must cross the strand below, and there it
rides a full diameter higher; a real drum is therefore a little above 0.866, and "nesting" is a parameter here.

A turn on the third layer moves the block some 16 % further than a turn on the first. An encoder knows turns, the crew
fears metres: one fixed counts-per-metre, set on layer 1, reads 14 % short on layer 3. Fitting a straight line through a
low and a high reference looks better, since it is exact at both ends, and is worse where nobody looks: the true curve
is a chain of straight pieces, each steeper than the one before, which sags below that line by more than a metre on an
ordinary land rig. Hence everything here is piecewise linear in the turns, with a kink at each layer change.

The kinks are also the fingerprint of trouble. After a cut and slip a different amount of rope lies on the drum, and the
kinks move. A worn rope is thinner: the error grows with each layer. Missed counts shift everything by the same amount.
Under load the rope stretches: the block hangs lower, and comes back when the load goes. Those four look alike in one
height error and unlike in their pattern, which is what `monitor.physics.calibration` uses.

Symbols: D bare diameter of the drum, d rope diameter, c rise per layer in rope diameters (nesting), k layer (1 is the
first), r_k radius to the rope's centre, N lines strung, omega angular speed of the drum, v speed of the block; T tension of
a line, E modulus and A metallic area of the rope, L length of rope.

"Turns" always means wraps that lie on the drum, counted from the first wrap of layer 1, dead wraps included. Hoisting
adds turns.
"""

import math
from bisect import bisect_right
from dataclasses import dataclass, field

from monitor.physics.given import above_zero
from monitor.units import PSI_PA as psi


@dataclass(frozen=True, slots=True)
class DrumGeometry:
    """A drum and the rope on it: what turns of the shaft mean in metres of rope.

    `core_diameter_m` is the bare (root) diameter; `rope_diameter_m` the rope as it lies there, worn or new;
    `wraps_per_layer` need not be whole; `nesting` is the rise per layer in rope diameters (0.866 nested, 1.0 stacked);
    `dead_wraps` are the wraps that must never leave the drum.

    Raises:
        ValueError: a dimension that no drum can have; the sentence names it.
    """

    core_diameter_m: float
    rope_diameter_m: float
    wraps_per_layer: float
    nesting: float = 0.866
    max_layers: int = 6
    dead_wraps: float = 3.0
    _radius_m: tuple[float, ...] = field(init=False, repr=False, compare=False)
    _per_turn_m: tuple[float, ...] = field(init=False, repr=False, compare=False)
    _start_turns: tuple[float, ...] = field(init=False, repr=False, compare=False)
    _start_line_m: tuple[float, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Check the dimensions and lay out one entry per layer."""
        core, rope, wraps = self.core_diameter_m, self.rope_diameter_m, self.wraps_per_layer
        if not (math.isfinite(core) and core > 0):
            raise ValueError(f"core_diameter_m is {core}: a drum needs a diameter above zero")
        if not (math.isfinite(rope) and 0 < rope < core):
            raise ValueError(f"rope_diameter_m is {rope}: must be above zero and below the drum ({core} m)")
        if not (math.isfinite(wraps) and wraps >= 1):
            raise ValueError(f"wraps_per_layer is {wraps}: a layer holds at least one wrap")
        if not 0.5 <= self.nesting <= 1.1:
            raise ValueError(f"nesting is {self.nesting}: 0.866 is nested, 1.0 stacked; use 0.5 to 1.1")
        if self.max_layers < 1:
            raise ValueError(f"max_layers is {self.max_layers}: a drum holds at least one layer")
        if not 0 <= self.dead_wraps < wraps * self.max_layers:
            raise ValueError(f"dead_wraps is {self.dead_wraps}: must be from 0 to less than all wraps of the full drum")
        first = (core + rope) / 2
        radius = tuple(first + k * self.nesting * rope for k in range(self.max_layers))
        per_turn = tuple(2 * math.pi * r for r in radius)
        lines = [0.0]
        for rise in per_turn[:-1]:
            lines.append(lines[-1] + rise * wraps)
        put = object.__setattr__
        put(self, "_radius_m", radius)
        put(self, "_per_turn_m", per_turn)
        put(self, "_start_turns", tuple(k * wraps for k in range(self.max_layers)))
        put(self, "_start_line_m", tuple(lines))

    def _index(self, turns: float) -> int:
        """Layer index from 0, held inside the layers that exist."""
        return bisect_right(self._start_turns, turns) - 1 if turns > 0 else 0

    def layer(self, turns: float) -> int:
        """Layer (1 is the first) on which the wrap after `turns` full wraps lies; the last layer beyond a full drum."""
        return self._index(turns) + 1

    def radius_m(self, turns: float) -> float:
        """Radius to the rope's centre, m, where the rope leaves the drum with `turns` wraps on it.

        r_k = D/2 + d/2 + (k - 1) c d for layer k, with c the nesting (wire-rope handbooks; c = sqrt(3)/2 from three
        touching circles, derived here).
        """
        return self._radius_m[self._index(turns)]

    def line_m(self, turns: float) -> float:
        """Rope on the drum, m, with `turns` wraps on it: the sum of 2 pi r_k over the wraps of each layer.

        Exact and continuous across layer changes. Below zero the first layer, beyond a full drum the last layer, goes
        on at its own slope, so that an estimate which runs slightly out of range still has a meaning. The helix of a
        wrap adds about 0.01 % and is left out.
        """
        k = bisect_right(self._start_turns, turns) - 1 if turns > 0 else 0
        return self._start_line_m[k] + self._per_turn_m[k] * (turns - self._start_turns[k])

    def turns(self, line_m: float) -> float:
        """Wraps on the drum when `line_m` metres of rope lie on it: the exact inverse of `line_m`."""
        k = bisect_right(self._start_line_m, line_m) - 1 if line_m > 0 else 0
        return self._start_turns[k] + (line_m - self._start_line_m[k]) / self._per_turn_m[k]

    def block_travel_per_turn_m(self, turns: float, lines: int) -> float:
        """Travel of the block per turn of the drum, m, on the layer in use: 2 pi r_k / N with `lines` strung.

        Raises:
            ValueError: no lines.
        """
        above_zero(lines=lines)
        return self._per_turn_m[self._index(turns)] / lines

    @property
    def capacity_m(self) -> float:
        """Rope that fills every layer, m."""
        return self._start_line_m[-1] + self._per_turn_m[-1] * self.wraps_per_layer

    @property
    def capacity_turns(self) -> float:
        """Wraps that fill every layer."""
        return self.wraps_per_layer * self.max_layers

    @property
    def layer_change_turns(self) -> tuple[float, ...]:
        """Wraps at which a new layer begins (without the first): the kinks of the height curve."""
        return self._start_turns[1:]

    def dead_wraps_left(self, turns: float) -> float:
        """Wraps left above the dead wraps; negative when dead wraps have been paid out.

        Three dead wraps are preferred by wire-rope handbooks and required by many codes: by the capstan equation their
        grip is exp(6 pi mu), 6.6 at mu = 0.1 (derived here).
        """
        return turns - self.dead_wraps


def block_height_m(drum: DrumGeometry, turns: float, start_turns: float, start_height_m: float, lines: int) -> float:
    """Height of the block, m, at `turns` wraps, when it was at `start_height_m` with `start_turns` wraps.

    Rope taken in, divided by the lines strung. Exact across layer changes; stretch is separate (`block_drop_m`).

    Raises:
        ValueError: no lines.
    """
    above_zero(lines=lines)
    return start_height_m + (drum.line_m(turns) - drum.line_m(start_turns)) / lines


def turns_at_height(
    drum: DrumGeometry, height_m: float, start_turns: float, start_height_m: float, lines: int
) -> float:
    """Wraps on the drum when the block is at `height_m`: the exact inverse of `block_height_m`."""
    return drum.turns(drum.line_m(start_turns) + (height_m - start_height_m) * lines)


# --- stretch --------------------------------------------------------------------------------------------------------

MODULUS_6X19_IWRC_PA = 13.5e6 * psi
"""Modulus of a 6x19 IWRC rope up to 20 % of its strength: 13.5 million psi, 15.0 million from 21 to 65 % (Wire Rope Users
Manual, from memory). Of a used rope: a new one first stretches by another 0.5 to 1 %, for good (public rope tables)."""

METALLIC_FILL_6X19_IWRC = 0.47
"""Metallic area over d^2 of a 6x19 IWRC rope (0.46 to 0.49 in public tables; 0.47 from memory)."""


def rope_ea_n(
    rope_diameter_m: float, modulus_pa: float = MODULUS_6X19_IWRC_PA, fill: float = METALLIC_FILL_6X19_IWRC
) -> float:
    """Stiffness of the rope, N per unit strain: E A with A = `fill` d^2.

    Public sources differ by 20 %: identify it on the rig from two loads at the same drum position.

    Raises:
        ValueError: diameter, modulus or fill not above zero.
    """
    above_zero(rope_diameter_m=rope_diameter_m, modulus_pa=modulus_pa, fill=fill)
    return modulus_pa * fill * rope_diameter_m**2


def block_drop_m(
    line_tension_n: float, ea_n: float, block_to_crown_m: float, lines: int, fast_line_m: float, dead_line_m: float
) -> float:
    """How far the block hangs lower, m, when the tension in all lines is `line_tension_n`.

    drop = T/(E A) [h + (L_fast + L_dead)/N], h from block to crown (Hooke's law, derived here): strung lines stretch
    over h each; fast and dead line pass their stretch on divided by N. About 0.1 m on a land rig under full load, real
    and reversible: it must not be mistaken for a drifting encoder. Takes the same tension in all lines (no friction in the
    sheaves), and leaves out the rope on the drum, whose stretch stays with it.

    Raises:
        ValueError: no stiffness or no lines.
    """
    above_zero(ea_n=ea_n, lines=lines)
    return line_tension_n / ea_n * (block_to_crown_m + (fast_line_m + dead_line_m) / lines)
