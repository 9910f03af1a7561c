"""One row on top: the rig, the screen, mode and recording, the words that must always be there, the time."""

from monitor.language import msgid, tr
from monitor.presentation.format import clock
from monitor.ui.drawing.canvas import Area, first_that_fits, printable, words_that_fit
from monitor.ui.drawing.theme import Role
from monitor.ui.view import View

ADVISORY = msgid("ADVISORY ONLY")
_LEFT_LEAST = 26
"""Columns that screen and rig keep beside the initials of whom actions are recorded for."""


def recording(view: View) -> tuple[str, Role]:
    """Recording state in words; empty in a replay, which records nothing."""
    if view.mode == "REPLAY":
        return "", "title"
    match view.snap.health.recording:
        case "on":
            return tr("● RECORDING"), "title"
        case "failed":
            return tr("△ RECORDING FAILED"), "fill_caution"
        case _:
            return tr("– not recording"), "title"


def mode(view: View) -> str:
    """LIVE, SIMULATED, or REPLAY with its speed."""
    if view.replay is None:
        return tr(view.mode)
    if view.replay.paused:
        return tr("{mode} paused", mode=tr(view.mode))
    speed = view.replay.speed
    return tr("{mode} at full speed", mode=tr(view.mode)) if speed > 1e6 else f"{tr(view.mode)} ×{speed:g}"


def top_bar(area: Area, view: View, title: str) -> None:
    """One row: the rig, the screen, mode, recording, the words that must always be there, the time."""
    area.fill("title")
    record, record_role = recording(view)
    narrow = area.width < 76
    if narrow and record:
        record = {"on": tr("● REC"), "failed": tr("△ REC FAILED")}.get(view.snap.health.recording, tr("– NO REC"))
    x = area.width - 1
    if area.width >= 66:
        x = area.right(x, 0, clock(view.snap.t_ns) + tr(" UTC"), "title") - 2
    x = area.right(x, 0, tr(ADVISORY), "title") - 2
    if record:
        x = area.right(x, 0, f" {record} " if record_role != "title" else record, record_role) - 2
    tag = f" {mode(view)} "
    x = area.right(x, 0, tag, "tag") - 1
    if view.who and x > _LEFT_LEAST:
        others = [who for who in view.crew if who != view.who]
        choices = (
            tr("by {value}", value=" · ".join((view.who, *others))),
            tr("by {who} +{others}", who=view.who, others=len(others)),
            tr("by {who}", who=view.who),
        )
        fitting = first_that_fits(tuple(map(printable, choices if others else choices[2:])), x - _LEFT_LEAST)
        x = area.right(x, 0, fitting, "title") - 1
    left = words_that_fit(tr("STOPMARK · {title} · {rig}", title=title, rig=view.rig.title), x - 1)
    if left.endswith("…"):
        left = words_that_fit(f"{title} · {view.rig.name}", x - 1)
    area.put(1, 0, left, "title")
