"""The vocabulary of the core: every value that crosses a seam is one of these frozen types.

Inputs are `Frame` (bytes from a topic) and `Action` (something the crew did); outputs are `Finding` (what changed) and
`Snapshot` (everything a screen may show). Between them live `Sample`, `Reject` and `Value`. Times are stream time:
nanoseconds of the Unix epoch, counted by a clock that never steps (see `monitor.adapters.clock`).
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntEnum, StrEnum
from types import MappingProxyType
from typing import TYPE_CHECKING, Final, Literal, NamedTuple

if TYPE_CHECKING:
    from monitor.units import Dimension

GRID_NS: Final = 50_000_000
"""Conditions are evaluated at multiples of this many nanoseconds of stream time."""

RESERVED: Final = "$stopmark/"
"""Topics that start so carry the monitor's own health. No broker's message is ever taken under such a name."""
HEALTH_TOPIC: Final = RESERVED + "health"
CARRIED_TOPIC: Final = RESERVED + "carried"
"""First frame of a live run: what the run before left behind, as `Core.state` gave it (``{}``: nothing)."""


class Validity(IntEnum):
    """How far a value can be trusted. Ordered: the validity of a result is the worst (max) of its inputs."""

    VALID = 0
    DEGRADED = 1
    INVALID = 2
    NOT_FITTED = 3
    """The rig has no such equipment; nothing is missing."""


class Severity(IntEnum):
    """Signal words of ANSI Z535, least first."""

    NOTICE = 0
    CAUTION = 1
    WARNING = 2
    DANGER = 3


class HoistState(StrEnum):
    """What the hoist is doing."""

    UNKNOWN = "unknown"
    HOISTING = "hoisting"
    LOWERING = "lowering"
    STILL = "still"
    IN_SLIPS = "in slips"


class AlarmState(StrEnum):
    """Life of an alarm after ANSI/ISA-18.2."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched acknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed by design"
    OUT_OF_SERVICE = "out of service"


class ActionKind(StrEnum):
    """What the crew can tell the monitor. None of these reaches the rig."""

    ACKNOWLEDGE = "acknowledge"  # target: alarm key, or "" for all
    SHELVE = "shelve"  # target: alarm key; number: seconds
    UNSHELVE = "unshelve"  # target: alarm key
    RESET = "reset"  # target: alarm key of a latched alarm
    OUT_OF_SERVICE = "out of service"  # target: alarm key
    IN_SERVICE = "in service"  # target: alarm key
    SILENCE = "silence"
    REFERENCE_HEIGHT = "reference height"  # number: the block's height now, m
    SLIP_AND_CUT = "slip and cut"  # number: turns on the drum at the reference height after the cut
    CHECK_START = "check start"  # target: id of the procedure
    CHECK_STEP = "check step"  # target: id of the procedure
    CHECK_ABORT = "check abort"  # target: id of the procedure
    NOTE = "note"  # text


class Frame(NamedTuple):
    """One message as it came: bytes of a topic at a stream time. What a session stores and a replay feeds."""

    t_ns: int
    topic: str
    payload: bytes
    retained: bool = False


@dataclass(frozen=True, slots=True)
class Action:
    """One thing the crew did. Recorded like a frame, because it changes what comes after."""

    t_ns: int
    kind: ActionKind
    target: str = ""
    number: float | None = None
    text: str = ""
    who: str = ""
    """Initials, as the crew typed them."""


class Sample(NamedTuple):
    """One decoded reading in SI (counts stay counts). `source_t_ns` is when the source says it was taken."""

    t_ns: int
    sensor: int
    """Index into the rig's sensor tuple."""
    value: float
    source_t_ns: int | None = None
    sequence: int | None = None


class RejectReason(StrEnum):
    """Why a reading was not used. Counted per sensor and shown; never an exception."""

    EMPTY = "empty payload"
    TOO_LARGE = "payload too large"
    NOT_UTF8 = "not UTF-8"
    NOT_JSON = "not JSON"
    NOT_A_NUMBER = "not a number"
    NOT_FINITE = "not a finite number"
    MISSING_FIELD = "field missing"
    BAD_TIME = "unreadable source time"
    LENGTHS_DIFFER = "arrays of different length"
    BAD_QUALITY = "marked bad by the source"
    OUT_OF_RANGE = "out of range"
    RETAINED = "retained message, not a fresh reading"
    UNKNOWN_TOPIC = "topic not configured"
    DUPLICATE = "sequence number repeated"
    GATE = "disagrees with the estimate"
    TOO_OLD = "too old to use"


