"""Severities, the life of an alarm after ANSI/ISA-18.2, and findings: what changed."""

from dataclasses import dataclass
from enum import IntEnum, StrEnum
from typing import Final, Literal


class Severity(IntEnum):
    """Signal words of ANSI Z535, least first."""

    NOTICE = 0
    CAUTION = 1
    WARNING = 2
    DANGER = 3


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

    @property
    def waiting(self) -> bool:
        """Whether it waits for an acknowledgement."""
        return self in _WAITING


_WAITING: Final = (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED, AlarmState.LATCHED_UNACKNOWLEDGED)


EXPECTED_WORDS: Final = "expected while testing"
"""What is said of an alarm that a guided check brings about, and that is suppressed by design therefore."""

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

    @property
    def raised(self) -> bool:
        """Whether an alarm is raised here: it becomes active and rings."""
        return self.kind == "alarm" and self.after == AlarmState.UNACKNOWLEDGED

    @property
    def prompted(self) -> bool:
        """Whether a prompt appears here, which needs no acknowledgement."""
        return self.kind == "prompt" and self.after == AlarmState.ACKNOWLEDGED


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
    prompt: bool = False
    """A cue for ordinary work: it comes up acknowledged."""
    expected: bool = False
    """A guided check that runs now brings it about: suppressed by design while the check goes as it should."""
