"""A field log through the importer and a core, held against the truth it was made from."""

import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from monitor.adapters.tables.field_log import FieldLog
from monitor.adapters.tables.field_map import LogMap, load_map
from monitor.core.signals.table import SIGNAL_NAMES
from monitor.model.alarm import Finding, Severity
from monitor.model.reading import DEGRADED
from monitor.model.snapshot import HoistState
from monitor.runtime.assembly import core_of
from tests.support.dirty_logs import START_S, DirtyLog, Truth
from tests.support.recorded import rules

WRONG_M = 0.3
"""A height further off than its own bound and than this is wrong."""


@dataclass(slots=True)
class Outcome:
    """What an import made of a log."""

    seconds: float
    line_work_j: float
    """As it came out."""
    true_work_j: float
    known_share: float
    """Of the time in which the rows allow a height."""
    wrong_share: float
    """Of the time at which a height was given: further from the truth than its bound and `WRONG_M`."""
    set_downs: int
    rows_a_second: float
    log: FieldLog
    alarms: list[Finding] = field(default_factory=list)
    findings: Counter[str] = field(default_factory=Counter)
    top_speed_m_s: float = 0.0

    @property
    def false_alarms(self) -> list[Finding]:
        """WARNING and DANGER: the work is calm, so every one is false."""
        return [finding for finding in self.alarms if finding.severity >= Severity.WARNING]


def imported(folder: Path, dirty: DirtyLog, truth: Truth) -> Outcome:
    """Import `dirty` and look at every grid point."""
    log = FieldLog(*_loaded(folder, dirty))
    core = core_of(log.rig, rules(), "rules")
    looks = knowable = known = given = wrong = 0
    top = 0.0
    blind = sorted(dirty.unknowable)
    place = 0

    def look(t_ns: int, hoist: HoistState, numbers: Sequence[float], validities: Sequence[int]) -> None:
        nonlocal looks, knowable, known, given, wrong, top, place
        seconds = t_ns * 1e-9 - START_S
        looks += 1
        while place < len(blind) and seconds > blind[place][1] + 3.0 * dirty.period_s:
            place += 1
        allowed = place == len(blind) or seconds < blind[place][0]
        shown = validities[0] <= DEGRADED
        knowable += allowed
        known += allowed and shown
        if shown:
            given += 1
            off = abs(numbers[0] - truth.height_m[truth.at(seconds)])
            wrong += off > max(numbers[1], WRONG_M)
        if validities[2] <= DEGRADED:
            top = max(top, abs(numbers[2]))

    names = core.observe(look, ("height", "height_bound", "speed"))
    assert names == ("height", "height_bound", "speed"), names
    found: list[Finding] = []
    start = time.process_time()
    for frame in log.frames():
        found += core.feed(frame)
    found += core.advance(core.now_ns + 1_000_000_000)
    took = time.process_time() - start
    work = core.values[SIGNAL_NAMES.index("line_work")][0]
    alarms = [finding for finding in found if finding.kind == "alarm" and finding.raised]
    return Outcome(
        looks * 0.05, work, truth.line_work_j, known / max(1, knowable), wrong / max(1, given),
        core.state()["hoist"]["set_downs"],
        log.rows / max(took, 1e-9), log, alarms, Counter(finding.key for finding in alarms), top,
    )  # fmt: skip


def _loaded(folder: Path, dirty: DirtyLog) -> tuple[Path, LogMap]:
    log, mapping = dirty.write(folder)
    return log, load_map(mapping)