@dataclass(frozen=True, slots=True)
class Reject:
    """A reading that was refused, and why. `sensor` is None when the topic belongs to no sensor."""

    t_ns: int
    sensor: int | None
    reason: RejectReason
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Value:
    """A signal's value at one grid point. With INVALID or NOT_FITTED the number is NaN and must not be shown."""

    number: float
    validity: Validity

    @property
    def known(self) -> bool:
        """Whether there is a number to show."""
        return self.validity <= Validity.DEGRADED


UNKNOWN: Final = Value(float("nan"), Validity.INVALID)
NOT_FITTED: Final = Value(float("nan"), Validity.NOT_FITTED)

FindingKind = Literal["alarm", "prompt", "instrument", "action", "hoist", "check", "health"]


@dataclass(frozen=True, slots=True)
class Finding:
    """One change worth recording. `key` names the alarm or thing (``rule`` or ``rule:sensor``).

    For kinds "alarm" and "prompt", `before` and `after` are alarm states and `message` says what is wrong in the crew's words.
    """

    t_ns: int
    kind: FindingKind
    key: str
    severity: Severity
    before: str
    after: str
    message: str
    guidance: str = ""
    number: float | None = None
    """Value of the rule's signal when it changed, SI; None when not known."""
    threshold: float | None = None


@dataclass(frozen=True, slots=True)
class AlarmView:
    """One alarm that is not normal, as a screen shows it."""

    key: str
    severity: Severity
    state: AlarmState
    message: str
    guidance: str
    signal: str
    since_ns: int
    number: float | None
    threshold: float | None
    active: bool
    """Whether the condition is true now."""
    blind: bool = False
    """The input is invalid: the condition is held as it was, not evaluated."""
    shelved_until_ns: int | None = None


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
    verdict: str = ""
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
class Health:
    """The monitor's own state, as told to the core by recorded health frames."""

    recording: Literal["on", "off", "failed"] = "off"
    connected: bool | None = None
    """None where there is no broker (replay, simulation)."""
    dropped: int = 0
    lag_s: float = 0.0
    note: str = ""


class CheckVerdict(StrEnum):
    """What came of a guided check."""

    PASS = "pass"
    FAIL = "fail"
    NOT_JUDGED = "not judged"
    """It ended without enough known readings to say either."""


@dataclass(frozen=True, slots=True)
class CheckReading:
    """One number that a check watches or has measured, SI, and what it is held against."""

    label: str
    value: Value
    dimension: "Dimension"
    relation: Literal["", "at most", "at least", "near"] = ""
    """How `value` should stand to `limit`; empty where it is only shown."""
    limit: float | None = None


@dataclass(frozen=True, slots=True)
class CheckStepView:
    """One step of a guided check."""

    words: str
    """What the crew does, by the site's own procedure."""
    state: Literal["open", "now", "done"]
    crew: bool
    """Ends when the crew says so (CHECK_STEP); other steps end by what is measured."""


@dataclass(frozen=True, slots=True)
class CheckResult:
    """How a guided check ended."""

    t_ns: int
    who: str
    verdict: CheckVerdict
    reason: str
    readings: tuple[CheckReading, ...] = ()
    """What was measured."""


@dataclass(frozen=True, slots=True)
class CheckView:
    """One guided check as a screen shows it."""

    id: str
    """Target of CHECK_START, CHECK_STEP and CHECK_ABORT."""
    title: str
    about: str
    """What it shows, in one sentence."""
    unfit: str
    """Why this rig cannot run it (a sensor that is not there); empty when it can."""
    due: bool
    due_ns: int | None
    """When it is or was due; None when only an event makes it due."""
    due_words: str
    """Why it is due, or when it will be, in words."""
    running: bool
    steps: tuple[CheckStepView, ...]
    since_ns: int | None = None
    """Start of the present run; None when it does not run."""
    who: str = ""
    """Who started the present run."""
    hint: str = ""
    """What the present step still waits for."""
    progress: float = 0.0
    """Of the present step's measuring time, 0 to 1."""
    readings: tuple[CheckReading, ...] = ()
    """What the present step watches."""
    result: CheckResult | None = None
    """Of the last run, whatever came of it; None when it was never run in this record."""
    passed_ns: int | None = None
    """When it was last passed."""


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
    health: Health = Health()
    silenced: bool = False
    checks: tuple[CheckView, ...] = ()
    """The guided checks, in the order of their table."""

    def value(self, name: str) -> Value:
        """The signal called `name`; UNKNOWN when there is none of that name yet."""
        return self.values.get(name, UNKNOWN)
