"""Columns whose readings are rarer than the log's rows: each is repeated in the rows until the next one comes.

Such a column is told by how far apart its changes are, in rows: never nearer than so many, over many changes. Where the steps
are as small as the column's resolution allows, as of a block that creeps, that says nothing (derived here).
"""

from array import array
from collections.abc import Iterable, Sequence
from itertools import pairwise
from statistics import median
from typing import Final

LEAST_CHANGES: Final = 25
"""So many changes at least must show it."""
MOST_ROWS: Final = 2000
EXCEPTIONS: Final = 0.03
"""Share of changes that may come sooner: rows are missing, readings are late."""
IN_STEP: Final = 0.95
"""Share of changes a multiple of so many rows apart above which the filling is regular."""
COARSE_STEPS: Final = 2.5


def reading_s(times_ns: Sequence[int], numbers: Sequence[float | None], row_s: float) -> float:
    """Seconds from one reading of a column to the next; `row_s`, the time from row to row, where it is not filled."""
    rows = filled_rows(numbers)
    if rows == 1:
        return row_s
    return max(row_s, median(later - one for one, later in zip(times_ns, times_ns[rows:], strict=False)) * 1e-9)


def filled_rows(numbers: Iterable[float | None]) -> int:
    """Rows from one reading of the column to the next; 1 where it is not filled. `numbers` are its cells in order, None where
    there is none."""
    changes, steps = array("q"), array("d")
    before: float | None = None
    for place, number in enumerate(numbers):
        if number is None:
            continue
        if before is not None and number != before:
            changes.append(place)
            steps.append(abs(number - before))
        before = number
    if len(changes) < LEAST_CHANGES:
        return 1
    apart = sorted(later - earlier for earlier, later in pairwise(changes))
    rows = apart[int(EXCEPTIONS * len(apart))]
    if rows < 2 or rows > MOST_ROWS:
        return 1
    if sum(distance % rows == 0 for distance in apart) >= IN_STEP * len(apart):
        return rows
    sizes = sorted(steps)
    return rows if sizes[len(sizes) // 2] > COARSE_STEPS * sizes[0] else 1
