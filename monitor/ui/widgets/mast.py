"""The mast as a ladder: block, expected and assured stop mark, limits. To scale from floor to crown."""

from dataclasses import dataclass
from itertools import pairwise
from math import isfinite
from typing import Final

from monitor.config.optional_tables import STOPPING
from monitor.language import tr
from monitor.model.alarm import Severity
from monitor.model.snapshot import Limits
from monitor.presentation.format import Units
from monitor.ui.drawing.canvas import Area
from monitor.ui.drawing.theme import MARK_ROLE, Role
from monitor.ui.queries import heading, height, severity_ahead
from monitor.ui.view import View

TALLEST_M: Final = 1000.0
"""Nothing taller is a mast."""


@dataclass(frozen=True, slots=True)
class Scale:
    """Heights to rows of an area."""

    limits: Limits
    rows: int

    @property
    def sound(self) -> bool:
        """Whether the limits are in order, so that there is something to draw to scale."""
        heights = (self.limits.floor_m, self.limits.lower_m, self.limits.upper_m, self.limits.crown_m)
        return all(low <= high for low, high in pairwise(heights)) and 0 < heights[3] - heights[0] < TALLEST_M

    def half_row(self, height_m: float) -> int:
        """Half row from the top, clamped to the area.

        Straight between the limits. Beyond them too, but each of those two zones takes at least a row and a half, so
        that a limit never shares a row with crown or floor and the block is never drawn on the wrong side of one.
        """
        limits, last = self.limits, 2 * self.rows - 1
        tall = limits.crown_m - limits.floor_m
        if not isfinite(height_m):
            return 0
        upper = max(3.0, last * (limits.crown_m - limits.upper_m) / tall)
        lower = min(last - 3.0, last * (limits.crown_m - limits.lower_m) / tall)
        anchors = (
            (limits.crown_m, 0.0),
            (limits.upper_m, upper),
            (limits.lower_m, lower),
            (limits.floor_m, float(last)),
        )
        for (high_m, start), (low_m, end) in pairwise(anchors):
            if height_m >= low_m:
                share = (high_m - height_m) / (high_m - low_m) if high_m > low_m else 0.0
                return min(last, max(0, round(start + min(1.0, max(0.0, share)) * (end - start))))
        return last

    def row(self, height_m: float) -> int:
        """Row from the top, clamped to the area."""
        return self.half_row(height_m) // 2


def draw(area: Area, view: View) -> None:
    """Labels left of the mast, the mast, marks right of it, as far as the width allows."""
    snap, units = view.snap, view.units
    limits = snap.limits
    if area.height < 6 or area.width < 9:
        return
    scale = Scale(limits, area.height)
    if not scale.sound:
        area.say(0, 0, tr("limits unknown"), "caution")
        return
    labels = 13 if area.width >= 28 else 6 if area.width >= 14 else 0
    marks = 7 if area.width >= 19 else 2
    mast = area.part(labels, 0, max(5, area.width - labels - marks), area.height)
    _mast(mast, scale, view)
    if labels:
        _limit_labels(area.part(0, 0, labels, area.height), scale, view, units)
    if not height(snap).known:
        _unknown(mast)
        return
    _block(mast, scale, height(snap).number)
    _marks(area, mast, labels + mast.width, marks, scale, view)


def _mast(mast: Area, scale: Scale, view: View) -> None:
    limits = view.snap.limits
    right = mast.width - 1
    upper, lower = scale.row(limits.upper_m), scale.row(limits.lower_m)
    for y in range(mast.height):
        mast.put(0, y, "║", "frame")
        mast.put(right, y, "║", "frame")
        if y < upper or y > lower:
            mast.put(1, y, "░" * (right - 1), "track")
    for y in (upper, lower):
        mast.put(0, y, "╟" + "─" * (right - 1) + "╢", "limit")
    mast.put(0, 0, "╔" + "═" * (right - 1) + "╗", "limit")
    mast.put(0, mast.height - 1, "╚" + "═" * (right - 1) + "╝", "limit")


