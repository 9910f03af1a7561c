"""A map for a log that nobody has described, with the evidence for each choice, and the doubtful ones named."""

import json
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from monitor.adapters.tables.cleaning.forward_fill import filled_rows
from monitor.adapters.tables.field_map import ELAPSED_S, LogMap, iso_ns, without_date
from monitor.adapters.tables.numbers import number_in
from monitor.adapters.tables.proposal.origin import with_origin
from monitor.adapters.tables.proposal.quantities import FoundColumn, find_columns, sampled
from monitor.adapters.tables.proposal.times import NO_DATE, FoundTime, find_time
from monitor.adapters.tables.readers.head_rows import like_number
from monitor.adapters.tables.readers.series import Series
from monitor.adapters.tables.readers.table import FieldLogError, Layout, Table
from monitor.config.rig import Rig
from monitor.model.quantities import QUANTITIES
from monitor.text import one_line
from monitor.units import UNITS

MOST_ROWS: Final = 20_000
MOST_CELLS: Final = 600_000
"""Cells that are looked at: as many rows as that makes, however wide the table is."""
LEAST_REPEATS: Final = 3
ALONE: Final = 0.05
"""So near to a mark for no reading, as a share of it, there is no other number: else it is one of them."""


@dataclass(frozen=True, slots=True)
class Choice:
    """One choice: what, how it was made, why."""

    what: str
    value: str
    evidence: str


@dataclass(frozen=True, slots=True)
class Proposal:
    """A whole map, as text to be written, and what was thought of it."""

    toml: str
    choices: tuple[Choice, ...]
    doubts: tuple[str, ...]
    unused: tuple[str, ...]


