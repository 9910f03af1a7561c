"""A log worked out: its motion, what the rig was at, and what was hardest on the hoist; from sessions or from a recording."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.adapters.sessions.chain import SessionChain
from monitor.analysis.recording import Recording, collect
from monitor.analysis.work.activity import Activities, activities_of
from monitor.analysis.work.extremes import (
    Beyond,
    Counter,
    SeenStop,
    highest_speeds,
    own_counter,
    stops_seen,
    times_beyond,
)
from monitor.analysis.work.series import Series, has_readings, series, series_of_sessions
from monitor.analysis.work.strokes import Motion, motion_of
from monitor.analysis.work.unseen import Unseen, unseen_work
from monitor.config.rig import Rig
from monitor.model.progress import OnProgress, nobody
from monitor.units import STANDARD_GRAVITY_M_S2 as GRAVITY

_STEP_NS: Final = 100_000_000
"""An estimated height is looked at so often."""


@dataclass(frozen=True, slots=True)
class WorkedLog:
    """Everything that the tables are made of."""

    series: Series
    motion: Motion
    activities: Activities
    stops: list[SeenStop]
    """Hardest first."""
    beyond: list[Beyond]
    counter: Counter | None
    top_up_m_s: float
    top_down_m_s: float
    unseen: Unseen
    """What the line did while the position was not read, estimated; in no sum."""

    @property
    def work_j(self) -> float:
        """Line work of all strokes, J."""
        return sum(work.total_j for work in self.activities.work)

    def other_block(self, rig: Rig) -> str:
        """What to say where the block weighs far from what the rig's file says; else nothing."""
        if self.motion.series.rig.block.mass_kg == rig.block.mass_kg:
            return ""
        weighs_t = self.motion.block_n[1] / GRAVITY / 1e3
        return (
            f"the block weighs {weighs_t:.1f} t by this log, {rig.block.mass_kg / 1e3:.1f} t by the rig's file: no stand is found"
            " with that, so the log's is taken here; put the true one into the file"
        )


def worked(log: Series) -> WorkedLog:
    """`log` worked out."""
    motion = motion_of(log)
    up, down = highest_speeds(motion)
    return WorkedLog(
        motion.series, motion, activities_of(motion), stops_seen(motion), times_beyond(motion), own_counter(motion), up, down,
        unseen_work(motion),
    )  # fmt: skip


def series_of_recording(rec: Recording) -> Series:
    """Height and load as the estimator had them, every 0.1 s; the readings themselves where they say the height."""
    if rec.series is not None:
        return rec.series
    step = int(np.median(np.diff(rec.t_ns))) if len(rec.t_ns) > 1 else _STEP_NS
    every = slice(None, None, max(1, _STEP_NS // max(1, step)))
    return series(
        rec.rig, rec.t_ns[every], rec["height"][every].astype(np.float64), rec["hook_load"][every].astype(np.float64)
    )


def worked_sessions(
    chain: SessionChain, from_ns: int | None = None, to_ns: int | None = None, on_progress: OnProgress = nobody
) -> WorkedLog:
    """The sessions of `chain` worked out; without a replay where their readings say the height.

    Raises:
        SessionError: a session cannot be read.
    """
    if has_readings(chain.rig):
        return worked(series_of_sessions(chain, from_ns, to_ns, on_progress))
    return worked(series_of_recording(collect(chain, from_ns, to_ns, on_progress=on_progress)))
