"""Field logs: tables in text that other people's recorders wrote, made into frames of a rig.

A map (`monitor.adapters.tables.field_map`) says which column is what. A log is taken as it is: with gaps, spikes, repeated
times, clocks that run back, columns that are empty for hours. What cannot be a reading is dropped and counted by reason;
nothing takes its place.
"""

import math
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from statistics import median
from typing import Final

from monitor.adapters.tables.field_map import LogColumn, LogMap, iso_ns, rig_of
from monitor.adapters.tables.readers.series import Series
from monitor.adapters.tables.readers.table import Dropped, FieldLogError, Layout, Table
from monitor.adapters.tables.resolution import resolution_of
from monitor.model.stream import Frame

LOOK_ROWS: Final = 4000
"""Rows that are read ahead to learn the log's rate."""
LONGEST_GAP_S: Final = 86_400.0
"""Longest gap in one log; after a longer one, a new log begins."""
BACK_ROWS: Final = 600
"""So many lines in a row with a time before the last good one mean that the clock was set back."""
_EPOCH_SCALES: Final = {"s": 10**9, "ms": 10**6, "us": 10**3, "ns": 1}


def layout_of(mapping: LogMap) -> Layout:
    """How the map says that the log is laid out."""
    return Layout(
        mapping.delimiter, mapping.decimal, mapping.encoding, mapping.skip_rows, mapping.units_rows, mapping.sheet
    )


