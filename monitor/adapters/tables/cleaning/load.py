"""Which loads of a log are single readings far off: an electrical spike, not work.

A load that lies far from those around it, which agree among themselves, is a spike where no hoist takes a load up and sets it
down again within so short a time; where readings are seconds apart a hand can, so that only a load that the rig cannot carry, or
less than half of what always hangs on the line, is one. Common practice, no source.
"""

from collections import deque
from typing import Final

from monitor.adapters.tables.cleaning.cell import SPIKE, Cell

FAR: Final = 0.2
"""Share of the rated load: a load this far from both neighbours stands out."""
AGREE: Final = 0.04
"""Share of the rated load within which those around it agree."""
QUICK_S: Final = 2.0
"""Within this nobody takes up a load and sets it down again."""


class LoadCheck:
    """Settles the loads of one column; `rated_n` and `block_n` as the rig's file has them."""

    def __init__(self, rated_n: float, block_n: float) -> None:
        self._rated_n, self._block_n = rated_n, block_n
        self._open: deque[Cell] = deque()

    def take(self, cell: Cell) -> None:
        """The next load, open."""
        opened = self._open
        opened.append(cell)
        if len(opened) < 3:
            return
        before, middle, after = opened
        far, agree = FAR * self._rated_n, AGREE * self._rated_n
        if abs(middle.si - before.si) > far and abs(middle.si - after.si) > far and abs(after.si - before.si) < agree:
            quick = (after.t_ns - before.t_ns) * 1e-9 < QUICK_S
            if quick or middle.si > self._rated_n or middle.si < 0.5 * self._block_n:
                middle.reason = SPIKE
                del opened[1]
                return
        opened.popleft().reason = ""

    def finish(self) -> None:
        """Nothing comes any more."""
        for cell in self._open:
            cell.reason = ""
        self._open.clear()
