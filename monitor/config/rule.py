"""A rule as the core uses it: levels are numbers, texts are final."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, Literal

from monitor.model.alarm import Severity
from monitor.model.snapshot import HoistState

MESSAGE_LENGTH: Final = 38

GUIDANCE_LENGTH: Final = 76
"""Longest texts that fit the banner of an 80-column screen."""

SENSOR_SIGNALS: Final = ("sensor_stale", "sensor_rejecting", "sensor_out_of_range", "sensor_doubtful")
"""Signals that every sensor has: 1 or 0. The engine hands them over in this order."""

Compare = Literal["above", "below"]


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule of one rig: levels are numbers, texts are final."""

    key: str
    """``rule`` or ``rule:sensor``: the name of its alarm."""
    id: str
    signal: str
    per: Literal["sensor"] | None
    sensor: int | None
    """Index into the rig's sensors, for a rule that came from a template."""
    compare: Compare
    trip: float
    clear: float
    on_delay_s: float
    off_delay_s: float
    severity: Severity
    latched: bool
    prompt: bool
    """A cue for what is done at every stroke anyway, and so no alarm by ISA-18.2: shown while true, needs no
    acknowledgement, and counts in no alarm figure."""
    when: tuple[HoistState, ...]
    """Hoist states in which it counts; empty is always. Elsewhere its alarm is suppressed by design."""
    hides: tuple[str, ...]
    """Keys of the rules whose alarms are suppressed by design while this one is true."""
    message: str
    guidance: str
    precedence: int = 0
    """Which of the alarms of one severity that stand at once is read first: the higher."""


@dataclass(frozen=True, slots=True)
class RuleSet:
    """All rules of one rig, in the catalogue's order."""

    rules: tuple[Rule, ...]
    left_out: tuple[str, ...] = ()
    """Ids of the rules that refer to equipment this rig has not."""
    index: Mapping[str, int] = field(init=False)
    """Place in `rules` by key."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "index", {rule.key: place for place, rule in enumerate(self.rules)})

    @property
    def signals(self) -> frozenset[str]:
        """Names of the signals that its rules look at."""
        return frozenset(rule.signal for rule in self.rules)
