"""Where a position in slow rows may count from another zero for a while: it steps, all goes on as before, and it steps back.

Theory of operation. Where rows are seconds apart a step of metres is within what a block can do, so that by itself it says
nothing. Two things tell (derived here):

* *Steps.* The way before it is even, at rest, creeping or in a stroke, and so is the way after it, at the same speed; between two
  readings lie metres. A hand seldom moves a block so, and drilling never does. A step and the same one back is a stretch that
  may be off by it.
* *Places.* The string changes between slips and hook at few heights (`monitor.core.estimator.connections`). If it does so at one
  of them, the steps since the last time were motion. If it does so as far from one of them as the steps come to, or twice as
  far from two different ones, then the zero has moved since the last time; it is back where the old heights come again.

Nobody knows which of two zeros is the right one, or whether other work is done at other heights. So nothing is left out and
nothing corrected: the height is said to be off by as much as that, at most. A zero that has stayed for `LONGEST_NS` is what
everybody goes by, and is believed.

The rows since the last change of hands are held back until it is known, `HELD_NS` or `HELD_ROWS` at most.
"""

import math
from collections import deque
from dataclasses import dataclass
from itertools import combinations
from typing import Final

HELD_NS: Final = 7_200_000_000_000
HELD_ROWS: Final = 8000
LONGEST_NS: Final = 21_600_000_000_000
LEAST_M: Final = 1.0
"""A smaller step is a block that was moved a little."""
NOISE_M: Final = 0.06
"""So far readings lie off an even way (common practice, no source)."""
CREEP_M_S: Final = 0.2
SAME_M: Final = 0.15
"""Steps this near to each other are the same, as are ways from one reading to the next before and after one."""
ALONE: Final = 1.06
HANGS: Final = 1.1
"""Shares of the block's weight: it hangs alone below the one, with the string on it above the other."""
RESTS_M: Final = 0.4
"""The block stands where the string changes hands."""
PLACE_M: Final = 0.35
"""Heights this near are the same place: the joint stands within a hand or two."""
APART_M: Final = 4.0
"""Heights this far apart are two places for certain."""
UNLIKE_M: Final = 1.2
"""Two places are this far from the old ones at the least: hands, and stands of another row, scatter by half as much."""
FARTHEST_M: Final = 12.0
PLACES: Final = 12
ESTABLISHED: Final = 2
MOST_STEPS: Final = 6
MOST_ODD: Final = 4
"""After so many heights that nothing explains other work is done."""

Reading = tuple[int, float, float]
"""Time ns, position m, load N."""


@dataclass(slots=True)
class Place:
    """A height at which the string changes hands, m."""

    height_m: float
    count: int = 1


