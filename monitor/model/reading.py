"""One reading: decoded, refused, or as a value with its validity."""

from dataclasses import dataclass
from enum import IntEnum, StrEnum
from typing import Final, NamedTuple


class Validity(IntEnum):
    """How far a value can be trusted. Ordered: the validity of a result is the worst (max) of its inputs."""

    VALID = 0
    DEGRADED = 1
    INVALID = 2
    NOT_FITTED = 3
    """The rig has no such equipment; nothing is missing."""


VALID: Final = 0
DEGRADED: Final = 1
INVALID: Final = 2
ABSENT: Final = 3
"""The same as bare integers: what is compared at every grid point is compared as such, which is several times faster; and written
out, so that compiled code has them in place."""

Z99: Final = 2.5758
"""Half-width of the central 99 % of a normal distribution, in sigmas: what every 99 % bound is counted with."""

Flag = tuple[float, int]
"""A number in SI and its validity, in the plain form in which the core counts with it."""

UNKNOWN_FLAG: Final[Flag] = (float("nan"), INVALID)
"""Not known: silent, refused, or no evidence yet."""

ABSENT_FLAG: Final[Flag] = (float("nan"), ABSENT)
"""The rig has no such equipment."""


class Sample(NamedTuple):
    """One decoded reading in SI (counts stay counts). `source_t_ns` is when the source says it was taken."""

    t_ns: int
    sensor: int
    """Index into the rig's sensor tuple."""
    value: float
    source_t_ns: int | None = None
    sequence: int | None = None

    def moved_to(self, t_ns: int) -> "Sample":
        """The same reading, come at another stream time."""
        return self._replace(t_ns=t_ns)


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
    UNCONFIRMED = "jump that the next reading has to confirm"
    NOT_SPARKPLUG = "not a Sparkplug payload"
    BEFORE_BIRTH = "data before the node's birth"
    NO_VALUE = "marked as having no value"
    HISTORICAL = "historical value, not a fresh reading"
    CLASHING = "alias given to two metrics"


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
    word: str = ""
    """What people read instead of the number, where it is beyond what anybody can believe. The core sets none."""

    @property
    def known(self) -> bool:
        """Whether there is a number to show."""
        return self.validity <= Validity.DEGRADED


UNKNOWN: Final = Value(float("nan"), Validity.INVALID)

NOT_FITTED: Final = Value(float("nan"), Validity.NOT_FITTED)
