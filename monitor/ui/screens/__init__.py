"""The screens, in the order of their keys. To add one: a file here and its name at the end of SCREENS.

A screen module gives TITLE, HELP, KEYS (its own keys, see `monitor.ui.keys.key`) and ``draw(area, view)``, which draws
the body and returns the ids of the rows that a cursor can stand on. Imports frame, widgets, keys, view and below; no screen
imports another, none the app. Begin with `drive`, the glance; `brakes` is the plainest.
"""

from collections.abc import Callable
from dataclasses import dataclass
from types import ModuleType
from typing import Final

from monitor.ui.drawing.canvas import Area
from monitor.ui.keys.key import Key
from monitor.ui.screens import alarms, brakes, checks, drive, instruments, line, session, tour, trends
from monitor.ui.view import View


@dataclass(frozen=True, slots=True)
class ScreenSpec:
    """One screen as the app uses it."""

    key: str
    name: str
    help: str
    keys: tuple[Key, ...]
    draw: Callable[[Area, View], tuple[str, ...]]

    @property
    def id(self) -> str:
        """Name in lower case."""
        return self.name.lower()


def _spec(number: int, module: ModuleType) -> ScreenSpec:
    return ScreenSpec(str(number % 10), module.TITLE, module.HELP, module.KEYS, module.draw)


SCREENS: Final[tuple[ScreenSpec, ...]] = tuple(
    _spec(number, module)
    for number, module in enumerate((drive, brakes, alarms, instruments, trends, line, checks, session, tour), 1)
)
