"""What helps the filter to the truth: source times, drum geometry, and every outside statement about the height.

Three parts, each usable alone.

`SourceClock` turns the time a source wrote on a reading into stream time. A message is never early, so the smallest
difference ever seen between arrival and source time is the clock offset plus the shortest transport; all above that is
delay. A delay that grows opens a gap between arrivals while source times stay evenly spaced; a clock that is set does
the opposite. That tells the two apart at the first reading, without waiting for a pattern.

`HeightMap` is the drum as straight pieces, height over turns, with two more numbers per piece: how the height would
move if the rope were thicker, and if one more wrap lay on the drum at the datum.

`Datum` holds what is not known about that curve: an offset (missed counts, the crew's own reading), the rope diameter,
the wraps at the datum. Each outside height (a reference, a height mark, a set-down in slips, a second source) is one
scalar measurement of the three, so they are told apart by where on the curve they disagree; the bound on the height
is their joint variance at the present turns, which grows with distance and layers from the datum and shrinks with
evidence. `Datum` proposes corrections; it is the estimator that applies them.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from monitor.core.saved_state import number, numbers
from monitor.physics.drum import DrumGeometry

STEP_NS: Final = 250_000_000
"""Arrival and source spacing must differ by more than this to be looked at as a step (common practice, no source)."""
SAID_NS: Final = 60_000_000_000
"""How long a verdict on the clock stands after its cause has gone."""
DRIFT_DIVISOR: Final = 5000
"""Greatest believed drift of a source clock: 1 part in 5000, 200 ppm (ordinary quartz is within 100)."""
FROZEN_READINGS: Final = 3
SPARE_NS: Final = 500_000
"""By so much the offset that is used lies below the smallest difference seen; at 2 m/s that is a millimetre."""
STEP_EVEN_NS: Final = 5_000_000
"""Beyond this it does not follow slowly but at once."""


class SourceClock:
    """Offset of one source's clock, tracked as the running minimum of (arrival - source) with bounded drift."""

    __slots__ = (
        "_arrival_ns", "_even_ns", "_held_ns", "_offset_ns", "_period_ns", "_said_ns", "_same", "_source_ns", "latency_s",
        "sooner_ns", "spread_s", "steps", "verdict",
    )  # fmt: skip

    def __init__(self, rate_hz: float) -> None:
        """`rate_hz` is the expected rate of readings, which says what spacing is ordinary."""
        self._period_ns = int(1e9 / rate_hz)
        self._offset_ns: int | None = None
        self._even_ns = 0
        self._arrival_ns = 0
        self._source_ns = 0
        self._same = 0
        self._held_ns = 0
        self._said_ns = 0
        self.steps = 0
        self.sooner_ns = 0
        """By how much the last reading's delay was below the shortest known before."""
        self.latency_s = 0.0
        """Delay of the last reading over the shortest seen, s."""
        self.spread_s = 0.2
        """Upper running mean of that delay. Where delays scatter so much, the shortest one hides about as much again;
        at first nothing is known of them."""
        self.verdict = ""

    def taken_ns(self, arrival_ns: int, source_ns: int) -> int:
        """Stream time at which a reading was taken; never after its arrival."""
        offset = self._offset_ns
        seen = arrival_ns - source_ns
        if offset is None:
            self._offset_ns = self._even_ns = seen
            self._arrival_ns, self._source_ns = arrival_ns, source_ns
            return arrival_ns
        waited = arrival_ns - self._arrival_ns
        spaced = source_ns - self._source_ns
        self._arrival_ns, self._source_ns = arrival_ns, source_ns
        if spaced == 0 and waited > 0:
            self._same += 1
            if self._same >= FROZEN_READINGS:
                self.verdict, self._said_ns = "source time stands still: arrival times are used", arrival_ns
                self._offset_ns = self._even_ns = seen
                self.latency_s = 0.0
                return arrival_ns
        elif self._same:
            if self._same >= FROZEN_READINGS:
                self.verdict = ""
                offset = seen
                waited = spaced
            self._same = 0
        if self.verdict and arrival_ns - self._said_ns > SAID_NS:
            self.verdict = ""
        mismatch = waited - spaced
        held, self._held_ns = self._held_ns, 0
        if held or mismatch > STEP_NS or mismatch < -STEP_NS:
            offset += self._step(arrival_ns, seen - offset, waited, spaced, held)
        drift = (waited if waited > 0 else 0) // DRIFT_DIVISOR
        offset += drift
        if seen < offset:
            offset = seen
        self._offset_ns = offset
        # The running minimum is a saw: it drifts up and is pulled down. At speed each of its teeth would be a jerk; so what
        # is used follows it a little below, where few readings reach, no faster than it drifts (derived here).
        even = self._even_ns
        off = offset - SPARE_NS - even
        if -STEP_EVEN_NS < off < STEP_EVEN_NS:
            even += drift if off > drift else -drift if off < -drift else off
        else:
            even += off
        if even > seen:
            even = seen
        self.sooner_ns = max(0, self._even_ns - even - drift)
        self._even_ns = even
        delay = seen - offset
        self.latency_s = late = delay * 1e-9
        if not self._held_ns:
            self.spread_s += (0.2 if late > self.spread_s else 0.02) * ((late if late < 1.0 else 1.0) - self.spread_s)
        return source_ns + even

    def _step(self, arrival_ns: int, delay: int, waited: int, spaced: int, held: int) -> int:
        """By how much the source's clock was set, ns, where arrivals and source times are spaced differently."""
        mismatch = waited - spaced
        if held:
            # The reading before lay back in time. If this one follows it, the clock was set; else that was overtaken.
            if abs(mismatch) > STEP_NS:
                return 0
            mismatch = held
        elif spaced < 0:
            self._held_ns = mismatch
            return 0
        elif abs(waited - self._period_ns) >= abs(spaced - self._period_ns):
            return 0  # A gap between arrivals of evenly spaced readings: delay.
        elif mismatch < 0 and delay > -STEP_NS:
            return 0  # Delay that has gone again.
        # Arrivals kept their pace and source times did not. The delay stays what it was.
        self.steps += 1
        self.verdict, self._said_ns = f"source clock stepped by {-mismatch / 1e9:+.1f} s: learned again", arrival_ns
        return mismatch


