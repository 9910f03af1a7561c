"""The life of an alarm as one table, after ANSI/ISA-18.2, and what is kept of each alarm. See `monitor.core.alarms.bank`."""

from collections.abc import Mapping
from enum import StrEnum
from types import MappingProxyType
from typing import Any, Final

from monitor.config.rule import Rule
from monitor.core.alarms.condition import Condition, ConditionState
from monitor.model.alarm import AlarmState
from monitor.model.reading import Validity
from monitor.model.snapshot import HoistState


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

_BY_CREW: Final = frozenset({AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE})


class Alarm:
    """One rule at work: condition, state, and what has been reported of it."""

    __slots__ = (
        "condition",
        "hidden_by",
        "latch",
        "place",
        "reported_state",
        "rule",
        "shelved_until_ns",
        "since_ns",
        "source",
        "state",
        "suppressed",
        "validity",
    )  # fmt: skip

    def __init__(self, place: int, rule: Rule, source: int) -> None:
        self.place = place
        self.rule = rule
        self.source = source
        """Index of its signal; for a sensor's rule, of its flag."""
        self.condition = Condition(rule.compare, rule.trip, rule.clear, rule.on_delay_s, rule.off_delay_s)
        self.state = AlarmState.NORMAL
        self.reported_state = AlarmState.NORMAL
        self.since_ns = 0
        self.shelved_until_ns: int | None = None
        self.latch = False
        self.suppressed = False
        self.hidden_by: tuple[Alarm, ...] = ()
        self.validity = int(Validity.VALID)

    def not_counted_in(self, hoist: HoistState) -> bool:
        """Whether its rule does not count in this hoist state."""
        when = self.rule.when
        return bool(when) and hoist not in when and hoist is not HoistState.UNKNOWN

    def hides_now(self, hoist: HoistState) -> bool:
        """Whether it hides what its rule names: it is true, it counts, and nobody has set it aside."""
        return self.condition.true and self.state not in _BY_CREW and (self.latch or not self.not_counted_in(hoist))

    def state_by_condition(self) -> AlarmState:
        """What `BY_CONDITION` stands for."""
        if self.suppressed:
            return AlarmState.SUPPRESSED
        if self.condition.true:
            return AlarmState.UNACKNOWLEDGED
        return AlarmState.LATCHED_UNACKNOWLEDGED if self.latch else AlarmState.NORMAL

    @property
    def worth_saving(self) -> bool:
        """Whether a fresh alarm would not do in its place after a restart."""
        reported = self.state is not AlarmState.NORMAL and self.reported_state is not AlarmState.NORMAL
        return reported or self.condition.state is not ConditionState.FALSE

    def saved_state(self) -> dict[str, Any]:
        """All that a restart must not lose, as plain JSON values."""
        state, elapsed_ns = self.condition.saved_state()
        return {
            "state": self.state.value,
            "told": self.reported_state.value,
            "since_ns": self.since_ns,
            "shelved_until_ns": self.shelved_until_ns,
            "latch": self.latch,
            "suppressed": self.suppressed,
            "condition": state,
            "elapsed_ns": elapsed_ns,
        }

    def restore(self, saved: Mapping[str, Any]) -> None:
        """Go on from what `saved_state` gave.

        Raises:
            KeyError, TypeError, ValueError: it did not give that.
        """
        until = saved["shelved_until_ns"]
        self.state = AlarmState(saved["state"])
        self.reported_state = AlarmState(saved["told"])
        self.since_ns = int(saved["since_ns"])
        self.shelved_until_ns = None if until is None else int(until)
        self.latch = bool(saved["latch"])
        self.suppressed = bool(saved["suppressed"])
        self.condition.restore(saved["condition"], int(saved["elapsed_ns"]))
        if (self.state is AlarmState.SHELVED) is (until is None):
            raise ValueError(f"{self.rule.key}: a shelved alarm, and only that, has an end of shelving")


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
