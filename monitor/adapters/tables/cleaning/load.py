"""Which loads of a log are single readings far off: an electrical spike, not work.

A load that lies far from those around it, which agree among themselves, is a spike where no hoist takes a load up and sets it
down again within so short a time. Where readings are seconds apart a hand can, and then the block shows it: it turns, slows down
or moves by what rope and string give. So a load is a spike there where the block went on evenly through it, or did not move at
all under so much more; but one that falls while the block goes down stays, for a string may stand up on something in the hole.
At any time one is a spike that the rig cannot carry, or that is less than half of what always hangs on the line where that, at
least, hangs before and after. Common practice, no source.
"""

import math
from collections import deque
from dataclasses import dataclass
from typing import Final

from monitor.adapters.tables.cleaning.cell import SPIKE, Cell

FAR: Final = 0.2
"""Share of the rated load: a load this far from both neighbours stands out."""
AGREE: Final = 0.04
"""Share of the rated load within which those around it agree."""
JERKED: Final = 0.1
"""Share by which a load shows more or less where the block speeds up or slows down by up to 1 m/s2: mass times acceleration."""
QUICK_S: Final = 2.5
"""Within this nobody takes up a load and sets it down again."""
HUNG: Final = 0.9
"""Share of the block's weight from which on it hangs there."""
WENT_M: Final = 0.3
"""A block that went so far from one reading to the next was in motion."""
UNEVEN: Final = 3.0
"""A block that goes so many times as fast before a reading as after it, or the other way about, was not going on evenly."""
RESTS_M: Final = 0.06
"""A block that comes no further than the noise of its position rests; under a fifth of the rated load more it would come
further."""


class Ways:
    """The last positions of a log by their times, as they are read, SI."""

    __slots__ = ("_positions",)

    def __init__(self) -> None:
        self._positions: deque[tuple[int, float]] = deque(maxlen=8)

    def add(self, t_ns: int, position_m: float) -> None:
        """A position."""
        self._positions.append((t_ns, position_m))

    def at(self, t_ns: int) -> float:
        """The position in the row of that time; NaN where there is none."""
        return next((position for then, position in self._positions if then == t_ns), math.nan)


@dataclass(slots=True)
class LoadChanges:
    """How often the load went up or down by `least_n` or more, and by more than a jerk does. A way up or down counts once,
    however many rows it takes."""

    least_n: float
    count: int = 0
    _way: int = 0
    _end_n: float = math.nan
    """The furthest that it has come on this way."""

    def add(self, load_n: float) -> None:
        """A load, N."""
        if self._end_n != self._end_n:
            self._end_n = load_n
        step = load_n - self._end_n
        if step * self._way > 0.0:
            self._end_n = load_n
        elif abs(step) >= max(self.least_n, JERKED * max(load_n, self._end_n)):
            self.count += 1
            self._way = 1 if step > 0.0 else -1
            self._end_n = load_n


class LoadCheck:
    """Settles the loads of one column; `rated_n` and `block_n` as the rig's file has them. Readings go to `changes`; `ways` are
    the positions beside them."""

    def __init__(self, rated_n: float, block_n: float, changes: LoadChanges, ways: Ways) -> None:
        self._rated_n, self._block_n, self._changes, self._ways = rated_n, block_n, changes, ways
        self._open: deque[Cell] = deque()

    def take(self, cell: Cell) -> None:
        """The next load, open."""
        opened = self._open
        if len(opened) == 3:  # now the row of the third one is whole
            before, middle, after = opened
            if self._is_spike(before, middle, after):
                middle.reason = SPIKE
                del opened[1]
            else:
                self._believe()
        opened.append(cell)

    def finish(self) -> None:
        """Nothing comes any more."""
        if len(self._open) == 3 and self._is_spike(*self._open):
            self._open[1].reason = SPIKE
            del self._open[1]
        while self._open:
            self._believe()

    def _believe(self) -> None:
        believed = self._open.popleft()
        believed.reason = ""
        self._changes.add(believed.si)

    def _is_spike(self, before: Cell, middle: Cell, after: Cell) -> bool:
        load, least, most = middle.si, min(before.si, after.si), max(before.si, after.si)
        if load < 0.5 * self._block_n and least > HUNG * self._block_n:
            return True
        far = FAR * self._rated_n
        if not (load > most + far or load < least - far):
            return False
        if load > self._rated_n:
            return True
        if most - least >= AGREE * self._rated_n:
            return False
        return (after.t_ns - before.t_ns) * 1e-9 < QUICK_S or self._without_cause(before, middle, after)

    def _without_cause(self, before: Cell, middle: Cell, after: Cell) -> bool:
        """Whether the block went on as if nothing had happened at the middle one."""
        at = self._ways.at(middle.t_ns)
        came, goes = at - self._ways.at(before.t_ns), self._ways.at(after.t_ns) - at
        if middle.si > before.si and abs(came) <= RESTS_M and abs(goes) <= RESTS_M:
            return True
        if not came * goes > 0.0 or min(abs(came), abs(goes)) < WENT_M or (came < 0.0 and middle.si < before.si):
            return False
        quicker = abs(came / goes) * (after.t_ns - middle.t_ns) / (middle.t_ns - before.t_ns)
        return 1.0 / UNEVEN <= quicker <= UNEVEN
