"""Finds the line of heads in a table of text or a sheet: what stands above it, the units below it, where the data begin."""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Final, Literal

from monitor.adapters.tables.readers.table import MOST_COLUMNS, FieldLogError, Layout, Row

LOOK_ROWS: Final = 200
MOST_UNITS_ROWS: Final = 3
_NUMBER: Final = re.compile(
    r"[+\u2212-]?(\d+([.,]\d*)*|\d{1,3}([\u00a0\u2009\u202f' ]\d{3})+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?"
)
_TIME: Final = re.compile(r"\d{1,4}([-/.: T]\d{1,4}){1,6}([.,]\d+)?( ?([AaPp][Mm]|Z|[+-]\d\d:?\d\d))?")
_COMMA_NUMBER: Final = re.compile(r"[+-]?(\d{1,3}(\.\d{3})+|\d+),\d+")
_POINT_NUMBER: Final = re.compile(r"[+-]?\d+\.\d+([eE][+-]?\d+)?")
_SURELY: Final = {
    sign: re.compile(
        rf"[+-]?(\d{{1,3}}([{mark}]\d{{3}})+[{sign}]\d+|\d+[{sign}](\d{{1,2}}|\d{{4,}})|(0|\d{{4,}})[{sign}]\d+)"
    )
    for sign, mark in ((",", "."), (".", ","))
}
"""Numbers whose decimal sign is that one for certain: three digits behind it may be a group of a greater number as well."""


@dataclass(frozen=True, slots=True)
class HeadRows:
    """What was found; `ahead` are rows of data that were read on the way."""

    names: tuple[str, ...]
    units: tuple[str, ...]
    skip_rows: int
    units_rows: int
    decimal: Literal[".", ","]
    ahead: list[Row]


def find_heads(name: str, rows: Iterator[Row], layout: Layout, delimiter: str | None) -> HeadRows:
    """Take the first rows off `rows` and find the heads in them, unless `layout` says where they are.

    Raises:
        FieldLogError: there is no line of heads.
    """
    if layout.skip_rows is not None:
        taken = list(islice(rows, layout.skip_rows + 1 + (layout.units_rows or 0)))
        skip, units_rows = layout.skip_rows, layout.units_rows or 0
        if len(taken) <= skip:
            raise FieldLogError(f"{name}: is empty below the {skip} rows that skip_rows passes over")
        look = taken
    else:
        look = taken = list(islice(rows, LOOK_ROWS))
        skip, units_rows = _find(name, [cells for _, cells in look])
    heads = [word.strip() for word in look[skip][1]]
    while heads and not heads[-1]:
        heads.pop()
    if not heads:
        raise FieldLogError(f"{name}: its row {look[skip][0]} should have the names of the columns, and is empty")
    if len(heads) > MOST_COLUMNS:
        raise FieldLogError(f"{name}: has more than {MOST_COLUMNS} columns")
    units = [""] * len(heads)
    for _, cells in taken[skip + 1 : skip + 1 + units_rows]:
        for place, cell in enumerate(cells[: len(heads)]):
            units[place] = units[place] or cell.strip().strip("[]()")
    ahead = taken[skip + 1 + units_rows :]
    decimal = layout.decimal or _decimal([cells for _, cells in ahead], delimiter)
    return HeadRows(tuple(_named(heads)), tuple(units), skip, units_rows, decimal, ahead)


def _named(heads: Sequence[str]) -> list[str]:
    """The heads, each there once: an empty one is called after its place, a second one gets its number behind it."""
    made: list[str] = []
    for place, head in enumerate(heads):
        at, number = head or f"column {place + 1}", 1
        while at in made:
            number += 1
            at = f"{head or 'column'} ({number})"
        made.append(at)
    return made


def like_number(cell: str) -> bool:
    """Whether `cell` is written as a number, with point or comma."""
    return _NUMBER.fullmatch(cell) is not None


def like_data(cell: str) -> bool:
    """Whether `cell` is written as a number or a time."""
    return _NUMBER.fullmatch(cell) is not None or _TIME.fullmatch(cell) is not None


def _is_data(row: Sequence[str]) -> bool:
    cells = [cell for cell in map(str.strip, row) if cell]
    return len(cells) > 0 and sum(map(like_data, cells)) >= 0.5 * len(cells)


def _find(name: str, rows: Sequence[Sequence[str]]) -> tuple[int, int]:
    """(rows above the heads, rows of units below them)."""
    filled = [sum(1 for cell in row if cell.strip()) for row in rows]
    wide = max(filled, default=0)
    if not wide:
        raise FieldLogError(f"{name}: is empty")
    # Rows above a table are narrow ("Report of", "Rig: 7"), and what follows them is no data.
    data = [_is_data(row) and count >= 0.5 * wide for row, count in zip(rows, filled, strict=True)]
    first = next((i for i in range(len(rows)) if data[i] and _goes_on(rows, data, filled, i)), None)
    if first is None:
        head = next(i for i, count in enumerate(filled) if count >= min(2, wide))
        return head, 0
    above = [i for i in range(max(0, first - 1 - MOST_UNITS_ROWS), first) if filled[i] > 1 or filled[i] == wide]
    if not above:
        raise FieldLogError(
            f"{name}: its first row is data already; a first row with the names of the columns is needed to know what is what"
        )
    most = max(filled[i] for i in above)
    head = next(i for i in above if filled[i] >= 0.7 * most)
    return head, first - head - 1


def _goes_on(rows: Sequence[Sequence[str]], data: Sequence[bool], filled: Sequence[int], place: int) -> bool:
    following = [
        is_data for is_data, count in zip(data[place : place + 8], filled[place : place + 8], strict=True) if count
    ]
    # "Rig; 7" above the heads is half a number: two of the three rows after a first one of data are data, too, and after one
    # that is half of it the very next.
    nearest = following[1:4]
    cells = [cell for cell in map(str.strip, rows[place]) if cell]
    if nearest[:1] == [False] and sum(map(like_data, cells)) <= 0.5 * len(cells):
        return False
    return sum(following) >= 0.6 * len(following) and sum(nearest) >= min(2, len(nearest))


def _decimal(rows: Sequence[Sequence[str]], delimiter: str | None) -> Literal[".", ","]:
    cells = [cell.strip() for row in rows for cell in row]
    sure = {sign: sum(1 for cell in cells if form.fullmatch(cell)) for sign, form in _SURELY.items()}
    if sure[","] != sure["."]:
        return "," if sure[","] > sure["."] else "."
    if delimiter == ",":
        return "."
    commas = sum(1 for cell in cells if _COMMA_NUMBER.fullmatch(cell))
    points = sum(1 for cell in cells if _POINT_NUMBER.fullmatch(cell))
    return "," if commas > points else "."
