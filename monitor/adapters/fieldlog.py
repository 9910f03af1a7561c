"""Field logs: tables in text that other people's recorders wrote, made into frames of a rig.

A map (TOML) says which column is what; the log's readings become messages on the topics of a rig that is like a given one
but has the log's sensors. A log is taken as it is found: with gaps, spikes, repeated times, clocks that run back, columns
that are empty for hours. What cannot be a reading is dropped and counted by reason, and nothing is made up for it.
`EXAMPLE` is a map with everything in it.
"""

import csv
import json
import math
from collections import Counter
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from statistics import median
from typing import Annotated, Any, Final, Literal

from pydantic import Field

from monitor.config import Finite, Model, NotNegative, Positive, Rig, find_rig
from monitor.configfile import ConfigError, read_toml, validate
from monitor.core.quantities import QUANTITIES
from monitor.core.types import Frame
from monitor.errors import UserError
from monitor.units import UNITS

EXAMPLE: Final = """\
format = 1
rig = "land"                       # shipped rig or rig file: its mast, drum, line, brake
delimiter = ","                    # left out: found by looking
decimal = "."
skip_rows = 0                      # rows above the heads
units_rows = 0                     # rows between the heads and the first line of data
missing = ["-999.25", "NULL"]      # words for "no reading", besides the empty cell

[time]
columns = ["date", "time"]         # one or more; joined by a space
format = "%d.%m.%Y %H:%M:%S"       # strptime's, or: s, ms, us, ns, iso8601, elapsed_s
utc_offset_h = 0.0
start = "2026-01-01T00:00:00"      # of a log with elapsed seconds

[[columns]]
column = "Block Pos"
quantity = "block_position"        # as in a rig's file
unit = "ft"
range = [-5, 140]                  # what can be; left out: wide limits for the quantity
max_rate = 12                      # fastest change per second that can be, in the column's unit
zero_is_missing = false            # a zero is no reading
sigma = 0.1                        # noise
"""
LOOK_ROWS: Final = 4000
"""Rows that are read ahead to learn the log's rate."""
LONGEST_GAP_S: Final = 86_400.0
"""A log with a longer hole is two logs: what came before it says nothing about what comes after."""
BACK_ROWS: Final = 600
"""So many lines in a row with a time before the last good one are no stutter but a clock that was set back."""
_EPOCH_SCALES: Final = {"s": 10**9, "ms": 10**6, "us": 10**3, "ns": 1}
_HEAD_BYTES: Final = 65_536


class FieldLogError(UserError):
    """A log or a map that cannot be used; the message says which, what is wrong, and what to do."""


class TimeColumns(Model):
    """Where the time stands and how it is written."""

    columns: Annotated[tuple[str, ...], Field(min_length=1)]
    format: str = "iso8601"
    utc_offset_h: Finite = 0.0
    start: str = ""


class LogColumn(Model):
    """One column that is a sensor."""

    column: str
    quantity: str
    unit: str
    id: str = ""
    range: tuple[Finite, Finite] | None = None
    max_rate: Positive | None = None
    zero_is_missing: bool = False
    sigma: NotNegative | None = None
    counts_per_turn: Positive | None = None
    sense: Literal[1, -1] = 1
    height_m: Finite | None = None


class LogMap(Model):
    """A whole map."""

    format: Literal[1]
    rig: str
    delimiter: Annotated[str, Field(min_length=1, max_length=1)] | None = None
    decimal: Literal[".", ","] = "."
    encoding: str = "utf-8-sig"
    skip_rows: Annotated[int, Field(ge=0, le=100_000)] = 0
    units_rows: Annotated[int, Field(ge=0, le=1000)] = 0
    missing: tuple[str, ...] = ("-999.25", "-9999", "NULL", "null", "NaN", "nan", "N/A", "-")
    time: TimeColumns
    columns: Annotated[tuple[LogColumn, ...], Field(min_length=1)]


