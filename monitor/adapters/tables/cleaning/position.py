"""Which positions of a log a travelling block can have had, seen with what comes after them.

Theory of operation. A block in work does not go faster than `Reach.speed`, nor speed up or slow down by more than `Reach.change`;
that bounds how far it can be from its last believed position after so many seconds, and how far out it can have been between two.
A load that runs away goes faster than any block in work, but gets there by degrees: what goes on from the speed of the last step
is in reach, however fast, by what a falling load can gain (`GAIN_M_S`).

1. A position out of reach waits for those after it. If they go on from the last believed one, what waited jumped away and
   back: a spike. If `LEVEL_READINGS` of them agree among themselves, over `LEVEL_S` or more, the level is believed.
2. If the position had stood still exactly before it jumped, and the block can have come that far since it began to stand still,
   then it was frozen: the repeats are dropped, and from the jump on it is good.
   So it was where it repeated itself far more often than it does at rest while the load was taken up and set down: that moves
   the block by centimetres at least. And so it was where it crept evenly before (`CreepTrail`), and went on from there in one
   step the way that it was going, by no more than it would have crept meanwhile: what drills or lets down slowly does not stop
   to the centimetre and then make up for it. The same tells it where the block creeps only after the step (`crept_meanwhile`).
   And so it was where it stood for long and then went, in one step from rest, further than the block of this log ever goes.
3. A position that was within reach is a spike all the same where the block can have gone so far out but not back; and where
   those around it go on evenly without it, for no hand stops on the way, turns back, and then is where it would have been.

Only what lies at the end of the look-ahead is open; memory is bounded by `HOLD` readings. Derived here.
"""

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from monitor.adapters.tables.cleaning.cell import FROZEN, OPEN, SPIKE, Cell
from monitor.adapters.tables.cleaning.creep import AFTER, CreepTrail, crept_meanwhile
from monitor.adapters.tables.cleaning.load import LoadChanges
from monitor.units import STANDARD_GRAVITY_M_S2

LEVEL_READINGS: Final = 4
LEVEL_READINGS_SLOW: Final = 3
SLOW_S: Final = 0.9
LEVEL_S: Final = 3.0
ROUNDING_S: Final = 0.5
"""Times of logs with about a row a second are rounded to the second."""
MOST_WAITING: Final = 40
"""So many positions out of reach at most wait for those after them."""
LONG_RUN: Final = 12
LEAST_STEPS: Final = 100
RARITY: Final = 9.2
"""-ln(1e-4): of a run that rare it is asked what the load did meanwhile."""
LENGTHS: Final = {1: 2.0, 2: 0.35, 3: 0.25}
"""So many changes of the load, and repeats over so much of a run that is rare by itself, show that a position is frozen: a load
that is taken up or set down moves the block a little, so that each such change counts besides (common practice, no source)."""
MANY_CHANGES: Final = 4
"""So many show it however long it repeats itself at rest."""
LOADS_BEHIND: Final = 4
"""A load is settled so many rows after a position."""
LEAST_REPEATS: Final = 3
"""A position that was the same so often, and then jumped, had stood still."""
QUICK_M: Final = 5.0
"""A step from rest up to this is never too quick: a block that was slow so far may have been drilling only."""
QUICKER: Final = 1.1
"""What is quicker by so much than the block ever was in a log is no motion of it."""
HOLD: Final = 6000
"""Readings kept open while a position stands still: it may prove to be frozen."""
GAIN_M_S: Final = 2.0
"""Most speed that a load running away gains from one step to the next; less where gravity gives less in that time (common
practice: a drum on ten lines or so lets it gain 0.5 to 1.5 m/s2)."""
STEP_S: Final = 5.0
"""A speed over more than this is no measure of the next step."""
OUTLIER_M: Final = 1.0
"""A position this far from where those around it go on evenly is a spike (common practice, no source)."""
EVEN_M: Final = 0.05
"""So near to the even way those around a spike lie at the best."""
UNEVEN: Final = 4.0
"""A spike lies so many times further off the even way than those around it."""


@dataclass(frozen=True, slots=True)
class Reach:
    """What a block can do: m/s, m/s2, and what a reading may be off by, m."""

    speed: float
    change: float
    tolerance: float

    def in_time(self, seconds: float, still: bool = False) -> float:
        """How far it can get in so many seconds; `still`: from rest."""
        if seconds <= 0.0:
            return self.tolerance
        if not still:
            return self.speed * seconds + self.tolerance
        return _ramped(seconds, self.speed, self.change) + self.tolerance

    def out_and_back(self, seconds: float) -> float:
        """How far out it can have been, with so many seconds each to get there and to come back: it rests out there."""
        return _ramped(seconds, self.speed, self.change) + self.tolerance


