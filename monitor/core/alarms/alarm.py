"""What is kept of one alarm: its condition, its state, and what has been reported of it."""

from collections.abc import Mapping
from typing import Any, Final

from monitor.config.rule import Rule
from monitor.core.alarms.condition import Condition, ConditionState
from monitor.model.alarm import AlarmState
from monitor.model.reading import Validity
from monitor.model.snapshot import HoistState

_BY_CREW: Final = frozenset({AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE})


class Alarm:
    """One rule at work: condition, state, and what has been reported of it."""

    __slots__ = (
        "condition",
        "expected",
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
        self.expected = False
        """A guided check brings it about just now."""
        self.hidden_by: tuple[Alarm, ...] = ()
        self.validity = int(Validity.VALID)

    def not_counted_in(self, hoist: HoistState) -> bool:
        """Whether its rule does not count in this hoist state."""
        when = self.rule.when
        return bool(when) and hoist not in when and hoist is not HoistState.UNKNOWN

    def hides_now(self, hoist: HoistState) -> bool:
        """Whether it hides what its rule names: it is true, it counts, nobody has set it aside, and no check expects it."""
        if not self.condition.true or self.state in _BY_CREW:
            return False
        return self.latch or not (self.expected or self.not_counted_in(hoist))

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
