"""Parquet files, a batch of rows at a time, by pyarrow."""

from collections.abc import Iterator
from typing import Any, Final

from monitor.adapters.tables.readers.source import Source
from monitor.adapters.tables.readers.table import MOST_COLUMNS, Dropped, FieldLogError, Heads, Layout, Row

BATCH_ROWS: Final = 4096
BUFFER_BYTES: Final = 1 << 18
"""Columns are read through a buffer of this size, however large the file's groups of rows are."""


class Parquet:
    """A Parquet file as a table."""

    unit_of_place = "row"
    layout = Layout()
    kind = "Parquet"
    begins = index = ""

    def __init__(self, source: Source) -> None:
        """Look at the schema.

        Raises:
            FieldLogError: the file is damaged, or pyarrow is not installed.
        """
        try:
            import pyarrow.parquet as pq
        except ImportError:
            raise FieldLogError(f"{source.name}: Parquet needs pyarrow: pip install 'stopmark[logs]'") from None
        self.name = source.name
        try:
            self._file = pq.ParquetFile(source.stream, pre_buffer=False, buffer_size=BUFFER_BYTES)
            schema = self._file.schema_arrow
        except Exception as error:  # a foreign reader on damaged bytes raises many kinds
            raise FieldLogError(f"{self.name}: is a damaged Parquet file ({_first_line(error)})") from None
        if len(schema) > MOST_COLUMNS:
            raise FieldLogError(f"{self.name}: has more than {MOST_COLUMNS} columns")
        notes = [field.metadata or {} for field in schema]
        self.heads = Heads(
            tuple(field.name for field in schema),
            tuple(_text(note.get(b"unit") or note.get(b"units")) for note in notes),
            tuple(_text(note.get(b"description")) for note in notes),
        )

    def rows(self, dropped: Dropped) -> Iterator[Row]:
        """The rows of data. See `Table`."""
        number = 0
        try:
            for batch in self._file.iter_batches(batch_size=BATCH_ROWS, use_threads=False):
                columns = [_cells(column) for column in batch.columns]
                for cells in zip(*columns, strict=True):
                    number += 1
                    yield number, list(cells)
        except GeneratorExit:
            raise
        except Exception as error:
            raise FieldLogError(
                f"{self.name}: is a damaged Parquet file: nothing can be read after row {number} ({_first_line(error)})"
            ) from None


def _cells(column: Any) -> list[str]:
    """A column as text; of kinds that are no reading (lists, structures, bytes) nothing."""
    import pyarrow as pa

    kind = column.type
    if pa.types.is_dictionary(kind):
        column = column.dictionary_decode()
        kind = column.type
    if pa.types.is_timestamp(kind) and kind.tz is not None:
        column = column.cast(pa.timestamp(kind.unit, "UTC"))
    elif pa.types.is_boolean(kind):
        column = column.cast(pa.int8())
    elif pa.types.is_nested(kind) or pa.types.is_binary(kind) or pa.types.is_large_binary(kind):
        return [""] * len(column)
    try:
        texts = column.cast(pa.string()).to_pylist()
    except (pa.ArrowNotImplementedError, pa.ArrowInvalid, UnicodeDecodeError):
        return [""] * len(column)
    return ["" if text is None else text for text in texts]


def _text(words: bytes | None) -> str:
    return words.decode("utf-8", "replace")[:200] if words else ""


def _first_line(error: Exception) -> str:
    return (str(error) or type(error).__name__).splitlines()[0][:200]
