"""Several files as one log: their rows one after the other, the first of them looked at before they are used."""

import math
import os
from bisect import bisect_right
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from itertools import islice
from pathlib import Path
from typing import IO, Protocol

from monitor.adapters.tables.readers.opening import open_tables
from monitor.adapters.tables.readers.table import Dropped, FieldLogError, Layout, Table


class Rows(Protocol):
    """The rows of a log."""

    paths: tuple[Path, ...]
    dropped: Dropped
    first: Table

    @property
    def share(self) -> float:
        """How much of it has been read, 0 to 1; NaN where nobody knows."""

    def ahead(self, most: int) -> list[tuple[Table, int, list[str]]]:
        """The next rows, at most `most`; they come again."""

    def __iter__(self) -> Iterator[tuple[Table, int, list[str]]]:
        """Every row: its table, its number there, its cells."""


class Series:
    """The rows of all tables in some files, in the order given. Read once, in flat memory."""

    def __init__(self, paths: Sequence[Path], layout: Layout) -> None:
        """Open the first table.

        Raises:
            FieldLogError: it cannot be used.
        """
        self.paths = tuple(paths)
        self.dropped = Dropped()
        """What could not be a row, from the first row on."""
        sizes = [path.stat().st_size if path.is_file() else 0 for path in paths]
        self._bytes = sum(sizes) if all(sizes) else 0
        """Of all files together; 0 where that is not known (a pipe)."""
        self._done_bytes = self._file_bytes = 0
        """Of the files before the one being read, and of that."""
        self._file: IO[bytes] | None = None
        self._rest = (table for path in paths for table in open_tables(path, layout, self._opened))
        first = next(self._rest, None)
        if first is None:
            raise FieldLogError(f"{paths[0]}: there is no table in it")
        self.first: Table = first
        self._waiting: deque[tuple[Table, int, list[str]]] = deque()
        self._rows = self._all()

    def _opened(self, file: IO[bytes]) -> None:
        self._done_bytes += self._file_bytes
        self._file, self._file_bytes = file, os.fstat(file.fileno()).st_size

    @property
    def share(self) -> float:
        """How much of the files has been read, 0 to 1; NaN where nobody knows how much there is. From any thread."""
        file = self._file
        if not self._bytes or file is None:
            return math.nan
        try:
            at = file.tell()
        except ValueError:  # closed just now
            at = self._file_bytes
        return min(1.0, (self._done_bytes + at) / self._bytes)

    def _all(self) -> Iterator[tuple[Table, int, list[str]]]:
        table: Table | None = self.first
        while table is not None:
            for number, cells in table.rows(self.dropped):
                yield table, number, cells
            table = next(self._rest, None)

    def ahead(self, most: int) -> list[tuple[Table, int, list[str]]]:
        """The next rows, at most `most`; they come again."""
        self._waiting.extend(islice(self._rows, max(0, most - len(self._waiting))))
        return list(islice(self._waiting, most))

    def __iter__(self) -> Iterator[tuple[Table, int, list[str]]]:
        """Every row: its table, its number there, its cells.

        Raises:
            FieldLogError: a table cannot be opened, or read on.
        """
        while True:
            while self._waiting:
                yield self._waiting.popleft()
            for row in self._rows:
                yield row
                if self._waiting:
                    break  # somebody looked ahead meanwhile
            else:
                return


class SortedRows:
    """The rows of a log in the order of a key, one that has none after the row before it. Holds all of them in memory, packed."""

    def __init__(self, rows: Rows, key: Callable[[Table, list[str]], int | None]) -> None:
        """Read everything.

        Raises:
            FieldLogError: a table cannot be opened, or read on.
        """
        self.paths, self.dropped, self.first = rows.paths, rows.dropped, rows.first
        self.share = math.nan
        """Not known: all of it has been read before the first row comes."""
        held: list[tuple[int, int, str]] = []
        self._tables: list[Table] = []
        self._places: list[int] = []
        last = 0
        for place, (table, number, cells) in enumerate(rows):
            if not self._tables or table is not self._tables[-1]:
                self._tables.append(table)
                self._places.append(place)
            at = key(table, cells)
            last = last if at is None else at
            held.append((last, place, "\x00".join([str(number), *(cell.replace("\x00", " ") for cell in cells)])))
        held.sort()
        self._held = deque(held)
        if held:
            self.first = self._unpacked(*held[0][1:])[0]

    def _unpacked(self, place: int, text: str) -> tuple[Table, int, list[str]]:
        number, *cells = text.split("\x00")
        return self._tables[bisect_right(self._places, place) - 1], int(number), cells

    def ahead(self, most: int) -> list[tuple[Table, int, list[str]]]:
        """The next rows, at most `most`; they come again."""
        return [self._unpacked(place, text) for _, place, text in islice(self._held, most)]

    def __iter__(self) -> Iterator[tuple[Table, int, list[str]]]:
        """Every row: its table, its number there, its cells."""
        while self._held:
            _, place, text = self._held.popleft()
            yield self._unpacked(place, text)