class FieldLog:
    """One log in one or more files, ready to be read once. `dropped` fills while `frames` is read."""

    def __init__(self, paths: Path | Sequence[Path], mapping: LogMap, opened: Series | None = None) -> None:
        """Look at the log's head: its columns, its rate, its beginning. Several files are put in the order of their times.

        `opened` is the log where it was opened already, to be looked at.

        Raises:
            FieldLogError: it is missing, no table, lacks a column of the map, or has no readable time.
            ConfigError: the rig cannot be used with these columns.
        """
        self._map = mapping
        self._seen = self.readings = self.gaps = 0
        self.begun = False
        self._at = 0
        self._start_offset_ns = 0
        if mapping.time.format == "elapsed_s":
            self._start_offset_ns = iso_ns(mapping.time.start, 0)
        self._table: Table | None = None
        self._places: list[int] = []
        self._time_places: list[int] = []
        paths = [paths] if isinstance(paths, Path) else list(paths)
        self._series = opened or Series(self._in_order(paths), layout_of(mapping))
        self.dropped: Dropped = self._series.dropped
        self.name = str(self._series.paths[0])
        times = self._times(LOOK_ROWS)
        if not times:
            raise FieldLogError(self._no_time())
        self.start_ns = times[0]
        steps = [later - one for one, later in pairwise(times) if later > one]
        self.period_s = max(0.01, median(steps) * 1e-9) if steps else 1.0
        self.rig = rig_of(mapping, self.period_s, self._resolutions())
        self._topics = [self.rig.topic(sensor) for sensor in self.rig.sensors]
        self._ranges = [sensor.range for sensor in self.rig.sensors]

    @property
    def rows(self) -> int:
        """Rows of data so far, lost ones among them."""
        return self._seen + self.dropped.rows

    def _in_order(self, paths: Sequence[Path]) -> list[Path]:
        if len(paths) == 1:
            return list(paths)
        begins = []
        for path in paths:
            self._series = Series([path], layout_of(self._map))
            begins.append(next(iter(self._times(LOOK_ROWS)), 0))
        return [path for _, path in sorted(zip(begins, paths, strict=True), key=lambda pair: pair[0])]

    def _resolutions(self) -> list[float]:
        """How finely each column of the map is written in the first rows."""
        comma = self._map.decimal == ","
        ahead = [row for table, _, row in self._series.ahead(LOOK_ROWS) if table is self._table]
        return [
            resolution_of(
                row[place].replace(".", "").replace(",", ".") if comma else row[place]
                for row in ahead
                if place < len(row)
            )
            for place in self._places
        ]

    def _no_time(self) -> str:
        name = self._series.first.name
        row = next((row for _, _, row in self._series.ahead(LOOK_ROWS) if any(word.strip() for word in row)), None)
        if row is None:
            return f"{name}: there is no line of data below its heads"
        words = " ".join(row[place].strip() for place in self._time_places if place < len(row))
        return (
            f"{name}: no line of it has a readable time: the first says {words[:60]!r}, and time.format in the map is "
            f"{self._map.time.format!r}; check that, time.columns and units_rows"
        )

    def _look_up(self, table: Table) -> None:
        """Where the map's columns are in `table`, which begins."""
        heads = table.heads.names
        wanted = [*self._map.time.columns, *(column.column for column in self._map.columns)]
        lacking = [name for name in wanted if name not in heads]
        if lacking:
            have = ", ".join(repr(head[:40]) for head in heads[:40])
            raise FieldLogError(
                f"{table.name}: has no column {', '.join(map(repr, lacking))}; its columns: {have or 'none'}"
            )
        if self._table is not None:
            before = dict(zip(self._table.heads.names, self._table.heads.units, strict=True))
            now = dict(zip(heads, table.heads.units, strict=True))
            for name in wanted:
                if before[name] != now[name]:
                    raise FieldLogError(
                        f"{table.name}: column {name!r} is in {now[name] or 'no named unit'}, in {self._table.name} it is in "
                        f"{before[name] or 'no named unit'}; import the two one by one, each with its own map"
                    )
        self._table = table
        self._time_places = [heads.index(name) for name in self._map.time.columns]
        self._places = [heads.index(column.column) for column in self._map.columns]

    def _times(self, most: int) -> list[int]:
        """The times of the first rows, ns."""
        times: list[int] = []
        self._table = None
        self._look_up(self._series.first)
        for table, _, row in self._series.ahead(most):
            if table is not self._table:
                break
            t_ns = self._time(row)
            if t_ns is not None:
                times.append(t_ns)
        return times

    def _time(self, row: list[str]) -> int | None:
        """The row's time, ns; None where it cannot be read."""
        try:
            words = " ".join(row[place].strip() for place in self._time_places)
            how = self._map.time.format
            if how in _EPOCH_SCALES or how == "elapsed_s":
                number = float(words.replace(",", ".") if self._map.decimal == "," else words)
                scale = _EPOCH_SCALES.get(how, 10**9)
                t_ns = self._start_offset_ns + round(number * scale)
            elif how == "iso8601":
                t_ns = iso_ns(words, self._map.time.utc_offset_h)
            else:
                when = datetime.strptime(words, how)
                zone_s = 0.0 if when.tzinfo else self._map.time.utc_offset_h * 3600.0
                when = when if when.tzinfo else when.replace(tzinfo=UTC)
                t_ns = round((when.timestamp() - zone_s) * 1e6) * 1000
        except (ValueError, OverflowError, IndexError):
            return None
        return t_ns if 0 < t_ns < 1 << 62 else None

    # --- reading it --------------------------------------------------------------------------------------------------

    def frames(self) -> Iterator[Frame]:
        """Every good reading as a frame, in order of time."""
        self.begun = True
        filters = [_ColumnFilter(column, self._map) for column in self._map.columns]
        for t_ns, row in self._timed_lines():
            places = self._places
            for accepted, place, topic, bounds in zip(filters, places, self._topics, self._ranges, strict=True):
                value, reason = accepted.value(row[place] if place < len(row) else "", t_ns, bounds)
                if reason:
                    self.dropped.note(reason, self._where(self._at))
                else:
                    self.readings += 1
                    text = str(int(value)) if value.is_integer() else repr(value)
                    yield Frame(t_ns, topic, b'{"value":%s}' % text.encode())
        if not self.readings:
            raise FieldLogError(f"{self.name}: not one reading in it could be used: {self.words()}")

    def _timed_lines(self) -> Iterator[tuple[int, list[str]]]:
        """Every line whose time can be read and is later than the one before, with its time, ns. Counts the others, and gaps.

        Raises:
            FieldLogError: the clock was set back, or the log has a gap of more than `LONGEST_GAP_S`.
        """
        before_ns = back = ended_ns = 0
        gap_ns = max(2.0, 10.0 * self.period_s) * 1e9
        self._table = None
        for table, number, row in self._series:
            if table is not self._table:
                self._look_up(table)
                ended_ns = before_ns
            self._seen += 1
            if not any(word.strip() for word in row):
                self.dropped.note("line: empty", self._where(number))
                continue
            t_ns = self._time(row)
            if t_ns is None:
                self.dropped.note("line: time cannot be read", self._where(number))
                continue
            if t_ns <= ended_ns:
                self.dropped.note("line: time is in the file before already", self._where(number))
                continue
            if t_ns <= before_ns:
                self.dropped.note(
                    "line: time repeated" if t_ns == before_ns else "line: time runs back", self._where(number)
                )
                back += 1
                if back > BACK_ROWS:
                    raise FieldLogError(
                        f"{table.name}: some {back} {table.unit_of_place}s before {table.unit_of_place} {number} the time runs"
                        " back and stays back: the clock was set. Mend the time, or import the parts one by one"
                    )
                continue
            back = 0
            if before_ns > ended_ns and t_ns - before_ns > LONGEST_GAP_S * 1e9:
                raise FieldLogError(
                    f"{self._where(number)} comes {(t_ns - before_ns) / 3.6e12:.0f} h after the one before: "
                    "if the clock was set, mend the time; else import the parts one by one"
                )
            self.gaps += bool(before_ns) and t_ns - before_ns > gap_ns
            before_ns = t_ns
            self._at = number
            yield t_ns, row

    def _where(self, number: int) -> str:
        table = self._table
        return f"{table.name} {table.unit_of_place} {number}" if table is not None else ""

    def words(self) -> str:
        """What was taken and what was dropped, in one sentence."""
        dropped = ", ".join(f"{count} {key}" for key, count in self.dropped.items()) or "nothing"
        return f"{self.readings} readings from {self.rows} lines, {self.gaps} gaps; dropped: {dropped}"


