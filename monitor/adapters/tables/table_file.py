"""Tables as files: CSV, Parquet and Excel workbooks, written column by column as the rows come.

A table is written beside its final name and takes that name only when it is complete. Text that a spreadsheet would take
for a formula is disarmed in CSV and workbooks; Parquet holds it as it is.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, Literal, Protocol, Self

from monitor.adapters.host.output_file import take_name
from monitor.errors import UserError
from monitor.text import inert

Kind = Literal["time", "number", "whole", "text"]
"""time: ns of the epoch, `NO_TIME` or None where there is none; number: float, NaN or None; whole: int or None; text: str.
Columns may be lists or numpy arrays, texts also `Codes`."""
NO_TIME: Final = -(1 << 63)
"""Stands for "no time" in arrays, which have no None."""
Cells = Any
"""Sequence, numpy array or `Codes`."""
FORMATS: Final = ("csv", "parquet", "xlsx")
XLSX_ROWS: Final = 1_048_575
"""Rows below the heading that a sheet holds."""


class ExportError(UserError):
    """A table that cannot be written; the message says what to do."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column. Its name carries the unit in brackets, where it has one."""

    name: str
    kind: Kind


@dataclass(frozen=True, slots=True)
class Codes:
    """A column of texts, most of them the same: the place of each in `names`."""

    places: Any
    """A numpy array of whole numbers."""
    names: Sequence[str]

    def __len__(self) -> int:
        return len(self.places)

    def texts(self) -> list[str]:
        """The texts themselves."""
        return [self.names[place] for place in self.places.tolist()]


class Table(Protocol):
    """A table that is being written."""

    @property
    def full(self) -> bool:
        """Whether the file takes no more rows."""

    def write(self, columns: Sequence[Cells]) -> int:
        """Append rows, given as columns of equal length. Returns how many were written."""

    def finish(self) -> None:
        """Complete the file."""

    def abandon(self) -> None:
        """Close and remove the unfinished file."""


class TableFile:
    """A table at `path`, its format by the name's ending. Use it in a ``with`` statement.

    On leaving without an error the file takes its name; otherwise nothing is left behind.
    """

    def __init__(self, path: Path, columns: Sequence[Column]) -> None:
        """Begin the table.

        Raises:
            ExportError: unknown format, a library is missing, or the file cannot be made.
        """
        self.path = path
        self.rows = 0
        ending = path.suffix.lower().removeprefix(".")
        if ending not in _TABLES:
            raise ExportError(f"{path}: the name must end in .csv, .parquet or .xlsx")
        self._part = path.with_name(path.name + ".part")
        try:
            self._table = _TABLES[ending](self._part, columns)
        except ImportError as error:
            raise ExportError(f".{ending} needs {error.name}: pip install 'stopmark[export]'") from None
        except OSError as error:
            raise ExportError(f"{path}: cannot be written ({error.strerror or error})") from None

    @property
    def full(self) -> bool:
        """Whether the format takes no more rows (a workbook's limit)."""
        return self._table.full

    def write(self, columns: Sequence[Cells]) -> None:
        """Append rows, given as columns of equal length. Beyond the format's limit they are left out: see `full`.

        Raises:
            ExportError: the disk refuses.
        """
        try:
            self.rows += self._table.write(columns)
        except OSError as error:
            raise ExportError(f"{self.path}: cannot be written ({error.strerror or error})") from None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: object, *_: object) -> None:
        if kind is not None:
            self._table.abandon()
            self._part.unlink(missing_ok=True)
            return
        try:
            self._table.finish()
            take_name(self._part, self.path)
        except OSError as error:
            self._part.unlink(missing_ok=True)
            raise ExportError(f"{self.path}: cannot be written ({error.strerror or error})") from None


class _Csv:
    full = False

    def __init__(self, path: Path, columns: Sequence[Column]) -> None:
        self._file = path.open("w", encoding="utf-8", newline="")
        self._kinds = [column.kind for column in columns]
        self._lines([[_quoted(column.name)] for column in columns])

    def write(self, columns: Sequence[Cells]) -> int:
        self._lines([_CSV_CELLS[kind](column) for kind, column in zip(self._kinds, columns, strict=True)])
        return len(columns[0])

    def _lines(self, columns: Sequence[Sequence[str]]) -> None:
        self._file.writelines([",".join(row) + "\r\n" for row in zip(*columns, strict=True)])

    def finish(self) -> None:
        self._file.close()

    abandon = finish


def plain(column: Cells) -> Sequence[Any]:
    """A column as plain Python values."""
    if isinstance(column, Codes):
        return column.texts()
    made: Sequence[Any] = column.tolist() if hasattr(column, "tolist") else column
    return made


class _Seconds(dict[int, str]):
    """Whole seconds of the epoch as text, each made once: readings of one second have most of their time in common."""

    def __missing__(self, seconds: int) -> str:
        if len(self) > 10_000:
            self.clear()
        text = self[seconds] = f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%dT%H:%M:%S}"
        return text


_seconds: Final = _Seconds()


def _csv_times(column: Cells) -> list[str]:
    return [
        "" if t_ns is None or t_ns == NO_TIME else f"{_seconds[t_ns // 1_000_000_000]}.{t_ns // 1000 % 1_000_000:06d}Z"
        for t_ns in plain(column)
    ]


def _csv_numbers(column: Cells) -> list[str]:
    return ["" if number is None or number != number else repr(float(number)) for number in plain(column)]


def _csv_wholes(column: Cells) -> list[str]:
    return ["" if number is None else str(int(number)) for number in plain(column)]


