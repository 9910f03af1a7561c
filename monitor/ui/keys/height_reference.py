"""Tells the monitor the block's true height; Line and Checks offer it."""

from collections.abc import Callable
from typing import Final

from monitor.language import tr
from monitor.model.reading import UNKNOWN, Value
from monitor.model.stream import ActionKind
from monitor.ui.keys import crew
from monitor.ui.keys.key import ScreenContext
from monitor.ui.queries import heading, height

FAR_M: Final = 1.0
"""A height set further than this from the one shown is asked about: more likely a slip of the finger than a correction."""


NUMBER = r"[0-9]{0,4}([.,][0-9]{0,3})?"


def number_of(text: str) -> float | None:
    """A typed number, with a point or a comma; None when it is none."""
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return None


def refused_while_moving(context: ScreenContext) -> bool:
    """Whether the block moves; said where it does: what is measured now would not hold a moment later."""
    snap = context.snapshot()
    if snap is None or not heading(snap):
        return False
    context.say(tr("The block moves: not taken. Stop it and measure again."))
    return True


def confirm(context: ScreenContext, title: str, explain: str, act: Callable[[], None]) -> None:
    """Ask for the whole word before something that cannot be taken back."""

    def take(text: str) -> None:
        if not crew.agrees(text):
            context.say(tr("Not taken: left as it was."))
        elif not refused_while_moving(context):
            act()

    context.ask(title, tr("{explain} Type yes to take it.", explain=explain), r"[A-Za-z]*", 3, take)


def set_height(context: ScreenContext) -> None:
    """The block's true height now, typed in the units on the screen."""
    if refused_while_moving(context):
        return
    shown = context.units.shown("length")
    mast = context.driver.rig.mast

    def take(text: str) -> None:
        typed = number_of(text)
        height_m = shown.unit.to_si(typed) if typed is not None else None
        if height_m is None or not mast.floor_m <= height_m <= mast.crown_m:
            low, high = context.units.text(mast.floor_m, "length"), context.units.text(mast.crown_m, "length")
            context.say(tr("Not taken: give a height between {low} and {high}.", low=low, high=high))
            return
        if refused_while_moving(context):
            return
        words = context.units.text(height_m, "length")

        def act() -> None:
            crew.act(context, ActionKind.REFERENCE_HEIGHT, tr("Height set to {words}.", words=words), number=height_m)

        now = _height(context)
        if now.known and abs(now.number - height_m) > FAR_M:
            explain = tr(
                "{words} is far from the {figure} shown. Every limit moves with it.",
                words=words,
                figure=context.units.value(now, "length"),
            )
            confirm(context, tr("Height reference"), explain, act)
        else:
            act()

    now = context.units.value(_height(context), "length")
    explain = tr(
        "Measured height of the block above the floor, in {label} (shown now: {now}). It must stand still.",
        label=shown.label,
        now=now,
    )
    crew.run(context, lambda: context.ask(tr("Height reference"), explain, NUMBER, 8, take))


def _height(context: ScreenContext) -> Value:
    snap = context.snapshot()
    return UNKNOWN if snap is None else height(snap)
