"""Alarms: what stands, worst first; why the chosen one fired (its signal against the threshold); and the history of
this view."""

from collections.abc import Callable
from dataclasses import replace

from rich.cells import cell_len

from monitor.core.alarms.crew_actions import ASIDE, ASIDE_NOW
from monitor.language import msgid, tr, tr_record
from monitor.model.alarm import EXPECTED_WORDS, AlarmState, AlarmView, Severity
from monitor.model.stream import ActionKind
from monitor.presentation.format import clock, signal_word, span
from monitor.presentation.in_language import alarm_in_language
from monitor.ui.drawing.canvas import Area, first_that_fits, printable, words_that_fit, wrapped
from monitor.ui.drawing.theme import FILL_ROLE, SHAPE, TEXT_ROLE, Role
from monitor.ui.frame.banner import STATE_WORDS, nothing_to_acknowledge
from monitor.ui.keys import crew
from monitor.ui.keys.key import Key, ScreenContext
from monitor.ui.keys.list_keys import EVERYTHING, FILTER, SEARCH, SORT
from monitor.ui.queries import no_alarm
from monitor.ui.view import View
from monitor.ui.widgets import listing, signal_curve
from monitor.ui.widgets.labels import signal_label

TITLE = "Alarms"
HELP = "what stands and why; acknowledge, shelve; history"
LONGEST_REASON = 60
"""Characters of a reason for setting an alarm aside."""
_FIXED = {
    **STATE_WORDS,
    AlarmState.SHELVED: msgid("shelved"),
    AlarmState.SUPPRESSED: msgid("suppressed by design"),
    AlarmState.OUT_OF_SERVICE: msgid("out of service"),
}

_SHORTER = {
    AlarmState.UNACKNOWLEDGED: msgid("not ack."),
    AlarmState.RETURNED: msgid("gone, not ack."),
    AlarmState.LATCHED_UNACKNOWLEDGED: msgid("held, not ack."),
    AlarmState.LATCHED_ACKNOWLEDGED: msgid("held"),
    AlarmState.SUPPRESSED: msgid("suppressed"),
}

_BACK = {
    AlarmState.LATCHED_ACKNOWLEDGED: msgid("r resets it"),
    AlarmState.SHELVED: msgid("h brings it back"),
    AlarmState.OUT_OF_SERVICE: msgid("o brings it back"),
}
"""Which key ends the state."""


