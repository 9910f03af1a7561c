"""Which keys are there at this moment, and the hints that name them."""

from collections.abc import Sequence
from typing import Final

from monitor.language import tr
from monitor.ui.keys.global_keys import GLOBAL
from monitor.ui.keys.key import Key
from monitor.ui.keys.replay_keys import REPLAY_KEYS
from monitor.ui.screens import SCREENS, ScreenSpec
from monitor.ui.view import KeyRow

ALL_SCREENS: Final = f"1-{len(SCREENS)}"
"""The one hint for all screens, where there is no room to name them."""


def keys_of(spec: ScreenSpec, replaying: bool) -> list[Key]:
    """The screen's own keys, a replay's, everybody's. Of two on one key the one that has a use here."""
    found: dict[str, Key] = {}
    for key in (*spec.keys, *(REPLAY_KEYS if replaying else ()), *GLOBAL):
        known = found.get(key.key)
        if known is None or (key.fits(replaying) and not known.fits(replaying)):
            found[key.key] = key
    return list(found.values())


def rows(keys: Sequence[Key], replaying: bool) -> tuple[KeyRow, ...]:
    """Rows for the footer: with every screen named, and with the screens as one entry."""
    named_here = [key for key in keys if key.footer and key.fits(replaying)]
    first = [key for key in named_here if not key.late]
    late = [key for key in named_here if key.late]
    hints = tuple((key.printed, tr(key.label)) for key in (*first[:-1], *late, first[-1]))
    named = tuple((spec.key, tr(spec.name)) for spec in SCREENS)
    return (*hints[:-1], *named, hints[-1]), (*hints[:-1], (ALL_SCREENS, tr("screens")), hints[-1])


def key_at(keys: Sequence[Key], printed: str, along: int) -> Key | None:
    """The key of a hint; where it names two, the one that lies `along` columns into it. None for a screen's number."""
    by_cap = {key.printed: key for key in keys}
    second = by_cap.get(printed[1:]) if along == 2 and len(printed) == 2 else None
    return second or by_cap.get(printed)
