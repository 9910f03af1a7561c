"""Bad stretches of a log by kind: what, which sensor, from when to when, how many cells."""

import json
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final

MOST: Final = 4000
"""So many stretches are kept one by one; after that only the count of each kind goes on."""
JOIN_PERIODS: Final = 5.0
ROWS: Final = "rows"
"""Stands for a sensor where whole rows are bad."""
JUMPED: Final = "jumped to another level"
MAY_BE_OFF: Final = "may count from another zero"
KEPT: Final = (JUMPED, MAY_BE_OFF)
"""Of these kinds nothing was left out."""


@dataclass(slots=True)
class Stretch:
    """One bad stretch: `count` cells of one kind of one sensor (`ROWS`: of all), from the first to the last, ns."""

    sensor: str
    kind: str
    from_ns: int
    to_ns: int
    count: int = 1


class Quality:
    """All bad stretches of a log."""

    def __init__(self, period_s: float) -> None:
        self._join_ns = round(JOIN_PERIODS * period_s * 1e9)
        self._last: dict[tuple[str, str], Stretch] = {}
        self.stretches: list[Stretch] = []
        self.cells = 0
        """All that is bad."""

    def add(self, sensor: str, kind: str, from_ns: int, to_ns: int) -> None:
        """One bad cell, or a time without any."""
        self.cells += 1
        last = self._last.get((sensor, kind))
        if last is not None and from_ns - last.to_ns <= self._join_ns:
            last.to_ns = max(last.to_ns, to_ns)
            last.count += 1
            return
        stretch = self._last[sensor, kind] = Stretch(sensor, kind, from_ns, to_ns)
        if len(self.stretches) < MOST:
            self.stretches.append(stretch)

    def kinds(self) -> dict[str, tuple[int, float]]:
        """By kind: how many cells, and how long its stretches are in all, s."""
        found: dict[str, tuple[int, float]] = {}
        for one in self.stretches:
            count, seconds = found.get(one.kind, (0, 0.0))
            found[one.kind] = count + one.count, round(seconds + (one.to_ns - one.from_ns) * 1e-9, 3)
        return found

    def text(self) -> str:
        """All of it as one line, for a note in the session."""
        rows = [[s.sensor, s.kind, s.from_ns, s.to_ns, s.count] for s in self.stretches]
        return json.dumps(rows, ensure_ascii=False, separators=(",", ":"))


def stretches_of(text: str) -> Iterable[Stretch]:
    """The stretches of a note that `Quality.text` wrote; nothing where it is no such note."""
    try:
        rows: Any = json.loads(text)
    except (ValueError, RecursionError):
        return
    for row in rows if isinstance(rows, list) else ():
        if isinstance(row, list) and [type(cell) for cell in row] == [str, str, int, int, int]:
            yield Stretch(*row)
