"""The life of an alarm as one table, after ANSI/ISA-18.2. The theory of operation stands in `monitor.core.alarms.bank`."""

from collections.abc import Mapping
from enum import StrEnum
from types import MappingProxyType
from typing import Final

from monitor.model.alarm import AlarmState


class Event(StrEnum):
    """What can happen to an alarm."""

    TRIP = "condition true"
    CLEAR = "condition false"
    CLEAR_LATCHED = "condition false, latched"
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    SHELVE = "shelve"
    UNSHELVE = "unshelve or time up"
    SUPPRESS = "suppress by design"
    RELEASE = "suppression ends"
    REMOVE = "out of service"
    RESTORE = "in service"


BY_CONDITION: Final = None
"""In `LIFE`: the state that follows from the condition (and, behind it, the latch and the design)."""

_SHORT: Final = MappingProxyType(
    {
        "NO": AlarmState.NORMAL,
        "UN": AlarmState.UNACKNOWLEDGED,
        "AC": AlarmState.ACKNOWLEDGED,
        "RE": AlarmState.RETURNED,
        "LU": AlarmState.LATCHED_UNACKNOWLEDGED,
        "LA": AlarmState.LATCHED_ACKNOWLEDGED,
        "SH": AlarmState.SHELVED,
        "SU": AlarmState.SUPPRESSED,
        "OS": AlarmState.OUT_OF_SERVICE,
        "??": BY_CONDITION,
    }
)

_ROWS: Final = MappingProxyType(
    {
        # in state:           NO UN AC RE LU LA SH SU OS
        Event.TRIP:          "UN UN AC UN UN UN SH SU OS",
        Event.CLEAR:         "NO RE NO RE LU LA SH SU OS",
        Event.CLEAR_LATCHED: "NO LU LA RE LU LA SH SU OS",
        Event.ACKNOWLEDGE:   "NO AC AC NO LA LA SH SU OS",
        Event.RESET:         "NO UN AC RE RE NO SH SU OS",
        Event.SHELVE:        "SH SH SH SH SH SH SH SH OS",
        Event.UNSHELVE:      "NO UN AC RE LU LA ?? SU OS",
        Event.SUPPRESS:      "SU SU SU SU SU SU SH SU OS",
        Event.RELEASE:       "NO UN AC RE LU LA SH ?? OS",
        Event.REMOVE:        "OS OS OS OS OS OS OS OS OS",
        Event.RESTORE:       "NO UN AC RE LU LA SH SU ??",
    }
)  # fmt: skip

LIFE: Final[Mapping[tuple[AlarmState, Event], AlarmState | None]] = MappingProxyType(
    {
        (state, event): _SHORT[after]
        for event, row in _ROWS.items()
        for state, after in zip(AlarmState, row.split(), strict=True)
    }
)
"""Every state and event, and the state that follows. A reset before the acknowledgement takes the latch away and leaves
the alarm returned, unacknowledged (common practice, from memory)."""

LATCHED: Final = frozenset({AlarmState.LATCHED_UNACKNOWLEDGED, AlarmState.LATCHED_ACKNOWLEDGED})
SET_ASIDE: Final = frozenset({AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE})
"""States in which an alarm asks nothing of anybody."""


def life_diagram() -> str:
    """`LIFE` as a Mermaid state diagram. What `BY_CONDITION` stands for is drawn as a choice."""
    name = {state: state.name.title().replace("_", "") for state in AlarmState}
    lines = ["stateDiagram-v2", "    state ByCondition <<choice>>", f"    [*] --> {name[AlarmState.NORMAL]}"]
    arrows: dict[tuple[str, str], list[str]] = {}
    for (before, event), after in LIFE.items():
        if after is not before:
            target = "ByCondition" if after is BY_CONDITION else name[after]
            arrows.setdefault((name[before], target), []).append(event.value)
    lines += [f"    {before} --> {after}: {' / '.join(why)}" for (before, after), why in arrows.items()]
    lines += [
        f"    ByCondition --> {name[AlarmState.SUPPRESSED]}: still suppressed",
        f"    ByCondition --> {name[AlarmState.UNACKNOWLEDGED]}: true",
        f"    ByCondition --> {name[AlarmState.LATCHED_UNACKNOWLEDGED]}: false, had latched",
        f"    ByCondition --> {name[AlarmState.NORMAL]}: false",
    ]
    return "\n".join(lines) + "\n"
