"""What the replay of one time range gave, and pieces that follow one another as one."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from mmap import mmap
from typing import Final

import numpy as np
import numpy.typing as npt

from monitor.model.snapshot import HoistState, Snapshot
from monitor.model.stream import Action

Numbers = npt.NDArray[np.float32]

COLUMNS: Final = (
    "height", "height_bound", "speed", "speed_bound", "layer", "turns", "room_up", "room_down", "late_margin_up",
    "late_margin_down", "hook_load", "string_load", "fast_line_tension", "design_factor", "line_work", "brake_lever",
    "service_pressure_1", "service_pressure_2", "effectiveness", "response_time", "holding_ratio",
    "disc_temperature_left", "disc_temperature_right", "disc_modelled", "aux_current", "aux_torque", "aux_share",
    "accumulator_pressure", "coolant_temperature", "overtravel_electric", "overtravel_air",
    "clutch_engaged", "leak_rate",
)  # fmt: skip
"""Signals that are kept at every grid point."""
STATES: Final = tuple(HoistState)
WORK: Final = COLUMNS.index("line_work")


@dataclass(slots=True)
class Piece:
    """What the replay of a time range gave. Arrays have one entry per grid point that was evaluated; NaN where not known."""

    t_ns: npt.NDArray[np.int64]
    starts: npt.NDArray[np.int64]
    """Rows before which there was a new beginning."""
    table: Numbers
    """A row for each of `COLUMNS`, with an entry per grid point."""
    hoist: npt.NDArray[np.uint8]
    validity: npt.NDArray[np.uint8]
    sigma_at: npt.NDArray[np.int64]
    sigma: Numbers
    energy: Numbers
    snapshot: Snapshot
    """At the end, the sensors' counts those of this range alone."""
    watched_s: float
    frames: int
    actions: list[Action]
    restarts: int
    end_ns: int
    """Time that the core had reached."""

    @property
    def columns(self) -> dict[str, Numbers]:
        """The rows of `table` by their names."""
        return dict(zip(COLUMNS, self.table, strict=True))


class Counts:
    """Readings taken and refused, added up over the cores of a range, nothing before it."""

    def __init__(self, sensors: int) -> None:
        self.fused = [0] * sensors
        self.rejected = [0] * sensors
        self.rejects: Counter[str] = Counter()
        self.watched_ns = 0

    def add(self, snapshot: Snapshot, watched_ns: int, sign: int = 1) -> None:
        """What a core had counted by `snapshot`, after it had been running for `watched_ns`."""
        for place, view in enumerate(snapshot.sensors):
            self.fused[place] += sign * view.fused
            self.rejected[place] += sign * view.rejected
        for reason, count in snapshot.rejects.items():
            self.rejects[reason] += sign * count
        self.watched_ns += sign * watched_ns

    def snapshot(self, last: Snapshot) -> Snapshot:
        """`last` with these counts; its mappings plain, so that it can go from one process to another."""
        views = tuple(
            replace(view, fused=fused, rejected=rejected)
            for view, fused, rejected in zip(last.sensors, self.fused, self.rejected, strict=True)
        )
        kept = {reason: count for reason, count in self.rejects.items() if count > 0}
        return replace(last, values=dict(last.values), sensors=views, rejects=kept)


def empty_table(rows: int) -> Numbers:
    """A table of so many grid points, in memory of its own: what the heap has had of such a size it mostly keeps."""
    size = 4 * len(COLUMNS) * rows
    return np.frombuffer(mmap(-1, max(size, 1)), np.float32, size // 4).reshape(len(COLUMNS), rows)


def joined(pieces: Sequence[Piece]) -> Piece:
    """Pieces that follow one another as one. Their tables are taken from them on the way, to save memory."""
    counts = Counts(len(pieces[-1].snapshot.sensors))
    table = empty_table(sum(len(piece.t_ns) for piece in pieces))
    rows, done_j = 0, 0.0
    for piece in pieces:
        counts.add(piece.snapshot, 0)
        piece.sigma_at = piece.sigma_at + rows
        piece.starts = piece.starts + rows
        after = rows + len(piece.t_ns)
        table[:, rows:after] = piece.table
        piece.table = empty_table(0)
        work = table[WORK, rows:after]
        work += np.float32(done_j)
        done_j = float(work[-1]) if len(work) else done_j
        rows = after

    last = pieces[-1]
    snapshot = counts.snapshot(last.snapshot)
    sensors = []
    for place, view in enumerate(snapshot.sensors):
        reasons = [piece.snapshot.sensors[place].last_reason for piece in pieces]
        sensors.append(replace(view, last_reason=next((reason for reason in reversed(reasons) if reason), "")))
    return Piece(
        t_ns=np.concatenate([piece.t_ns for piece in pieces]),
        starts=np.concatenate([piece.starts for piece in pieces]),
        table=table,
        hoist=np.concatenate([piece.hoist for piece in pieces]),
        validity=np.concatenate([piece.validity for piece in pieces]),
        sigma_at=np.concatenate([piece.sigma_at for piece in pieces]),
        sigma=np.concatenate([piece.sigma for piece in pieces]),
        energy=np.concatenate([piece.energy for piece in pieces]),
        snapshot=replace(snapshot, sensors=tuple(sensors)),
        watched_s=sum(piece.watched_s for piece in pieces),
        frames=sum(piece.frames for piece in pieces),
        actions=[action for piece in pieces for action in piece.actions],
        restarts=sum(piece.restarts for piece in pieces),
        end_ns=last.end_ns,
    )
