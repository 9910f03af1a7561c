"""Workbooks (xlsx), a row at a time, by openpyxl. Their XML is looked at first: a document type is refused."""

import zipfile
from collections.abc import Iterator, Sequence
from datetime import date, datetime, time, timedelta
from itertools import chain, islice
from typing import Any, Final

from monitor.adapters.tables.readers.head_rows import LOOK_ROWS, HeadRows, find_heads, like_data
from monitor.adapters.tables.readers.safe_xml import check_prolog
from monitor.adapters.tables.readers.source import UNSOUND, Source
from monitor.adapters.tables.readers.table import Dropped, FieldLogError, Heads, Layout, Row

MOST_COLUMNS: Final = 1024
LEAST_FILLED: Final = 5
"""A sheet with as many rows of numbers and times is a table; one with fewer is a cover."""
LEAST_DATES: Final = 2
_MIDNIGHT: Final = "T00:00:00"
MOST_HELD_BYTES: Final = 256 << 20
"""Parts that are held in memory whole (texts, styles) may be so large together, unpacked."""


class Workbook:
    """One sheet of a workbook as a table."""

    unit_of_place = "row"
    kind = "workbook (xlsx)"
    begins = index = ""

    def __init__(self, source: Source, layout: Layout) -> None:
        """Open it and find its heads.

        Raises:
            FieldLogError: it is damaged, unsafe, has no such sheet or no table; or openpyxl is not installed.
        """
        try:
            from openpyxl import load_workbook
        except ImportError:
            raise FieldLogError(f"{source.name}: xlsx needs openpyxl: pip install 'stopmark[logs]'") from None
        assert source.archive is not None
        self.name = source.name
        self._check(source.archive)
        try:
            self._book = load_workbook(source.stream, read_only=True, data_only=True, keep_links=False)
            sheets = [sheet for sheet in self._book.worksheets if hasattr(sheet, "iter_rows")]
        except Exception as error:  # a foreign reader on damaged parts raises many kinds
            raise FieldLogError(f"{self.name}: is a damaged workbook ({error or type(error).__name__})") from None
        self._sheet = self._choose(sheets, layout.sheet)
        self.name = f"{source.name}, sheet {self._sheet.title!r}"
        self._rows = self._texts()
        found = find_heads(self.name, self._rows, layout, None)
        self._head: HeadRows = found
        self.heads = Heads(found.names, found.units, ("",) * len(found.names))
        self.layout = Layout(
            skip_rows=found.skip_rows, units_rows=found.units_rows, decimal=found.decimal, sheet=self._sheet.title
        )

    def _check(self, archive: zipfile.ZipFile) -> None:
        held = 0
        try:
            for info in archive.infolist():
                if not info.filename.endswith((".xml", ".rels", ".vml")):
                    continue
                if not info.filename.startswith("xl/worksheets/"):
                    held += info.file_size
                with archive.open(info) as part:
                    check_prolog(f"{self.name}: {info.filename}", part)
        except UNSOUND as error:
            raise FieldLogError(f"{self.name}: is a damaged workbook ({error})") from None
        if held > MOST_HELD_BYTES:
            raise FieldLogError(
                f"{self.name}: its texts take more than {MOST_HELD_BYTES >> 20} MiB; save the sheet as CSV"
            )

    def _choose(self, sheets: list[Any], wanted: str | None) -> Any:
        """The sheet called `wanted`, or the first one with rows of data, else the first with any."""
        names = ", ".join(repr(sheet.title) for sheet in sheets[:20])
        begun = []
        for sheet in sheets:
            sheet.reset_dimensions()  # what the file says of its own size may be wrong
            if sheet.title == wanted:
                return sheet
            if wanted is None:
                filled = self._filled(sheet)
                if filled >= LEAST_FILLED:
                    return sheet
                begun += [sheet] * (filled > 0)
        if begun:
            return begun[0]
        if wanted is not None:
            raise FieldLogError(f"{self.name}: has no sheet {wanted!r}; its sheets: {names}")
        raise FieldLogError(f"{self.name}: there is nothing in its sheets: {names or 'none'}")

    def _filled(self, sheet: Any) -> int:
        """How many of its first rows have data in two cells at least; 1 where it has rows at all."""
        try:
            rows = [[_text(cell) for cell in cells] for cells in islice(sheet.iter_rows(values_only=True), LOOK_ROWS)]
            return max(sum(sum(map(like_data, cells)) > 1 for cells in rows), len(rows) > 0)
        except Exception as error:
            raise FieldLogError(f"{self.name}, sheet {sheet.title!r}: cannot be read ({error})") from None

    def _texts(self) -> Iterator[Row]:
        number = 0
        try:
            for cells in self._sheet.iter_rows(values_only=True):
                number += 1
                yield number, [_text(cell) for cell in cells[:MOST_COLUMNS]]
        except GeneratorExit:
            raise
        except Exception as error:
            raise FieldLogError(
                f"{self.name}: nothing can be read after row {number} ({error or type(error).__name__})"
            ) from None

    def rows(self, dropped: Dropped) -> Iterator[Row]:
        """The rows of data. See `Table`."""
        rows = chain(self._head.ahead, self._rows)
        first = list(islice(rows, LOOK_ROWS))
        dates = _date_columns([cells for _, cells in first], len(self.heads.names))
        for number, cells in chain(first, rows):
            for place in dates:
                if place < len(cells):
                    cells[place] = cells[place].removesuffix(_MIDNIGHT)
            yield number, cells


def _date_columns(rows: Sequence[Sequence[str]], columns: int) -> list[int]:
    """Columns of dates: a sheet keeps a date as its midnight, and of these there are several here and no other time."""
    found = []
    for place in range(columns):
        cells = [row[place] for row in rows if place < len(row) and row[place]]
        if len(cells) >= LEAST_DATES and all(cell.endswith(_MIDNIGHT) for cell in cells):
            found.append(place)
    return found


def _text(cell: object) -> str:
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return str(int(cell))
    if isinstance(cell, datetime):
        return cell.isoformat()
    if isinstance(cell, date | time):
        return cell.isoformat()
    if isinstance(cell, timedelta):
        return repr(cell.total_seconds())
    return str(cell)
