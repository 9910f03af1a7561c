"""All that a screen may show at one moment, frozen."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType

from monitor.model.alarm import AlarmView
from monitor.model.check import CheckView
from monitor.model.reading import UNKNOWN, Value
from monitor.model.stream import Health


class HoistState(StrEnum):
    """What the hoist is doing."""

    UNKNOWN = "unknown"
    HOISTING = "hoisting"
    LOWERING = "lowering"
    STILL = "still"
    IN_SLIPS = "in slips"


@dataclass(frozen=True, slots=True)
class SensorView:
    """Health record of one sensor."""

    id: str
    quantity: str
    unit: str
    value: Value
    """Last good reading, SI; INVALID when stale or never seen."""
    age_s: float
    """Since the last good reading; inf when never."""
    rate_hz: float
    latency_s: float | None
    innovation: float | None
    """Last difference between reading and estimate, SI; None where the sensor is not fused."""
    test_ratio: float | None
    """Squared innovation over its variance, divided by the gate: above 1 is rejected."""
    fused: int
    rejected: int
    last_reason: str
    stale: bool
    rejecting: bool
    """The recent readings are being refused (a persistent rejection)."""
    out_of_range: bool
    diagnosis: str = ""
    """What the drift watch makes of it, in words; empty when nothing is wrong."""


@dataclass(frozen=True, slots=True)
class StopMarks:
    """Where the block would come to rest if braking were called for now, m above the floor. NaN when not known."""

    expected_m: float
    assured_up_m: float
    """Highest place it may reach, taking every uncertainty at its unfavourable end (moving up)."""
    assured_down_m: float
    stops: bool
    """False: with the brake as assumed it would never stop."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Heights in force, m above the floor."""

    floor_m: float
    lower_m: float
    upper_m: float
    crown_m: float


@dataclass(frozen=True, slots=True)
class Snapshot:
    """All that a screen may show, at one moment. Frozen: nobody can change it behind anybody's back.

    `values` holds every signal of SIGNALS by name, in SI. Rates and trends are the screen's to keep.
    """

    t_ns: int
    rig: str
    hoist: HoistState
    values: Mapping[str, Value]
    marks: StopMarks
    limits: Limits
    alarms: tuple[AlarmView, ...]
    """Worst first: severity, then unacknowledged before acknowledged, then newest."""
    blind_rules: int
    """Rules that cannot be evaluated because an input is invalid."""
    sensors: tuple[SensorView, ...]
    rejects: Mapping[str, int] = field(default_factory=lambda: MappingProxyType({}))
    """Refused readings and messages by reason, all sensors and unknown topics together."""
    health: Health = field(default_factory=Health)
    silenced: bool = False
    checks: tuple[CheckView, ...] = ()
    """The guided checks, in the order of their table."""
    left_out: tuple[str, ...] = ()
    """Ids of the rules that do not exist here, as the rig has not what they look at."""

    def value(self, name: str) -> Value:
        """The signal called `name`; UNKNOWN when there is none of that name yet."""
        return self.values.get(name, UNKNOWN)
