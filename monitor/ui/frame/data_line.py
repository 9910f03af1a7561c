"""One row that says how far the figures can be trusted."""

from math import isnan

from rich.cells import cell_len

from monitor.language import tr
from monitor.model.snapshot import Snapshot
from monitor.presentation.format import plain
from monitor.ui.drawing.canvas import Area, first_that_fits, printable
from monitor.ui.drawing.theme import SHAPE, TEXT_ROLE, Role
from monitor.ui.queries import (
    aside_words,
    bad_sensors,
    data_severity,
    data_troubles,
    rules_in_words,
    stale_sensors,
)
from monitor.ui.view import View

_LEAST_TROUBLE = 24
"""Columns that the state of the data keeps beside the alarms that are set aside: HEIGHT UNKNOWN fits."""


def data_line(area: Area, view: View) -> None:
    """One row that says how far the figures can be trusted; at its right end, always, what is set aside."""
    aside = aside_words(view.snap)
    if aside:
        words = first_that_fits(aside, area.width - _LEAST_TROUBLE - 1)
        start = area.right(area.width - 1, 0, words, "notice")
        area = area.part(0, 0, start - 2, 1)
    severity = data_severity(view.snap)
    if severity is None:
        end = area.put(1, 0, tr("DATA OK"), "dim")
        _parts(area, max(10, end + 2), _counts(view.snap, trouble=False), "dim")
        return
    role = TEXT_ROLE[severity]
    x = area.put(1, 0, tr("{mark} DATA", mark=SHAPE[severity]), role) + 2
    room = area.width - x - 1
    x = area.say(x, 0, _shortened(data_troubles(view.snap), room), role, room) + 3
    _parts(area, x, _counts(view.snap, trouble=True), "dim")


def _counts(snap: Snapshot, trouble: bool) -> list[str]:
    """Figures for whoever looks closer. Rules not judged are among them where there is no `trouble` that says so."""
    counts: list[str] = []
    if not (stale_sensors(snap) or bad_sensors(snap)):
        counts.append(tr("{sensors} of {sensors} sensors good", sensors=len(snap.sensors)))
    if snap.blind_rules and not trouble:
        counts.append(tr("{rules} not judged yet", rules=rules_in_words(snap.blind_rules)))
    counts.append(tr("{count} refused", count=sum(snap.rejects.values())))
    if snap.health.dropped:
        counts.append(tr("{dropped} dropped", dropped=snap.health.dropped))
    if not isnan(snap.health.lag_s):
        counts.append(tr("lag {lag} s", lag=plain(snap.health.lag_s, 2)))
    return counts


def _shortened(parts: list[str], room: int) -> str:
    """`parts` in `room` cells. Every trouble is named before any of them is spelled out: names of sensors go first when the
    room is short."""
    text = " · ".join(parts)
    if cell_len(printable(text)) <= room:
        return text
    parts = [part.partition(":")[0] for part in parts]
    while len(parts) > 1 and cell_len(" · ".join(parts)) > room:
        parts.pop()
    return " · ".join(parts)


def _parts(area: Area, x: int, parts: list[str], role: Role) -> None:
    """As many of `parts` as fit whole, in order, with dots between."""
    while parts and x + cell_len(" · ".join(parts)) >= area.width:
        parts = parts[:-1]
    area.put(x, 0, " · ".join(parts), role)