def propose(series: Series, rig: Rig, rig_words: str, rig_named: bool) -> Proposal:
    """A map for the log that `series` reads, on `rig`, which the map calls `rig_words`. The rows come again afterwards.

    Raises:
        FieldLogError: there is no time, no block position or no load that could be told; the message says what there is.
    """
    table = series.first
    heads = table.heads
    most = max(200, min(MOST_ROWS, MOST_CELLS // max(1, len(heads.names))))
    rows = [cells for of, _, cells in series.ahead(most) if of is table]
    if not rows:
        raise FieldLogError(f"{table.name}: there is no line of data below its heads")
    columns = [[row[place] if place < len(row) else "" for row in rows] for place in range(len(heads.names))]
    comma = table.layout.decimal == ","
    pointed = [[_pointed(cell) for cell in cells] for cells in columns] if comma else columns
    time = find_time(heads.names, heads.units, pointed, table.index)
    have = ", ".join(repr(one_line(name)[:40]) for name in heads.names[:40])
    if time is None:
        raise FieldLogError(
            f"{table.name}: no column of it could be read as a time with its date ({len(rows)} rows looked at); write a map by "
            f"hand (--example prints one). Its columns: {have}"
        )
    judged = [
        sampled(name, unit, words, cells, comma)
        for name, unit, words, cells in zip(heads.names, heads.units, heads.words, columns, strict=True)
        if name not in time.columns
    ]
    by_head = {column.head: column for column in judged}
    found = [with_origin(each, by_head[each.column], rig) for each in find_columns(judged, rig)]
    missing = _missing([columns[heads.names.index(each.column)] for each in found], found, rig, comma)
    found, own = _with_own_sensors(found, rig, rig_named)
    _check(table, found, have)
    doubts = [*time.doubts, *(doubt for each in found for doubt in each.doubts)]
    start = ""
    if time.format in ELAPSED_S or without_date(time.format):
        start, doubt = _start(table)
        doubts += [doubt] if doubt else []
    if not rig_named:
        doubts.insert(
            0,
            f"rig: none is named (--rig); {rig.name}'s mast, line and limits are taken, which are not this rig's",
        )
    zeros = {
        each.column: _zeros(columns[heads.names.index(each.column)], comma)
        for each in found
        if each.quantity == "hook_load" and not each.add
    }
    for name, count in zeros.items():
        if count:
            doubts.append(f"hook load: {count} zeros in {name!r} stand between loads; they are taken for no reading")
    zero_columns = {name for name, count in zeros.items() if count}
    filled = [
        _filled(each, columns[heads.names.index(each.column)], comma, missing)
        for each in found
        if QUANTITIES[each.quantity].role in ("position", "load")
    ]
    used = {*time.columns, *(each.column for each in found)}
    return Proposal(
        _toml(rig_words, table.layout, time, start, found, own, missing, zero_columns, doubts),
        _choices(table, time, found, missing, len(rows), [words for words in filled if words]),
        tuple(doubts),
        tuple(name for name in heads.names if name not in used),
    )


def _pointed(cell: str) -> str:
    """A number that is written with a comma, with a point; a date with points stays one."""
    return cell.replace(",", ".") if like_number(cell.strip()) else cell


def _filled(each: FoundColumn, cells: Sequence[str], comma: bool, missing: Sequence[str]) -> str:
    """What is to say of a column whose readings are repeated in the rows until the next one comes; else nothing."""
    rows = filled_rows([_number(cell, comma) if cell.strip() not in missing else None for cell in cells])
    return f"each reading of {each.column} stands in {rows} rows, and is taken once" if rows > 1 else ""


def _number(cell: str, comma: bool) -> float | None:
    try:
        return number_in(cell, comma)
    except ValueError:
        return None


def _numbers(cells: Sequence[str], comma: bool) -> list[float]:
    return [number for cell in cells if (number := _number(cell, comma)) is not None]


def _with_own_sensors(
    found: Sequence[FoundColumn], rig: Rig, rig_named: bool
) -> tuple[list[FoundColumn], dict[str, str]]:
    """The columns without counts of which nothing is known, and the rig's own sensor of those of which it is: by column."""
    kept, own = [], {}
    for each in found:
        if each.quantity != "drum_counts":
            kept.append(each)
            continue
        sensor = rig.sensor_of("drum_counts") if rig_named else None
        if sensor is not None:
            own[each.column] = sensor.id
            doubt = (
                f"drum encoder: counts per turn, bits and sense of {each.column!r} are those of the rig's {sensor.id!r}"
            )
            kept.append(replace(each, doubts=(*each.doubts, doubt)))
    return kept, own


def _check(table: Table, found: Sequence[FoundColumn], have: str) -> None:
    roles = {QUANTITIES[each.quantity].role for each in found}
    lacking = [
        words
        for role, words in (("position", "the block's position (or drum counts)"), ("load", "the hook load"))
        if role not in roles
    ]
    if lacking:
        raise FieldLogError(
            f"{table.name}: no column could be told to be {' nor '.join(lacking)}; write a map by hand (--example prints one). "
            f"Its columns: {have}"
        )


def _start(table: Table) -> tuple[str, str]:
    """(when a log of elapsed seconds begins, what is doubtful in that)."""
    if table.begins:
        try:
            iso_ns(table.begins, 0)
            return (
                table.begins,
                f"time: it is counted from {table.begins!r}, which the header gives; check time.start",
            )
        except (ValueError, OverflowError):
            pass
    return NO_DATE, f"time: nothing says when the log begins; {NO_DATE} is taken (time.start)"


def _missing(columns: Sequence[Sequence[str]], found: Sequence[FoundColumn], rig: Rig, comma: bool) -> tuple[str, ...]:
    """Words for "no reading": those of every map that are there, and whatever else is repeated far outside of all readings."""
    usual = LogMap.model_fields["missing"].default
    words: Counter[str] = Counter()
    for each, cells in zip(found, columns, strict=True):
        unit = UNITS[each.unit]
        numbers = _numbers(cells, comma)
        for word, count in Counter(cell.strip() for cell in cells).items():
            if not word or count < LEAST_REPEATS:
                continue
            number = _number(word, comma)
            if number is None:
                words[word[:40]] += count
                continue
            far = each.quantity == "block_position" and not abs(unit.to_si(number)) < 4.0 * rig.mast.crown_m
            far = far or (
                unit.dimension == "force" and number < 0 and unit.to_si(number) < -0.2 * rig.block.rated_load_kg * 10
            )
            alone = sum(abs(other - number) < ALONE * abs(number) for other in numbers) <= count
            if far or (alone and word.lstrip("+-") in ("999.25", "9999", "99999", "999")):
                words[word] += count
    return (*usual, *(word for word, _ in words.most_common(12) if word not in usual))


def _zeros(cells: Sequence[str], comma: bool) -> int:
    """Zeros between loads that are none, where they are many enough to be a habit."""
    numbers = []
    for cell in cells:
        try:
            numbers.append(number_in(cell, comma))
        except ValueError:
            continue
    loads = sorted(number for number in numbers if number > 0.0)
    least = 0.5 * loads[len(loads) // 10] if loads else 0.0
    alone = sum(
        number == 0.0 and before > least and after > least
        for before, number, after in zip(numbers, numbers[1:], numbers[2:], strict=False)
    )
    return alone if alone >= LEAST_REPEATS else 0


def _choices(
    table: Table,
    time: FoundTime,
    found: Sequence[FoundColumn],
    missing: Sequence[str],
    rows: int,
    filled: Sequence[str],
) -> tuple[Choice, ...]:
    layout = table.layout
    laid = [
        f"delimiter {layout.delimiter!r}" if layout.delimiter else "",
        f"decimal {layout.decimal!r}" if layout.decimal else "",
        layout.encoding or "",
        f"sheet {layout.sheet!r}" if layout.sheet else "",
        f"rows above the heads: {layout.skip_rows}" if layout.skip_rows else "",
        f"rows of units: {layout.units_rows}" if layout.units_rows else "",
    ]
    found_words = [word for word in missing if word not in LogMap.model_fields["missing"].default]
    made = [
        Choice("file", table.kind, ", ".join(part for part in laid if part) or "says itself what it holds"),
        Choice("time", f"{' + '.join(time.columns)} as {time.format}", time.evidence),
        *(Choice(each.quantity, f"{each.column} in {each.unit}", each.evidence) for each in found),
    ]
    made += [Choice("filled", "forward", words) for words in filled]
    if found_words:
        made.append(
            Choice(
                "missing",
                ", ".join(found_words),
                f"again and again in the {rows} rows looked at, and no reading: left out",
            )
        )
    return tuple(made)


def _quoted(text: str) -> str:
    """`text` as a TOML basic string."""
    return json.dumps(text.encode("utf-8", "replace").decode(), ensure_ascii=False).replace("\x7f", "\\u007f")


def _toml(
    rig: str,
    layout: Layout,
    time: FoundTime,
    start: str,
    found: Sequence[FoundColumn],
    own: Mapping[str, str],
    missing: Sequence[str],
    zeros: set[str],
    doubts: Sequence[str],
) -> str:
    lines = ["# Proposed by looking at the log; every choice can be changed here."]
    lines += [f"# Doubtful: {one_line(doubt)}" for doubt in doubts]
    lines += ["format = 1", f"rig = {_quoted(rig)}"]
    given = {
        "delimiter": layout.delimiter, "decimal": layout.decimal, "encoding": layout.encoding, "sheet": layout.sheet,
        "skip_rows": layout.skip_rows, "units_rows": layout.units_rows,
    }  # fmt: skip
    for name, value in given.items():
        if value is not None:
            lines.append(f"{name} = {value if isinstance(value, int) else _quoted(value)}")
    lines.append(f"missing = [{', '.join(map(_quoted, missing))}]")
    lines += ["", "[time]", f"columns = [{', '.join(map(_quoted, time.columns))}]  # {one_line(time.evidence)}"]
    lines.append(f"format = {_quoted(time.format)}")
    if start:
        lines.append(f"start = {_quoted(start)}")
    lines += ["sort = true"] * bool(time.sort) + ["spread = true"] * (time.shared > 1)
    for each in found:
        lines += [
            "", "[[columns]]", f"column = {_quoted(each.column)}  # {one_line(each.evidence)}",
            f"quantity = {_quoted(each.quantity)}", f"unit = {_quoted(each.unit)}",
        ]  # fmt: skip
        if each.column in own:
            lines.append(f"sensor = {_quoted(own[each.column])}")
        if each.column in zeros:
            lines.append("zero_is_missing = true")
        lines += [f"sense = {each.sense}"] * (each.sense != 1) + [f"add = {each.add:g}"] * (each.add != 0.0)
    return "\n".join(lines) + "\n"
