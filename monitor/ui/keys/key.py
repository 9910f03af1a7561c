"""What a key is, and what the function behind it may use of the app."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal, Protocol

from monitor.model.snapshot import Snapshot
from monitor.presentation.format import Units
from monitor.runtime.driver import Driver
from monitor.ui.history import History
from monitor.ui.keys.on_view import OnView
from monitor.ui.view import ScreenState


class ScreenContext(Protocol):
    """The app as the functions behind keys see it; actions of the crew go through `monitor.ui.keys.crew`."""

    driver: Driver
    units: Units
    who: str
    """The crew's initials; empty where none were asked for yet."""
    crew: tuple[str, ...]
    """Everybody who gave initials in this tour, in that order; chosen again by number."""
    who_since_ns: int
    """Stream time at which they were given."""
    alarms_on_view: OnView
    history: History
    clock: Callable[[], float]
    """Seconds that only go forward."""

    def snapshot(self) -> Snapshot | None:
        """The present state."""

    def screen_state(self) -> ScreenState:
        """State of the screen shown."""

    def set_screen_state(self, state: ScreenState) -> None:
        """Change it, and redraw."""

    def say(self, text: str) -> None:
        """Answer in the footer for a few seconds."""

    def ask(self, title: str, explain: str, restrict: str, longest: int, then: Callable[[str], None]) -> None:
        """Ask for one line; `then` gets it unless the crew leaves. `restrict` is a pattern for what may be typed."""

    def open_named(self, name: str) -> None:
        """Show the screen of that name."""

    def next_units(self) -> None:
        """Next unit system."""

    def next_theme(self) -> None:
        """Next theme."""

    def copy_row(self) -> None:
        """Copy the chosen row as text."""

    def save_screen(self) -> None:
        """Write the screen to a picture and a text."""

    def show_help(self) -> None:
        """The help page."""

    def leave(self) -> None:
        """Stop the monitor, on the second press."""


@dataclass(frozen=True, slots=True)
class Key:
    """One key."""

    key: str
    """As Textual names it; capital letters as themselves."""
    act: Callable[[ScreenContext], None]
    label: str
    """One or two words, for the footer; empty for the second of two keys that share a hint."""
    help: str
    """A sentence; empty for the second of two keys."""
    footer: bool = True
    cap: str = ""
    """As printed on the key; empty takes `key`."""
    where: Literal["any", "live", "replay"] = "any"
    """A crew action is for the living, a replay's control for a replay; elsewhere the key has no hint and says why."""
    late: bool = False
    """Named in the footer after those that are pressed in a hurry."""

    def fits(self, replaying: bool) -> bool:
        """Whether it has a use here."""
        return self.where == "any" or (self.where == "replay") == replaying

    @property
    def printed(self) -> str:
        """What the footer shows."""
        return self.cap or self.key


MOVES: Final[dict[str, int]] = {"up": -1, "down": 1, "pageup": -10, "pagedown": 10, "home": -10_000, "end": 10_000}
"""Keys that move a list's cursor, by rows."""
