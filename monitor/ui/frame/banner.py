"""What every screen has: the bar on top, the banner of the worst alarm, the line on the state of the data, the keys."""

from rich.cells import cell_len

from monitor.model.alarm import AlarmState, AlarmView, Severity
from monitor.model.reading import Validity
from monitor.presentation.format import clock, plain, span
from monitor.runtime.driver import LAST_RUN
from monitor.ui.bell import RINGS
from monitor.ui.drawing.canvas import Area, printable, words_that_fit, wrapped
from monitor.ui.drawing.theme import FILL_ROLE, SHAPE, TEXT_ROLE, Role
from monitor.ui.view import (
    FROZEN_S,
    KeyRow,
    View,
    bad_sensors,
    data_severity,
    gone,
    height,
    put_aside,
    stale_sensors,
    standing,
)

ADVISORY = "ADVISORY ONLY"
SILENCED = "bell silenced"
TOLD_S = 240.0
"""How long after its start a run tells what it took up from the one before."""


def recording(view: View) -> tuple[str, Role]:
    """Recording state in words. A replay records nothing: what was recorded then is no news."""
    if view.mode == "REPLAY":
        return "", "title"
    match view.snap.health.recording:
        case "on":
            return "● RECORDING", "title"
        case "failed":
            return "▲ RECORDING FAILED", "fill_warning"
        case _:
            return "○ not recording", "title"


def mode(view: View) -> str:
    """LIVE, SIMULATED, or REPLAY with its speed."""
    if view.replay is None:
        return view.mode
    if view.replay.paused:
        return f"{view.mode} paused"
    speed = view.replay.speed
    return f"{view.mode} at full speed" if speed > 1e6 else f"{view.mode} ×{speed:g}"


def top_bar(area: Area, view: View, title: str) -> None:
    """One row: the rig, the screen, mode, recording, the words that must always be there, the time."""
    area.fill("title")
    record, record_role = recording(view)
    narrow = area.width < 76
    if narrow and record:
        record = {"on": "● REC", "failed": "▲ REC FAILED"}.get(view.snap.health.recording, "○ NO REC")
    x = area.width - 1
    if area.width >= 66:
        x = area.right(x, 0, clock(view.snap.t_ns) + " UTC", "title") - 2
    x = area.right(x, 0, ADVISORY, "title") - 2
    if record:
        x = area.right(x, 0, f" {record} " if record_role != "title" else record, record_role) - 2
    tag = f" {mode(view)} "
    x = area.right(x, 0, tag, "tag") - 1
    left = words_that_fit(f"STOPMARK · {title} · {view.rig.title}", x - 1)
    if left.endswith("…"):
        left = words_that_fit(f"{title} · {view.rig.name}", x - 1)
    area.put(1, 0, left, "title")


def banner(area: Area, view: View) -> None:
    """The worst alarm: word, shape, message, and what to look at. Quiet when there is none, and never more than is
    known."""
    alarms = standing(view.snap)
    if view.snap.alarms:
        for y in range(area.height):
            area.spot(y, "", "banner")
    if view.frozen_s > FROZEN_S:
        _frozen(area, view)
    elif alarms:
        _alarm(area, view, alarms)
    else:
        _calm(area, view)


def _frozen(area: Area, view: View) -> None:
    area.fill("fill_danger")
    area.say(
        2, 0, f"◆ MONITOR STOPPED: nothing new for {span(view.frozen_s)}. The figures below are old.", "fill_danger"
    )
    for y, line in enumerate(wrapped("Do not rely on this screen. Watch the block and the rig's own instruments.",
                                     area.width - 6, area.height - 1), 1):  # fmt: skip
        area.put(4, y, line, "fill_danger")


def _calm(area: Area, view: View) -> None:
    snap = view.snap
    aside = put_aside(snap)
    if snap.health.connected is False:
        area.say(2, 0, "◆ No connection to the broker: nothing is watched.", "danger")
        for y, line in enumerate(wrapped(snap.health.note, area.width - 6, area.height - 1), 1):
            area.put(4, y, line, "danger")
        return
    words, role = no_alarm(view)
    area.say(2, 0, words, role)
    y = 1
    taken_up = view.facts.get(LAST_RUN, "") if view.history.reach_s < TOLD_S else ""
    if taken_up:
        for line in wrapped(f"○ {taken_up[0].upper()}{taken_up[1:]}.", area.width - 3, area.height - 1):
            area.put(2, y, line, "notice")
            y += 1
    if aside and y < area.height:
        still_there = [alarm for alarm in aside if alarm.active]
        for alarm in still_there[: area.height - y]:
            area.say(2, y, f"{SHAPE[alarm.severity]} {alarm.message}: put aside", TEXT_ROLE[alarm.severity])
            y += 1
        if not still_there:
            area.say(2, y, f"{len(aside)} shelved or out of service (see Alarms)", "dim")


def no_alarm(view: View) -> tuple[str, Role]:
    """What may be said where no alarm stands: never more than is known."""
    snap = view.snap
    if any(alarm.active for alarm in put_aside(snap)):
        blind = f"; {_rules(snap.blind_rules)} cannot be judged" if snap.blind_rules else ""
        return f"No other alarm than those put aside{blind}.", "caution"
    if snap.blind_rules and data_severity(snap) is not None:
        return f"△ No alarm from what can be seen; {_rules(snap.blind_rules)} cannot be judged.", "caution"
    if snap.blind_rules:
        return f"No alarm; {_rules(snap.blind_rules)} not judged yet: no evidence so far.", "dim"
    return "No alarm", "dim"


