"""Line plots of a signal's track in braille dots (two columns and four rows of dots per character)."""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from math import isfinite
from statistics import median

from monitor.ui.drawing.canvas import BLANK, Area
from monitor.ui.drawing.theme import Role
from monitor.ui.history import Track

_BRAILLE = 0x2800
_DOTS = ((0x01, 0x02, 0x04, 0x40), (0x08, 0x10, 0x20, 0x80))


@dataclass(frozen=True, slots=True)
class Range:
    """Lowest and highest value of an axis, the one above the other."""

    low: float
    high: float

    def share(self, value: float) -> float:
        """Place of `value` on the axis, 0 at the bottom and 1 at the top, clamped."""
        return min(1.0, max(0.0, (value - self.low) / (self.high - self.low)))


def range_of(track: Track, *extra: float, least: float = 0.0) -> Range | None:
    """The span of a track and of the extra values, at least `least` high, with a little air; None when nothing is known. What is
    never below nought has no axis below it."""
    numbers = [x for x in (*track.low, *track.high, *extra) if isfinite(x)]
    if not numbers:
        return None
    low, high = min(numbers), max(numbers)
    if not isfinite(high - low):
        return None
    short = least - (high - low)
    if short > 0.0:
        below = short / 2 if low < 0.0 else min(short / 2, low)
        low, high = low - below, high + short - below
    size = max(abs(low), abs(high))
    air = max(0.05 * (high - low), 1e-6 * size, 1e-9)
    return Range(low - air, high + air)


def line(area: Area, track: Track, span_s: float, axis: Range, role: Role = "strong") -> None:
    """The track over `area`: time from `span_s` ago (left) to now (right). Gaps stay gaps."""
    columns, rows = 2 * area.width, 4 * area.height
    if columns < 2 or rows < 2 or span_s <= 0:
        return
    height = axis.high - axis.low
    lows, highs = [1.0] * columns, [0.0] * columns
    for t_s, low, high in zip(track.t_s, track.low, track.high, strict=True):
        if isfinite(low) and isfinite(high):
            column = min(columns - 1, max(0, int((1 + t_s / span_s) * (columns - 1) + 0.5)))
            # A cell of the picture takes the extremes of all that falls into it; shares are clamped when it is drawn.
            lowest, highest = (low - axis.low) / height, (high - axis.low) / height
            if lowest < lows[column]:
                lows[column] = max(0.0, lowest)
            if highest > highs[column]:
                highs[column] = min(1.0, highest)
    cells: dict[tuple[int, int], int] = {}
    before: tuple[int, int, int] | None = None
    reach = _reach(track, span_s, columns)
    known = [column for column in range(columns) if lows[column] <= highs[column]]
    for place, column in enumerate(known):
        alone = (place == 0 or column - known[place - 1] > reach) and (
            place == len(known) - 1 or known[place + 1] - column > reach
        )
        if alone and len(known) > 1:
            continue  # a single look in between two jumps shows no course
        top = round((1 - highs[column]) * (rows - 1))
        bottom = round((1 - lows[column]) * (rows - 1))
        start, end = top, bottom
        if before is not None and column - before[0] <= reach:
            # Joined to the point before, so that a steep flank is a line and not dust.
            start, end = min(top, before[2]), max(bottom, before[1])
            for between in range(before[0] + 1, column):
                _dot(cells, between, before[1] if top <= before[1] else top)
        for row in range(start, end + 1):
            _dot(cells, column, row)
        before = (column, top, bottom)
    for (x, y), dots in cells.items():
        # Where two curves share a cell both are seen.
        there = area.canvas.chars[area.top + y][area.left + x] if x < area.width and y < area.height else BLANK
        dots |= ord(there) - _BRAILLE if len(there) == 1 and _BRAILLE <= ord(there) <= _BRAILLE + 0xFF else 0
        area.put(x, y, chr(_BRAILLE + dots), role)


def _reach(track: Track, span_s: float, columns: int) -> int:
    """Columns that may lie between neighbouring points: one and a half of the usual distance, which a jump does not change."""
    if len(track.t_s) < 2:
        return 1
    usual = median(after - before for before, after in pairwise(track.t_s))
    return max(1, round(3.0 * usual / span_s * columns))


def _dot(cells: dict[tuple[int, int], int], column: int, row: int) -> None:
    key = column // 2, row // 4
    cells[key] = cells.get(key, 0) | _DOTS[column % 2][row % 4]


def level(area: Area, axis: Range, value: float, role: Role, label: str = "") -> None:
    """A dashed line across at `value`, with a label at its left end."""
    if not isfinite(value) or not area.height:
        return
    y = min(area.height - 1, round((1 - axis.share(value)) * (area.height - 1)))
    for x in range(area.width):
        if x % 2 == 0 and area.canvas.chars[area.top + y][area.left + x] == " ":
            area.put(x, y, "╌", role)
    if label:
        area.put(0, y, label, role)


def axis_labels(area: Area, axis: Range, text: Callable[[float], str]) -> None:
    """Highest and lowest value at the right edge of `area`."""
    for y, value in ((0, axis.high), (area.height - 1, axis.low)):
        label = text(value)
        if len(label) <= area.width and area.height > 1:
            area.put(area.width - len(label), y, label, "dim")
