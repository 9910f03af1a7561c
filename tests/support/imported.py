"""A field log through the importer and a core, held against the truth it was made from."""

import math
import time
from array import array
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from monitor.adapters.tables.field_log import FieldLog
from monitor.adapters.tables.field_map import load_map
from monitor.analysis.work.log import worked
from monitor.analysis.work.series import series_of_readings
from monitor.analysis.work.unseen import Unseen
from monitor.commands.import_ import feed
from monitor.core.sensors.decoder import Decoder
from monitor.model.alarm import Finding, Severity
from monitor.model.reading import DEGRADED, Sample
from monitor.model.snapshot import HoistState
from monitor.model.stream import Frame
from monitor.runtime.assembly import core_of
from monitor.runtime.runner import OnFinding, Runner
from tests.support.dirty_logs import START_S, DirtyLog, Truth
from tests.support.recorded import rules

WRONG_M = 0.3
"""A height further off than its own bound and than this is wrong."""
LOOKED_AT = ("height", "height_bound", "hook_load", "line_work_since_cut", "speed")
DATA_RULES = ("height-unknown", "sensor-silent", "sensors-silent", "sensor-refused", "sensor-out-of-range")


@dataclass(slots=True)
class Outcome:
    """What an import made of a log."""

    log: FieldLog
    seconds: float
    known_share: float
    """Of the time in which the rows allow a height."""
    wrong_share: float
    """Of the time at which a height was given: further from the truth than its bound and `WRONG_M`."""
    line_work_j: float
    true_work_j: float
    missing: Unseen
    """What the estimate says is missing."""
    set_downs: int
    true_set_downs: int
    rows_a_second: float
    top_speed_m_s: float
    alarms: list[Finding] = field(default_factory=list)

    @property
    def findings(self) -> Counter[str]:
        """Alarms by rule."""
        return Counter(finding.key for finding in self.alarms)

    @property
    def work_error(self) -> float:
        """Of the line work that was seen, as a share of the truth."""
        return self.line_work_j / self.true_work_j - 1.0

    @property
    def missing_error(self) -> float:
        """What the estimate of the missing part is off by, as a share of what is missing; NaN where next to nothing is."""
        lacks = self.true_work_j - self.line_work_j
        return self.missing.work_j / lacks - 1.0 if lacks > 0.02 * self.true_work_j else math.nan

    @property
    def whole(self) -> bool:
        """Whether no rows are missing, so that everything that was done can be found."""
        return self.log.gaps == 0

    @property
    def loud(self) -> list[Finding]:
        """WARNING and DANGER: the work is calm, so every one is false."""
        return [finding for finding in self.alarms if finding.severity >= Severity.WARNING]

    @property
    def false_alarms(self) -> list[Finding]:
        """Those of the rig."""
        return [finding for finding in self.loud if finding.key.partition(":")[0] not in DATA_RULES]

    @property
    def data_alarms(self) -> list[Finding]:
        """Those that only say that data are missing, as they are."""
        return [finding for finding in self.loud if finding.key.partition(":")[0] in DATA_RULES]


def imported(folder: Path, dirty: DirtyLog, truth: Truth) -> Outcome:
    """Import `dirty` and look at every grid point."""
    log_path, map_path = dirty.write(folder)
    log = FieldLog(log_path, load_map(map_path))
    core = core_of(log.rig, rules(), "rules")
    times, rows = array("q"), array("d")

    def look(t_ns: int, hoist: HoistState, numbers: Sequence[float], validities: Sequence[int]) -> None:
        times.append(t_ns)
        rows.extend(n if valid <= DEGRADED else math.nan for n, valid in zip(numbers, validities, strict=True))

    names = core.observe(look, LOOKED_AT)
    found: list[Finding] = []
    start = time.process_time()
    taken = _Taken(found.append)
    feed(Runner(core, listeners=[taken]), log)
    took = time.process_time() - start
    t_ns = np.frombuffer(times, np.int64)
    table = np.frombuffer(rows, np.float64).reshape(-1, len(names))
    column = {name: table[:, place] for place, name in enumerate(names)}
    height, bound = column["height"], column["height_bound"]
    seconds = (t_ns - START_S * 1_000_000_000) * 1e-9
    lasted = np.minimum(np.diff(seconds, append=seconds[-1]), 15.0)
    knowable = np.ones(len(seconds), bool)
    for from_s, to_s in dirty.unknowable:
        knowable &= (seconds < from_s) | (seconds > to_s + 3.0 * dirty.period_s)
    shown = np.isfinite(height)
    real = truth.height_m[np.clip(np.rint(seconds / 0.1).astype(int), 0, len(truth.height_m) - 1)]
    wrong = shown & (np.abs(height - real) > np.maximum(bound, WRONG_M))
    work = column["line_work_since_cut"]
    speeds = np.abs(column["speed"][np.isfinite(column["speed"])])
    return Outcome(
        log, float(lasted.sum()), _share(lasted, knowable & shown, knowable), _share(lasted, wrong, shown), float(work[-1]),
        truth.line_work_j, _unseen(log, taken.frames),
        core.state()["hoist"]["set_downs"], truth.set_downs, log.rows / max(took, 1e-9), float(speeds.max()),
        [finding for finding in found if finding.kind == "alarm" and finding.raised],
    )  # fmt: skip


class _Taken(OnFinding):
    """Keeps the frames, and hands findings on."""

    def __init__(self, sink: Callable[[Finding], None]) -> None:
        super().__init__(sink)
        self.frames: list[Frame] = []

    def frame(self, frame: Frame) -> None:
        self.frames.append(frame)


def _unseen(log: FieldLog, frames: Sequence[Frame]) -> Unseen:
    """What the strokes of the log say was not seen."""
    decode, readings = Decoder(log.rig).decode, dict[str, list[tuple[int, float]]]()
    for frame in frames:
        for item in decode(frame):
            if isinstance(item, Sample):
                readings.setdefault(log.rig.sensors[item.sensor].quantity, []).append((item.t_ns, item.value))
    columns = {
        name: (np.array([t for t, _ in some], np.int64), np.array([value for _, value in some]))
        for name, some in readings.items()
    }
    return worked(series_of_readings(log.rig, columns)).unseen


def _share(lasted: "np.ndarray[tuple[int], np.dtype[np.float64]]", part: np.ndarray, whole: np.ndarray) -> float:  # type: ignore[type-arg]
    return float(lasted[part].sum() / max(1e-9, lasted[whole].sum()))