class ZeroWatch:
    """Follows one position in slow rows. `block_n` is what the block weighs alone."""

    def __init__(self, block_n: float) -> None:
        self._block_n = block_n
        self._recent: deque[Reading] = deque(maxlen=6)
        self._jumped_ns = self._now_ns = 0
        self._times: deque[int] = deque()
        """Of the readings that are held back."""
        self._places: list[Place] = []
        self._steps: list[tuple[int, float]] = []
        """Since the last place: when, and by how much, m."""
        self._odd: list[tuple[int, float]] = []
        """Changes of hands since then at heights that are no places yet."""
        self._moved_m = 0.0
        self._moved_ns = self._place_ns = 0
        """Since when the zero is that far off; when the string last changed hands at a place."""
        self._hung: tuple[bool, Reading] | None = None
        """Whether the string hung at the last reading that shows it, and that reading."""
        self.doubts: list[tuple[int, float]] = []
        """From when on the position may be off by how much, m; 0: no longer. In the order of time."""

    @property
    def settled_ns(self) -> int:
        """What comes before this is settled."""
        return self._times[0] if self._times else self._now_ns

    def take(self, t_ns: int, position_m: float, load_n: float, jumped_m: float = 0.0) -> None:
        """The next reading of the position, with the load then; `jumped_m` where it jumped there as no block can."""
        if not self._place_ns:
            self._place_ns = t_ns
        self._times.append(t_ns)
        self._recent.append((t_ns, position_m, load_n))
        step = self._step()
        if step is not None and step[0] != self._jumped_ns:
            self._stepped(*step)
        if jumped_m:
            self._jumped_ns = t_ns
            self._stepped(t_ns, jumped_m)
        self._look_at_hands((t_ns, position_m, load_n))
        if self._moved_m and t_ns - self._moved_ns > LONGEST_NS:
            for place in self._places:
                place.height_m += self._moved_m
            self._move_to(0.0, t_ns)
        self.pass_to(t_ns)

    def pass_to(self, t_ns: int) -> None:
        """The log goes on to `t_ns`: rows before the last place are settled, and those that have waited for too long."""
        self._now_ns = t_ns
        times = self._times
        while times and (times[0] < self._place_ns or t_ns - times[0] > HELD_NS or len(times) > HELD_ROWS):
            gone = times.popleft()
            if self._steps and self._steps[0][0] <= gone:
                self._steps.pop(0)
        if times and self._place_ns < times[0]:
            self._place_ns = times[0]

    # --- steps -------------------------------------------------------------------------------------------------------

    def _step(self) -> tuple[int, float] | None:
        """The step in the middle of the last six readings, if there is one: (time of the reading after it, m)."""
        rows = self._recent
        if len(rows) < 6:
            return None
        (t0, z0, _), (t1, z1, _), (t2, z2, _), (t3, z3, _), (t4, z4, _), (t5, z5, _) = rows
        if abs(z3 - z2) < LEAST_M or not t0 < t1 < t2 < t3 < t4 < t5:
            return None
        before, after = (z2 - z0) / (t2 - t0), (z5 - z3) / (t5 - t3)
        if abs(z0 + before * (t1 - t0) - z1) > NOISE_M or abs(z3 + after * (t4 - t3) - z4) > NOISE_M:
            return None
        span = t3 - t2
        if abs(before - after) * span > SAME_M and max(abs(before), abs(after)) * 1e9 > CREEP_M_S:
            return None
        by = z3 - z2 - 0.5 * (before + after) * span
        return (t3, by) if LEAST_M <= abs(by) <= FARTHEST_M else None

    def _stepped(self, t_ns: int, by_m: float) -> None:
        if self._moved_m and abs(by_m + self._moved_m) <= SAME_M + 0.02 * abs(by_m):
            self._move_to(0.0, t_ns)
            return
        for place, (then, before_m) in enumerate(self._steps):
            if abs(before_m + by_m) <= SAME_M:
                del self._steps[place:]
                if not self._moved_m:
                    self._doubt(then, abs(before_m))
                    self._doubt(t_ns, 0.0)
                return
        self._steps.append((t_ns, by_m))
        del self._steps[:-MOST_STEPS]

    # --- places ------------------------------------------------------------------------------------------------------

    def _look_at_hands(self, reading: Reading) -> None:
        """Whether the string changes hands at this reading."""
        t_ns, position, load = reading
        share = load / self._block_n
        if not (share < ALONE or share > HANGS):
            return
        before, self._hung = self._hung, (share > HANGS, reading)
        if before is None or before[0] is (share > HANGS):
            return
        last_ns, last, _ = before[1]
        if abs(position - last) <= RESTS_M and t_ns - last_ns < 60_000_000_000:
            self._changed_hands(t_ns, position)

    def _changed_hands(self, t_ns: int, position: float) -> None:
        height = position - self._moved_m
        if self._near(height) is not None or sum(place.count >= ESTABLISHED for place in self._places) < 2:
            self._at_place(t_ns, height)
            return
        for count in range(1, len(self._steps) + 1):
            for some in combinations(self._steps, count):
                by = math.fsum(step for _, step in some)
                if self._near(height - by, ESTABLISHED) is not None:
                    self._move_to(self._moved_m + by, some[0][0])
                    self._at_place(t_ns, position - self._moved_m)
                    return
        if self._moved_m and self._near(position, ESTABLISHED) is not None:
            self._move_to(0.0, t_ns)
            self._at_place(t_ns, position)
            return
        by = self._common(height)
        if by:
            self._move_to(self._moved_m + by, self._place_ns)
            self._at_place(t_ns, position - self._moved_m)
            return
        self._odd.append((t_ns, height))
        if len(self._odd) >= MOST_ODD:
            for _, odd in self._odd[:-1]:
                self._learn(odd)
            self._at_place(t_ns, height)

    def _near(self, height: float, count: int = 1) -> Place | None:
        found = [p for p in self._places if p.count >= count and abs(p.height_m - height) <= PLACE_M]
        return min(found, key=lambda place: abs(place.height_m - height), default=None)

    def _common(self, height: float) -> float:
        """By how much this height and an odd one before it, at another place, lie off two places alike; 0 where they do not."""
        sure = [place.height_m for place in self._places if place.count >= ESTABLISHED]
        alike = [
            0.5 * (height - here + odd - there)
            for _, odd in self._odd
            if abs(height - odd) >= APART_M
            for here in sure
            for there in sure
            if abs(here - there) >= APART_M and abs(height - here - odd + there) <= PLACE_M
        ]
        return min((by for by in alike if UNLIKE_M <= abs(by) <= FARTHEST_M), key=abs, default=0.0)

    def _at_place(self, t_ns: int, height: float) -> None:
        """The string changed hands at a height that is known, or is now."""
        self._learn(height)
        self._steps.clear()
        self._odd.clear()
        self._place_ns = t_ns

    def _learn(self, height: float) -> None:
        place = self._near(height)
        if place is not None:
            place.count += 1
            place.height_m += (height - place.height_m) / min(place.count, 8)
            return
        self._places.append(Place(height))
        if len(self._places) > PLACES:
            self._places.remove(min(self._places[:-1], key=lambda place: place.count))

    # --- doubts ------------------------------------------------------------------------------------------------------

    def _move_to(self, moved_m: float, t_ns: int) -> None:
        """The zero lies there since `t_ns`."""
        if abs(moved_m) < PLACE_M:
            moved_m = 0.0
        if not self._moved_m:
            self._moved_ns = t_ns
        self._moved_m = moved_m
        self._steps.clear()
        self._odd.clear()
        self._doubt(t_ns, abs(moved_m))

    def _doubt(self, t_ns: int, by_m: float) -> None:
        """What was said of a later time is no longer so."""
        while self.doubts and self.doubts[-1][0] >= t_ns:
            self.doubts.pop()
        self.doubts.append((t_ns, by_m))
