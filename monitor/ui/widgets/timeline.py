"""A replay's whole session in a few rows: its alarms as marks by severity, its checks and notes, and where the replay stands."""

from collections.abc import Sequence
from typing import Final

from rich.cells import cell_len

from monitor.language import tr
from monitor.model.alarm import Severity
from monitor.presentation.format import clock, signal_word
from monitor.runtime.facts import Replayed
from monitor.ui.drawing.canvas import Area
from monitor.ui.drawing.theme import SHAPE, TEXT_ROLE, Role
from monitor.ui.view import ReplayView

_SEVERITIES: Final = (Severity.DANGER, Severity.WARNING, Severity.CAUTION)
_DAY_NS: Final = 86_400_000_000_000


def rows_of(replayed: Replayed | None) -> list[tuple[str, str, Role, list[int]]]:
    """Label, mark, its role and the times (ns) of each row that has any."""
    if replayed is None:
        return []
    rows: list[tuple[str, str, Role, list[int]]] = [
        (
            signal_word(level),
            SHAPE[level],
            TEXT_ROLE[level],
            [m.t_ns for m in replayed.marks if m.severity is level and m.alarm],
        )
        for level in _SEVERITIES
    ]
    rows.append((tr("checks"), "■", "strong", [mark.t_ns for mark in replayed.marks if not mark.alarm]))
    rows.append((tr("notes"), "✎", "strong", [remark.t_ns for remark in replayed.remarks]))
    return [row for row in rows if row[3]]


def draw(area: Area, replay: ReplayView, replayed: Replayed | None) -> None:
    """The rows over all of `area`: first where the replay stands, last the times. Where there is no room for all of them, the
    marks stand in one, the gravest on top."""
    rows, room = rows_of(replayed), max(0, area.height - 2)
    together = len(rows) > room
    left = max(9, *(cell_len(name) + 2 for name, *_ in rows)) if rows else 9
    width = area.width - left
    at = left + _column(replay, replay.position_ns, width)
    area.put(left, 0, "─" * width, "track")
    area.put(left, 0, "━" * (at - left), "bar")
    area.put(at, 0, "▼", "strong")
    used = min(room, 1) if together else len(rows)
    for y in range(1, used + 1):
        area.put(0, y, tr("marks") if together else rows[y - 1][0], "dim")
        area.put(at, y, "│", "frame")
    for y, (_, mark, role, times) in reversed([*enumerate(rows, 1)] if used else []):
        for t_ns in times:
            area.put(left + _column(replay, t_ns, width), 1 if together else y, mark, role)
    several = replay.end_ns - replay.start_ns > _DAY_NS
    _times(area.part(left, used + 1, width, 1), replay, several)


def _column(replay: ReplayView, t_ns: int, width: int) -> int:
    whole = max(1, replay.end_ns - replay.start_ns)
    share = min(1.0, max(0.0, (t_ns - replay.start_ns) / whole))
    return round(share * (width - 1))


def _times(area: Area, replay: ReplayView, several: bool) -> None:
    """Start, end, and the times between them that have room."""
    size = len(clock(replay.start_ns, date=several))
    count = max(2, min(7, area.width // (size + 6)))
    shares: Sequence[float] = [place / (count - 1) for place in range(count)]
    for share in shares:
        text = clock(replay.start_ns + round(share * (replay.end_ns - replay.start_ns)), date=several)
        x = min(area.width - size, max(0, round(share * (area.width - 1)) - size // 2))
        area.put(x, 0, text, "dim")
