"""The words to act on: what the crew does about each alarm of WARNING or DANGER, and which of several comes first."""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from monitor.model.alarm import AlarmView, Severity

WATCH: Final = "WATCH BLOCK"
"""What is left to do where the screen says nothing."""


@dataclass(frozen=True, slots=True)
class Act:
    """What to do about an alarm."""

    word: str
    short: str = ""
    """Where the word does not fit; empty: it always does."""
    way: int | None = 0
    """Up (1) or down (-1) toward the limit whose room is told; 0: neither, None: whichever way the block goes."""


ACTS: Final[Mapping[str, Act]] = MappingProxyType(
    {
        "service_brake_lost": Act("NO BRAKE", way=None),
        "load_lost": Act("STOP"),
        "cross_margin_up": Act("KEEP FULLY ON", "KEEP ON", 1),
        "cross_margin_down": Act("KEEP FULLY ON", "KEEP ON", -1),
        "fully_margin_up": Act("BRAKE FULLY", way=1),
        "fully_margin_down": Act("BRAKE FULLY", way=-1),
        "margin_up": Act("BRAKE NOW", way=1),
        "margin_down": Act("BRAKE NOW", way=-1),
        "height_unknown": Act(WATCH),
        "overtravel_room": Act("CHECK HEIGHT"),
        "pressure_shortfall": Act("CHECK BRAKE"),
        "holding_ratio": Act("CHECK BRAKE"),
        "effectiveness": Act("CHECK BRAKE"),
        "creep": Act("CHECK BRAKE"),
        "accumulator_margin": Act("CHECK OIL"),
        "aux_missing": Act("CHECK AUX"),
        "load_over_rating": Act("CHECK LOAD"),
    }
)
"""By the signal that the alarm looks at, most urgent first. What is not here has its severity's word."""
_URGENCY: Final = {signal: place for place, signal in enumerate(ACTS)}


def asks_for_an_act(alarm: AlarmView) -> bool:
    """Whether something is to be done about it now."""
    return alarm.severity >= Severity.WARNING and alarm.active


def urgency(alarm: AlarmView) -> tuple[int, int]:
    """To sort alarms by: what asks for an act comes first, the worst of these, then as in `ACTS`; the others stay as they are."""
    if not asks_for_an_act(alarm):
        return 0, 0
    return -alarm.severity, _URGENCY.get(alarm.signal, len(ACTS)) - len(ACTS)
