"""The drum as straight pieces, height over turns, with two more numbers per piece: how the height would move if the rope
were thicker, and if one more wrap lay on the drum at the datum."""

import math

from monitor.physics.drum import DrumGeometry


class HeightMap:
    """Height of the unloaded block over turns on the drum, piecewise straight, through one datum. Metres and wraps."""

    __slots__ = (
        "_h", "_last", "_layer_turns", "_rise", "_rope", "_rope_rise", "_shifts", "_wraps", "drum", "height_m", "lines",
        "radii_m", "rope_slopes", "turns",
    )  # fmt: skip

    def __init__(self, drum: DrumGeometry, turns: float, height_m: float, lines: int) -> None:
        """The curve on which the block is at `height_m` with `turns` wraps on `drum` and `lines` strung."""
        self.drum = drum
        self.turns = turns
        self.height_m = height_m
        self.lines = lines
        self._wraps = drum.wraps_per_layer
        self._last = drum.max_layers - 1
        self._layer_turns = (0.0, *drum.layer_change_turns)
        base = drum.line_m(turns)
        self._h = tuple(height_m + (drum.line_m(t) - base) / lines for t in self._layer_turns)
        self._rise = tuple(2.0 * math.pi * drum.radius_m(t + 1e-9) / lines for t in self._layer_turns)
        # d r_k / d(ln d) = d (1/2 + (k-1) c): r_k is linear in the rope diameter, so this is exact.
        self._rope_rise = tuple(
            2.0 * math.pi * drum.rope_diameter_m * (0.5 + k * drum.nesting) / lines for k in range(drum.max_layers)
        )
        rope = [0.0]
        for rise in self._rope_rise[:-1]:
            rope.append(rope[-1] + rise * drum.wraps_per_layer)
        self.radii_m = tuple(drum.radius_m(t + 1e-9) for t in self._layer_turns)
        """Radius to the rope's centre by layer, m."""
        self.rope_slopes = tuple(r / h for r, h in zip(self._rope_rise, self._rise, strict=True))
        """d ln(speed) / d ln(rope diameter) by layer."""
        k = self._index(turns)
        self._shifts = tuple(rise - self._rise[k] for rise in self._rise)
        zero = rope[k] + self._rope_rise[k] * (turns - self._layer_turns[k])
        self._rope = tuple(value - zero for value in rope)

    def _index(self, turns: float) -> int:
        k = int(turns / self._wraps) if turns > 0.0 else 0
        return k if k < self._last else self._last

    def height(self, turns: float) -> float:
        """Height at `turns` wraps, m."""
        k = int(turns / self._wraps) if turns > 0.0 else 0
        if k > self._last:
            k = self._last
        return self._h[k] + self._rise[k] * (turns - self._layer_turns[k])

    def locate(self, height_m: float) -> tuple[float, int, float, float]:
        """At `height_m`: (turns, layer index from 0, d height / d ln(rope diameter), d height / d wraps at the datum).

        The last two are zero at the datum. A wrap more at the datum changes the rise of the layer in use against that
        of the datum's; the one wrap around each layer change over which that comes about is taken as a step.
        """
        h = self._h
        k = self._last
        while k > 0 and height_m < h[k]:
            k -= 1
        over = (height_m - h[k]) / self._rise[k]
        return self._layer_turns[k] + over, k, self._rope[k] + self._rope_rise[k] * over, self._shifts[k]

    def rise_at(self, height_m: float) -> float:
        """Travel of the block per turn at `height_m`, m."""
        h = self._h
        k = self._last
        while k > 0 and height_m < h[k]:
            k -= 1
        return self._rise[k]

    def piece(self, height_m: float) -> tuple[float, float, float]:
        """The straight piece of the curve at `height_m`: (its lower end, its upper end, travel per turn), m."""
        h = self._h
        k = self._last
        while k > 0 and height_m < h[k]:
            k -= 1
        return h[k] if k else -math.inf, h[k + 1] if k < self._last else math.inf, self._rise[k]

    @property
    def widest_step(self) -> float:
        """Largest over smallest travel per turn: how wrong a speed can be whose layer is not known."""
        return self._rise[-1] / self._rise[0]

    def moved(self, turns: float | None = None, height_m: float | None = None, rope: float = 0.0) -> "HeightMap":
        """The same drum through another datum, with the rope's diameter changed by the fraction `rope`."""
        drum = self.drum
        if rope:
            drum = DrumGeometry(
                drum.core_diameter_m,
                drum.rope_diameter_m * (1.0 + rope),
                drum.wraps_per_layer,
                drum.nesting,
                drum.max_layers,
                drum.dead_wraps,
            )
        return HeightMap(
            drum,
            self.turns if turns is None else turns,
            self.height_m if height_m is None else height_m,
            self.lines,
        )
