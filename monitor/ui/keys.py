"""The keys, one table: what the app's `do_...` methods are called by, the footer, the help page and the command
palette."""

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Key:
    """One key. `action` names the app's method ``do_<action>``."""

    key: str
    """As Textual names it."""
    action: str
    label: str
    """One or two words, for the footer."""
    help: str
    footer: bool = True
    cap: str = ""
    """As printed on the key; empty takes `key`."""

    @property
    def printed(self) -> str:
        """What the footer shows."""
        return self.cap or self.key


GLOBAL: Final[tuple[Key, ...]] = (
    Key(
        "a", "acknowledge", "acknowledge", "acknowledge the alarm in the banner, once it has been on view for a second"
    ),
    Key("s", "silence", "silence", "silence the bell without acknowledging anything"),
    Key("u", "units", "units", "next unit system: SI, metric, field"),
    Key("t", "theme", "theme", "next theme: day, night, high contrast"),
    Key("n", "note", "note", "write a note into the record", footer=False),
    Key("w", "who", "initials", "give other initials (a new shift)", footer=False),
    Key("q", "leave", "quit", "stop the monitor (asks for a second press)", footer=False),
    Key("question_mark", "help", "help", "this page", cap="?"),
)
MOVES: Final[dict[str, int]] = {"up": -1, "down": 1, "pageup": -10, "pagedown": 10, "home": -10_000, "end": 10_000}
"""Keys that move a list's cursor, by rows."""
