"""What the crew does to the monitor: under whose initials, and to which alarms at this moment. A replay takes no actions."""

from collections.abc import Callable, Sequence
from typing import Final

from monitor.language import tr
from monitor.model.alarm import AlarmView
from monitor.model.stream import ActionKind, Request
from monitor.text import plain_letters
from monitor.ui.keys.key import ScreenContext

SHIFT_NS: Final = 12 * 3_600_000_000_000
"""Initials serve for so long."""
MOST_CREW: Final = 9
"""Remembered of one tour: each has a digit."""


def run(context: ScreenContext, action: Callable[[], None], ask: bool = True) -> None:
    """Run a crew action: refused in a replay; with `ask`, initials first where this tour has none yet."""
    if context.driver.mode == "REPLAY":
        context.say(tr("This is a replay: it shows what was done then; nothing can be done now."))
        return
    if not ask or on_tour(context):
        action()
    else:
        ask_initials(context, action)


def on_tour(context: ScreenContext) -> str:
    """Initials of whoever works here now, for as long as they serve: given here, or signed for the tour since, at whichever
    screen; empty where nobody has."""
    snap = context.snapshot()
    now_ns = snap.t_ns if snap else 0
    tour = context.driver.facts().tour
    if tour.signed_by and tour.since_ns > context.who_since_ns:
        context.who, context.who_since_ns, context.crew = tour.signed_by, tour.since_ns, (tour.signed_by,)
    return context.who if now_ns - context.who_since_ns < SHIFT_NS else ""


def act(
    context: ScreenContext, kind: ActionKind, answer: str, target: str = "", number: float | None = None, text: str = ""
) -> None:
    """Hand an action to the driver under the crew's initials, and say `answer`. Only inside `run`."""
    context.driver.act(Request(kind, target, number, text, context.who))
    context.say(answer)


def ask_initials(context: ScreenContext, then: Callable[[], None]) -> None:
    """Ask for initials, whether or not this tour has some, then go on. Those of this tour's crew are chosen by their number."""
    crew = context.crew if on_tour(context) else ()

    def answer(text: str) -> None:
        snap = context.snapshot()
        if text.isdecimal() and not 1 <= int(text) <= len(crew):
            context.say(tr("There is no number {text} in this crew.", text=text))
            return
        context.who = crew[int(text) - 1] if text.isdecimal() else text.upper()
        context.who_since_ns = snap.t_ns if snap else 0
        context.crew = crew if context.who in crew else (*crew, context.who)[-MOST_CREW:]
        then()

    explain = tr("Asked once per tour (12 h) and recorded with what you do.")
    if crew:
        known = "  ".join(f"{number} {who}" for number, who in enumerate(crew, 1))
        explain = tr("A number, or other initials. This tour: {known}", known=known)
    context.ask(tr("Your initials"), explain, r"[A-Za-z]*|[1-9]", 4, answer)


def agrees(text: str) -> bool:
    """Whether it says yes, in English or in the language in force, with or without its accent."""
    return text.lower() in ("yes", plain_letters(tr("yes")).lower())


def acknowledge(context: ScreenContext, alarms: Sequence[AlarmView]) -> None:
    """Acknowledge those that have been on view long enough. One press is one action, however long the key is held."""
    now_s = context.clock()
    if context.driver.mode == "REPLAY":
        run(context, lambda: None)
        return
    if context.alarms_on_view.held(now_s):
        return
    ready = context.alarms_on_view.ready(alarms, now_s)
    if not ready:
        context.say(tr("Just came up: read it first, then press again."))
        return

    def acknowledge_ready() -> None:
        context.alarms_on_view.acknowledged_s = context.clock()
        answer = tr("Acknowledged.") if len(ready) == 1 else tr("{count} alarms acknowledged.", count=len(ready))
        for alarm in ready:
            act(context, ActionKind.ACKNOWLEDGE, answer, alarm.key)

    run(context, acknowledge_ready)