def _limit_labels(area: Area, scale: Scale, view: View, units: Units) -> None:
    limits = view.snap.limits
    shown: tuple[tuple[str, float], ...] = (
        (tr("upper"), limits.upper_m),
        (tr("lower"), limits.lower_m),
        (tr("crown"), limits.crown_m),
        (tr("floor"), limits.floor_m),
    )
    taken: set[int] = set()
    narrow: list[tuple[str, int]] = []
    for name, height_m in shown:
        y = scale.row(height_m)
        if height_m == limits.crown_m:
            y = 0
        if y in taken:
            continue
        taken.add(y)
        figure = units.number(height_m, "length")
        if len(figure) > area.width - 1:
            figure = units.number(float(round(height_m)), "length").partition(".")[0]
        start = area.right(area.width - 1, y, figure, "limit") if len(figure) < area.width else area.width
        if start > len(name):
            area.put(0, y, name, "dim")
        else:
            narrow.append((name, y))
    # Beside a narrow mast the name stands in the next row toward the middle, where that one is free.
    for name, y in narrow:
        beside = y + 1 if y < area.height // 2 else y - 1
        if beside not in taken:
            taken.add(beside)
            area.put(max(0, area.width - 1 - len(name)), beside, name, "dim")


def _inner(mast: Area) -> int:
    """How wide the block is drawn: with air at its sides where the mast is not narrow."""
    return max(1, mast.width - (4 if mast.width >= 9 else 2))


def _block(mast: Area, scale: Scale, height_m: float) -> None:
    """Two half rows high, its lower edge at the height."""
    bottom = scale.half_row(height_m)
    top = max(0, bottom - 1)
    inner = _inner(mast)
    x = (mast.width - inner) // 2
    if top // 2 == bottom // 2:
        mast.put(x, top // 2, "█" * inner, "block")
    else:
        mast.put(x, top // 2, "▄" * inner, "block")
        mast.put(x, bottom // 2, "▀" * inner, "block")


def _marks(area: Area, mast: Area, x: int, width: int, scale: Scale, view: View) -> None:
    """Expected (◇) and assured (◆) stop mark right of the mast, and the way to the assured one inside it."""
    snap = view.snap
    way = heading(snap)
    marks = snap.marks
    assured = marks.assured_up_m if way > 0 else marks.assured_down_m
    here = height(snap).number
    if way == 0 or not view.rig.has(*STOPPING):
        area.put(x, scale.row(here), "◄", "block")
        return
    severity = Severity.DANGER if not marks.stops else severity_ahead(snap, way)
    role: Role = "mark" if severity is None else MARK_ROLE[severity]
    end = assured if marks.stops and isfinite(assured) else (snap.limits.crown_m if way > 0 else snap.limits.floor_m)
    end_row = scale.row(end)
    _way(mast, scale, here, end_row, "▲" if way > 0 else "▼", role)
    if not marks.stops:
        area.put(x, end_row, tr("no stop") if width >= 7 else "!!", role)
        return
    if isfinite(marks.expected_m):
        row = scale.row(marks.expected_m)
        if row != end_row:
            area.put(x, row, tr("◁ exp.") if width >= 7 else "◁", role)
    if isfinite(assured):
        area.put(x, end_row, tr("◀ stop") if width >= 7 else "◀", role)


def _way(mast: Area, scale: Scale, here_m: float, end_row: int, tip: str, role: Role) -> None:
    """The way from the block to the row where it ends."""
    inner = _inner(mast)
    middle = (mast.width - inner) // 2 + inner // 2
    block_row, top_row = scale.row(here_m), max(0, scale.half_row(here_m) - 1) // 2
    for y in range(min(block_row, end_row), max(block_row, end_row) + 1):
        if y not in (block_row, top_row):
            mast.put(middle, y, tip if y == end_row else "┆", role)


def _unknown(mast: Area) -> None:
    """No block: the words, standing in the mast."""
    words = tr("HEIGHT UNKNOWN") if mast.height >= 16 else tr("UNKNOWN")
    x = mast.width // 2
    top = max(1, (mast.height - len(words)) // 2)
    for offset, char in enumerate(words):
        mast.put(x - 1, top + offset, f" {char} ", "absent")
