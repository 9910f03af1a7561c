"""Recorded sessions as tables that other programs can read.

Three tables: the readings as they came (one row per reading), the same resampled (one column per sensor), and the findings. A
fourth, of the derived signals, needs the engine: `monitor.analysis.signal_table`. Times are UTC; numbers are SI, with the unit
in the column's name or beside the number.

Tables with a row per step go on for `SILENT_NS` into a silence, so that one sees how it began; the rest of it is left out,
and reported, however long it is. Between sessions more than a day apart a new run begins, as in a replay.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

from monitor.adapters.sessions.chain import without_long_silences
from monitor.adapters.sessions.reader import LONGEST_JUMP_NS, SessionReader
from monitor.adapters.tables.table_file import Codes, Column, ExportError, TableFile
from monitor.config.rig import Rig
from monitor.config.sensor import Sensor
from monitor.core.sensors.decoder import Decoder
from monitor.model.progress import OnProgress, nobody
from monitor.model.reading import Sample
from monitor.model.stream import CARRIED_TOPIC, Action, Frame
from monitor.units import UNITS, Dimension

if TYPE_CHECKING:
    from monitor.adapters.tables.columns import Readings

T = TypeVar("T", bound=Frame | Sample | Action)

BATCH_ROWS: Final = 50_000
SILENT_NS: Final = 60_000_000_000
"""A silence that is longer than this has no rows after this time."""

SI_UNITS: Final[Mapping[Dimension, str]] = {
    unit.dimension: unit.name for unit in reversed([*UNITS.values()]) if unit.scale == 1.0 and unit.offset == 0.0
}
"""Name of the SI unit of each dimension."""


@dataclass(frozen=True, slots=True)
class ExportResult:
    """What was written, and what was not."""

    path: Path
    rows: int
    from_ns: int | None
    to_ns: int | None
    """First and last time in the table."""
    refused: Mapping[str, int] = field(default_factory=dict)
    """Readings that were left out, by reason."""
    message: str = ""
    """Something the user should know; empty when all of it was written."""
    silences: Sequence[tuple[int, int]] = ()
    """Times (from, to) of a table with a row per step that have no rows because nothing was recorded."""


class Steps:
    """When rows are due, and the times that have none."""

    def __init__(self, every_ns: int) -> None:
        self.every_ns: Final = every_ns
        self.silences: list[tuple[int, int]] = []

    def from_on(self, t_ns: int) -> int:
        """The first time at or after `t_ns` that is a whole number of steps."""
        return -(-t_ns // self.every_ns) * self.every_ns

    def skip(self, due_ns: int, t_ns: int) -> int:
        """Skip a silence up to `t_ns`. Returns when the next row is due instead of at `due_ns`."""
        again_ns = self.from_on(t_ns + 1)
        if again_ns <= due_ns:
            return due_ns
        self.silences.append((due_ns, t_ns))
        return again_ns


class RowBuffer:
    """Gathers rows for a table and writes them in batches."""

    def __init__(self, table: TableFile, width: int) -> None:
        self._table = table
        self._columns: list[list[Any]] = [[] for _ in range(width)]
        self.from_ns: int | None = None
        self.to_ns: int | None = None

    def add(self, t_ns: int, *cells: Any) -> None:
        """Add a row."""
        if self.from_ns is None:
            self.from_ns = t_ns
        self.to_ns = t_ns
        for column, cell in zip(self._columns, (t_ns, *cells), strict=True):
            column.append(cell)
        if len(self._columns[0]) >= BATCH_ROWS:
            self.flush()

    def flush(self) -> None:
        """Write what was gathered."""
        if self._columns[0]:
            self._table.write(self._columns)
            self._columns = [[] for _ in self._columns]

    def result(self, refused: Mapping[str, int], silences: Sequence[tuple[int, int]] = ()) -> ExportResult:
        """Write the rest. Returns what the table holds."""
        self.flush()
        message = _left_out(self._table)
        return ExportResult(self._table.path, self._table.rows, self.from_ns, self.to_ns, refused, message, silences)


def _left_out(table: TableFile) -> str:
    if not table.full:
        return ""
    return (
        f"{table.path}: a workbook's sheet holds no more than {table.rows:,} rows; the rest was left out."
        " Give a shorter span of time, a longer step, or another format"
    )


def inputs_of(
    sessions: Sequence[Path], from_ns: int | None, to_ns: int | None
) -> Iterator[tuple[SessionReader, Frame | Action]]:
    """The inputs of `sessions`, one after another, each with its session. Between sessions more than a day apart there is a frame
    that begins a new run.

    Raises:
        SessionError: one cannot be read.
    """
    return _read(lambda session: session.inputs(from_ns), sessions, to_ns)


def readings_of(sessions: Sequence[Path], decoder: Decoder, to_ns: int | None) -> Iterator[Frame | Sample | Action]:
    """The same from the start, for a core that has this `decoder` (see `SessionReader.readings`)."""
    return (item for _, item in _read(lambda session: session.readings(decoder), sessions, to_ns))


def _read(
    read: Callable[[SessionReader], Iterator[T]], sessions: Sequence[Path], to_ns: int | None
) -> Iterator[tuple[SessionReader, T | Frame]]:
    before_ns: int | None = None
    for path in sessions:
        with SessionReader(path) as session:
            if to_ns is not None and session.t_first_ns >= to_ns:
                continue
            if before_ns is not None and session.t_first_ns - before_ns > LONGEST_JUMP_NS:
                yield session, Frame(session.t_first_ns, CARRIED_TOPIC, b"{}")
            for item in without_long_silences(session, read(session)):
                if to_ns is not None and item.t_ns >= to_ns:
                    break
                yield session, item
            before_ns = session.end_ns


def rig_of(sessions: Sequence[Path]) -> Rig:
    """The rig of all `sessions`.

    Raises:
        ExportError: there is none, or they are of different rigs or configurations.
        SessionError: one cannot be read.
    """
    rigs = []
    for path in sessions:
        with SessionReader(path) as session:
            rigs.append(session.rig)
    if not rigs:
        raise ExportError("no session to export")
    for path, rig in zip(sessions, rigs, strict=True):
        if rig.sensors != rigs[0].sensors or rig.name != rigs[0].name:
            raise ExportError(f"{path}: is of another rig or has other sensors than {sessions[0]}; export them apart")
    return rigs[0]


def export_readings(
    sessions: Sequence[Path],
    out: Path,
    from_ns: int | None = None,
    to_ns: int | None = None,
    own_units: bool = False,
    on_progress: OnProgress = nobody,
) -> ExportResult:
    """Every good reading at its native rate, one row each, in SI or in each sensor's own unit.

    Raises:
        ExportError: the table cannot be written. SessionError: a session cannot be read.
    """
    rig = rig_of(sessions)
    import numpy as np

    from monitor.adapters.tables.columns import ColumnDecoder

    decoder = ColumnDecoder(rig)
    units = [sensor.unit if own_units else SI_UNITS[sensor.dimension] for sensor in rig.sensors]
    scale = np.array([sensor.si.scale for sensor in rig.sensors])
    offset = np.array([sensor.si.offset for sensor in rig.sensors])
    columns = (
        *(Column("time", "time"), Column("source_time", "time"), Column("sensor", "text")),
        *(Column("quantity", "text"), Column("value", "number"), Column("unit", "text")),
    )
    first_ns: int | None = None
    last_ns: int | None = None
    with TableFile(out, columns) as table:
        for path in sessions:
            with SessionReader(path) as session:
                for part in decoder.read(session, from_ns, to_ns):
                    if table.full:
                        break
                    if not len(part.t_ns):
                        continue
                    names = [Codes(part.sensor, texts) for texts in _texts(rig, units)]
                    value = (part.value - offset[part.sensor]) / scale[part.sensor] if own_units else part.value
                    table.write([part.t_ns, part.source_ns, names[0], names[1], value, names[2]])
                    first_ns = int(part.t_ns[0]) if first_ns is None else first_ns
                    last_ns = int(part.t_ns[-1])
                    on_progress(table.rows, last_ns)
        return ExportResult(out, table.rows, first_ns, last_ns, dict(decoder.refused), _left_out(table))


def _texts(rig: Rig, units: Sequence[str]) -> tuple[list[str], list[str], Sequence[str]]:
    """Id, quantity and unit of each sensor."""
    return [sensor.id for sensor in rig.sensors], [sensor.quantity for sensor in rig.sensors], units


def export_resampled(
    sessions: Sequence[Path],
    out: Path,
    every_ns: int,
    from_ns: int | None = None,
    to_ns: int | None = None,
    own_units: bool = False,
    on_progress: OnProgress = nobody,
) -> ExportResult:
    """The last reading of every sensor at each multiple of `every_ns`; empty where it was stale by the rig's own measure,
    and no row at all later than `SILENT_NS` into a silence.

    Raises:
        ExportError: the step is below 1 ms, or the table cannot be written. SessionError: a session cannot be read.
    """
    if every_ns < 1_000_000:
        raise ExportError("the step must be at least 1 ms")
    rig = rig_of(sessions)
    from monitor.adapters.tables.columns import ColumnDecoder

    decoder = ColumnDecoder(rig)
    columns = [Column("time", "time")]
    for sensor in rig.sensors:
        columns.append(Column(f"{sensor.id} [{sensor.unit if own_units else SI_UNITS[sensor.dimension]}]", "number"))
    with TableFile(out, columns) as table:
        rows = _ResampledRows(table, every_ns, [_LastReading(sensor, own_units) for sensor in rig.sensors])
        for path in sessions:
            with SessionReader(path) as session:
                begin_ns = session.t_first_ns if from_ns is None else max(from_ns, session.t_first_ns)
                blocks = session.blocks()
                if not blocks:
                    continue
                end_ns = blocks[-1].t_last_ns if to_ns is None else min(to_ns - 1, blocks[-1].t_last_ns)
                if begin_ns > end_ns:
                    continue
                rows.begin(begin_ns)
                for part in decoder.read(session, from_ns, to_ns):
                    rows.take(part)
                    on_progress(table.rows, rows.reading_ns)
                    if table.full:
                        break
                rows.finish(end_ns)
        return rows.result(decoder.refused)


class _ResampledRows:
    """Writes a row per step, of the last reading of every sensor."""

    def __init__(self, table: TableFile, every_ns: int, held: Sequence["_LastReading"]) -> None:
        self._table = table
        self._every_ns = every_ns
        self._held = held
        self._steps = Steps(every_ns)
        self._due_ns: int | None = None
        """When the next row is due; None before the first session."""
        self._end_ns = self.reading_ns = 0
        self._first_ns: int | None = None
        self._last_ns: int | None = None

    def begin(self, t_ns: int) -> None:
        """Begin a session; the first one decides when the first row is due."""
        if self._due_ns is None:
            self._due_ns = self._steps.from_on(t_ns)
            self.reading_ns = t_ns

    def take(self, part: "Readings") -> None:
        """Add readings, and write every row that is due by the last of them. During a long silence there are no rows."""
        import numpy as np

        for index, one in enumerate(self._held):
            mine = part.sensor == index
            one.add(part.t_ns[mine], part.value[mine])
        if not len(part.t_ns):
            return
        before = np.concatenate(([self.reading_ns], part.t_ns[:-1]))
        for place in np.flatnonzero(part.t_ns - before > SILENT_NS).tolist():
            self._write(int(before[place]) + SILENT_NS)
            assert self._due_ns is not None
            self._due_ns = self._steps.skip(self._due_ns, int(part.t_ns[place]))
        self.reading_ns = int(part.t_ns[-1])
        self._write(self.reading_ns)

    def finish(self, end_ns: int) -> None:
        """End the session at `end_ns`."""
        self._end_ns = end_ns
        self._write(min(end_ns, self.reading_ns + SILENT_NS))

    def result(self, refused: Mapping[str, int]) -> ExportResult:
        """What the whole table holds."""
        if self._due_ns is not None and not self._table.full:
            self._steps.skip(self._due_ns, self._end_ns)
        table, silences = self._table, self._steps.silences
        return ExportResult(
            table.path, table.rows, self._first_ns, self._last_ns, dict(refused), _left_out(table), silences
        )

    def _write(self, until_ns: int) -> None:
        """Write every row that is due by `until_ns`."""
        import numpy as np

        while self._due_ns is not None and self._due_ns <= until_ns and not self._table.full:
            count = min(BATCH_ROWS, (until_ns - self._due_ns) // self._every_ns + 1)
            due = self._due_ns + self._every_ns * np.arange(count)
            self._table.write([due, *(one.at(due) for one in self._held)])
            self._first_ns = self._due_ns if self._first_ns is None else self._first_ns
            self._last_ns = self._due_ns + self._every_ns * (count - 1)
            self._due_ns = self._last_ns + self._every_ns


class _LastReading:
    """The last reading of one sensor."""

    def __init__(self, sensor: Sensor, own_units: bool) -> None:
        import numpy as np

        self._si = sensor.si if own_units else None
        self._keep_ns = round(sensor.stale_after_s * 1e9)
        self._t_ns = np.empty(0, np.int64)
        self._value = np.empty(0, np.float64)

    def add(self, t_ns: Any, value: Any) -> None:
        """Add readings, later than those before; the last is kept for the next call."""
        import numpy as np

        if self._si is not None:
            value = (value - self._si.offset) / self._si.scale
        self._t_ns = np.concatenate((self._t_ns[-1:], t_ns))
        self._value = np.concatenate((self._value[-1:], value))

    def at(self, due: Any) -> Any:
        """The last reading before each of the times `due`, NaN where there is none or it was stale."""
        import numpy as np

        if not len(self._t_ns):
            return np.full(len(due), np.nan)
        place = np.searchsorted(self._t_ns, due, side="left") - 1
        known = (place >= 0) & (due - self._t_ns[place] <= self._keep_ns)
        return np.where(known, self._value[place], np.nan)


def export_findings(sessions: Sequence[Path], out: Path) -> ExportResult:
    """The findings of the recordings, one row each.

    Raises:
        ExportError: the table cannot be written. SessionError: a session cannot be read.
    """
    columns = (
        *(Column("time", "time"), Column("kind", "text"), Column("key", "text"), Column("severity", "text")),
        *(Column("before", "text"), Column("after", "text"), Column("message", "text"), Column("guidance", "text")),
        *(Column("number", "number"), Column("threshold", "number")),
    )
    with TableFile(out, columns) as table:
        rows = RowBuffer(table, len(columns))
        for path in sessions:
            with SessionReader(path) as session:
                for f in session.findings():
                    words = (f.kind, f.key, f.severity.name, f.before, f.after, f.message, f.guidance)
                    rows.add(f.t_ns, *words, f.number, f.threshold)
        return rows.result({})
