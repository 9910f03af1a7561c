"""Field logs: tables in text that other people's recorders wrote, made into frames of a rig.

A map (`monitor.adapters.tables.field_map`) says which column is what. A log is taken as it is: with gaps, spikes, repeated
times, clocks that run back, columns that are empty for hours. What cannot be a reading is dropped and counted by reason;
nothing takes its place.
"""

import math
from collections import Counter, deque
from collections.abc import Iterator, Sequence
from itertools import pairwise
from pathlib import Path
from statistics import median
from typing import Final

from monitor.adapters.sessions.gaps import longest_silence_ns
from monitor.adapters.tables.cleaning.cell import FILLED, Cell
from monitor.adapters.tables.cleaning.column import LOAD_STEP, ColumnCleaner, Habits, NumberWords, converted
from monitor.adapters.tables.cleaning.forward_fill import reading_s
from monitor.adapters.tables.cleaning.likely_unit import wrong_unit
from monitor.adapters.tables.cleaning.load import LoadChanges, Ways
from monitor.adapters.tables.cleaning.position import SLOW_S, rare_repeats, usual_speed
from monitor.adapters.tables.cleaning.quality import JUMPED, MAY_BE_OFF, ROWS, Quality
from monitor.adapters.tables.cleaning.zero import ZeroWatch
from monitor.adapters.tables.field_map import LogMap, rig_of, sensor_id
from monitor.adapters.tables.numbers import plain
from monitor.adapters.tables.readers.series import Rows, Series, SortedRows
from monitor.adapters.tables.readers.table import Dropped, FieldLogError, Heads, Layout, Table
from monitor.adapters.tables.resolution import resolution_of
from monitor.adapters.tables.row_times import STEPS, RowTimes, spread
from monitor.model.stream import Action, ActionKind, Frame
from monitor.units import STANDARD_GRAVITY_M_S2, UNITS