def _csv_texts(column: Cells) -> list[str]:
    if isinstance(column, Codes):
        return Codes(column.places, [_quoted(inert(name)) for name in column.names]).texts()
    return [_quoted(inert(text)) for text in column]


def _quoted(text: str) -> str:
    """A cell as RFC 4180 has it."""
    return '"' + text.replace('"', '""') + '"' if any(mark in text for mark in ',"\r\n') else text


_CSV_CELLS: Final[Mapping[Kind, Callable[[Cells], list[str]]]] = {
    "time": _csv_times,
    "number": _csv_numbers,
    "whole": _csv_wholes,
    "text": _csv_texts,
}


class _Parquet:
    full = False

    def __init__(self, path: Path, columns: Sequence[Column]) -> None:
        import pyarrow as pa
        import pyarrow.parquet as pq

        text = pa.dictionary(pa.int32(), pa.string())
        types = {"time": pa.timestamp("ns", "UTC"), "number": pa.float64(), "whole": pa.int64(), "text": text}
        self._arrow = pa
        self._schema = pa.schema([(column.name, types[column.kind]) for column in columns])
        # A dictionary of readings or times would be as long as the column itself; times are best kept as steps. Without
        # its own schema beside the columns, text that comes with a dictionary is read back as plain text.
        self._writer = pq.ParquetWriter(
            path,
            self._schema,
            compression="zstd",
            use_dictionary=[column.name for column in columns if column.kind == "text"] or False,
            column_encoding={column.name: "DELTA_BINARY_PACKED" for column in columns if column.kind == "time"} or None,
            store_schema=False,
        )

    def write(self, columns: Sequence[Cells]) -> int:
        pa = self._arrow
        arrays = [self._array(column, field.type) for column, field in zip(columns, self._schema, strict=True)]
        self._writer.write_table(pa.Table.from_arrays(arrays, schema=self._schema))
        return len(columns[0])

    def _array(self, column: Cells, kind: Any) -> Any:
        pa = self._arrow
        if isinstance(column, Codes):
            return pa.DictionaryArray.from_arrays(
                self._plain(column.places.astype("int32"), pa.int32(), None), self._names(column.names)
            )
        if hasattr(column, "dtype"):
            if pa.types.is_timestamp(kind) and column.dtype == "int64":
                return self._plain(column, kind, column == NO_TIME)
            if pa.types.is_float64(kind) and column.dtype == "float64":
                return self._plain(column, kind, column != column)
        return pa.array(column, kind, from_pandas=True)

    def _names(self, names: Sequence[str]) -> Any:
        import numpy as np

        pa = self._arrow
        words = [name.encode() for name in names]
        ends = np.cumsum([0, *map(len, words)], dtype=np.int32)
        return pa.Array.from_buffers(pa.string(), len(words), [None, pa.py_buffer(ends), pa.py_buffer(b"".join(words))])

    def _plain(self, column: Any, kind: Any, missing: Any) -> Any:
        """A numpy array as it lies in memory: the usual way would load pandas, which takes longer than many a table."""
        import numpy as np

        pa = self._arrow
        known = None if missing is None or not missing.any() else pa.py_buffer(np.packbits(~missing, bitorder="little"))
        return pa.Array.from_buffers(kind, len(column), [known, pa.py_buffer(np.ascontiguousarray(column))])

    def finish(self) -> None:
        self._writer.close()

    abandon = finish


class _Workbook:
    def __init__(self, path: Path, columns: Sequence[Column]) -> None:
        from openpyxl import Workbook

        self._path = path
        path.touch()
        self._book = Workbook(write_only=True)
        self._sheet = self._book.create_sheet("Stopmark")
        self._sheet.append([column.name for column in columns])
        self._kinds = [column.kind for column in columns]
        self._rows = 0

    @property
    def full(self) -> bool:
        return self._rows >= XLSX_ROWS

    def write(self, columns: Sequence[Cells]) -> int:
        count = min(len(columns[0]), XLSX_ROWS - self._rows)
        shown = [_xlsx_cells(kind, column)[:count] for kind, column in zip(self._kinds, columns, strict=True)]
        for row in zip(*shown, strict=True):
            self._sheet.append(row)
        self._rows += count
        return count

    def finish(self) -> None:
        self._book.save(self._path)
        self._book.close()

    def abandon(self) -> None:
        self._sheet.close()
        self._book.close()


def _xlsx_time(t_ns: int | None) -> datetime | None:
    # A workbook knows no time zones: its times are UTC without saying so, to the millisecond.
    if t_ns is None or t_ns == NO_TIME:
        return None
    return datetime.fromtimestamp(int(t_ns) // 1_000_000 / 1000, UTC).replace(tzinfo=None)


def _xlsx_number(number: Any) -> float | None:
    return None if number is None or number != number else float(number)


def _xlsx_cells(kind: Kind, column: Cells) -> Sequence[Any]:
    if isinstance(column, Codes):
        return Codes(column.places, [inert(name) for name in column.names]).texts()
    return [_XLSX_CELLS[kind](cell) for cell in plain(column)]


_XLSX_CELLS: Final[Mapping[Kind, Callable[[Any], Any]]] = {
    "time": _xlsx_time,
    "number": _xlsx_number,
    "whole": lambda number: None if number is None else int(number),
    "text": inert,
}

_TABLES: Final[Mapping[str, Callable[[Path, Sequence[Column]], Table]]] = {
    "csv": _Csv,
    "parquet": _Parquet,
    "xlsx": _Workbook,
}
