"""What every reader gives: names of columns, their units, and rows of text, one after the other in flat memory.

All cells are text, whatever the file's own types: a number as it is written (or its shortest form that reads back the same),
a time as ISO 8601, nothing where the file marks "no reading". So one place judges numbers and times, for all formats.
"""

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal, Protocol

from monitor.errors import UserError

MOST_COLUMNS: Final = 4096
"""More columns than any recorder writes: a file with more is damaged, or is meant to fill the memory."""

Row = tuple[int, list[str]]
"""The row's number in its file, from 1 (a line of text, a row of a sheet), and its cells."""


class FieldLogError(UserError):
    """A log or a map that cannot be used; the message says which, what is wrong, and what to do."""


class Dropped(Counter[str]):
    """How often something was left out, by reason; `first` says where each reason came up first."""

    def __init__(self) -> None:
        super().__init__()
        self.first: dict[str, str] = {}
        self.rows = 0
        """Whole rows that were lost."""

    def note(self, reason: str, where: str) -> None:
        """Count one more of `reason`."""
        if reason not in self.first:
            self.first[reason] = where
        self[reason] += 1

    def lose_row(self, reason: str, where: str) -> None:
        """Count one more row of which nothing could be used."""
        self.rows += 1
        self.note(f"line: {reason}", where)

    def take_over(self, other: "Dropped") -> None:
        """Add what `other` has."""
        for reason, count in other.items():
            self.first.setdefault(reason, other.first[reason])
            self[reason] += count
        self.rows += other.rows


@dataclass(frozen=True, slots=True)
class Layout:
    """How a table of text or a sheet is laid out; None is found by looking."""

    delimiter: str | None = None
    """One character; a space stands for any run of blanks."""
    decimal: Literal[".", ","] | None = None
    encoding: str | None = None
    skip_rows: int | None = None
    """Rows above the heads."""
    units_rows: int | None = None
    """Rows between the heads and the first row of data."""
    sheet: str | None = None


@dataclass(frozen=True, slots=True)
class Heads:
    """The columns of a table; the three are equally long."""

    names: tuple[str, ...]
    units: tuple[str, ...]
    """As the file writes them; empty where it says nothing."""
    words: tuple[str, ...]
    """What the file says of each column beyond its name."""


class Table(Protocol):
    """One table, to be read once."""

    name: str
    """Of the file and of the part in it, for messages."""
    kind: str
    """The format, in words."""
    unit_of_place: str
    """What the number of a row counts: line, row."""
    heads: Heads
    layout: Layout
    """As given or found; empty where the format leaves nothing open."""
    begins: str
    """When the log begins, ISO 8601, where its times are counted from there; else empty."""
    index: str
    """Name of the column that the file itself calls its index of time; else empty."""

    def rows(self, dropped: Dropped) -> Iterator[Row]:
        """The rows of data; one may be shorter than the heads: its last cells are empty. What cannot be a row is counted.

        Raises:
            FieldLogError: while iterating, where the file cannot be read on.
        """
