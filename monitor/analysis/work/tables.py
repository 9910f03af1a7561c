"""The tables of a log, for other programs: each a name, its columns in SI, and its rows."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final

from monitor.adapters.sessions.chain import SessionChain
from monitor.adapters.tables.export import ExportResult
from monitor.adapters.tables.table_file import Column, TableFile
from monitor.analysis.work.log import WorkedLog, worked_sessions
from monitor.model.progress import OnProgress, nobody

Rows = list[tuple[Any, ...]]


@dataclass(frozen=True, slots=True)
class WorkTable:
    """One table."""

    about: str
    columns: tuple[Column, ...]
    rows: Callable[[WorkedLog], Rows]


def _strokes(log: WorkedLog) -> Rows:
    ns, work = log.series.ns, log.motion.work_between
    return [
        (ns(s.from_s), ns(s.to_s), "up" if s.travel_m > 0 else "down", s.from_m, s.to_m, s.seconds,
         abs(s.travel_m) / s.seconds if s.seconds > 0 else None, s.load_n, "with string" if s.hangs else "block alone",
         work(s.turn, s.next_turn), activity)
        for s, activity in zip(log.motion.strokes, log.activities.of_stroke, strict=True)
    ]  # fmt: skip


def _stands(log: WorkedLog) -> Rows:
    ns = log.series.ns
    return [
        (ns(s.slips.from_s), ns(s.lifted.from_s), ns(s.lifted.to_s), s.way, s.slips.seconds, s.lifted.seconds, s.seconds,
         s.travel_m, s.load_n, activity)
        for s, activity in zip(log.motion.stands, log.activities.of_stand, strict=True)
    ]  # fmt: skip


def _trips(log: WorkedLog) -> Rows:
    ns = log.series.ns
    return [
        (
            ns(t.from_s),
            ns(t.to_s),
            t.activity,
            t.stands,
            t.per_hour,
            t.pace_per_hour,
            t.connection_s,
            t.hanging_s,
            t.pauses,
        )
        for t in log.activities.trips
    ]


def _work(log: WorkedLog) -> Rows:
    whole = log.work_j
    return [
        (
            w.activity,
            w.with_string_j,
            w.block_alone_j,
            w.total_j,
            w.total_j / whole if whole > 0 else None,
            w.strokes,
            w.moving_s,
        )
        for w in log.activities.work
    ]


def _stops(log: WorkedLog) -> Rows:
    ns = log.series.ns
    return [
        (ns(s.t_s), "up" if s.way > 0 else "down", s.height_m, s.speed_m_s, s.load_n, s.within_s, s.deceleration_m_s2, s.energy_j)
        for s in log.stops
    ]  # fmt: skip


def _limits(log: WorkedLog) -> Rows:
    rows: Rows = [(b.limit, b.level, b.worst, b.seconds, b.times) for b in log.beyond]
    rows.append(("highest speed up", None, log.top_up_m_s, None, None))
    rows.append(("highest speed down", None, log.top_down_m_s, None, None))
    return rows


WORK_TABLES: Final[Mapping[str, WorkTable]] = MappingProxyType(
    {
        "strokes": WorkTable(
            "each motion of the block",
            (Column("from", "time"), Column("to", "time"), Column("way", "text"), Column("from_height [m]", "number"),
             Column("to_height [m]", "number"), Column("moving [s]", "number"), Column("mean_speed [m/s]", "number"),
             Column("hook_load [N]", "number"), Column("hangs", "text"), Column("line_work [J]", "number"),
             Column("activity", "text")),
            _strokes,
        ),
        "stands": WorkTable(
            "each stand: connection, slips to slips",
            (Column("set_in_slips", "time"), Column("lifted", "time"), Column("set_again", "time"), Column("way", "text"),
             Column("in_slips [s]", "number"), Column("slips_to_slips [s]", "number"), Column("per_stand [s]", "number"),
             Column("travel [m]", "number"), Column("hook_load [N]", "number"), Column("activity", "text")),
            _stands,
        ),
        "trips": WorkTable(
            "stands an hour, trip by trip",
            (Column("from", "time"), Column("to", "time"), Column("activity", "text"), Column("stands", "whole"),
             Column("stands_per_hour", "number"), Column("pace_without_pauses_per_hour", "number"),
             Column("median_in_slips [s]", "number"), Column("median_slips_to_slips [s]", "number"), Column("pauses", "whole")),
            _trips,
        ),
        "line-work": WorkTable(
            "line work by activity, the empty block's moves apart",
            (Column("activity", "text"), Column("with_string [J]", "number"), Column("block_alone [J]", "number"),
             Column("total [J]", "number"), Column("share", "number"), Column("strokes", "whole"),
             Column("moving [s]", "number")),
            _work,
        ),
        "stops": WorkTable(
            "stops by the motion alone, hardest first",
            (Column("at_rest", "time"), Column("way", "text"), Column("height [m]", "number"), Column("speed [m/s]", "number"),
             Column("hook_load [N]", "number"), Column("within [s]", "number"), Column("least_deceleration [m/s2]", "number"),
             Column("energy [J]", "number")),
            _stops,
        ),
        "limits": WorkTable(
            "time beyond each limit; highest speeds",
            (Column("limit", "text"), Column("level [SI]", "number"), Column("worst [SI]", "number"),
             Column("beyond [s]", "number"), Column("times", "whole")),
            _limits,
        ),
    }
)  # fmt: skip
"""By the word that `stopmark export --what` takes."""


def _short(cell: Any) -> Any:
    """A number as it is known at best: without what binary fractions add behind it."""
    return float(f"{cell:.9g}") if isinstance(cell, float) else cell


def export_work(
    sessions: Sequence[Path],
    out: Path,
    what: str,
    from_ns: int | None = None,
    to_ns: int | None = None,
    on_progress: OnProgress = nobody,
) -> ExportResult:
    """One of WORK_TABLES, as a file.

    Raises:
        ExportError: the table cannot be written. SessionError: a session cannot be read.
    """
    with SessionChain(sessions) as chain:
        log = worked_sessions(chain, from_ns, to_ns, on_progress)
    table = WORK_TABLES[what]
    rows = table.rows(log)
    with TableFile(out, table.columns) as file:
        if rows:
            file.write([[_short(cell) for cell in column] for column in zip(*rows, strict=True)])
        times = log.series
        first_ns = times.start_ns if len(times.t_s) else None
        last_ns = times.ns(float(times.t_s[-1])) if len(times.t_s) else None
        return ExportResult(out, file.rows, first_ns, last_ns, dict(times.left_out), "")