def _ramped(seconds: float, speed: float, change: float) -> float:
    """Greatest way in a time that ends or begins at rest."""
    ramp = speed / change
    return 0.5 * change * seconds * seconds if seconds < ramp else speed * (seconds - 0.5 * ramp)


class PositionCheck:
    """Settles the positions of one column. `rare`: it seldom repeats itself so often at rest; `usual_m_s`: the block's highest
    speed in the first rows."""

    def __init__(
        self,
        reach: Reach,
        period_s: float,
        rare: int = 0,
        loads: LoadChanges | None = None,
        usual_m_s: float = math.inf,
    ) -> None:
        self._reach = reach
        self._loads = loads
        self._usual_m_s = usual_m_s
        self._speed_m_s = 0.0
        """Of the last step."""
        self._rest: list[Cell] = []
        """Repeats that ended with a step, while what comes after it may show that they were no readings."""
        self._long_run = max(LONG_RUN, rare)
        self._changes_before = 0
        """Changes of the load before it began to repeat itself."""
        self._changes_then = 0
        """And those by the time at which it began, which are known a little later."""
        self._need = LEVEL_READINGS_SLOW if period_s > SLOW_S else LEVEL_READINGS
        self._rounding_s = ROUNDING_S if 0.4 < period_s < 2.5 else 0.0
        self._creep = CreepTrail()
        self._open: deque[Cell] = deque()
        """Believed, but open: what comes may show that they were no readings."""
        self._same = 0
        """How many at its end repeat the one before them."""
        self._same_since_ns = 0
        self._settled: Cell | None = None
        """The last of those that are settled."""
        self._waiting: list[Cell] = []
        self.jumps: list[tuple[int, float]] = []
        """When a level was believed after a jump that nothing explains, and by how much it jumped, SI."""

    def take(self, cell: Cell) -> None:
        """The next position, open."""
        last = self._last
        if last is None:
            self._believe(cell)
            return
        if not self._waiting:
            if self._reachable(last, cell):
                self._believe(cell)
            else:
                self._waiting.append(cell)
            return
        newest = self._waiting[-1]
        if self._reachable(last, cell) and abs(cell.si - last.si) < abs(cell.si - newest.si):
            self._drop_waiting()
            self._believe(cell)
            return
        self._waiting.append(cell)
        if self._without_detour(last):
            return
        level = self._level()
        if level:
            self._believe_level(last, level)
        elif len(self._waiting) > MOST_WAITING:
            self._waiting.pop(0).reason = SPIKE

    def finish(self) -> None:
        """Nothing comes any more."""
        self._drop_waiting()
        self._rest = []
        for cell in self._open:
            cell.reason = ""
        self._open.clear()

    @property
    def _last(self) -> Cell | None:
        return self._open[-1] if self._open else self._settled

    def _reachable(self, one: Cell, other: Cell) -> bool:
        seconds = (other.t_ns - one.t_ns) * 1e-9
        still = self._same >= LEAST_REPEATS
        way = other.si - one.si
        if abs(way) <= self._reach.in_time(seconds + self._rounding_s * still, still):
            return True
        if len(self._open) < 2 or not 0.0 < seconds <= STEP_S:
            return False
        before = self._open[-2]
        since_s = (one.t_ns - before.t_ns) * 1e-9
        if not 0.0 < since_s <= STEP_S:
            return False
        speed = (one.si - before.si) / since_s
        gain = min(GAIN_M_S, STANDARD_GRAVITY_M_S2 * max(since_s, seconds))
        return speed * way > 0.0 and abs(way) <= (abs(speed) + gain) * seconds + self._reach.tolerance

    def _without_detour(self, last: Cell) -> bool:
        """Whether one reading less explains all of it: a block that goes on from before the last believed one, or from that to
        the newest but one, was not where the one between them says. A position that stood still is not gone on from: it may
        have been frozen."""
        waiting = self._waiting
        first, second = waiting[-2:]
        before = self._open[-2] if len(self._open) > 1 else self._settled
        if len(waiting) == 2 and before is not None and self._open and self._detour(before, last, first, second):
            self._open.pop().reason = SPIKE
        elif len(waiting) == 3 and self._same < LEAST_REPEATS and self._detour(last, waiting[0], first, second):
            waiting.pop(0).reason = SPIKE
        else:
            return False
        self._same = 0
        self._waiting = []
        for cell in waiting:
            self._believe(cell)
        return True

    def _detour(self, before: Cell, odd: Cell, after: Cell, later: Cell) -> bool:
        """Whether a block can go from `before` to `after` and `later`, which do not lie the way of `odd`."""
        beyond = max(odd.si - max(before.si, after.si), min(before.si, after.si) - odd.si)
        return (
            beyond > OUTLIER_M
            and abs(later.si - after.si) < abs(odd.si - after.si)
            and abs(after.si - before.si) <= self._reach.in_time((after.t_ns - before.t_ns) * 1e-9)
            and abs(later.si - after.si) <= self._reach.in_time((later.t_ns - after.t_ns) * 1e-9)
        )

    def _drop_waiting(self) -> None:
        for cell in self._waiting:
            cell.reason = SPIKE
        self._waiting.clear()

    def _level(self) -> list[Cell]:
        """The last of those that wait, where they are enough and agree among themselves."""
        recent = self._waiting[-self._need :]
        first = recent[0]
        while len(recent) < len(self._waiting):
            before = self._waiting[-len(recent) - 1]
            if abs(before.si - recent[0].si) > self._reach.in_time((recent[0].t_ns - before.t_ns) * 1e-9):
                break
            recent.insert(0, before)
            first = before
        if len(recent) < self._need or (recent[-1].t_ns - first.t_ns) * 1e-9 < LEVEL_S:
            return []
        for one, other in pairwise(recent):
            if abs(other.si - one.si) > self._reach.in_time((other.t_ns - one.t_ns) * 1e-9):
                return []
        return recent

    def _believe_level(self, last: Cell, level: list[Cell]) -> None:
        """The readings of `level` are believed: the position was frozen before them, or it jumped."""
        first = level[0]
        jump = abs(first.si - last.si)
        sooner = jump <= self._reach.in_time((first.t_ns - last.t_ns) * 1e-9 + self._rounding_s)
        if sooner and self._same < self._long_run and not self._too_quick(last, first):
            pass  # it set off sooner than rows and their times show
        elif self._same >= LEAST_REPEATS and jump <= self._reach.in_time((first.t_ns - self._same_since_ns) * 1e-9):
            self._drop_repeats()
        else:
            self.jumps.append((first.t_ns, first.si - last.si))
        for cell in self._waiting:
            cell.reason = SPIKE  # but for those of the level
        self._waiting.clear()
        self._rest = []
        for cell in self._open:
            cell.reason = ""
        if self._open:
            self._settled = self._open[-1]
            self._open.clear()
        self._same = 0
        for cell in level:
            cell.reason = OPEN
            self._believe(cell)

    @property
    def _changes(self) -> int:
        """How often the load has changed hands so far."""
        return 0 if self._loads is None else self._loads.count

    def _stood_still(self) -> bool:
        """Whether the repeats so far are those of a frozen sensor, by what the load did meanwhile."""
        if self._same < LEAST_REPEATS or self._long_run >= HOLD:
            return False
        changes = self._changes - self._changes_before
        return changes >= MANY_CHANGES or (changes in LENGTHS and self._same >= self._long_run * LENGTHS[changes])

    def _too_quick(self, last: Cell, cell: Cell) -> bool:
        """Whether the step from a long rest to `cell` is more than this log's block ever makes."""
        way = abs(cell.si - last.si)
        if self._same + 1 < LONG_RUN or way < QUICK_M:
            return False
        seconds = (cell.t_ns - last.t_ns) * 1e-9
        return way > QUICKER * _ramped(seconds, self._usual_m_s, self._reach.change) + self._reach.tolerance

    def _learn_speed(self, last: Cell, cell: Cell) -> None:
        """The block's highest speed so far; the lesser of two steps in a row, so that no single position makes it."""
        speed = abs(cell.si - last.si) / max(1e-3, (cell.t_ns - last.t_ns) * 1e-9)
        self._usual_m_s = max(self._usual_m_s, min(speed, self._speed_m_s))
        self._speed_m_s = speed

    def _look_after(self) -> None:
        """Whether the block creeps after the rest that ended with a step, so that it crept all the while."""
        opened = list(self._open)
        after = opened[opened.index(self._rest[-1]) + 1 :] if self._rest[-1] in opened else []
        if 0 < len(after) < AFTER:
            return
        if after and crept_meanwhile(self._rest[0].t_ns, self._rest[-1].si, [(cell.t_ns, cell.si) for cell in after]):
            for cell in self._rest[1:]:
                cell.reason = FROZEN
                self._open.remove(cell)
        self._rest = []

    def _drop_repeats(self) -> None:
        """The repeats at the end were no readings."""
        for _ in range(min(self._same, len(self._open))):
            self._open.pop().reason = FROZEN

    def _believe(self, cell: Cell) -> None:
        """Put it behind the open ones, and settle what lies far enough back."""
        last = self._last
        if last is not None and cell.si == last.si:
            if not self._same:
                self._same_since_ns = last.t_ns
            self._same += 1
            self._speed_m_s = 0.0
            if self._same == 1:
                self._changes_before = self._changes
            if self._same <= LOADS_BEHIND:
                self._changes_then = self._changes
        else:
            if last is not None and self._same:
                went_on = self._same >= LEAST_REPEATS and self._creep.went_on(cell.t_ns, cell.si, self._changes_then)
                if went_on or self._stood_still() or self._too_quick(last, cell):
                    self._drop_repeats()
                elif self._same + 1 >= LONG_RUN:
                    self._rest = list(self._open)[-self._same - 1 :]
            if last is not None:
                self._learn_speed(last, cell)
            self._same = 0
            self._creep.add(cell.t_ns, cell.si, self._changes)
        opened = self._open
        opened.append(cell)
        if len(opened) >= 3 and self._same == 0:
            self._look_back()
        if self._rest:
            self._look_after()
        keep = max(3, self._same + 2) if not self._rest else HOLD
        while len(opened) > keep or len(opened) > HOLD:
            first = opened.popleft()
            first.reason = ""
            self._settled = first

    def _look_back(self) -> None:
        """Whether the last but one, or the one before it, is a spike after all."""
        opened = self._open
        after, middle, before = opened[-1], opened[-2], opened[-3]
        if (middle.si - before.si) * (after.si - middle.si) < 0.0:
            # It turned at the middle one, or shortly before or after: then one of the two ways is the shorter for it.
            there = abs(middle.si - before.si) > self._reach.out_and_back((middle.t_ns - before.t_ns) * 1e-9)
            if there and abs(middle.si - after.si) > self._reach.out_and_back((after.t_ns - middle.t_ns) * 1e-9):
                self._remove(middle)
                return
        if len(opened) < 4:
            return
        # before, middle, after and one more: the second of four may stand out of the even way of the others.
        second, third, fourth = opened[-3], opened[-2], opened[-1]
        first, earlier = opened[-4], (opened[-5] if len(opened) > 4 else self._settled)
        if earlier is None:
            return
        off = abs(second.si - _between(first, third, second))
        around = max(abs(first.si - _between(earlier, third, first)), abs(third.si - _between(first, fourth, third)))
        if off >= OUTLIER_M and off > UNEVEN * max(around, EVEN_M):
            self._remove(second)

    def _remove(self, cell: Cell) -> None:
        cell.reason = SPIKE
        self._open.remove(cell)