class HeightMap:
    """Height of the unloaded block over turns on the drum, piecewise straight, through one datum. Metres and wraps."""

    __slots__ = (
        "_begin", "_h", "_last", "_rise", "_rope", "_rope_rise", "_shifts", "_wraps", "drum", "height_m", "lines",
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
        self._begin = (0.0, *drum.layer_change_turns)
        base = drum.line_m(turns)
        self._h = tuple(height_m + (drum.line_m(t) - base) / lines for t in self._begin)
        self._rise = tuple(2.0 * math.pi * drum.radius_m(t + 1e-9) / lines for t in self._begin)
        # d r_k / d(ln d) = d (1/2 + (k-1) c): r_k is linear in the rope diameter, so this is exact.
        self._rope_rise = tuple(
            2.0 * math.pi * drum.rope_diameter_m * (0.5 + k * drum.nesting) / lines for k in range(drum.max_layers)
        )
        rope = [0.0]
        for rise in self._rope_rise[:-1]:
            rope.append(rope[-1] + rise * drum.wraps_per_layer)
        self.radii_m = tuple(drum.radius_m(t + 1e-9) for t in self._begin)
        """Radius to the rope's centre by layer, m."""
        self.rope_slopes = tuple(r / h for r, h in zip(self._rope_rise, self._rise, strict=True))
        """d ln(speed) / d ln(rope diameter) by layer."""
        k = self._index(turns)
        self._shifts = tuple(rise - self._rise[k] for rise in self._rise)
        zero = rope[k] + self._rope_rise[k] * (turns - self._begin[k])
        self._rope = tuple(value - zero for value in rope)

    def _index(self, turns: float) -> int:
        k = int(turns / self._wraps) if turns > 0.0 else 0
        return k if k < self._last else self._last

    def height(self, turns: float) -> float:
        """Height at `turns` wraps, m."""
        k = int(turns / self._wraps) if turns > 0.0 else 0
        if k > self._last:
            k = self._last
        return self._h[k] + self._rise[k] * (turns - self._begin[k])

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
        return self._begin[k] + over, k, self._rope[k] + self._rope_rise[k] * over, self._shifts[k]

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


@dataclass(frozen=True, slots=True)
class Correction:
    """What one outside height changes: offset in metres, rope diameter as a fraction, wraps at the datum."""

    offset_m: float
    rope: float
    wraps: float
    innovation_m: float
    test_ratio: float
    """Squared innovation over its variance and the gate: above 1, the three could not have explained it."""


DATUM_GATE: Final = 10.83
"""Chi-square, one degree of freedom, 99.9 %."""


class Datum:
    """Joint doubt about offset (m), rope diameter (fraction) and wraps at the datum: three states, scalar updates."""

    __slots__ = ("_rope_sigma", "_wraps_sigma", "p", "rope", "wraps")

    def __init__(self, offset_sigma_m: float, rope_sigma: float, wraps_sigma: float) -> None:
        self._rope_sigma = rope_sigma
        self._wraps_sigma = wraps_sigma
        self.rope = 0.0
        """Rope diameter found so far against the configured one, as a fraction."""
        self.wraps = 0.0
        """Wraps at the datum found so far against those given."""
        self.p = (offset_sigma_m**2, 0.0, 0.0, rope_sigma**2, 0.0, wraps_sigma**2)

    def state(self) -> dict[str, Any]:
        """What a restart must not lose, as plain JSON values."""
        return {"rope": self.rope, "wraps": self.wraps, "p": list(self.p)}

    def restore(self, saved: Mapping[str, Any]) -> None:
        """Take up what `state` gave.

        Raises:
            ValueError: it is not such a state.
        """
        oo, orr, ow, rr, rw, ww = numbers(saved, "p", 6)
        # A covariance: no variance below zero, no correlation beyond one.
        near = 1.0 + 1e-9
        if min(oo, rr, ww) < 0.0 or orr * orr > near * oo * rr or ow * ow > near * oo * ww or rw * rw > near * rr * ww:
            raise ValueError("p: no covariance")
        rope, wraps = number(saved, "rope", -0.5, 0.5), number(saved, "wraps", -1000.0, 1000.0)
        self.rope, self.wraps, self.p = rope, wraps, (oo, orr, ow, rr, rw, ww)

    @property
    def rope_bound(self) -> float:
        """99 % half-width of the rope's diameter, as a fraction."""
        return 2.5758 * math.sqrt(self.p[3])

    def variance(self, by_rope: float, by_wraps: float) -> float:
        """Variance of the height, m^2, where it changes by these two slopes (see `HeightMap.locate`)."""
        oo, orr, ow, rr, rw, ww = self.p
        return oo + by_rope * (2.0 * orr + by_rope * rr) + by_wraps * (2.0 * ow + by_wraps * ww + 2.0 * by_rope * rw)

    def restart(self, offset_sigma_m: float, *, rope_known: bool = True, wraps_known: bool = True) -> None:
        """A new datum: the offset is as good as its reading; rope and wraps keep what was learned unless told."""
        _, _, _, rr, rw, ww = self.p
        if not rope_known:
            rr, rw, self.rope = self._rope_sigma**2, 0.0, 0.0
        if not wraps_known:
            ww, rw, self.wraps = self._wraps_sigma**2, 0.0, 0.0
        self.p = (offset_sigma_m**2, 0.0, 0.0, rr, rw, ww)

    def widen(self, offset_sigma_m: float) -> None:
        """Something happened that may have moved the offset by about `offset_sigma_m`."""
        self.p = (self.p[0] + offset_sigma_m**2, *self.p[1:])

    def check(self, innovation_m: float, by_rope: float, by_wraps: float, sigma_m: float) -> float:
        """Test ratio of an outside height that differs by `innovation_m`: above 1 it cannot be explained."""
        return innovation_m * innovation_m / ((self.variance(by_rope, by_wraps) + sigma_m**2) * DATUM_GATE)

    def observe(self, innovation_m: float, by_rope: float, by_wraps: float, sigma_m: float) -> Correction:
        """Take in an outside height; `innovation_m` is it minus the estimate, `sigma_m` the doubt of both outside this.

        A difference the three cannot explain goes to the offset: counts were lost, or the crew's figure is another.
        """
        ratio = self.check(innovation_m, by_rope, by_wraps, sigma_m)
        if ratio > 1.0:
            self.widen(abs(innovation_m))
            # What was believed of rope and wraps is not to be bent by an event that is neither.
            oo, _, _, rr, rw, ww = self.p
            self.p = (oo, 0.0, 0.0, rr, rw, ww)
            s = oo + sigma_m**2
            gain = oo / s
            self.p = (oo * (1.0 - gain), 0.0, 0.0, rr, rw, ww)
            return Correction(gain * innovation_m, 0.0, 0.0, innovation_m, ratio)
        oo, orr, ow, rr, rw, ww = self.p
        po = oo + by_rope * orr + by_wraps * ow
        pr = orr + by_rope * rr + by_wraps * rw
        pw = ow + by_rope * rw + by_wraps * ww
        s = po + by_rope * pr + by_wraps * pw + sigma_m**2
        ko, kr, kw = po / s, pr / s, pw / s
        self.p = (oo - ko * po, orr - ko * pr, ow - ko * pw, rr - kr * pr, rw - kr * pw, ww - kw * pw)
        rope, wraps = kr * innovation_m, kw * innovation_m
        self.rope += rope
        self.wraps += wraps
        return Correction(ko * innovation_m, rope, wraps, innovation_m, ratio)