def load_map(path: Path) -> LogMap:
    """The map in the TOML file at `path`; a rig file named in it is looked for beside it.

    Raises:
        ConfigError: every problem of the map at once.
    """
    mapping = validate(LogMap, read_toml(path), str(path))
    problems = []
    for place, column in enumerate(mapping.columns):
        quantity, known = QUANTITIES.get(column.quantity), UNITS.get(column.unit)
        if quantity is None:
            names = ", ".join(QUANTITIES)
            problems.append(f"{path}: columns.{place}.quantity: {column.quantity!r} is not known; known: {names}")
        elif known is None or known.dimension != quantity.dimension:
            fits = ", ".join(name for name, unit in UNITS.items() if unit.dimension == quantity.dimension)
            problems.append(
                f"{path}: columns.{place}.unit: {column.unit!r} does not measure {quantity.label}; use {fits}"
            )
    ids = Counter(sensor_id(column) for column in mapping.columns)
    for name in [name for name, count in ids.items() if count > 1]:
        problems.append(
            f"{path}: columns: {ids[name]} of them would be the sensor {name!r}; give each an id of its own"
        )
    if mapping.time.format == "elapsed_s":
        try:
            _iso_ns(mapping.time.start, 0)
        except ValueError:
            problems.append(
                f"{path}: time.start: with elapsed_s it says when the log begins, like 2026-01-01T00:00:00; "
                f"{mapping.time.start!r} is no such time"
            )
    if problems:
        raise ConfigError(problems)
    beside = path.parent / mapping.rig
    return mapping.model_copy(update={"rig": str(beside)}) if mapping.rig.endswith(".toml") else mapping


def sensor_id(column: LogColumn) -> str:
    """The id that the column's sensor gets."""
    return column.id or column.quantity.replace("_", "-")