def _between(one: Cell, other: Cell, cell: Cell) -> float:
    """Where an even way from `one` to `other` is at the time of `cell`."""
    span = other.t_ns - one.t_ns
    share = (cell.t_ns - one.t_ns) / span if span else 0.0
    return one.si + share * (other.si - one.si)


def rare_repeats(numbers: Sequence[float | None], still: float) -> int:
    """How often in a row a position repeats itself so rarely at rest that it is worth a suspicion, by the first rows of a log.

    By the share of repeats among its steps at rest, as if each were drawn anew: at rest is what repeats itself or goes back by up
    to `still`, as noise does and creeping does not. Or four times the longest run but for one in 500, which may be a frozen one,
    whichever is less: rest may be of two kinds, with noise and without. `HOLD` where positions are written in steps of more than
    `still`: then one that repeats itself says nothing of what the load does to it.
    """
    runs, run, before, way, least = list[int](), 0, None, 0.0, math.inf
    repeats = steps = 1
    for number in numbers:
        if number is not None and before is not None:
            step = number - before
            if step == 0.0:
                repeats += 1
                steps += 1
            else:
                steps += abs(step) <= still and step * way < 0.0
                way, least = step, min(least, abs(step))
        if number == before:
            run += 1
        else:
            runs.append(run)
            run, before = 0, number
    if least > still:
        return HOLD
    runs.sort()
    usual = 4 * runs[math.floor(0.998 * len(runs))] if runs else 0
    if steps < LEAST_STEPS or repeats == steps:
        return usual
    return min(usual, math.ceil(RARITY / -math.log(repeats / steps)))


def usual_speed(cells: Sequence[Cell]) -> float:
    """The speed that positions of a log show the block to reach, m/s; infinite where they are too few.

    Of two steps in a row the lesser, so that no single bad position is taken for speed; of these the 99.5th per cent.
    """
    speeds = [
        abs(other.si - one.si) / ((other.t_ns - one.t_ns) * 1e-9)
        for one, other in pairwise(cells)
        if other.t_ns > one.t_ns
    ]
    steady = sorted(min(a, b) for a, b in pairwise(speeds) if min(a, b) > 0.0)
    return steady[math.floor(0.995 * len(steady))] if len(steady) >= 200 else math.inf


def fastest(usual_m_s: float, at_least: float) -> float:
    """The fastest that a block may go which usually reaches `usual_m_s`: that with a fifth to spare, and `at_least`."""
    return max(at_least, min(4.0, 1.2 * usual_m_s)) if usual_m_s < math.inf else at_least
