"""The help page, built from the tables of screens and keys."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from monitor.ui.actions import GLOBAL

if TYPE_CHECKING:
    from monitor.ui.screens import ScreenSpec

WORDS = (
    ("room up, down", "way from the block to the upper or lower limit in force"),
    ("reach", "way the block still makes if braking is called for now"),
    ("stop mark", "where it would then come to rest; ◁ expected, ◀ assured (everything at its unfavourable end)"),
    ("margin", "room less assured reach: below zero the limit will be passed"),
    ("allowed", "highest speed from which the assured stop mark stays inside the limit"),
    ("holding", "torque the brake can apply over the torque the load demands"),
    ("≈ and DEGRADED", "the figure is an estimate whose bound has grown"),
    ("UNKNOWN", "there is no figure to trust, so none is shown"),
    ("NOTICE ○  CAUTION △  WARNING ▲  DANGER ◆", "severity, least first"),
)


def help_text(screens: "Sequence[ScreenSpec]", current: "ScreenSpec") -> str:
    """Keys of the screen, of all screens, the screens, the words."""
    lines = ["STOPMARK watches and warns. It never acts on the rig: ADVISORY ONLY.", ""]
    if current.keys:
        lines += [f"On {current.name}", *(f"  {key.printed:<8} {key.help}" for key in current.keys), ""]
    lines += ["Everywhere", *(f"  {key.printed:<8} {key.help}" for key in GLOBAL)]
    lines += ["  ctrl+p   every command by name", "  arrows   move in a list", ""]
    lines += ["Screens", *(f"  {spec.key:<8} {spec.name}: {spec.help}" for spec in screens), "", "Words"]
    lines += [f"  {name}: {meaning}" for name, meaning in WORDS]
    lines += ["", "Any key closes this page."]
    return "\n".join(lines)
