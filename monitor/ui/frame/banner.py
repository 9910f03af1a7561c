"""The worst alarm: its word, shape and message, what to look at, and the alarms behind it."""

from rich.cells import cell_len

from monitor.model.alarm import AlarmState, AlarmView, Severity
from monitor.presentation.format import clock, span
from monitor.runtime.driver import LAST_RUN
from monitor.ui.bell import RINGS
from monitor.ui.drawing.canvas import Area, printable, wrapped
from monitor.ui.drawing.theme import FILL_ROLE, SHAPE, TEXT_ROLE, Role
from monitor.ui.queries import (
    data_severity,
    gone,
    put_aside,
    rules_in_words,
    standing,
)
from monitor.ui.view import FROZEN_S, View

SILENCED = "bell silenced"
TOLD_S = 240.0
"""How long after its start a run tells what it took up from the one before."""


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
        blind = f"; {rules_in_words(snap.blind_rules)} cannot be judged" if snap.blind_rules else ""
        return f"No other alarm than those put aside{blind}.", "caution"
    if snap.blind_rules and data_severity(snap) is not None:
        return f"△ No alarm from what can be seen; {rules_in_words(snap.blind_rules)} cannot be judged.", "caution"
    if snap.blind_rules:
        return f"No alarm; {rules_in_words(snap.blind_rules)} not judged yet: no evidence so far.", "dim"
    return "No alarm", "dim"


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
