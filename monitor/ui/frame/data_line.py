"""One row on how far the figures can be trusted."""

from rich.cells import cell_len

from monitor.model.reading import Validity
from monitor.presentation.format import plain
from monitor.ui.drawing.canvas import Area, printable
from monitor.ui.drawing.theme import SHAPE, TEXT_ROLE, Role
from monitor.ui.queries import (
    bad_sensors,
    data_severity,
    height,
    put_aside,
    rules_in_words,
    stale_sensors,
)
from monitor.ui.view import View


def data_line(area: Area, view: View) -> None:
    """One row on how far the figures can be trusted."""
    snap = view.snap
    severity = data_severity(snap)
    total = len(snap.sensors)
    stale, bad = stale_sensors(snap), bad_sensors(snap)
    parts: list[str] = []
    if snap.health.connected is False:
        parts.append("BROKER NOT CONNECTED")
    if height(snap).validity >= Validity.INVALID:
        parts.append("HEIGHT UNKNOWN")
    elif height(snap).validity is Validity.DEGRADED:
        parts.append("height degraded")
    if stale:
        parts.append(f"{len(stale)} of {total} SILENT: {', '.join(stale)}")
    if bad:
        parts.append(f"{len(bad)} of {total} REFUSED: {', '.join(bad)}")
    if snap.blind_rules:
        parts.append(f"{rules_in_words(snap.blind_rules)} blind")
    rejects = sum(snap.rejects.values())
    quiet = [f"{total - len(stale) - len(bad)} of {total} sensors good"] if not (stale or bad) else []
    if aside := len(put_aside(snap)):
        quiet.append(f"{aside} put aside")
    quiet.append(f"{rejects} refused")
    if snap.health.dropped:
        quiet.append(f"{snap.health.dropped} dropped")
    if snap.health.lag_s == snap.health.lag_s:
        quiet.append(f"lag {plain(snap.health.lag_s, 2)} s")
    if severity is None:
        if snap.blind_rules:
            quiet.insert(1, f"{rules_in_words(snap.blind_rules)} not judged yet")
        area.put(1, 0, "DATA OK", "dim")
        _parts(area, 10, quiet, "dim")
        return
    role = TEXT_ROLE[severity]
    x = area.put(1, 0, f"{SHAPE[severity]} DATA", role) + 2
    # Every trouble is named before any of them is spelled out: names of sensors go first when the room is short.
    text = " · ".join(parts)
    if cell_len(printable(text)) > area.width - x - 1:
        parts = [part.partition(":")[0] for part in parts]
        while len(parts) > 1 and cell_len(" · ".join(parts)) > area.width - x - 1:
            parts.pop()
        text = " · ".join(parts)
    x = area.say(x, 0, text, role, area.width - x - 1) + 3
    _parts(area, x, quiet, "dim")


def _parts(area: Area, x: int, parts: list[str], role: Role) -> None:
    """As many of `parts` as fit whole, in order, with dots between."""
    while parts and x + cell_len(" · ".join(parts)) >= area.width:
        parts = parts[:-1]
    area.put(x, 0, " · ".join(parts), role)
