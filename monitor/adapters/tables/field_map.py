"""The map of a field log: what each column of another recorder's table is, and the rig that follows from it.

A map is a TOML file; `EXAMPLE` is one with everything in it. The rig of a log is like a given one but has the log's sensors.
"""

import json
import math
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any, Final, Literal

from pydantic import Field, field_validator

from monitor.config.fields import Finite, Model, NotNegative, Positive, QuantityName, UnitName
from monitor.config.rig import Rig
from monitor.config.rig_file import find_rig
from monitor.config.sensor import LEAST_RATE_HZ, Sensor
from monitor.config.toml_file import ConfigError, read_toml, validate
from monitor.units import STANDARD_GRAVITY_M_S2, UNITS

EXAMPLE: Final = """\
format = 1
rig = "land"                       # shipped rig or rig file: its mast, drum, line, brake
delimiter = ","                    # left out: found by looking; " " is any run of blanks
# encoding = "cp1252"              # left out: found by looking
# sheet = "Log"                    # of a workbook; left out: the first with rows
decimal = "."
skip_rows = 0                      # rows above the heads
units_rows = 0                     # rows between the heads and the first line of data
missing = ["-999.25", "NULL"]      # words for "no reading", besides the empty cell

[time]
columns = ["date", "time"]         # one or more; joined by a space
format = "%d.%m.%Y %H:%M:%S"       # strptime's, or: s, ms, us, ns, iso8601, elapsed_s (_ms, _min, _h), serial_days
utc_offset_h = 0.0
start = "2026-01-01T00:00:00"      # of a log with elapsed seconds; of one with times of day alone, its first day
spread = false                     # rows that share a time (written to the minute) are spread until the next time
sort = false                       # put the rows in the order of their times first (newest row on top, parts out of order)

[[columns]]
column = "Block Pos"
quantity = "block_position"        # as in a rig's file
unit = "ft"
range = [-5, 140]                  # what can be; left out: wide limits for the quantity
max_rate = 12                      # fastest change per second that can be, in the column's unit
zero_is_missing = false            # a zero is no reading
sense = 1                          # -1: numbers fall while the block rises (as those counted from the crown)
add = 0.0                          # added to each number then, in the column's unit: another zero, a block not weighed
sigma = 0.1                        # noise; left out: by how finely the column is written

# [[columns]]
# column = "Enc"
# sensor = "drum"                  # the settings of the rig's own sensor of that id (quantity, unit, counts per turn, bits,
#                                  # range, sense, noise); what else stands here goes before them
"""


_DAY_SIGNS: Final = re.compile(r"%[aAbBcdDjmuUVwWxyYG]")
ELAPSED_S: Final[Mapping[str, float]] = {"elapsed_s": 1.0, "elapsed_ms": 1e-3, "elapsed_min": 60.0, "elapsed_h": 3600.0}
"""Seconds in what a log counts from its beginning."""
PLAIN_FORMATS: Final = ("s", "ms", "us", "ns", "iso8601", *ELAPSED_S, "serial_days")
"""Ways to write a time that need no signs of strptime."""


def without_date(format: str) -> bool:
    """Whether times written so say the time of day alone."""
    return format not in PLAIN_FORMATS and not _DAY_SIGNS.search(format)


class TimeColumns(Model):
    """Where the time stands and how it is written."""

    columns: Annotated[tuple[str, ...], Field(min_length=1)]
    format: str = "iso8601"
    utc_offset_h: Finite = 0.0
    start: str = ""
    spread: bool = False
    """Rows that share a time (to the minute) are spread until the next time."""
    sort: bool = False
    """Rows are put in the order of their times first."""

    @field_validator("format")
    @classmethod
    def _of_strptime(cls, format: str) -> str:
        if format in PLAIN_FORMATS:
            return format
        if "%" not in format:
            raise ValueError(f"names no part of the time: use strptime's signs, or one of {', '.join(PLAIN_FORMATS)}")
        try:
            datetime.strptime("", format)
        except re.error:
            raise ValueError("names the same part of the time twice") from None
        except ValueError as error:
            if "does not match" not in str(error):  # as the empty text does not, in a format that is sound
                raise ValueError(str(error)) from None
        return format