class FieldLog:
    """One log, ready to be read once. `dropped` fills while `frames` is read."""

    def __init__(self, path: Path, mapping: LogMap) -> None:
        """Look at the log's head: its columns, its rate, its beginning.

        Raises:
            FieldLogError: it is missing, no table, lacks a column of the map, or has no readable time.
            ConfigError: the rig cannot be used with these columns.
        """
        self.path, self._map = path, mapping
        self.dropped: Counter[str] = Counter()
        self.rows = self.readings = self.gaps = 0
        self.begun = False
        self._start_offset_ns = 0
        if mapping.time.format == "elapsed_s":
            self._start_offset_ns = _iso_ns(mapping.time.start, 0)
        head = self._head()
        self._dialect = mapping.delimiter or self._sniff(head)
        self._places: list[int] = []
        self._time_places: list[int] = []
        times = self._look_ahead()
        if not times:
            raise FieldLogError(self._no_time())
        self.start_ns = times[0]
        steps = [later - one for one, later in pairwise(times) if later > one]
        self.period_s = max(0.01, median(steps) * 1e-9) if steps else 1.0
        self.rig = self._rig()
        self._topics = [self.rig.topic(sensor) for sensor in self.rig.sensors]
        self._ranges = [sensor.range for sensor in self.rig.sensors]

    def _no_time(self) -> str:
        how = f"{self.path}: no line of it has a readable time"
        row = next((row for row in self._lines() if any(word.strip() for word in row)), None)
        if row is None:
            return f"{self.path}: there is no line of data below its heads"
        words = " ".join(row[place].strip() for place in self._time_places if place < len(row))
        return (
            f"{how}: the first says {words[:60]!r}, and time.format in the map is {self._map.time.format!r}; check that, "
            "time.columns and units_rows"
        )

    def _sniff(self, head: str) -> str:
        counts = {mark: head.count(mark) for mark in (",", ";", "\t", "|")}
        if self._map.decimal == ",":
            counts[","] = 0
        best = max(counts, key=lambda mark: counts[mark])
        if not counts[best]:
            raise FieldLogError(
                f"{self.path}: its columns are not parted by comma, semicolon, tab or bar; set delimiter"
            )
        return best

    def _head(self) -> str:
        try:
            with self.path.open("rb") as file:
                head = file.read(_HEAD_BYTES).decode(self._map.encoding, "replace")
        except FileNotFoundError:
            raise FieldLogError(f"{self.path}: no such file") from None
        except IsADirectoryError:
            raise FieldLogError(f"{self.path}: is a folder, not a file") from None
        except (OSError, LookupError) as error:
            raise FieldLogError(f"{self.path}: cannot be read ({error})") from None
        if not head.strip():
            raise FieldLogError(f"{self.path}: is empty")
        return head

    def _lines(self) -> Iterator[list[str]]:
        """Rows of data; the heads are looked up on the way."""
        mapping = self._map
        try:
            with self.path.open(encoding=mapping.encoding, errors="replace", newline="") as file:
                reader = csv.reader((line.replace("\0", "") for line in file), delimiter=self._dialect)
                for _ in range(mapping.skip_rows):
                    next(reader, None)
                heads = [word.strip() for word in next(reader, [])]
                self._find(heads)
                for _ in range(mapping.units_rows):
                    next(reader, None)
                while True:
                    try:
                        row = next(reader)
                    except StopIteration:
                        return
                    except csv.Error:
                        self.dropped["line: cannot be read"] += 1
                        continue
                    yield row
        except (OSError, LookupError) as error:
            raise FieldLogError(f"{self.path}: cannot be read ({error})") from None

    def _find(self, heads: list[str]) -> None:
        wanted = [*self._map.time.columns, *(column.column for column in self._map.columns)]
        lacking = [name for name in wanted if name not in heads]
        if lacking:
            if any(ch == "\ufffd" or not (ch.isprintable() or ch == "\t") for head in heads for ch in head):
                raise FieldLogError(
                    f"{self.path}: is no table of text in {self._map.encoding}; is it the right file, and the right encoding?"
                )
            have = ", ".join(repr(head[:40]) for head in heads[:40])
            raise FieldLogError(f"{self.path}: has no column {', '.join(map(repr, lacking))}; its columns: {have}")
        self._time_places = [heads.index(name) for name in self._map.time.columns]
        self._places = [heads.index(column.column) for column in self._map.columns]

    def _look_ahead(self) -> list[int]:
        times = []
        for place, row in enumerate(self._lines()):
            if place >= LOOK_ROWS:
                break
            t_ns = self._time(row)
            if t_ns is not None:
                times.append(t_ns)
        self.dropped.clear()
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
                t_ns = _iso_ns(words, self._map.time.utc_offset_h)
            else:
                when = datetime.strptime(words, how)
                zone_s = 0.0 if when.tzinfo else self._map.time.utc_offset_h * 3600.0
                when = when if when.tzinfo else when.replace(tzinfo=UTC)
                t_ns = round((when.timestamp() - zone_s) * 1e6) * 1000
        except (ValueError, OverflowError, IndexError):
            return None
        return t_ns if 0 < t_ns < 1 << 62 else None

    def _rig(self) -> Rig:
        """The map's rig with the log's sensors instead of its own."""
        rig = find_rig(self._map.rig)
        sensors = []
        for column in self._map.columns:
            low, high = column.range or _usual_range(column, rig)
            span = high - low
            sensor: dict[str, Any] = {
                "id": sensor_id(column),
                "quantity": column.quantity,
                "unit": column.unit,
                "value": "/value",
                "rate_hz": 1.0 / self.period_s,
                "stale_after_s": max(0.5, 3.5 * self.period_s),
                "range": [low, high],
                "sigma": column.sigma if column.sigma is not None else span * 1e-3,
                "sense": column.sense,
            }
            for name in ("counts_per_turn", "height_m"):
                if getattr(column, name) is not None:
                    sensor[name] = getattr(column, name)
            sensors.append(sensor)
        plain = json.loads(rig.model_dump_json())
        counts = {name: n for name, n in plain["reference"]["counts"].items() if name in {s["id"] for s in sensors}}
        plain["sensors"] = sensors
        plain["reference"]["counts"] = counts
        return validate(Rig, plain, f"the map's columns as sensors of the rig {rig.name}")

    # --- reading it --------------------------------------------------------------------------------------------------

    def frames(self) -> Iterator[Frame]:
        """Every good reading as a frame, in order of time."""
        self.begun = True
        before_ns = back = 0
        gap_ns = max(2.0, 10.0 * self.period_s) * 1e9
        judges = [_Judge(column, self._map) for column in self._map.columns]
        for row in self._lines():
            self.rows += 1
            if not any(word.strip() for word in row):
                self.dropped["line: empty"] += 1
                continue
            t_ns = self._time(row)
            if t_ns is None:
                self.dropped["line: time cannot be read"] += 1
                continue
            if t_ns <= before_ns:
                self.dropped["line: time repeated" if t_ns == before_ns else "line: time runs back"] += 1
                back += 1
                if back > BACK_ROWS:
                    raise FieldLogError(
                        f"{self.path}: at line {self.rows - back + 1} the time runs back and stays back: the clock was set."
                        " Mend the time, or import the parts one by one"
                    )
                continue
            back = 0
            if before_ns and t_ns - before_ns > LONGEST_GAP_S * 1e9:
                raise FieldLogError(
                    f"{self.path}: line {self.rows} comes {(t_ns - before_ns) / 3.6e12:.0f} h after the one before: "
                    "if the clock was set, mend the time; else import the parts one by one"
                )
            self.gaps += bool(before_ns) and t_ns - before_ns > gap_ns
            before_ns = t_ns
            for judge, place, topic, bounds in zip(judges, self._places, self._topics, self._ranges, strict=True):
                value = judge.value(row[place] if place < len(row) else "", t_ns, bounds, self.dropped)
                if value is not None:
                    self.readings += 1
                    text = str(int(value)) if value.is_integer() else repr(value)
                    yield Frame(t_ns, topic, b'{"value":%s}' % text.encode())
        if not self.readings:
            raise FieldLogError(f"{self.path}: not one reading in it could be used: {self.words()}")

    def words(self) -> str:
        """What was taken and what was dropped, in one sentence."""
        dropped = ", ".join(f"{count} {key}" for key, count in self.dropped.items()) or "nothing"
        return f"{self.readings} readings from {self.rows} lines, {self.gaps} gaps; dropped: {dropped}"


