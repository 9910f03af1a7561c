"""Which loads of a log are single readings far off: an electrical spike, not work.

A load that lies far from those around it, which agree among themselves, is a spike where no hoist takes a load up and sets it
down again within so short a time; where readings are seconds apart a hand can, so that only less than half of what always
hangs on the line is one. So is, at any time, a single load that the rig cannot carry. Common practice, no source.
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
    """Settles the loads of one column; `rated_n` and `block_n` as the rig's file has them. Readings go to `changes`."""

    def __init__(self, rated_n: float, block_n: float, changes: LoadChanges) -> None:
        self._rated_n, self._block_n, self._changes = rated_n, block_n, changes
        self._open: deque[Cell] = deque()

    def take(self, cell: Cell) -> None:
        """The next load, open."""
        opened = self._open
        opened.append(cell)
        if len(opened) < 3:
            return
        before, middle, after = opened
        far, agree = FAR * self._rated_n, AGREE * self._rated_n
        if abs(middle.si - before.si) > far and abs(middle.si - after.si) > far:
            quick = (after.t_ns - before.t_ns) * 1e-9 < QUICK_S
            agreed = abs(after.si - before.si) < agree and (quick or middle.si < 0.5 * self._block_n)
            if agreed or middle.si > self._rated_n > max(before.si, after.si) + far:
                middle.reason = SPIKE
                del opened[1]
                return
        believed = opened.popleft()
        believed.reason = ""
        self._changes.add(believed.si)

    def finish(self) -> None:
        """Nothing comes any more."""
        for cell in self._open:
            cell.reason = ""
        self._open.clear()
