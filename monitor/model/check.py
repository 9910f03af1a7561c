"""A guided check as a screen shows it, and how it ended."""

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from monitor.units import Dimension
from monitor.model.reading import Value


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
