"""Checks: guided procedures. The monitor only watches and judges; what is done on the rig follows the site's own procedure."""

from collections.abc import Sequence
from math import isfinite
from typing import Final

from rich.cells import cell_len

from monitor.language import msgid, tr, tr_n, tr_record
from monitor.model.alarm import Severity
from monitor.model.check import CheckReading, CheckStepView, CheckVerdict, CheckView
from monitor.model.stream import ActionKind
from monitor.presentation.believed import believed_reading
from monitor.presentation.format import clock, plain, ways
from monitor.ui.drawing.canvas import Area, Canvas, printable, words_that_fit, wrapped
from monitor.ui.drawing.theme import SEVERITY_OF, TEXT_ROLE, Role, marked
from monitor.ui.keys import crew
from monitor.ui.keys.height_reference import set_height
from monitor.ui.keys.key import Key, ScreenContext
from monitor.ui.keys.list_keys import EVERYTHING, FILTER, SEARCH, SORT
from monitor.ui.view import View
from monitor.ui.widgets import bars, listing
from monitor.ui.widgets.labels import switch_words

TITLE = "Checks"
HELP = "guided tests of brakes, overtravel device and height: steps, live measurement, verdict, due dates"

_FAILED: Final = Severity.WARNING
"""Of a failed check, and of a reading on the wrong side of its limit: no brake that fails its test is relied on."""
_DUE: Final = Severity.NOTICE
"""As the rule that tells of a test that is due."""
_VERDICT: Final[dict[CheckVerdict, tuple[str, Severity | None]]] = {
    CheckVerdict.PASS: (msgid("PASS"), None),
    CheckVerdict.FAIL: (msgid("FAIL"), _FAILED),
    CheckVerdict.NOT_JUDGED: (msgid("NOT JUDGED"), Severity.CAUTION),
}
_REASON_ROWS: Final = 4
"""Of a verdict's reason at most."""
_AFTER_FAIL = {
    "brake-holding": "look at pads, discs or bands and at both circuits' pressures; no heavy load before it has passed.",
    "brake-stops": "look at pads, discs or bands for oil, wear and heat, and at the brake's response on Brakes.",
    "pressure-leak-down": "look for oil at hoses and calipers; check the accumulator's gas charge and the valve.",
    "auxiliary-brake": "check its current, switch, clutch and coolant; plan descents for the friction brake alone.",
    "overtravel-function": "the device does not protect: keep off its height, have it set or repaired, then test again.",
    "height-reference": "set the height at a known point (e), then look at drum and line in the rig's file.",
}
"""By procedure: where to look first when it has failed. Common practice, no source; the site's own procedure comes before it."""
_AFTER_ANY_FAIL = "follow the site's procedure for what has failed, then test again."
_STEP = {"done": "✓", "now": "▶", "open": "·"}