class _ColumnFilter:
    """Accepts or refuses the readings of one column."""

    def __init__(self, column: LogColumn, mapping: LogMap) -> None:
        self._column = column
        self._missing = frozenset(word.strip() for word in mapping.missing)
        self._comma = mapping.decimal == ","
        self._recent: tuple[int, float] | None = None
        self._refused = 0

    def value(self, word: str, t_ns: int, bounds: tuple[float, float]) -> tuple[float, str]:
        """The reading in `word`, and nothing; or NaN, and why it is none."""
        value, reason = self._number(word.strip())
        reason = reason or self._objection(t_ns, value, bounds)
        if reason:
            return math.nan, f"{self._column.column}: {reason}"
        self._recent = t_ns, value
        return value, ""

    def _number(self, word: str) -> tuple[float, str]:
        """The number in `word`, or NaN and why there is none."""
        if not word:
            return math.nan, "missing"
        if word in self._missing:
            return math.nan, f"marked missing ({word[:12]})"
        try:
            return float(word.replace(".", "").replace(",", ".") if self._comma else word), ""
        except ValueError:
            return math.nan, "not a number"

    def _objection(self, t_ns: int, value: float, bounds: tuple[float, float]) -> str:
        """Why the number cannot be a reading; empty where it can."""
        column = self._column
        if not math.isfinite(value):
            return "not a finite number"
        if value == 0.0 and column.zero_is_missing:
            return "zero where none can be"
        if not bounds[0] <= value <= bounds[1]:
            return f"out of range ({bounds[0]:g} to {bounds[1]:g} {column.unit})"
        if self._jumps(t_ns, value):
            return f"changes faster than {column.max_rate:g} {column.unit}/s"
        return ""

    def _jumps(self, t_ns: int, value: float) -> bool:
        """Whether the reading lies too far from the one before. After three refusals in a row the new level is accepted."""
        if self._column.max_rate is None or self._recent is None:
            return False
        then, before = self._recent
        if abs(value - before) <= self._column.max_rate * (t_ns - then) * 1e-9 or self._refused >= 3:
            self._refused = 0
            return False
        self._refused += 1
        return True