LOOK_ROWS: Final = 4000
"""Rows that are read ahead to learn the log's rate."""
LONGEST_GAP_S: Final = 86_400.0
"""Longest gap in one log; after a longer one, a new log begins."""
STILL_M: Final = 0.05
"""A position that moved by no more between two readings was at rest, but for noise."""
CLOCK_BACK: Final = "clock set back by an hour"
CLOCK_FORWARD: Final = "clock set forward by an hour"
BACK_ROWS: Final = 600
"""So many lines in a row with a time before the last good one mean that the clock was set back."""
EARLY_ROWS: Final = 20
"""More rows before the beginning are no stray ones."""
MINUTE_NS: Final = 60_000_000_000


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
        self._at = 0
        self._clock = RowTimes(mapping.time, mapping.decimal == ",")
        self._table: Table | None = None
        self._places: list[int] = []
        self._time_places: list[int] = []
        paths = [paths] if isinstance(paths, Path) else list(paths)
        self._series: Rows = opened or Series(self._in_order(paths), layout_of(mapping))
        if mapping.time.sort:
            self._series = SortedRows(self._series, self._key)
        self.dropped: Dropped = self._series.dropped
        self.name = str(self._series.paths[0])
        times = self._times(LOOK_ROWS)
        if not times:
            raise FieldLogError(self._no_time())
        self.start_ns = times[0]
        self._usual = max(1, round(median(Counter(times).values())))
        """How many rows share a time."""
        if self._clock.spread:
            times = [t_ns for t_ns, _ in spread([(t_ns, None) for t_ns in times], self._usual, MINUTE_NS) if t_ns]
        steps = [later - one for one, later in pairwise(times) if later > one]
        self.period_s = max(0.01, median(steps) * 1e-9) if steps else 1.0
        first = self._first_cells()
        self.reading_s = [reading_s(times, numbers, self.period_s) for times, numbers in first]
        """By column, seconds from one reading to the next: longer than `period_s` where the log is filled forward."""
        self.rig = rig_of(mapping, self.reading_s, self._resolutions())
        self._topics = [self.rig.topic(sensor) for sensor in self.rig.sensors]
        self.quality = Quality(self.period_s)
        usual_m_s = self._usual_m_s(first)
        loads = LoadChanges(LOAD_STEP * self.rig.block.mass_kg * STANDARD_GRAVITY_M_S2)
        ways = Ways()
        self._cleaners = []
        for column, sensor, every_s, (_, numbers) in zip(
            mapping.columns, self.rig.sensors, self.reading_s, first, strict=True
        ):
            rare = rare_repeats(numbers[:: round(every_s / self.period_s)], STILL_M / abs(UNITS[column.unit].scale))
            habits = Habits(loads, ways, self.period_s, every_s, usual_m_s, rare)
            self._cleaners.append(ColumnCleaner(column, mapping, sensor, self.rig, habits))
        self._leads = next(
            (cleaner for cleaner, column in zip(self._cleaners, mapping.columns, strict=True)
             if column.quantity == "block_position"), None,
        )  # fmt: skip
        """Of the position that the height goes by."""
        self._jumps_said = self._doubts_said = 0
        """How many of its jumps, and of the times from which it may be off, the core has been told of."""
        self._zero = self._zero_watch()
        self._held: deque[tuple[int, list[Frame | Action]]] = deque()
        """What the rows hold that wait for it."""
        self._load_n = math.nan
        """The last load."""
        self._off_m = 0.0
        """What the position may be off by."""
        self._judge_units([[n for n in numbers if n is not None] for _, numbers in first])

    @property
    def heads(self) -> Heads:
        """Columns and units as the first file names them."""
        return self._series.first.heads

    @property
    def rows(self) -> int:
        """Rows of data so far, lost ones among them."""
        return self._seen + self.dropped.rows

    @property
    def share(self) -> float:
        """How much of the log has been read, 0 to 1; NaN where it comes from a pipe."""
        return self._series.share

    def _in_order(self, paths: Sequence[Path]) -> list[Path]:
        if len(paths) == 1:
            return list(paths)
        begins = []
        for path in paths:
            self._series = Series([path], layout_of(self._map))
            begins.append(min(self._times(LOOK_ROWS), default=0))
        return [path for _, path in sorted(zip(begins, paths, strict=True), key=lambda pair: pair[0])]

    def _resolutions(self) -> list[float]:
        """How finely each column of the map is written in the first rows."""
        comma = self._map.decimal == ","
        ahead = [row for table, _, row in self._series.ahead(LOOK_ROWS) if table is self._table]
        return [
            resolution_of(plain(row[place].strip(), comma) for row in ahead if place < len(row))
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
        self._clock.restart()
        self._look_up(self._series.first)
        for table, _, row in self._series.ahead(most):
            if table is not self._table:
                break
            t_ns = self._time(row)
            if t_ns is not None:
                times.append(t_ns)
        return times

    def _time(self, row: list[str]) -> int | None:
        """The row's time as it says it, ns; None where it cannot be read."""
        try:
            words = " ".join([row[place].strip() for place in self._time_places])
        except IndexError:
            return None
        return self._clock.read(words)

    def _key(self, table: Table, row: list[str]) -> int | None:
        """The time to sort a row by."""
        if table is not self._table:
            self._look_up(table)
        return self._time(row)

    def _stamped(self) -> Iterator[tuple[int | None, tuple[Table, int, list[str]]]]:
        """Every row with its time; those that share one are spread where the map says so."""
        stamped = self._as_written()
        return spread(stamped, self._usual, MINUTE_NS) if self._clock.spread else stamped

    def _as_written(self) -> Iterator[tuple[int | None, tuple[Table, int, list[str]]]]:
        self._clock.restart()
        for item in self._series:
            if item[0] is not self._table:
                self._look_up(item[0])
            yield self._time(item[2]), item

    def _first_cells(self) -> list[tuple[list[int], list[float | None]]]:
        """Of each column the times, ns, and numbers of the first rows; None where there is no number."""
        words = NumberWords(self._map)
        found: list[tuple[list[int], list[float | None]]] = [([], []) for _ in self._map.columns]
        self._clock.restart()
        rows = [(self._time(row), row) for table, _, row in self._series.ahead(LOOK_ROWS) if table is self._table]
        for t_ns, row in spread(rows, self._usual, MINUTE_NS) if self._clock.spread else rows:
            if t_ns is None:
                continue
            for place, column, (times, numbers) in zip(self._places, self._map.columns, found, strict=True):
                number, reason = words.number(row[place] if place < len(row) else "")
                number = converted(column, number)
                times.append(t_ns)
                numbers.append(None if reason else number)
        return found

    def _usual_m_s(self, first: Sequence[tuple[list[int], list[float | None]]]) -> float:
        """The fastest that the block goes by the first rows; infinite where they do not tell."""
        for column, (times, numbers) in zip(self._map.columns, first, strict=True):
            if column.quantity == "block_position":
                unit = UNITS[column.unit]
                return usual_speed(
                    [Cell(t_ns, n, unit.to_si(n)) for t_ns, n in zip(times, numbers, strict=True) if n is not None]
                )
        return math.inf

    def _zero_watch(self) -> ZeroWatch | None:
        """What watches where the position counts from; None where its readings come so quickly that each jump shows by itself."""
        for column, topic, every_s in zip(self._map.columns, self._topics, self.reading_s, strict=True):
            if column.quantity == "block_position":
                self._lead_topic, self._lead_id = topic, sensor_id(column)
                return ZeroWatch(self.rig.block.mass_kg * STANDARD_GRAVITY_M_S2) if every_s > SLOW_S else None
        return None

    def _judge_units(self, samples: Sequence[Sequence[float]]) -> None:
        """Stop at a column that cannot be in its unit.

        Raises:
            FieldLogError: there is one.
        """
        for column, cleaner, numbers in zip(self._map.columns, self._cleaners, samples, strict=True):
            if cleaner.believable is None:
                continue
            wrong = wrong_unit(numbers, column.unit, cleaner.believable)
            if wrong is not None:
                raise FieldLogError(f"{self.name}: column {column.column!r}: {wrong}")

    # --- reading it --------------------------------------------------------------------------------------------------

    def frames(self) -> Iterator[Frame]:
        """Every good reading as a frame, in order of time."""
        return (item for item in self.inputs() if isinstance(item, Frame))

    def inputs(self) -> Iterator[Frame | Action]:
        """Every good reading as a frame, in order of time; before one from which the position goes on elsewhere, that it does."""
        cleaners, columns = self._cleaners, self._map.columns
        waiting: deque[tuple[int, int, list[Cell]]] = deque()
        for t_ns, row in self._timed_lines():
            cells = [
                cleaner.take(t_ns, row[place] if place < len(row) else "")
                for cleaner, place in zip(cleaners, self._places, strict=True)
            ]
            waiting.append((t_ns, self._at, cells))
            while waiting and all(cell.settled for cell in waiting[0][2]):
                yield from self._settled(*waiting.popleft())
        for cleaner in cleaners:
            cleaner.finish()
        while waiting:
            yield from self._settled(*waiting.popleft())
        while self._held:
            yield from self._let_go()
        for column, cleaner in zip(columns, cleaners, strict=True):
            for t_ns, _ in cleaner.jumps:
                self.quality.add(sensor_id(column), JUMPED, t_ns, t_ns)
        if not self.readings:
            raise FieldLogError(f"{self.name}: not one reading in it could be used: {self.words()}")
        self._judge_units([cleaner.sample for cleaner in cleaners])

    def _settled(self, t_ns: int, number: int, cells: Sequence[Cell]) -> Iterator[Frame | Action]:
        """A row is settled: what it holds, or rows before it that waited until it was known where the position counts from."""
        items = list(self._items(t_ns, number, cells))
        zero = self._zero
        if zero is None:
            yield from items
            return
        position_m = jumped_m = math.nan
        for column, cell in zip(self._map.columns, cells, strict=True):
            if not cell.reason and column.quantity == "hook_load":
                self._load_n = cell.si
            elif not cell.reason and column.quantity == "block_position":
                position_m = cell.si
        if math.isnan(position_m):
            zero.pass_to(t_ns)
        else:
            jumped_m = sum(item.number or 0.0 for item in items if isinstance(item, Action))
            zero.take(t_ns, position_m, self._load_n, jumped_m)
        self._held.append((t_ns, items))
        while self._held and self._held[0][0] < zero.settled_ns:
            yield from self._let_go()

    def _let_go(self) -> Iterator[Frame | Action]:
        """What the first of the rows that waited holds, and before its readings how far off they may be."""
        t_ns, items = self._held.popleft()
        yield from (item for item in items if isinstance(item, Action))
        doubts = [] if self._zero is None else self._zero.doubts
        while self._doubts_said < len(doubts) and doubts[self._doubts_said][0] <= t_ns:
            self._off_m = doubts[self._doubts_said][1]
            self._doubts_said += 1
            yield Action(t_ns, ActionKind.BOUND_HEIGHT, number=round(self._off_m, 3), who="import")
        for item in items:
            if isinstance(item, Frame):
                if self._off_m and item.topic == self._lead_topic:
                    self.quality.add(self._lead_id, MAY_BE_OFF, t_ns, t_ns)
                yield item

    def _items(self, t_ns: int, number: int, cells: Sequence[Cell]) -> Iterator[Frame | Action]:
        """The readings of one row as frames; what is dropped of it is counted."""
        while (
            self._leads is not None
            and self._jumps_said < len(jumps := self._leads.jumps)
            and jumps[self._jumps_said][0] <= t_ns
        ):
            yield Action(t_ns, ActionKind.DOUBT_HEIGHT, number=round(jumps[self._jumps_said][1], 3), who="import")
            self._jumps_said += 1
        for column, topic, cell in zip(self._map.columns, self._topics, cells, strict=True):
            if cell.reason:
                self.dropped.note(f"{column.column}: {cell.reason}", self._where(number))
                if cell.reason != FILLED:
                    self.quality.add(sensor_id(column), cell.reason.partition(" (")[0], t_ns, t_ns)
                continue
            self.readings += 1
            value = cell.number
            text = str(int(value)) if value.is_integer() else repr(value)
            yield Frame(t_ns, topic, b'{"value":%s}' % text.encode())

    def _timed_lines(self) -> Iterator[tuple[int, list[str]]]:
        """Every line whose time can be read and is later than the one before, with its time, ns. Counts the others, and gaps.

        Raises:
            FieldLogError: the clock was set back, or the log has a gap of more than `LONGEST_GAP_S`.
        """
        before_ns = back = ended_ns = summer_ns = early = 0
        gap_ns = longest_silence_ns(sensor.rate_hz for sensor in self.rig.sensors)
        step_ns = round(STEPS * self.period_s * 1e9)
        self._table = at_table = None
        for said_ns, (table, number, row) in self._stamped():
            if table is not self._table:
                self._look_up(table)
            if table is not at_table:
                at_table = table
                ended_ns = before_ns
            self._seen += 1
            if said_ns is None:
                if any(word.strip() for word in row):
                    self.dropped.note("line: time cannot be read", self._where(number))
                else:
                    self.dropped.note("line: empty", self._where(number))
                continue
            t_ns = said_ns + summer_ns
            if before_ns and not 0 < t_ns - before_ns <= step_ns:
                by_ns = self._summer_step_ns(before_ns, t_ns, said_ns)
                if by_ns:
                    self.quality.add(ROWS, CLOCK_BACK if by_ns > 0 else CLOCK_FORWARD, before_ns, t_ns + by_ns)
                    summer_ns += by_ns
                    t_ns += by_ns
            if t_ns <= ended_ns:
                self.dropped.note("line: time is in the file before already", self._where(number))
                early += t_ns < self.start_ns
                if early > EARLY_ROWS:
                    raise FieldLogError(
                        f"{table.name}: lies before the beginning of the log: its parts are not in the order of their times; with"
                        " sort = true under [time] in the map they are put in it"
                    )
                continue
            if t_ns <= before_ns:
                self.dropped.note(
                    "line: time repeated" if t_ns == before_ns else "line: time runs back", self._where(number)
                )
                back += 1
                if back > BACK_ROWS:
                    raise FieldLogError(
                        f"{table.name}: some {back} {table.unit_of_place}s before {table.unit_of_place} {number} the time runs"
                        " back and stays back: the clock was set, or rows are out of order. Mend the time, or import the parts"
                        " one by one; with sort = true under [time] in the map the rows are put in the order of their times"
                    )
                continue
            back = 0
            if before_ns > ended_ns and t_ns - before_ns > LONGEST_GAP_S * 1e9:
                raise FieldLogError(
                    f"{self._where(number)} comes {(t_ns - before_ns) / 3.6e12:.0f} h after the one before: "
                    "if the clock was set, mend the time; else import the parts one by one"
                )
            if before_ns and t_ns - before_ns > gap_ns:
                self.gaps += 1
                self.quality.add(ROWS, "no rows", before_ns, t_ns)
            before_ns = t_ns
            self._at = number
            yield t_ns, row

    def _summer_step_ns(self, before_ns: int, t_ns: int, said_ns: int) -> int:
        """What the clock of the log was set by at the row that says `said_ns`, if the row after it agrees; else 0."""
        if self._clock.spread:
            return 0
        after = next((self._time(row) for table, _, row in self._series.ahead(1) if table is self._table), None)
        next_ns = None if after is None else t_ns + after - said_ns
        return self._clock.summer_step_ns(before_ns, t_ns, next_ns, self.period_s)

    def _where(self, number: int) -> str:
        table = self._table
        return f"{table.name} {table.unit_of_place} {number}" if table is not None else ""

    def words(self) -> str:
        """What was taken and what was dropped, in one sentence."""
        dropped = ", ".join(f"{count} {key}" for key, count in self.dropped.items()) or "nothing"
        return f"{self.readings} readings from {self.rows} lines, {self.gaps} gaps; dropped: {dropped}"