def draw(area: Area, view: View) -> tuple[str, ...]:
    """The body of the screen."""
    checks = view.snap.checks
    if not checks:
        area.say(2, 1, tr("This rig's configuration offers no guided check."), "base")
        return ()
    rows_of_list = [_entry(check) for check in checks]
    found = listing.arranged(rows_of_list, view.screen_state, SORTED_BY)
    listing.texts(area, rows_of_list)
    area = listing.head(area, found)
    by_id = {check.id: check for check in checks}
    checks = tuple(by_id[id] for id in found.ids)
    if not checks:
        return ()
    chosen = next((check for check in checks if check.id == view.screen_state.chosen), None)
    shown = chosen or next((check for check in checks if check.running), checks[0])
    if area.width >= 76:
        side = 30 if area.width < 110 else 40
        _list(area.part(0, 0, side, area.height), view, checks, shown)
        for y in range(area.height):
            area.put(side, y, "│", "frame")
        _detail(area.part(side + 2, 0, area.width - side - 3, area.height), view, shown)
    else:
        # A check that runs needs the room: its steps, what it waits for, what is measured.
        rows = 1 if shown.running else min(len(checks), max(3, area.height // 3))
        _short_list(area.part(0, 0, area.width, rows), checks, shown)
        _detail(area.part(1, rows, area.width - 2, area.height - rows), view, shown)
    # The one shown comes first where nothing is chosen yet: the cursor then starts on it.
    order = checks if chosen is not None else sorted(checks, key=lambda check: check is not shown)
    return tuple(check.id for check in order)


def state(check: CheckView) -> tuple[str, Role]:
    """Where a check stands: shape and word."""
    if check.unfit:
        return tr("– not possible here"), "dim"
    if check.running:
        return tr("▶ RUNNING"), "strong"
    if check.due:
        return marked(tr("DUE"), _DUE), TEXT_ROLE[_DUE]
    if check.result is not None:
        return _verdict(check.result.verdict)
    return tr("· not run yet"), "dim"


def _verdict(verdict: CheckVerdict) -> tuple[str, Role]:
    words, severity = _VERDICT[verdict]
    return (f"● {tr(words)}", "strong") if severity is None else (marked(tr(words), severity), TEXT_ROLE[severity])


SORTED_BY = (msgid("state"), msgid("name"), msgid("last passed"))


def _entry(check: CheckView) -> listing.Row:
    """A check as the list searches, sorts and copies it. One that runs is never filtered away."""
    words, role = state(check)
    severity = SEVERITY_OF.get(role)
    parts = [f"{check.title}: {words}", check.unfit, check.due_words]
    at = check.passed_ns
    if check.result is not None:
        at = check.result.t_ns
        verdict, _ = _verdict(check.result.verdict)
        parts.append(
            tr(
                "{verdict} {clock} UTC {who}: {reason}",
                verdict=verdict,
                clock=clock(at, date=True),
                who=check.result.who,
                reason=check.result.reason,
            )
        )
    text = "; ".join(part for part in parts if part)
    order = (-float(severity or 0), check.title, float(check.passed_ns or 0))
    return listing.Row(check.id, printable(text), severity, order, at, check.running)


def _list(area: Area, view: View, checks: tuple[CheckView, ...], shown: CheckView) -> None:
    """Two rows each: title, then state and when it was passed."""
    tall = 3 if area.height >= 3 * len(checks) else 2
    fit = max(1, area.height // tall)
    place = checks.index(shown)
    first = listing.first_row(place, len(checks), fit)
    for row, check in enumerate(checks[first : first + fit]):
        y = row * tall
        at = check is shown
        area.spot(y, check.id)
        area.spot(y + 1, check.id)
        if at:
            area.put(0, y, " " * area.width, "select")
            area.put(0, y, "›", "select")
        area.say(2, y, check.title, "select" if at else "strong")
        words, role = state(check)
        end = area.say(4, y + 1, words, role)
        if check.passed_ns is not None:
            passed = tr("passed {clock}", clock=clock(check.passed_ns, date=True)[5:16])
            if end + cell_len(passed) + 3 < area.width:
                area.put(end + 2, y + 1, passed, "dim")


def _short_list(area: Area, checks: tuple[CheckView, ...], shown: CheckView) -> None:
    place = checks.index(shown)
    first = listing.first_row(place, len(checks), area.height)
    for y, check in enumerate(checks[first : first + area.height]):
        at = check is shown
        area.spot(y, check.id)
        if at:
            area.put(0, y, " " * area.width, "select")
        words, role = state(check)
        area.put(0, y, "›" if at else " ", "select" if at else "base")
        area.say(2, y, check.title, "select" if at else "base", area.width - 24)
        area.put(area.width - 22, y, words, "select" if at and role in ("dim", "strong") else role)


def _detail(area: Area, view: View, check: CheckView) -> None:
    """The chosen check: what it is, its steps, what is measured now, the last verdict."""
    if check.running:
        _guide(area, view, check)
        return
    y = _paragraph(area, 0, check.about, "dim", 2)
    if check.unfit:
        _paragraph(area, y, tr("Not possible on this rig: {unfit}.", unfit=check.unfit), "caution", 3)
        return
    due: Role = TEXT_ROLE[_DUE] if check.due else "dim"
    if check.due_words:
        y = _paragraph(
            area,
            y,
            marked(tr("Due: {due_words}", due_words=check.due_words), _DUE) if check.due else check.due_words,
            due,
            1,
        )
    y += 1 if area.height >= 15 else 0
    spare = area.height - y - _rows_below(check, area.width) - sum(_rows_of(step, area.width) for step in check.steps)
    if spare < 0:
        y += _short_of_room(area.part(0, y, area.width, area.height - y), check.steps, spare)
    for step in check.steps if spare >= 0 else ():
        y = _step(area, y, step)
    if check.result is not None:
        y += 1 if area.height - y > 6 else 0
        words, role = _verdict(check.result.verdict)
        by = tr(" by {who}", who=printable(check.result.who)) if check.result.who else ""
        y = _paragraph(area, y, f"{words}  {clock(check.result.t_ns, date=True)}{by}", role, 1)
        y = _paragraph(area, y, check.result.reason, "base", _REASON_ROWS)
        if check.result.verdict is CheckVerdict.FAIL:
            y = _paragraph(
                area, y, tr("Next: {step}", step=tr(_AFTER_FAIL.get(check.id, _AFTER_ANY_FAIL))), "strong", 3
            )
        _readings(area, y, view, check.result.readings)
    elif view.mode != "REPLAY":
        _paragraph(
            area, y + (1 if area.height - y > 2 else 0), tr("enter starts it. Nothing is moved by it."), "dim", 1
        )


def _rows_of(step: CheckStepView, width: int) -> int:
    return len(wrapped(step.words, width - 2, 3))


def _rows_below(check: CheckView, width: int) -> int:
    """Rows that the last verdict must have, or the word of how to start."""
    if check.result is None:
        return 1
    after = 2 if check.result.verdict is CheckVerdict.FAIL else 0
    return 1 + len(wrapped(check.result.reason, width, _REASON_ROWS)) + after


def _guide(area: Area, view: View, check: CheckView) -> None:
    """A check under way. What the crew needs now never goes: the step at hand, what it waits for, what is measured, the
    keys. Where the room is short steps that are done are counted, and those to come as far as they do not fit; then the readings
    go from the last one up."""
    body = area.part(0, 0, area.width, area.height - 1)
    below = _progress(Area(Canvas(body.width, 3), 0, 0, body.width, 3), 0, check) + len(check.readings)
    spare = body.height - below - sum(_rows_of(step, body.width) for step in check.steps)
    y = 0
    if spare >= 3:
        y = _paragraph(body, 0, check.about, "dim", 2) + (1 if spare >= 5 else 0)
    y = _short_of_room(body, check.steps, spare) if spare < 0 else y
    for step in check.steps if spare >= 0 else ():
        y = _step(body, y, step)
    y = _progress(body, y, check)
    y = _readings(body, y, view, check.readings)
    _paragraph(area, min(area.height - 1, y + (1 if spare >= 1 else 0)), _what_to_press(check), "strong", 1)


def _short_of_room(body: Area, steps: Sequence[CheckStepView], spare: int) -> int:
    """The step at hand whole, the others as far as the `-spare` rows that are missing allow; returns the row after them."""
    done, now = [step for step in steps if step.state == "done"], [step for step in steps if step.state == "now"]
    coming = [step for step in steps if step.state == "open"]
    missing = -spare

    y = 0
    if done and sum(_rows_of(step, body.width) for step in done) > 1:
        missing -= sum(_rows_of(step, body.width) for step in done) - 1
        body.say(0, 0, f"{_STEP['done']} {tr_n('{n} step done', '{n} steps done', len(done))}", "dim")
        done, y = [], 1
    left_out = 0
    while coming and missing > 0:
        missing -= _rows_of(coming.pop(), body.width) - (0 if left_out else 1)
        left_out += 1
    for step in (*done, *now, *coming):
        y = _step(body, y, step)
    if left_out:
        body.say(0, y, f"{_STEP['open']} {tr_n('{n} step to come', '{n} steps to come', left_out)}", "base")
        y += 1
    return y


def _paragraph(area: Area, y: int, text: str, role: Role, rows: int) -> int:
    """Wrapped words from row `y`; returns the row after them."""
    for line in wrapped(text, area.width, max(0, min(rows, area.height - y))):
        area.put(0, y, line, role)
        y += 1
    return y


def _step(area: Area, y: int, step: CheckStepView, rows: int = 3) -> int:
    """One step in at most `rows` lines; the one that is on stands out."""
    if y >= area.height:
        return y
    role: Role = "strong" if step.state == "now" else "dim" if step.state == "done" else "base"
    area.put(0, y, _STEP[step.state], role)
    return y + _paragraph(area.part(2, y, area.width - 2, area.height - y), 0, step.words, role, rows)


def _progress(area: Area, y: int, check: CheckView) -> int:
    """What the step waits for, and how far its measuring time has gone."""
    if check.hint:
        y = _paragraph(area, y, tr("Waits: {hint}", hint=check.hint), "caution", 2)
    if check.progress > 0 and y < area.height:
        percent = f"{plain(100 * min(1.0, check.progress), 0)} %"
        bars.level(area, 0, y, min(30, area.width - 8), check.progress)
        area.put(min(30, area.width - 8) + 2, y, percent, "base")
        y += 1
    return y


def _readings(area: Area, y: int, view: View, readings: tuple[CheckReading, ...]) -> int:
    """What is measured, each against its limit."""
    widest = max((cell_len(tr_record(reading.label)) + 2 for reading in readings), default=0)
    width = max(min(26, area.width // 2), min(widest, area.width - 12))
    for reading in readings:
        if y >= area.height:
            break
        area.say(0, y, tr_record(reading.label), "dim", width - 1)
        role = reading_role(reading)
        choices = _reading(view, reading)
        if role == TEXT_ROLE[_FAILED]:
            choices = [marked(text, _FAILED) for text in choices]
        area.best(width, y, choices, role)
        y += 1
    return y


def _reading(view: View, reading: CheckReading) -> list[str]:
    """Ways to say one reading, longest first."""
    value, limit = believed_reading(reading, view.snap.values), reading.limit
    if reading.dimension == "switch":
        return [view.units.switch(value, *switch_words(reading.label))]
    text = view.units.fine(value, reading.dimension, limit or 0.0)
    choices = [*ways(text)]
    if reading.relation and limit is not None:
        beside = value.number if value.known else 0.0
        choices.insert(0, f"{text}  ({tr(reading.relation)} {view.units.fine_text(limit, reading.dimension, beside)})")
    return choices


def reading_role(reading: CheckReading) -> Role:
    """Stands out where it is not known or on the wrong side of its limit."""
    value, limit = reading.value, reading.limit
    if not value.known or not isfinite(value.number):
        return "caution"
    if limit is None:
        return "strong"
    wrong = (reading.relation == "at most" and value.number > limit) or (
        reading.relation == "at least" and value.number < limit
    )
    return TEXT_ROLE[_FAILED] if wrong else "strong"


def _what_to_press(check: CheckView) -> str:
    now = next((step for step in check.steps if step.state == "now"), None)
    confirm = tr("space: done with this step. ") if now is not None and now.crew else ""
    return tr("{confirm}x: break off.", confirm=confirm)


def _current(context: ScreenContext) -> CheckView | None:
    """The check under the cursor; None, with an answer given, when there is none."""
    snap = context.snapshot()
    check = next((entry for entry in snap.checks if entry.id == context.screen_state().chosen), None) if snap else None
    if check is None:
        context.say(tr("No check is chosen."))
    return check


def _running(context: ScreenContext) -> CheckView | None:
    snap = context.snapshot()
    return next((check for check in snap.checks if check.running), None) if snap else None


def _start(context: ScreenContext) -> None:
    check = _current(context)
    if check is None:
        return
    if check.unfit:
        context.say(tr("Not possible on this rig: {unfit}.", unfit=printable(tr_record(check.unfit))))
    elif check.running:
        context.say(tr("It is running: space when the step is done, x to break off."))
    elif (busy := _running(context)) is not None:
        context.say(tr("{title} is running: end it first.", title=printable(tr(busy.title))))
    else:
        name = check.id
        crew.run(
            context,
            lambda: crew.act(context, ActionKind.CHECK_START, tr("Started. Follow the site's own procedure."), name),
        )


def _done(context: ScreenContext) -> None:
    check = _current(context)
    if check is None:
        return
    step = next((entry for entry in check.steps if entry.state == "now"), None)
    if not check.running or step is None:
        context.say(tr("It is not running: enter starts it."))
    elif not step.crew:
        context.say(tr("This step ends by itself, by what is measured."))
    else:
        name = check.id
        # The core refuses a step whose own measurement still objects; its objection is what the crew must read.
        words = tr("Not yet: {hint}.", hint=printable(tr_record(check.hint))) if check.hint else tr("Next step.")
        crew.run(context, lambda: crew.act(context, ActionKind.CHECK_STEP, words, name))


def _abort(context: ScreenContext) -> None:
    check = _current(context)
    if check is None:
        return
    if not check.running:
        context.say(tr("It is not running."))
        return
    name = check.id

    def confirm(text: str) -> None:
        if crew.agrees(text):
            crew.act(context, ActionKind.CHECK_ABORT, tr("Broken off."), name)
        else:
            context.say(tr("It goes on."))

    title = words_that_fit(check.title, 40)
    crew.run(
        context,
        lambda: context.ask(
            tr("Break off: {title}", title=title), tr("Type yes to break it off."), r"[A-Za-z]*", 3, confirm
        ),
    )


KEYS: tuple[Key, ...] = (
    Key("enter", _start, "start", "start the chosen check", where="live"),
    Key("space", _done, "done", "the step at hand is done (steps that are measured end by themselves)", where="live"),
    SEARCH,
    Key("x", _abort, "break off", "break the running check off", where="live"),
    Key("e", set_height, "set height", "tell the monitor the block's true height now", where="live"),
    FILTER,
    SORT,
    EVERYTHING,
)
