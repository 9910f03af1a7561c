"""The keys that work on every screen, one table. Footer, help page and command palette are made from it."""

from typing import Final

from monitor.model.stream import ActionKind
from monitor.ui.keys.key import Deck, Key
from monitor.ui.queries import standing


def acknowledge_banner(deck: Deck) -> None:
    """The alarm in the banner; where that one is acknowledged already, the list of those that wait."""
    snap = deck.snapshot()
    alarms = standing(snap) if snap else []
    if not alarms:
        deck.say("No alarm to acknowledge.")
    elif alarms[0].state.waiting:
        deck.acknowledge(alarms[:1])
    elif any(alarm.state.waiting for alarm in alarms):
        deck.open_named("alarms")
        deck.say("The alarm in the banner is acknowledged; others wait in this list.")
    else:
        deck.say("Every alarm is acknowledged.")


def silence(deck: Deck) -> None:
    """Quiet, without acknowledging; needs no initials, because it decides nothing."""
    deck.crew(lambda: deck.act(ActionKind.SILENCE, "Bell silenced; nothing acknowledged."), ask=False)


def note(deck: Deck) -> None:
    """A note into the record."""

    def write(text: str) -> None:
        deck.act(ActionKind.NOTE, "Note recorded.", text=text)

    deck.crew(lambda: deck.ask("Note", "Goes into the record with the time and your initials.", r".*", 200, write))


def initials(deck: Deck) -> None:
    """Other initials."""
    deck.crew(lambda: deck.ask_initials(lambda: deck.say(f"Initials: {deck.who}")), ask=False)


GLOBAL: Final[tuple[Key, ...]] = (
    Key(
        "a",
        acknowledge_banner,
        "acknowledge",
        "acknowledge the alarm in the banner, once on view for a second",
        where="live",
    ),
    Key("s", silence, "silence", "silence the bell without acknowledging anything", where="live"),
    Key("u", lambda deck: deck.next_units(), "units", "next unit system: SI, metric, field"),
    Key("t", lambda deck: deck.next_theme(), "theme", "next theme: day, night, high contrast"),
    Key("n", note, "note", "write a note into the record", footer=False, where="live"),
    Key("w", initials, "initials", "give other initials (a new shift)", footer=False, where="live"),
    Key(
        "q",
        lambda deck: deck.leave(),
        "quit",
        "stop the monitor, in a browser only the view (press twice)",
        footer=False,
    ),
    Key("question_mark", lambda deck: deck.show_help(), "help", "this page", cap="?"),
)