class LogColumn(Model):
    """One column that is a sensor."""

    column: str
    quantity: QuantityName
    unit: UnitName
    id: str = ""
    sensor: str = ""
    """Id of the rig's own sensor whose settings the column takes; the column may give others beside."""
    range: tuple[Finite, Finite] | None = None
    max_rate: Positive | None = None
    zero_is_missing: bool = False
    add: Finite = 0.0
    sigma: NotNegative | None = None
    counts_per_turn: Positive | None = None
    bits: Literal[16, 32] = 32
    sense: Literal[1, -1] = 1
    height_m: Finite | None = None


class LogMap(Model):
    """A whole map."""

    format: Literal[1]
    rig: str
    delimiter: Annotated[str, Field(min_length=1, max_length=1)] | None = None
    decimal: Literal[".", ","] = "."
    encoding: str | None = None
    sheet: str | None = None
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
    raw = read_toml(path)
    if isinstance(raw.get("rig"), str):
        raw["rig"] = beside(path, raw["rig"])
    mapping = validate(LogMap, _with_sensors(raw, str(path)), str(path))
    problems = []
    ids = Counter(sensor_id(column) for column in mapping.columns)
    for name in [name for name, count in ids.items() if count > 1]:
        problems.append(
            f"{path}: columns: {ids[name]} of them would be the sensor {name!r}; give each an id of its own"
        )
    if mapping.time.format in ELAPSED_S or without_date(mapping.time.format):
        try:
            iso_ns(mapping.time.start, 0)
        except ValueError:
            problems.append(
                f"{path}: time.start: with elapsed_s, or times without a date, it says when the log begins, like "
                f"2026-01-01T00:00:00; "
                f"{mapping.time.start!r} is no such time"
            )
    if problems:
        raise ConfigError(problems)
    return mapping


def beside(path: Path, rig: str) -> str:
    """The rig that the map at `path` names: a rig file is looked for in the map's folder."""
    return str(path.parent / rig) if rig.endswith(".toml") else rig


def _with_sensors(raw: dict[str, Any], where: str) -> dict[str, Any]:
    """The map with the settings of the rig's own sensors in the columns that name one.

    Raises:
        ConfigError: the rig has no such sensor, or there is no such rig.
    """
    columns = raw.get("columns")
    if not isinstance(columns, list) or not any(isinstance(c, dict) and c.get("sensor") for c in columns):
        return raw
    rig = find_rig(str(raw.get("rig", "")))
    sensors = {sensor.id: sensor for sensor in rig.sensors}
    made, problems = [], []
    for place, column in enumerate(columns):
        sensor = sensors.get(column["sensor"]) if isinstance(column, dict) and column.get("sensor") else None
        if sensor is not None:
            column = _settings(sensor, column) | column
        elif isinstance(column, dict) and column.get("sensor"):
            problems.append(
                f"{where}: columns.{place}.sensor: the rig {rig.name} has no sensor {column['sensor']!r}; "
                f"its sensors: {', '.join(sensors)}"
            )
        made.append(column)
    if problems:
        raise ConfigError(problems)
    return raw | {"columns": made}


def _settings(sensor: Sensor, column: Mapping[str, Any]) -> dict[str, Any]:
    """What the rig's file says of `sensor`, in the column's unit where that is another."""
    own, unit = sensor.si, UNITS.get(column.get("unit", sensor.unit), sensor.si)
    same = unit.dimension == own.dimension
    low, high = sorted(unit.from_si(own.to_si(end)) if same else end for end in sensor.range)
    settings = {
        "id": sensor.id, "quantity": sensor.quantity, "unit": sensor.unit, "range": [low, high],
        "sigma": sensor.sigma * (own.scale / unit.scale if same else 1.0), "bits": sensor.bits, "sense": sensor.sense,
        "counts_per_turn": sensor.counts_per_turn, "height_m": sensor.height_m,
    }  # fmt: skip
    return {name: value for name, value in settings.items() if value is not None}


def sensor_id(column: LogColumn) -> str:
    """The id that the column's sensor gets."""
    return column.id or column.quantity.replace("_", "-")


