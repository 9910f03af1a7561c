"""The keys that work on every screen, one table. Footer, help page and command palette are made from it."""

from typing import Final

from monitor.language import tr
from monitor.model.stream import ActionKind
from monitor.ui.keys import crew
from monitor.ui.keys.key import Key, ScreenContext
from monitor.ui.queries import standing


def acknowledge_banner(context: ScreenContext) -> None:
    """The alarm in the banner; where that one is acknowledged already, the list of those that wait."""
    snap = context.snapshot()
    alarms = standing(snap) if snap else []
    if not alarms:
        context.say(tr("No alarm to acknowledge."))
    elif alarms[0].state.waiting:
        crew.acknowledge(context, alarms[:1])
    elif any(alarm.state.waiting for alarm in alarms):
        context.open_named("alarms")
        context.say(tr("The alarm in the banner is acknowledged; others wait in this list."))
    else:
        context.say(tr("Every alarm is acknowledged."))


def silence(context: ScreenContext) -> None:
    """Quiet, without acknowledging; needs no initials, because it decides nothing."""
    crew.run(
        context, lambda: crew.act(context, ActionKind.SILENCE, tr("Bell silenced; nothing acknowledged.")), ask=False
    )


def note(context: ScreenContext) -> None:
    """A note into the record."""

    def write(text: str) -> None:
        crew.act(context, ActionKind.NOTE, tr("Note recorded."), text=text)

    crew.run(
        context,
        lambda: context.ask(tr("Note"), tr("Goes into the record with the time and your initials."), r".*", 200, write),
    )


def initials(context: ScreenContext) -> None:
    """Other initials."""
    crew.run(
        context,
        lambda: crew.ask_initials(context, lambda: context.say(tr("Initials: {who}", who=context.who))),
        ask=False,
    )


GLOBAL: Final[tuple[Key, ...]] = (
    Key(
        "a",
        acknowledge_banner,
        "acknowledge",
        "acknowledge the alarm in the banner, once on view for a second",
        where="live",
    ),
    Key("s", silence, "silence", "silence the bell without acknowledging anything", where="live"),
    Key("u", lambda context: context.next_units(), "units", "next unit system: SI, metric, field"),
    Key("t", lambda context: context.next_theme(), "theme", "next theme: day, night, high contrast"),
    Key(
        "y",
        lambda context: context.copy_row(),
        "copy",
        "copy the chosen row as text; without a list the whole screen",
        late=True,
    ),
    Key(
        "p",
        lambda context: context.save_screen(),
        "to file",
        "write the screen to a file, as picture (SVG) and as text",
        late=True,
    ),
    Key("n", note, "note", "write a note into the record", footer=False, where="live"),
    Key(
        "w",
        initials,
        "initials",
        "give other initials (a new tour: sign on the Tour screen)",
        footer=False,
        where="live",
    ),
    Key(
        "q",
        lambda context: context.leave(),
        "quit",
        "stop the monitor, in a browser only the view (press twice)",
        footer=False,
    ),
    Key("question_mark", lambda context: context.show_help(), "help", "this page", cap="?"),
)