class _Judge:
    """Decides about the readings of one column."""

    def __init__(self, column: LogColumn, mapping: LogMap) -> None:
        self._column = column
        self._missing = frozenset(word.strip() for word in mapping.missing)
        self._comma = mapping.decimal == ","
        self._recent: tuple[int, float] | None = None
        self._refused = 0

    def value(self, word: str, t_ns: int, bounds: tuple[float, float], dropped: Counter[str]) -> float | None:
        """The reading in `word`; None, and counted, where it is none."""
        column, word = self._column, word.strip()
        reason = ""
        value = math.nan
        if not word:
            reason = "missing"
        elif word in self._missing:
            reason = f"marked missing ({word[:12]})"
        else:
            try:
                value = float(word.replace(".", "").replace(",", ".") if self._comma else word)
            except ValueError:
                reason = "not a number"
        if not reason:
            if not math.isfinite(value):
                reason = "not a finite number"
            elif value == 0.0 and column.zero_is_missing:
                reason = "zero where none can be"
            elif not bounds[0] <= value <= bounds[1]:
                reason = f"out of range ({bounds[0]:g} to {bounds[1]:g} {column.unit})"
            elif self._jumps(t_ns, value):
                reason = f"changes faster than {column.max_rate:g} {column.unit}/s"
        if reason:
            dropped[f"{column.column}: {reason}"] += 1
            return None
        self._recent = t_ns, value
        return value

    def _jumps(self, t_ns: int, value: float) -> bool:
        """Whether it lies too far from the reading before. After three refusals in a row the new level is believed."""
        if self._column.max_rate is None or self._recent is None:
            return False
        then, before = self._recent
        if abs(value - before) <= self._column.max_rate * (t_ns - then) * 1e-9 or self._refused >= 3:
            self._refused = 0
            return False
        self._refused += 1
        return True


def _iso_ns(words: str, utc_offset_h: float) -> int:
    when = datetime.fromisoformat(words)
    shift_s = 0.0 if when.tzinfo else utc_offset_h * 3600.0
    when = when if when.tzinfo else when.replace(tzinfo=UTC)
    return round((when.timestamp() - shift_s) * 1e6) * 1000


_WIDE: Final[Mapping[str, tuple[float, float]]] = {
    "pressure": (-0.5e6, 60e6), "temperature": (-60.0, 1000.0), "torque": (-1e6, 1e6), "current": (-2000.0, 2000.0),
    "fraction": (-0.1, 1.1), "count": (0.0, 4294967295.0), "switch": (0.0, 1.0),
}  # fmt: skip
"""Widest believable readings, SI, by dimension, for columns whose map gives none (common practice, no source)."""


def _usual_range(column: LogColumn, rig: Rig) -> tuple[float, float]:
    """Wide limits for a column's readings, in its own unit: what this rig can show at all."""
    unit = UNITS[column.unit]
    if column.quantity == "block_position":
        low, high = rig.mast.floor_m - 2.0, rig.mast.crown_m + 2.0
    elif unit.dimension == "force":
        rated = 1.5 * rig.block.rated_load_kg * 9.80665
        low, high = -0.03 * rated, rated
    else:
        low, high = _WIDE[unit.dimension]
    return unit.from_si(low), unit.from_si(high)
