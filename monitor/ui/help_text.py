"""The help page, built from the tables of screens and keys."""

from collections.abc import Sequence
from textwrap import wrap
from typing import TYPE_CHECKING

from monitor.language import tr
from monitor.ui.keys.global_keys import GLOBAL

if TYPE_CHECKING:
    from monitor.ui.keys.key import Key
    from monitor.ui.screens import ScreenSpec

CHAIN = "ease ─▶ brake now ─▶ brake fully now ─▶ will cross ─▶┃limit"
"""The words on the way to a limit, in their order."""
WORDS = (
    ("room up, down", "way from the block to the upper or lower limit in force"),
    ("reach", "way the block still makes if braking is called for now"),
    ("stop mark", "where it would then come to rest; ◁ expected, ◀ assured (everything at its unfavourable end)"),
    ("margin", "room less assured reach: below zero the limit will be passed"),
    ("ease", "cue: the speed will have to come down within the site's time to ease"),
    ("brake now", "WARNING: waiting any longer than the notice uses up the assured stop"),
    ("brake fully now", "DANGER: the last moment at which a full brake still stops short, hand's reaction included"),
    ("will cross", "DANGER: even at best the limit is crossed; keep the full brake on, people clear"),
    ("", CHAIN),
    ("allowed", "highest speed from which the assured stop mark stays inside the limit"),
    ("holding", "torque the brake can apply over the torque the load demands"),
    ("≈", "DEGRADED: the figure is an estimate whose bound has grown"),
    ("UNKNOWN", "there is no figure to trust, so none is shown"),
    ("severity", "least first: NOTICE ○  CAUTION △  WARNING ▲  DANGER ◆"),
)


WIDEST = 76
_INDENT = 12
_BEFORE = 2
COMMANDS_KEY = "ctrl+p"


def _entry(name: str, meaning: str, width: int) -> list[str]:
    """Name, then its meaning beside it, wrapped under itself."""
    head = f"  {name}"
    if len(head) >= _INDENT:
        return [head, *wrap(meaning, width, initial_indent=" " * _INDENT, subsequent_indent=" " * _INDENT)]
    return wrap(meaning, width, initial_indent=head.ljust(_INDENT), subsequent_indent=" " * _INDENT)


def laid_out(text: str, room: int = WIDEST) -> str:
    """A help page that is written as a whole, at most `room` columns wide: lines that begin with a name keep it apart."""
    width = max(40, min(WIDEST, room))
    lines: list[str] = []
    for line in text.splitlines():
        if line.startswith("  "):
            lines += _entry(line[_BEFORE:_INDENT].strip(), line[_INDENT:], width)
        else:
            lines += wrap(line, width) or [""]
    return "\n".join(lines)


def key_in(line: str, column: int) -> tuple[str, int]:
    """The key that a line of the help page begins with, as printed, and the column in its hint (1 is its first character) that
    lies at `column` of the line; the name of something else, or nothing, where it begins with no key."""
    return line[:_INDENT].strip(), column - _BEFORE + 1


def _rows(keys: "Sequence[Key]") -> list[tuple[str, str]]:
    return [(key.printed, tr(key.help)) for key in keys if key.help]


def help_text(screens: "Sequence[ScreenSpec]", current: "ScreenSpec", room: int = WIDEST, replay: bool = False) -> str:
    """Keys of the screen, of all screens, the screens, the words; at most `room` columns wide."""
    from monitor.ui.keys.replay_keys import REPLAY_KEYS

    own = [key for key in current.keys if not (replay and key in REPLAY_KEYS)]
    width = max(40, min(WIDEST, room))
    lines = [tr("STOPMARK watches and warns. It never acts on the rig: ADVISORY ONLY.")]
    groups: list[tuple[str, list[tuple[str, str]]]] = [
        (tr("On {name}", name=tr(current.name)), _rows(own)),
        (tr("In this replay"), _rows(REPLAY_KEYS) if replay else []),
        (tr("Everywhere"), _rows([key for key in GLOBAL if key.fits(replay)])),
        ("", [(COMMANDS_KEY, tr("every command by name")), (tr("arrows"), tr("move in a list"))]),
        (tr("Screens"), [(spec.key, f"{tr(spec.name)}: {tr(spec.help)}") for spec in screens]),
        (tr("Words"), [(tr(name), tr(meaning)) for name, meaning in WORDS]),
    ]
    for title, entries in groups:
        if not entries:
            continue
        if title:
            lines += ["", title]
        for name, meaning in entries:
            lines += _entry(name, meaning, width)
    return "\n".join(lines)
