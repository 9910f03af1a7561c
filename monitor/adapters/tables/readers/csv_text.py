"""Tables of text: any delimiter, encoding and layout. A quote that is never closed costs its own line and no other."""

import csv
from collections import Counter, deque
from collections.abc import Iterator, Sequence
from typing import Final

from monitor.adapters.tables.readers.head_rows import HeadRows, find_heads, like_data
from monitor.adapters.tables.readers.source import Source
from monitor.adapters.tables.readers.table import Dropped, FieldLogError, Heads, Layout, Row
from monitor.adapters.tables.readers.text_lines import TextLines, encoding_of

DELIMITERS: Final = ("\t", ";", "|", ",")
"""In this order where several would do: a comma may be a decimal sign."""
BLANKS: Final = " "
"""As a delimiter: any run of blanks."""
MOST_LINES_A_CELL: Final = 16
"""A quoted cell with more lines in it was never closed."""
_LOOK_LINES: Final = 100


class CsvText:
    """A table of text."""

    unit_of_place = "line"
    begins = index = ""

    def __init__(self, source: Source, layout: Layout) -> None:
        """Find encoding, delimiter and heads, unless `layout` gives them.

        Raises:
            FieldLogError: it is no table of text.
        """
        self.name = source.name
        encoding = layout.encoding or encoding_of(source.head)
        try:
            head = source.head.decode(encoding, "replace")
        except (LookupError, ValueError) as error:
            raise FieldLogError(f"{self.name}: cannot be read as {encoding} ({error})") from None
        if not head.strip("\ufeff\0 \t\r\n"):
            raise FieldLogError(f"{self.name}: is empty")
        lines = head.splitlines()[: _LOOK_LINES + (layout.skip_rows or 0)]
        no_text = f"{self.name}: is no table of text in {encoding}; is it the right file, and the right encoding?"
        self._delimiter = layout.delimiter or _sniff(lines, layout.decimal)
        if not self._delimiter:
            if not all(map(_sound, head)):
                raise FieldLogError(no_text)
            raise FieldLogError(
                f"{self.name}: its columns are not parted by comma, semicolon, tab, bar or blanks; set delimiter in the map"
            )
        self._lines = TextLines(self.name, source.stream, encoding)
        self._waiting: deque[tuple[int, str]] = deque()
        self._columns = 0
        self._dropped = Dropped()
        self._rows = self._parsed()
        self._head: HeadRows = find_heads(self.name, self._rows, layout, self._delimiter)
        if not all(_sound(ch) for name in self._head.names for ch in name):
            raise FieldLogError(no_text)
        self.heads = Heads(self._head.names, self._head.units, ("",) * len(self._head.names))
        self._columns = len(self._head.names)
        self.kind = "text"
        self.layout = Layout(self._delimiter, self._head.decimal, encoding, self._head.skip_rows, self._head.units_rows)

    def rows(self, dropped: Dropped) -> Iterator[Row]:
        """The rows of data. See `Table`."""
        dropped.take_over(self._dropped)
        dropped.take_over(self._lines.dropped)
        self._dropped = self._lines.dropped = dropped
        yield from self._head.ahead
        yield from self._rows

    def _next(self) -> tuple[int, str] | None:
        return self._waiting.popleft() if self._waiting else next(self._lines, None)

    def _parsed(self) -> Iterator[Row]:
        delimiter = self._delimiter
        while (numbered := self._next()) is not None:
            number, line = numbered
            if '"' not in line:
                yield number, line.split() if delimiter == BLANKS else line.split(delimiter)
                continue
            row = self._quoted(line)
            if row is None:
                row = self._over_lines(line)
            if row is None:
                self._dropped.lose_row("a quote in it is not closed", f"{self.name} line {number}")
            else:
                yield number, row

    def _quoted(self, line: str) -> list[str] | None:
        """The cells of a line with quotes; None where one stays open."""
        reader = csv.reader((line, ""), delimiter=self._delimiter, skipinitialspace=True)
        try:
            row = next(reader)
        except csv.Error:
            return None
        if reader.line_num > 1:
            return None
        return [cell for cell in row if cell] if self._delimiter == BLANKS else row

    def _over_lines(self, line: str) -> list[str] | None:
        """The cells of a row whose quoted cell goes on in the next lines; None, and nothing taken, where it does not."""
        ahead: list[tuple[int, str]] = []
        many = max(2, self._columns - 1)
        text = line
        for _ in range(MOST_LINES_A_CELL - 1):
            numbered = self._next()
            if numbered is None:
                break
            ahead.append(numbered)
            # A line with as many delimiters as a row has is a row of its own, and the quote was left open by mistake.
            if numbered[1].count(self._delimiter) >= many and '"' not in numbered[1]:
                break
            text += "\n" + numbered[1]
            if '"' not in numbered[1]:
                continue
            row = self._whole(text)
            if row is not None and (not self._columns or len(row) <= self._columns):
                return row
        self._waiting.extendleft(reversed(ahead))
        return None

    def _whole(self, text: str) -> list[str] | None:
        reader = csv.reader(
            [part + "\n" for part in text.split("\n")], delimiter=self._delimiter, strict=True, lineterminator="\n"
        )
        try:
            rows = list(reader)
        except csv.Error:
            return None
        return rows[0] if len(rows) == 1 else None


def _sniff(lines: Sequence[str], decimal: str | None) -> str:
    """The delimiter that parts the lines most evenly; empty where none does."""
    best, best_share, cells_of = "", 0.0, 0
    lines = [line for line in lines if line.strip()]
    for delimiter in (*DELIMITERS, BLANKS):
        if delimiter == "," and decimal == ",":
            continue
        rows = [line.split() if delimiter == BLANKS else line.split(delimiter) for line in lines]
        counts = Counter(len(row) for row in rows if len(row) > 1)
        if not counts:
            continue
        usual, often = counts.most_common(1)[0]
        share = often / len(lines)
        data = [cell.strip().strip('"') for row in rows if len(row) == usual for cell in row]
        share *= 0.5 + 0.5 * sum(map(like_data, data)) / len(data)
        if share > best_share + 0.05 or (share > best_share - 0.05 and usual > cells_of and delimiter != BLANKS):
            best, best_share, cells_of = delimiter, share, usual
    return best


def _sound(ch: str) -> bool:
    """Whether text has such characters."""
    return ch.isprintable() or ch in "\t\r\n\ufeff\0"
