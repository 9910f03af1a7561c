"""Opens logs: chooses the reader by what a file is, and gives the rows of several files one after the other."""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO, Final

from monitor.adapters.tables.readers.csv_text import CsvText
from monitor.adapters.tables.readers.las import Las
from monitor.adapters.tables.readers.parquet import Parquet
from monitor.adapters.tables.readers.source import Source, open_sources
from monitor.adapters.tables.readers.table import FieldLogError, Layout, Table
from monitor.adapters.tables.readers.text_lines import encoding_of
from monitor.adapters.tables.readers.witsml import Witsml
from monitor.adapters.tables.readers.workbook import Workbook

_NOT_READ: Final = (
    (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "is a workbook of the old kind (xls); save it as xlsx or CSV"),
    (b"SQLite format 3\0", "is a database, as sessions are; a session needs no import"),
    (b"%PDF", "is a PDF; have the table exported as CSV"),
)


def open_tables(path: Path, layout: Layout, opened: Callable[[IO[bytes]], None] | None = None) -> Iterator[Table]:
    """The tables in the file at `path` (`-`: standard input); a zip file may hold several. Read each before the next. `opened` as
    in `open_sources`.

    Raises:
        FieldLogError: while iterating, where one cannot be used.
    """
    for source in open_sources(path, opened):
        yield _table(source, layout)


def _table(source: Source, layout: Layout) -> Table:
    head = source.head
    for magic, words in _NOT_READ:
        if head.startswith(magic):
            raise FieldLogError(f"{source.name}: {words}")
    if head.startswith(b"PAR1"):
        return Parquet(source)
    if source.archive is not None:
        return Workbook(source, layout)
    text = head[:65_536].decode(encoding_of(head), "replace")
    first = next((line.strip() for line in text.lstrip("\ufeff").splitlines() if line.strip() and line[0] != "#"), "")
    if first.startswith("<"):
        return Witsml(source)
    if first[:2].upper() == "~V":
        return Las(source)
    return CsvText(source, layout)