def draw(area: Area, view: View) -> tuple[str, ...]:
    """The body of the screen."""
    if view.screen_state.page % 2:
        return _history(area, view)
    alarms = view.snap.alarms
    if not alarms:
        area.say(2, 1, first_that_fits(no_alarm(view.snap)[0], area.width - 3), "base")
        area.say(2, 3, tr("l shows the history."), "dim")
        return ()
    rows_of_list = [_entry(alarm, alarm.key, alarm.since_ns, view.snap.t_ns) for alarm in alarms]
    found = listing.arranged(rows_of_list, view.screen_state, SORTED_BY)
    listing.texts(area, rows_of_list)
    area = listing.head(area, found)
    by_key = {alarm.key: alarm for alarm in alarms}
    alarms = tuple(by_key[key] for key in found.ids)
    if not alarms:
        return ()
    chosen = _chosen(alarms, view.screen_state.chosen)
    detail = min(8, area.height - 3) if area.height < 20 else min(15, area.height // 2)
    rows = area.height - detail - 1
    left = _list(area.part(0, 0, area.width, rows), view, alarms, chosen)
    line = area.part(1, rows, area.width - 2, 1)
    line.rule(0, title=tr("{chosen} of {alarms}: why it fired", chosen=chosen + 1, alarms=len(alarms)))
    if left:
        line.right(line.width - 1, 0, tr(" {left} more ↓ ", left=left), "notice")
    _why(area.part(1, rows + 1, area.width - 2, detail), view, alarms[chosen])
    return tuple(alarm.key for alarm in alarms)


SORTED_BY = (msgid("severity"), msgid("newest"), msgid("state"), msgid("message"))
"""Columns that the list and the history can be sorted by."""


def _entry(alarm: AlarmView, id: str, t_ns: int, now_ns: int) -> listing.Row:
    """An alarm as the lists search, sort and copy it; `t_ns` is when it came, or changed."""
    state = state_words(alarm, now_ns)
    parts = (
        tr(
            "{clock} UTC {name} {state}: {message}",
            clock=clock(t_ns, date=True),
            name=signal_word(alarm.severity),
            state=state,
            message=alarm.message,
        ),
        alarm.guidance,
        f"{signal_label(alarm.signal)}, {alarm.key}",
    )
    order = (-float(alarm.severity), -float(t_ns), state, alarm.message)
    kept = alarm.severity is Severity.DANGER and (alarm.state.waiting or alarm.active)
    return listing.Row(id, printable("; ".join(part for part in parts if part)), alarm.severity, order, t_ns, kept)


def _chosen(alarms: tuple[AlarmView, ...], key: str) -> int:
    return next((index for index, alarm in enumerate(alarms) if alarm.key == key), 0)


def _fixed(alarm: AlarmView) -> str:
    if alarm.expected:
        return tr(EXPECTED_WORDS)
    return tr("cue") if nothing_to_acknowledge(alarm) else tr(_FIXED.get(alarm.state, alarm.state))


def state_words(alarm: AlarmView, now_ns: int) -> str:
    """The state of an alarm, with the time left where it is shelved."""
    text = _fixed(alarm)
    if alarm.shelved_until_ns is not None:
        text += tr(", {time} left", time=span(max(0.0, (alarm.shelved_until_ns - now_ns) / 1e9)))
    return tr("{text}, blind", text=text) if alarm.blind else text


def _short_state(alarm: AlarmView, now_ns: int) -> str:
    """As `state_words`, where there is less room."""
    if alarm.expected:
        return tr("expected")
    if alarm.shelved_until_ns is not None:
        return tr("shelved {time}", time=span(max(0.0, (alarm.shelved_until_ns - now_ns) / 1e9)))
    words = tr(_SHORTER[alarm.state]) if alarm.state in _SHORTER else _fixed(alarm)
    return tr("{words}, blind", words=words) if alarm.blind and len(words) < 10 else words


def _severity(area: Area, x: int, y: int, alarm: AlarmView, quiet: Role) -> int:
    """Shape and signal word, on the severity's own ground while the cause stands, also in the chosen row; the column after."""
    words = f"{SHAPE[alarm.severity]} {signal_word(alarm.severity)}"
    area.put(x, y, words, FILL_ROLE[alarm.severity] if alarm.active else quiet)
    return x + 2 + max(8, *(cell_len(signal_word(level)) for level in Severity))


def _list(area: Area, view: View, alarms: tuple[AlarmView, ...], chosen: int) -> int:
    """The rows around the chosen one; returns how many are left below."""
    first = listing.first_row(chosen, len(alarms), area.height, below=1)
    state_width = 30 if area.width >= 100 else 15 if area.width >= 76 else 0
    for y, alarm in enumerate(alarms[first : first + area.height]):
        at = first + y == chosen
        area.spot(y, alarm.key)
        if at:
            area.put(0, y, " " * area.width, "select")
        area.put(1, y, "›" if at else " ", "select" if at else "base")
        x = _severity(area, 2, y, alarm, "select" if at else "dim") + 1
        if state_width:
            x = area.put(x, y, clock(alarm.since_ns), "select" if at else "dim") + 1
        wait = "●" if alarm.state.waiting else " "
        x = area.put(x, y, wait, "select" if at else "strong") + 1
        width = area.width - x - 1 - state_width
        area.say(x, y, alarm.message, "select" if at else "strong" if alarm.active else "dim", width)
        if state_width:
            words = _short_state(alarm, view.snap.t_ns) if state_width < 30 else state_words(alarm, view.snap.t_ns)
            words = words_that_fit(words, state_width - 1)
            area.put(area.width - state_width, y, words, "select" if at else "dim")
    return max(0, len(alarms) - first - area.height)


def _why(area: Area, view: View, alarm: AlarmView) -> None:
    """Words on the left (or on top), the last minute of the signal beside them."""
    wide = area.width >= 70
    words = area.part(1, 0, (area.width * 2 // 5) if wide else area.width - 2, area.height)
    y = 0
    for line in wrapped(alarm.message, words.width, 2):
        words.put(0, y, line, "strong")
        y += 1
    state = state_words(alarm, view.snap.t_ns)
    back = tr(_BACK.get(alarm.state, "")) if view.mode != "REPLAY" else ""
    for line in [f"{state}; {back}"] if back and len(state) + len(back) < words.width - 1 else [state, back]:
        words.say(0, y, line, TEXT_ROLE[alarm.severity])
        y += 1 if line else 0
    for line in wrapped(printable(alarm.guidance), words.width, 3 if wide else 2):
        words.put(0, y, line, "base")
        y += 1
    if wide:
        signal_curve.draw(area.part(words.width + 3, 0, area.width - words.width - 3, area.height), view, alarm)
    else:
        signal_curve.draw(area.part(1, y, area.width - 2, area.height - y), view, alarm)


def _history(area: Area, view: View) -> tuple[str, ...]:
    """Every change of an alarm since this screen started, newest first."""
    entries = [(t_ns, alarm_in_language(alarm)) for t_ns, alarm in reversed(view.history.alarms)]
    area.say(1, 0, tr("Changes since this screen started, newest first. l goes back to the list."), "dim")
    if not entries:
        area.say(2, 2, tr("None yet."), "base")
        return ()
    changes = {f"{t_ns} {alarm.key}": (t_ns, alarm) for t_ns, alarm in entries}
    now_ns = view.snap.t_ns
    rows = [replace(_entry(alarm, id, t_ns, now_ns), kept=False) for id, (t_ns, alarm) in changes.items()]
    found = listing.arranged(rows, view.screen_state, SORTED_BY)
    listing.texts(area, rows)
    body = listing.head(area.part(0, 1, area.width, area.height - 1), found)
    chosen = found.ids.index(view.screen_state.chosen) if view.screen_state.chosen in found.ids else 0
    first = listing.first_row(chosen, len(found.ids), body.height, below=1)
    for y, id in enumerate(found.ids[first : first + body.height]):
        t_ns, alarm = changes[id]
        at = first + y == chosen
        body.spot(y, id)
        if at:
            body.put(0, y, "›".ljust(body.width), "select")
        x = body.put(1, y, clock(t_ns), "select" if at else "dim") + 1
        x = _severity(body, x, y, alarm, "select" if at else "dim") + 1
        words = printable(_fixed(alarm))
        state = words if alarm.active or alarm.state is AlarmState.RETURNED else tr("{words}, cause gone", words=words)
        role: Role = "select" if at else "base" if alarm.active else "dim"
        body.say(x, y, f"{state}: {alarm.message}", role, body.width - x - 1)
    return found.ids


def _current(context: ScreenContext) -> AlarmView | None:
    """The alarm under the cursor; None, with an answer given, when there is none."""
    snap = context.snapshot()
    alarm = next((entry for entry in snap.alarms if entry.key == context.screen_state().chosen), None) if snap else None
    if alarm is None or context.screen_state().page % 2:
        context.say(tr("No alarm is chosen."))
        return None
    return alarm


def _acknowledge(context: ScreenContext) -> None:
    alarm = _current(context)
    if alarm is None:
        return
    if alarm.state.waiting:
        crew.acknowledge(context, [alarm])
    else:
        context.say(tr("Nothing to acknowledge: it is {state}.", state=_fixed(alarm)))


def _acknowledge_all(context: ScreenContext) -> None:
    snap = context.snapshot()
    waiting = [alarm for alarm in snap.alarms if alarm.state.waiting] if snap else []
    rows = [_entry(alarm, alarm.key, alarm.since_ns, snap.t_ns if snap else 0) for alarm in waiting]
    shown = frozenset(listing.arranged(rows, context.screen_state()).ids)
    if waiting and not shown:
        context.say(tr("Those that wait are not shown: esc shows them; then press again."))
    elif waiting:
        # Never one that nobody sees.
        crew.acknowledge(context, [alarm for alarm in waiting if alarm.key in shown])
    else:
        context.say(tr("Every alarm is acknowledged."))


def _named(alarm: AlarmView) -> str:
    """The alarm as a confirmation calls it."""
    return f"{SHAPE[alarm.severity]} {signal_word(alarm.severity)}: {printable(tr_record(alarm.message))}"


def _shelve(context: ScreenContext) -> None:
    """Shelve the chosen alarm: minutes, then for what needs them a reason and a confirmation that names it."""
    alarm = _current(context)
    if alarm is None:
        return
    key, bounds = alarm.key, ASIDE[ASIDE_NOW][alarm.severity]
    longest = int(bounds.longest_s / 60)
    if alarm.state is AlarmState.SHELVED:
        crew.run(context, lambda: crew.act(context, ActionKind.UNSHELVE, tr("Back from the shelf."), key))
    elif alarm.state is AlarmState.OUT_OF_SERVICE:
        context.say(tr("Not shelved: it is out of service."))
    elif not longest:
        context.say(
            tr("Not shelved: a {name} is never shelved. It can be acknowledged.", name=signal_word(alarm.severity))
        )
    else:

        def take(text: str) -> None:
            minutes = int(text)
            if not 1 <= minutes <= longest:
                context.say(tr("Not shelved: give 1 to {longest} minutes.", longest=longest))
                return

            def act(why: str = "") -> None:
                done = tr("Shelved for {minutes} min; it comes back by itself.", minutes=minutes)
                crew.act(context, ActionKind.SHELVE, done, key, 60.0 * minutes, why)

            if bounds.why:
                _reasoned(context, alarm, tr("Shelve"), tr("It will not warn for {minutes} min.", minutes=minutes), act)
            else:
                act()

        explain = tr(
            "{alarm}. For how many minutes (1 to {longest})? It comes back by itself.",
            alarm=_named(alarm),
            longest=longest,
        )
        crew.run(context, lambda: context.ask(tr("Shelve"), explain, r"[0-9]*", 3, take))


def _reasoned(
    context: ScreenContext, alarm: AlarmView, title: str, consequence: str, act: Callable[[str], None]
) -> None:
    """Ask for a reason, then for a confirmation that names the alarm."""
    name = _named(alarm)

    def take(why: str) -> None:
        _confirm(
            context,
            title,
            tr("{name}. {consequence} Reason: {why}.", name=name, consequence=consequence, why=printable(why)),
            lambda: act(why),
        )

    context.ask(title, f"{name}. Why? It is recorded with your initials.", r".*", LONGEST_REASON, take)


def _confirm(context: ScreenContext, title: str, explain: str, act: Callable[[], None]) -> None:
    """Ask for the whole word before a warning is taken away."""

    def take(text: str) -> None:
        if crew.agrees(text):
            act()
        else:
            context.say(tr("Not taken: left as it was."))

    context.ask(title, tr("{explain} Type yes to confirm.", explain=explain), r"[A-Za-z]*", 3, take)


def _service(context: ScreenContext) -> None:
    """Take the chosen alarm out of service, or bring it back."""
    alarm = _current(context)
    if alarm is None:
        return
    key, bounds = alarm.key, ASIDE[ASIDE_NOW][alarm.severity]
    title, consequence = tr("Out of service"), tr("It will not warn any more until brought back.")

    def act(why: str = "") -> None:
        crew.act(context, ActionKind.OUT_OF_SERVICE, tr("Out of service until you bring it back (o)."), key, text=why)

    if alarm.state is AlarmState.OUT_OF_SERVICE:
        crew.run(context, lambda: crew.act(context, ActionKind.IN_SERVICE, tr("Back in service."), key))
    elif bounds.kept_while_true and alarm.active:
        context.say(tr("Left in service: a {name} stays in service while it stands.", name=signal_word(alarm.severity)))
    elif bounds.why:
        crew.run(context, lambda: _reasoned(context, alarm, title, consequence, act))
    else:
        crew.run(context, lambda: _confirm(context, title, f"{_named(alarm)}. {consequence}", act))


def _false(context: ScreenContext) -> None:
    """Call the chosen alarm false, with why: it stays as it is; ledger and back-tests know."""
    alarm = _current(context)
    if alarm is None:
        return
    key = alarm.key

    def take(why: str) -> None:
        crew.act(context, ActionKind.FALSE_ALARM, tr("Noted as false. The alarm stays as it is."), key, text=why)

    explain = tr(
        "{alarm}. Why was it false? It is recorded with your initials and changes nothing about the alarm.",
        alarm=_named(alarm),
    )
    crew.run(context, lambda: context.ask(tr("False alarm"), explain, r".*", LONGEST_REASON, take))


def _reset(context: ScreenContext) -> None:
    alarm = _current(context)
    if alarm is None:
        return
    key = alarm.key
    if alarm.state is AlarmState.LATCHED_ACKNOWLEDGED:
        crew.run(context, lambda: crew.act(context, ActionKind.RESET, tr("Reset."), key))
    else:
        context.say(tr("Only an acknowledged alarm that is held until reset can be reset."))


def _page(context: ScreenContext) -> None:
    context.set_screen_state(replace(context.screen_state(), page=context.screen_state().page + 1, chosen=""))


KEYS: tuple[Key, ...] = (
    Key("a", _acknowledge, "acknowledge", "acknowledge the chosen alarm, once on view for a second", where="live"),
    Key(
        "A",
        _acknowledge_all,
        "all",
        "acknowledge every alarm in the list that has been on view for a second",
        where="live",
    ),
    SEARCH,
    Key("h", _shelve, "shelve", "shelve the chosen alarm for some minutes, or bring it back", where="live"),
    Key(
        "r",
        _reset,
        "reset",
        "reset the chosen alarm where it is held (latched) and its cause is gone",
        where="live",
    ),
    Key("o", _service, "out of service", "take the chosen alarm out of service, or back", where="live"),
    Key("x", _false, "false", "call the chosen alarm false: it stays, ledger and back-tests know", where="live"),
    Key("l", _page, "history", "list or history of alarms"),
    FILTER,
    SORT,
    EVERYTHING,
)
