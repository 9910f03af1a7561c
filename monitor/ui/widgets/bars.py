"""Horizontal bars of one row: how much of something, against a mark."""

from math import isfinite

from monitor.ui.drawing.canvas import Area
from monitor.ui.drawing.theme import BAR_ROLE, TEXT_ROLE, Role

_FULL, _HALF = "▄", "▖"
"""Half a row high: bars of neighbouring rows stay apart."""


def role_beside(words: Role) -> Role:
    """The role of a bar beside words of that role."""
    return next((BAR_ROLE[severity] for severity, text in TEXT_ROLE.items() if text == words), "bar")


def level(area: Area, x: int, y: int, width: int, share: float, role: Role = "bar", mark: float | None = None) -> None:
    """`share` (0 to 1) of `width` cells filled; `mark` is a tick at its own share. Nothing is filled where NaN."""
    if width <= 0:
        return
    area.put(x, y, "─" * width, "track")
    if isfinite(share):
        full, rest = divmod(round(min(1.0, max(0.0, share)) * width * 2), 2)
        area.put(x, y, _FULL * full + _HALF * rest, role)
    if mark is not None and isfinite(mark):
        area.put(x + min(width - 1, max(0, round(min(1.0, max(0.0, mark)) * (width - 1)))), y, "┃", "limit")
