"""LAS 2.0 (Canadian Well Logging Society): its header by `lasio`, its rows line by line.

`lasio` knows the many ways in which headers are written; but it holds all rows in memory, so the rows are read here: a line each,
or wrapped over several lines.
"""

import io
import re
from collections.abc import Callable, Iterator
from typing import Any, Final

from monitor.adapters.tables.readers.source import Source
from monitor.adapters.tables.readers.table import MOST_COLUMNS, Dropped, FieldLogError, Heads, Layout, Row
from monitor.adapters.tables.readers.text_lines import TextLines, encoding_of

MOST_HEADER_LINES: Final = 20_000
_QUOTED: Final = re.compile(r'"[^"]*"|\S+')


class Las:
    """A LAS file as a table."""

    unit_of_place = "line"

    def __init__(self, source: Source) -> None:
        """Read the header.

        Raises:
            FieldLogError: it is none of version 1.2 or 2.0, or `lasio` is not installed.
        """
        try:
            import lasio
        except ImportError:
            raise FieldLogError(f"{source.name}: LAS needs lasio: pip install 'stopmark[logs]'") from None
        self.name = source.name
        self.layout = Layout(encoding=encoding_of(source.head))
        self._lines = TextLines(source.name, source.stream, encoding_of(source.head))
        header = self._header()
        try:
            las = lasio.read(io.StringIO(header), ignore_data=True)
            version, wrap = str(las.version["VERS"].value), str(las.version["WRAP"].value).upper()
            curves = [(str(c.original_mnemonic), str(c.unit or ""), str(c.descr or "")) for c in las.curves]
            self._null = _value(las.well, "NULL")
            self._splitter = _splitter(_value(las.version, "DLM").upper())
            date = _value(las.well, "DATE")
        except (
            Exception
        ) as error:  # a foreign parser on a damaged header: whatever it raises, the header cannot be read
            raise FieldLogError(
                f"{self.name}: its LAS header cannot be read ({error or type(error).__name__})"
            ) from None
        if version != "1.2" and version.split(".")[0] != "2":
            raise FieldLogError(f"{self.name}: is LAS {version[:20]}; 2.0 and 1.2 can be read")
        if not curves:
            raise FieldLogError(f"{self.name}: its header names no curve")
        if len(curves) > MOST_COLUMNS:
            raise FieldLogError(f"{self.name}: its header names more than {MOST_COLUMNS} curves")
        self._widths: list[int] = []
        self._wrapped = wrap.startswith("Y")
        self.kind = f"LAS {version}"
        self.begins = date
        self.index = ""
        self.heads = Heads(
            tuple(_once([name for name, _, _ in curves])),
            tuple(unit for _, unit, _ in curves),
            tuple(words for _, _, words in curves),
        )

    def _header(self) -> str:
        lines: list[str] = []
        for number, line in self._lines:
            if line[:2].upper() == "~A":
                return "\n".join(lines) + "\n~A\n"
            lines.append(line)
            if number > MOST_HEADER_LINES:
                break
        raise FieldLogError(f"{self.name}: no line of it begins with ~A, so there is no row of data in it")

    def rows(self, dropped: Dropped) -> Iterator[Row]:
        """The rows of data. See `Table`."""
        self._lines.dropped = dropped
        return self._wrapped_rows(dropped) if self._wrapped else self._plain_rows(dropped)

    def _cells(self) -> Iterator[tuple[int, list[str]]]:
        for number, line in self._lines:
            if line.startswith("~"):
                return
            if line.strip() and not line.startswith("#"):
                yield number, self._splitter(line)

    def _plain_rows(self, dropped: Dropped) -> Iterator[Row]:
        count = len(self.heads.names)
        for number, cells in self._cells():
            if len(cells) != count:
                dropped.lose_row("has not as many values as there are curves", f"{self.name} line {number}")
                continue
            yield number, self._known(cells)

    def _wrapped_rows(self, dropped: Dropped) -> Iterator[Row]:
        """Rows over several lines. How many values each of its lines has, the first row shows (by LAS 2.0 the first line is the
        index alone; some writers just cut at so many characters), and by that a row begins anew after one that is damaged.

        Raises:
            FieldLogError: after a damaged row nothing shows where the next one begins.
        """
        count = len(self.heads.names)
        pattern: list[int] = []
        row: list[str] = []
        begun = at = 0
        lost = False
        for number, cells in self._cells():
            if not pattern:
                begun = begun or number
                row += cells
                at += 1
                if len(row) > count:
                    raise FieldLogError(
                        f"{self.name} line {number}: the first row has more than {count} values, for {count} curves"
                    )
                self._widths.append(len(cells))
                if len(row) == count:
                    pattern = self._widths
                    yield begun, self._known(row)
                    row, at = [], 0
                continue
            if not lost and len(cells) != pattern[at]:
                dropped.lose_row("has not as many values as in the rows before", f"{self.name} line {number}")
                row, at, lost = [], 0, True
            if lost:
                if pattern.count(pattern[0]) == 1:
                    lost = len(cells) != pattern[0]
                elif pattern.count(pattern[-1]) == 1:
                    lost = len(cells) != pattern[-1]
                    continue
                else:
                    raise FieldLogError(
                        f"{self.name} line {number}: after it nothing shows where a row begins; write the file unwrapped"
                    )
                if lost:
                    continue
            begun = begun if row else number
            row += cells
            at += 1
            if at == len(pattern):
                yield begun, self._known(row)
                row, at = [], 0
        if row:
            dropped.lose_row("breaks off", f"{self.name} line {begun}")

    def _known(self, cells: list[str]) -> list[str]:
        """The cells without those that mean "no value"."""
        null = self._null
        return ["" if null and cell[:1] == null[:1] and _same(cell, null) else cell for cell in cells]


def _value(section: Any, name: str) -> str:
    return str(section[name].value).strip() if name in section else ""


def _same(cell: str, null: str) -> bool:
    try:
        return float(cell) == float(null)
    except ValueError:
        return cell == null


def _once(names: list[str]) -> list[str]:
    """Names of which each is there once: a second one gets ``:2`` behind it, as `lasio` and others have it."""
    made: list[str] = []
    for name in names:
        at, number = name or "UNKNOWN", 1
        while at in made:
            number += 1
            at = f"{name or 'UNKNOWN'}:{number}"
        made.append(at)
    return made


def _splitter(delimiter: str) -> Callable[[str], list[str]]:
    if delimiter == "COMMA":
        return lambda line: [cell.strip().strip('"') for cell in line.split(",")]
    if delimiter == "TAB":
        return lambda line: [cell.strip().strip('"') for cell in line.split("\t")]
    return lambda line: [cell.strip('"') for cell in _QUOTED.findall(line)] if '"' in line else line.split()