def _rules(count: int) -> str:
    return "1 rule" if count == 1 else f"{count} rules"


STATE_WORDS = {
    AlarmState.UNACKNOWLEDGED: "not acknowledged",
    AlarmState.ACKNOWLEDGED: "acknowledged",
    AlarmState.RETURNED: "gone, not acknowledged",
    AlarmState.LATCHED_UNACKNOWLEDGED: "held, not acknowledged",
    AlarmState.LATCHED_ACKNOWLEDGED: "held until reset",
}


def nothing_to_acknowledge(alarm: AlarmView) -> bool:
    """A cue for ordinary work comes up acknowledged, though nobody did that; it must not be said."""
    return alarm.prompt and alarm.state is AlarmState.ACKNOWLEDGED


def _alarm(area: Area, view: View, alarms: list[AlarmView]) -> None:
    worst = alarms[0]
    role = "fill_notice" if gone(worst) else FILL_ROLE[worst.severity]
    cause = next((alarm for alarm in alarms if alarm.signal == "disconnected"), None)
    last = (area.height >= 4 or cause not in (None, worst)) and len(alarms) > 1
    height = area.height - (1 if last or area.height >= 4 else 0)
    state = "held blind" if worst.blind else STATE_WORDS.get(worst.state, str(worst.state))
    if nothing_to_acknowledge(worst) and not worst.blind:
        state = "cue"
    more = f"+{len(alarms) - 1}" if len(alarms) > 1 else ""
    if view.snap.silenced and any(alarm.state in RINGS for alarm in alarms):
        state, more = f"{state} · {SILENCED}", f"{SILENCED} {more}".rstrip()
    head = f"{SHAPE[worst.severity]} {worst.severity.name}"
    x = 2 + cell_len(head) + 2
    message = " ".join(printable(worst.message).split())
    # The message comes before its state and time; those are left out where they would break it.
    count = more.removeprefix(SILENCED).strip()
    for tail in (f"{state} · {clock(worst.since_ns)}  {count}".rstrip(), f"{state}  {count}".rstrip(), more):
        room = area.width - x - (cell_len(tail) + 3 if tail else 1)
        if cell_len(message) <= room:
            break
    lines = wrapped(message, room, 1)
    if lines and lines[0].endswith("…"):
        first = lines[0].removesuffix("…").rstrip()
        lines = [first, *wrapped(message[len(first) :], area.width - 3, max(1, height - 2))]
    guidance = view.snap.health.note if worst is cause and view.snap.health.note else worst.guidance
    lines += wrapped(guidance, area.width - 3, max(0, height - len(lines)))
    tall = height if worst.severity >= Severity.WARNING and not gone(worst) and area.height >= 4 else 2
    filled = area.part(0, 0, area.width, max(tall, len(lines)))
    filled.fill(role)
    filled.put(2, 0, head, role)
    filled.right(area.width - 1, 0, tail, role)
    for y, line in enumerate(lines):
        filled.put(x if y == 0 else 2, y, line, role)
    if len(alarms) > 1 and filled.height < area.height:
        # A lost connection explains most other alarms: it is named first, with its reason.
        rest = sorted(alarms[1:], key=lambda alarm: alarm is not cause)
        _others(area.part(0, filled.height, area.width, 1), rest, view.snap.health.note if rest[0] is cause else "")


def _others(area: Area, alarms: list[AlarmView], note: str) -> None:
    """The alarms behind the worst, as many as fit; `note` is why the first one stands."""
    if note:
        first = alarms[0]
        text = f"{first.message}: {note}" if area.width >= 76 else note
        area.say(2, 0, f"{SHAPE[first.severity]} {text}", TEXT_ROLE[first.severity], area.width - 3)
        return
    x = 2
    for index, alarm in enumerate(alarms):
        text = f"{SHAPE[alarm.severity]} {printable(alarm.message)}{' (gone)' if gone(alarm) else ''}"
        left = len(alarms) - index
        more = f"and {left} more"
        if x + cell_len(text) > area.width - (cell_len(more) + 3 if left > 1 else 1):
            area.say(x, 0, more if index else f"{left} more: see Alarms", "dim")
            return
        x = area.put(x, 0, text, "dim" if gone(alarm) else TEXT_ROLE[alarm.severity]) + 3


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
        parts.append(f"{_rules(snap.blind_rules)} blind")
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
            quiet.insert(1, f"{_rules(snap.blind_rules)} not judged yet")
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


def footer(area: Area, view: View) -> None:
    """One row: the answer to the last key, or the fullest row of keys that fits; its last two (other screens, help) always."""
    keys_or_message(area, view.message, view.keys)


def keys_or_message(area: Area, message: str, rows: tuple[KeyRow, ...]) -> None:
    """As `footer`, of what it needs alone."""
    if message:
        area.fill("title")
        area.say(1, 0, message, "title")
        return

    def size(row: KeyRow) -> int:
        return sum(cell_len(key) + cell_len(label) + (4 if label else 2) for key, label in row)

    rows = rows or ((),)
    keys = list(next((row for row in rows if size(row) < area.width), rows[-1]))
    # The last two, other screens and help, stay.
    while len(keys) > 2 and size(tuple(keys)) >= area.width:
        keys.pop(-3)
    x = 1
    for key, label in keys:
        start = x
        x = area.put(x, 0, f" {key} ", "key")
        if label:
            x = area.put(x, 0, f" {label} ", "dim")
        area.spot(0, key, "key", start, x - start)