def rig_of(mapping: LogMap, readings_s: Sequence[float], resolutions: Sequence[float]) -> Rig:
    """The map's rig with the log's sensors instead of its own; of each column `readings_s` is the time between two readings,
    `resolutions` the least step of its readings (0: not known).

    Raises:
        ConfigError: the rig cannot be used with these columns.
    """
    rig = find_rig(mapping.rig)
    sensors = []
    for column, every_s, step in zip(mapping.columns, readings_s, resolutions, strict=True):
        low, high = column.range or _usual_range(column, rig)
        sensor: dict[str, Any] = {
            "id": sensor_id(column),
            "quantity": column.quantity,
            "unit": column.unit,
            "value": "/value",
            "rate_hz": max(1.0 / every_s, LEAST_RATE_HZ),
            "stale_after_s": max(0.5, 3.5 * every_s),
            "range": [low, high],
            "sigma": column.sigma if column.sigma is not None else _usual_noise(column, step, high - low),
            "bits": column.bits,
            "sense": column.sense if column.quantity == "drum_counts" else 1,
        }
        for name in ("counts_per_turn", "height_m"):
            if getattr(column, name) is not None:
                sensor[name] = getattr(column, name)
        sensors.append(sensor)
    plain = json.loads(rig.model_dump_json())
    plain["sensors"] = sensors
    if "reference" in plain:
        ids = {sensor["id"] for sensor in sensors}
        plain["reference"]["counts"] = {name: n for name, n in plain["reference"]["counts"].items() if name in ids}
    return validate(Rig, plain, f"the map's columns as sensors of the rig {rig.name}")


_WIDE: Final[Mapping[str, tuple[float, float]]] = {
    "pressure": (-0.5e6, 60e6), "temperature": (-60.0, 1000.0), "torque": (-1e6, 1e6), "current": (-2000.0, 2000.0),
    "fraction": (-0.1, 1.1), "count": (0.0, 4294967295.0), "switch": (0.0, 1.0), "length": (-50.0, 15_000.0),
    "energy": (0.0, 1e15),
}  # fmt: skip
"""Widest plausible readings, SI, by dimension, for columns whose map gives none (common practice, no source)."""


def _usual_range(column: LogColumn, rig: Rig) -> tuple[float, float]:
    """Wide limits for a column's readings, in its own unit: what this rig can show at all."""
    unit = UNITS[column.unit]
    if column.quantity == "block_position":
        low, high = rig.mast.floor_m - 2.0, rig.mast.crown_m + 2.0
    elif unit.dimension == "force":
        rated = 1.5 * rig.block.rated_load_kg * STANDARD_GRAVITY_M_S2
        low, high = -0.03 * rated, rated
    else:
        low, high = _WIDE[unit.dimension]
    return unit.from_si(low), unit.from_si(high)


_LEAST_NOISE: Final[Mapping[str, float]] = {"count": 1.0, "length": 0.02, "switch": 0.0}
"""Noise, SI, of what is read without any: a count is the next one already or not yet, and a block's height has the rounding of
its time besides that of its number (common practice, no source)."""
NOISE_SHARE: Final = 1e-3
"""Noise of other readings, as a share of their range (of the order of a good transmitter's class; no source)."""


def _usual_noise(column: LogColumn, step: float, span: float) -> float:
    """Standard deviation of a column's noise, in its own unit, from how finely it is written.

    Readings that are rounded to `step` err by step/√12 at least (uniform distribution).
    """
    unit = UNITS[column.unit]
    least = _LEAST_NOISE.get(unit.dimension)
    known = span * NOISE_SHARE if least is None else least / unit.scale
    return max(known, step / math.sqrt(12.0)) if known else 0.0


def iso_ns(words: str, utc_offset_h: float) -> int:
    """An ISO 8601 time in ns of the epoch; where it names no zone, its clock is `utc_offset_h` hours ahead of UTC.

    Raises:
        ValueError: it is none. OverflowError: it lies beyond all calendars.
    """
    when = datetime.fromisoformat(words)
    shift_s = 0.0 if when.tzinfo else utc_offset_h * 3600.0
    when = when if when.tzinfo else when.replace(tzinfo=UTC)
    return round((when.timestamp() - shift_s) * 1e6) * 1000
