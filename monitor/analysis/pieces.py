"""What the replay of one time range gave, and pieces that follow one another as one."""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from mmap import mmap
from typing import Any, Final

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
WORK: Final = "line_work"
_SELDOM: Final = 8
"""A column that changes at less than one of so many grid points is kept as its changes."""
_MADE: Final = 6


class Columns(Mapping[str, Numbers]):
    """`COLUMNS` by their names, an entry per grid point, in memory that goes back to the system with them: half a day has a
    hundred megabytes, which the heap would keep. Those that seldom change are kept as their changes."""

    def __init__(self, rows: int) -> None:
        self.rows: Final = rows
        self._dense: dict[str, Numbers] = {}
        self._changes: dict[str, tuple[npt.NDArray[np.int64], Numbers]] = {}
        """Of those that seldom change: where, and what they are from there on."""
        self._made: dict[str, Numbers] = {}
        """Those of them that were asked for last, as columns."""

    def __getitem__(self, name: str) -> Numbers:
        found = self._dense.get(name)
        if found is None:
            found = self._made.pop(name, None)
            if found is None:
                starts, numbers = self._changes[name]
                found = np.repeat(numbers, np.diff(starts, append=self.rows))
            self._made[name] = found
            if len(self._made) > _MADE:
                del self._made[next(iter(self._made))]
        return found

    def __iter__(self) -> Iterator[str]:
        return iter((*self._dense, *self._changes))

    def __len__(self) -> int:
        return len(self._dense) + len(self._changes)

    def put(self, name: str, numbers: Numbers) -> None:
        """Keep a column: a copy of it."""
        bits = np.ascontiguousarray(numbers).view(np.int32)  # one that is not known is the same as the next
        starts = np.flatnonzero(np.concatenate(([True], bits[1:] != bits[:-1]))[: len(bits)])
        if len(starts) * _SELDOM < len(bits):
            self._changes[name] = starts, numbers[starts]
        else:
            self._dense[name] = own = _own(len(numbers))
            own[:] = numbers

    def pop(self, name: str) -> Numbers:
        """A column, which is kept no longer."""
        numbers = self[name]
        for kept in (self._dense, self._changes, self._made):
            kept.pop(name, None)
        return numbers

    def __reduce__(self) -> tuple[Any, ...]:
        return _received, (self.rows, self._dense, self._changes)


def _own(rows: int) -> Numbers:
    return np.frombuffer(mmap(-1, max(4 * rows, 1)), np.float32, rows)


def _received(rows: int, dense: dict[str, Numbers], changes: dict[str, Any]) -> Columns:
    """Columns that come from another process."""
    columns = Columns(rows)
    columns._changes = changes
    while dense:
        columns.put(*dense.popitem())
    return columns


@dataclass(slots=True)
class Piece:
    """What the replay of a time range gave. Arrays have one entry per grid point that was evaluated; NaN where not known."""

    t_ns: npt.NDArray[np.int64]
    starts: npt.NDArray[np.int64]
    """Rows before which there was a new beginning."""
    columns: Columns
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


def joined(pieces: Sequence[Piece]) -> Piece:
    """Pieces that follow one another as one. Their columns are taken from them on the way, to save memory."""
    counts = Counts(len(pieces[-1].snapshot.sensors))
    rows, done_j = 0, np.float32(0.0)
    for piece in pieces:
        counts.add(piece.snapshot, 0)
        piece.sigma_at = piece.sigma_at + rows
        piece.starts = piece.starts + rows
        rows += len(piece.t_ns)
        work = piece.columns.pop(WORK) + done_j
        piece.columns.put(WORK, work)
        done_j = work[-1] if len(work) else done_j
    columns = Columns(rows)
    for name in COLUMNS:
        columns.put(name, np.concatenate([piece.columns.pop(name) for piece in pieces]))

    last = pieces[-1]
    snapshot = counts.snapshot(last.snapshot)
    sensors = []
    for place, view in enumerate(snapshot.sensors):
        reasons = [piece.snapshot.sensors[place].last_reason for piece in pieces]
        sensors.append(replace(view, last_reason=next((reason for reason in reversed(reasons) if reason), "")))
    return Piece(
        t_ns=np.concatenate([piece.t_ns for piece in pieces]),
        starts=np.concatenate([piece.starts for piece in pieces]),
        columns=columns,
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
