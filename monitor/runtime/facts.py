"""What a run knows about itself beside the readings: broker, recording, ledger, what is replayed. Figures, not words.

Screens put them into words; the browser view sends them as they are.
"""

import contextlib
import shutil
from dataclasses import dataclass, field
from pathlib import Path

from monitor.adapters.ledger.ledger import Entry
from monitor.adapters.ledger.trend import BrakeTrend
from monitor.adapters.sessions.remarks import Remark
from monitor.adapters.sessions.tour import Tour
from monitor.model.alarm import Severity
from monitor.runtime.record import Record


@dataclass(frozen=True, slots=True)
class RecordingFile:
    """The session that is being recorded."""

    name: str
    size_bytes: int
    """Of the session and all its further segments."""
    folder: str
    free_bytes: int | None
    """On the folder's disk; None where the system does not say."""


@dataclass(frozen=True, slots=True)
class LedgerState:
    """How the rig's ledger fares in this run."""

    name: str
    problem: str
    """Why it cannot be written; empty while it can."""
    written: int
    """Entries of this run that are in the file."""
    waiting: int
    """Entries that are not yet in the file."""


@dataclass(frozen=True, slots=True)
class Mark:
    """Something that a recording has at one moment: an alarm that was raised, or a check that ended."""

    t_ns: int
    key: str
    severity: Severity
    words: str
    alarm: bool


@dataclass(frozen=True, slots=True)
class Replayed:
    """The session that is replayed."""

    file: str
    more_files: int
    """Segments after the first."""
    recorded: str
    """The mode it was recorded in, in lower case; empty where the session does not say."""
    alarms: int
    """Alarms raised when it was recorded."""
    other_rules: str
    """Where the rules in force are from; empty for those of the recording."""
    faults: int = 0
    """What is wrong with the record itself, as `sessions verify` tells it."""
    marks: tuple[Mark, ...] = ()
    """In the order of time."""
    remarks: tuple[Remark, ...] = ()
    """What people wrote beside it since."""
    week_before: Entry | None = None
    """The brake's figures about a week before, by the rig's ledger beside the session."""


@dataclass(frozen=True, slots=True)
class RunFacts:
    """All of it. What does not apply to a run is empty or None."""

    broker: str = ""
    topics: int | None = None
    """Topics of the rig's sensors."""
    last_run: str = ""
    """What was taken over from the run before."""
    line_events: tuple[Entry, ...] = ()
    """The latest events in the drilling line's life, newest first."""
    ledger: LedgerState | None = None
    recording: RecordingFile | None = None
    replayed: Replayed | None = None
    record: Record | None = None
    """Where the past can be read; None where nothing is recorded."""
    brake_trends: tuple[BrakeTrend, ...] = ()
    """Where the brake's figures are heading, by the rig's ledger; empty without one."""
    tour: Tour = field(default_factory=Tour)
    """What the tour of the crew has had so far."""


def recording_file(path: Path) -> RecordingFile | None:
    """The session at `path` as it is on the disk now; None while it cannot be looked at."""
    with contextlib.suppress(OSError):
        size = sum(part.stat().st_size for part in path.parent.glob(path.name + "*"))
        free = None
        with contextlib.suppress(OSError):
            free = shutil.disk_usage(path.parent).free
        return RecordingFile(path.name, size, str(path.parent), free)
    return None
