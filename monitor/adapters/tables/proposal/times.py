"""Finds where the time of a log stands and how it is written, by reading it in all the ways there are."""

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import lru_cache
from itertools import pairwise, product
from statistics import median
from typing import Final

from monitor.adapters.tables.field_map import ELAPSED_S, TimeColumns, without_date
from monitor.adapters.tables.proposal.unit_names import SECONDS, parted
from monitor.adapters.tables.row_times import DAY_S, SERIAL_1970, RowTimes, with_zeros

LOOK_CELLS: Final = 600
"""Cells of a column that every way of writing is tried on, from all over the sample."""
NO_DATE: Final = "2000-01-01T00:00:00"
"""The beginning of a log that says nowhere when it begins."""
NEARLY_ALL: Final = 0.95
IN_ORDER: Final = 0.9
_YEARS_S: Final = (315_532_800.0, 4_102_444_800.0)
"""1980 to 2100: a number of seconds between is a time since 1970."""
_DATES: Final = (
    *(
        "%Y-%m-%d",
        "%d.%m.%Y",
        "%d/%m/%Y",
        "%m/%d/%Y",
        "%d-%m-%Y",
        "%m-%d-%Y",
        "%Y/%m/%d",
        "%Y.%m.%d",
        "%d.%m.%y",
        "%d/%m/%y",
    ),
    *("%m/%d/%y", "%d-%b-%Y", "%d-%b-%y", "%d %b %Y", "%b %d %Y", "%b %d, %Y", "%Y%m%d", "%d%m%Y", "%y%m%d"),
)
_CLOCKS: Final = (
    *("%H:%M:%S", "%H:%M:%S.%f", "%H:%M", "%I:%M:%S %p", "%I:%M %p", "%H%M%S", "%H.%M.%S", "%I:%M:%S%p"),
    *("%H:%M:%SZ", "%H:%M:%S.%fZ", "%H:%M:%S%z"),
)
_NAMES: Final = re.compile(
    r"time|date|zeit|datum|tid\b|dato|hora|fecha|heure|время|дата|stamp|dtim|clock|utc|epoch|elapsed|etim",
    re.IGNORECASE,
)


_KEPT: Final = re.compile(r"(\d{1,6}|\d{8})(?:\.0*)?")


@dataclass(frozen=True, slots=True)
class FoundTime:
    """Where the time stands. `doubts` are choices that a person must look at."""

    columns: tuple[str, ...]
    format: str
    evidence: str
    doubts: tuple[str, ...]
    period_s: float
    score: float
    first: str
    """The first time, as it is written."""
    ends_s: tuple[float, float]
    """First and last time, s of the epoch or of the log."""
    sort: str = ""
    """Why the rows must be put in the order of their times first; empty where they need not be."""
    shared: int = 1
    """How many rows share a time that is written to the minute."""


@dataclass(frozen=True, slots=True)
class _Way:
    format: str
    read: Callable[[str], float]
    """Seconds of the epoch, or of the log. Raises ValueError."""
    restart: Callable[[], None] = lambda: None
    """The cells come from the first on again."""


def find_time(
    names: Sequence[str], units: Sequence[str], columns: Sequence[Sequence[str]], index: str
) -> FoundTime | None:
    """The time of a table whose sampled cells are `columns`; `index` is the column that the file calls its index of time."""
    field_units = any(_FIELD_UNITS.search(words) for words in (*names, *units))
    found = [
        time
        for place, name in enumerate(names)
        for time in _in_column(name, units[place], columns[place], name == index)
    ]
    found += _in_pairs(names, columns)
    found = found or [time for name, cells in zip(names, columns, strict=True) for time in _of_day(name, cells)]
    if not found:
        return None
    found.sort(key=lambda time: -time.score - _month_first(time.format, field_units))
    best, doubts = found[0], list(found[0].doubts)
    rivals = [
        time
        for time in found[1:]
        if time.columns == best.columns and time.score > best.score - 0.05 and time.ends_s != best.ends_s
    ]
    for rival in rivals[:1]:
        doubts.append(
            f"time: {best.first!r} can be read as {best.format!r} and as {rival.format!r}; the first is taken"
        )
    others = [time for time in found[1:] if not set(time.columns) & set(best.columns) and time.score > best.score - 0.3]
    for other in others[:1]:
        doubts.append(f"time: {_named(other.columns)} could be the time as well; {_named(best.columns)} is taken")
    return replace(best, doubts=tuple(doubts))


def _named(columns: Sequence[str]) -> str:
    return " and ".join(repr(name) for name in columns)


def _sampled(cells: Sequence[str]) -> list[str]:
    filled = [word for word in (cell.strip() for cell in cells) if word]
    step = max(1, len(filled) // LOOK_CELLS)
    return filled[::step][:LOOK_CELLS]


def _in_column(name: str, unit: str, cells: Sequence[str], index: bool) -> Iterator[FoundTime]:
    sample = _sampled(cells)
    if len(sample) < 2:
        return
    # A calendar in words that do not begin like one is not tried: most columns are numbers.
    for way in (*_numbers(unit or parted(name, "")[1]), *_written(sample[0])):
        time = _read_as((name,), way, sample, cells, index)
        if time is not None:
            yield time


def _of_day(name: str, cells: Sequence[str]) -> Iterator[FoundTime]:
    """A column of times of day, without a date."""
    sample = _sampled(cells)
    for form in _by_shape()[2].get(_shape(sample[0]), ()) if len(sample) > 1 and _NAMES.search(name) else ():
        times = RowTimes(TimeColumns(columns=(name,), format=form, start=NO_DATE), False)

        def read(word: str, times: RowTimes = times) -> float:
            t_ns = times.read(word)
            if t_ns is None:
                raise ValueError(word)
            return t_ns * 1e-9

        time = _read_as((name,), _Way(form, read, times.restart), sample, cells, False)
        if time is not None:
            yield time


def _in_pairs(names: Sequence[str], columns: Sequence[Sequence[str]]) -> list[FoundTime]:
    """A column of dates and one of times of day, joined by a space."""
    dates, clocks = [], []
    for place, cells in enumerate(columns):
        sample = _sampled(cells)
        if _NAMES.search(names[place]):
            sample = [_as_written(word) for word in sample]
        shape = _shape(sample[0]) if sample else ""
        if any(_reads(form, sample) for form in _by_shape()[1].get(shape, ())):
            dates.append(place)
        if any(_reads(form, sample) for form in _by_shape()[2].get(shape, ())):
            clocks.append(place)
    found = []
    for date, clock in product(dates[:4], clocks[:4]):
        if date == clock:
            continue
        joined = [
            with_zeros(f"{day.strip()} {hour.strip()}") if day.strip() and hour.strip() else ""
            for day, hour in zip(columns[date], columns[clock], strict=True)
        ]
        sample = _sampled(joined)
        if len(sample) < 2:
            continue
        for way in _written(sample[0]):
            time = _read_as((names[date], names[clock]), way, sample, joined, False)
            if time is not None:
                found.append(time)
    return found


def _as_written(word: str) -> str:
    """A date or a time of day that was kept as a number (20260203.00, 40005), as it was written before."""
    found = _KEPT.fullmatch(word)
    return found[1].zfill(6) if found else word


def _shape(word: str) -> str:
    """A word with one sign for each run of digits, of letters, of blanks. Python compiles a format anew for each of a thousand
    formats, so only those are tried whose times look like the word."""
    return re.sub(r"\s+", " ", re.sub(r"[^\W\d_]+", "A", re.sub(r"\d+", "9", word.strip())))


Shapes = Mapping[str, Sequence[str]]


@lru_cache(maxsize=1)
def _by_shape() -> tuple[Shapes, Shapes, Shapes]:
    """Formats of whole times, of dates and of times of day, by the shape of what they write."""
    when = datetime(2026, 1, 2, 3, 4, 5, 678_900, UTC)
    whole = [f"{day}{part}{clock}" for day, part, clock in product(_DATES, (" ", "T", "_", "-", ", "), _CLOCKS)]
    made: list[dict[str, list[str]]] = []
    for forms in (whole, _DATES, _CLOCKS):
        shapes: dict[str, list[str]] = {}
        for form in forms:
            text = when.strftime(form)
            for written in {
                text,
                text.replace("+0000", "+00:00"),
                text.replace("+0000", "-00:00"),
                text.replace("+", "-"),
            }:
                shapes.setdefault(_shape(written), []).append(form)
        made.append(shapes)
    return made[0], made[1], made[2]


def _reads(form: str, sample: Sequence[str]) -> bool:
    for word in sample[:20]:
        try:
            datetime.strptime(word, form)
        except ValueError:
            return False
    return True


def _numbers(unit: str) -> list[_Way]:
    low, high = _YEARS_S

    def epoch(scale: float) -> Callable[[str], float]:
        def read(word: str) -> float:
            seconds = float(word) * scale
            if not low < seconds < high:
                raise ValueError(word)
            return seconds

        return read

    unit_s = SECONDS.get(unit.casefold(), 1.0)
    form = next(form for form, seconds in ELAPSED_S.items() if seconds == unit_s)

    def elapsed(word: str) -> float:
        seconds = float(word) * unit_s
        if not 0.0 <= seconds < low:
            raise ValueError(word)
        return seconds

    def serial(word: str) -> float:
        seconds = (float(word) - SERIAL_1970) * DAY_S
        if not low < seconds < high:
            raise ValueError(word)
        return seconds

    ways = [_Way(name, epoch(scale)) for name, scale in (("s", 1.0), ("ms", 1e-3), ("us", 1e-6), ("ns", 1e-9))]
    if not unit or unit.casefold() in ("d", "day", "days"):
        ways.append(_Way("serial_days", serial))
    return [*ways, _Way(form, elapsed)]


def _iso(word: str) -> float:
    if len(word) < 12 or word.isdecimal():
        raise ValueError(word)
    when = datetime.fromisoformat(word)
    return (when if when.tzinfo else when.replace(tzinfo=UTC)).timestamp()


def _written(first: str) -> list[_Way]:
    """The ways in which `first` can be a written time."""
    ways = []
    try:
        _iso(first)
        ways.append(_Way("iso8601", _iso))
    except ValueError:
        pass
    for form in _by_shape()[0].get(_shape(first), ()):
        try:
            datetime.strptime(first, form)
        except ValueError:
            continue
        ways.append(_Way(form, _strptime(form)))
    return ways


def _strptime(form: str) -> Callable[[str], float]:
    def read(word: str) -> float:
        when = datetime.strptime(word, form)
        return (when if when.tzinfo else when.replace(tzinfo=UTC)).timestamp()

    return read


def _read_as(
    columns: tuple[str, ...], way: _Way, sample: Sequence[str], cells: Sequence[str], index: bool
) -> FoundTime | None:
    """The column read in that way; None where it cannot be."""
    seconds = []
    way.restart()
    for word in sample:
        try:
            seconds.append(way.read(word))
        except (ValueError, OverflowError):
            continue
    share = len(seconds) / len(sample)
    if share < NEARLY_ALL or len(seconds) < 2:
        return None
    steps = [later - one for one, later in pairwise(seconds)]
    order = sum(step >= 0.0 for step in steps) / len(steps)
    newest_first = sum(step <= 0.0 for step in steps) / len(steps) >= IN_ORDER and seconds[-1] < seconds[0]
    if newest_first:
        order, seconds = 1.0, seconds[::-1]
    if order < IN_ORDER or seconds[-1] <= seconds[0]:
        return None
    times = []
    way.restart()
    for cell in cells:
        try:
            times.append(way.read(cell.strip()))
        except (ValueError, OverflowError):
            continue
    near = [later - one for one, later in pairwise(times[:2000])]
    steps_up = [abs(step) for step in near if (step < 0.0 if newest_first else step > 0.0)]
    if not steps_up or (way.format in ELAPSED_S and len(steps_up) < OFTEN * len(near)):
        return None
    period_s = median(steps_up)
    named = sum(bool(_NAMES.search(name)) for name in columns) / len(columns)
    if way.format in (*ELAPSED_S, "serial_days") and not (named or index):
        return None  # any column that rises would be one
    if way.format == "serial_days" and period_s > 3600.0:
        return None  # seconds since some moment
    shared = 1
    if all(time % 60.0 == 0.0 for time in times) and near:
        shared = round(len(near) / (len(steps_up) + 1)) if len(steps_up) < 0.6 * len(near) else 1
        period_s /= shared
    # The true way gives the shortest log: days taken for months make it jump over weeks.
    spread = (seconds[-1] - seconds[0]) / max(period_s * len(cells), 1e-9)
    score = order + 0.5 * named + 0.5 * index - 0.1 * min(3.0, max(0.0, spread - 1.0)) - 0.3 * (way.format in ELAPSED_S)
    score += _PREFERENCE.get(way.format, 0.0)
    evidence = (
        f"{share:.0%} of {len(sample)} cells looked at read so, {order:.0%} in order; a row every {period_s:.6g} s"
    )
    ends = seconds[0], seconds[-1]
    sort = "the newest row comes first" if newest_first else _disorder(times, period_s)
    doubts = _doubts(way.format, sample)
    if sort:
        doubts += (f"time: {sort}; all rows are read and put in the order of their times first (time.sort)",)
    if shared > 1:
        doubts += (
            f"time: written to the minute, {shared} rows share one; they are spread over it (time.spread), off by as much",
        )
    return FoundTime(columns, way.format, evidence, doubts, period_s, score, sample[0], ends, sort, shared)


OFTEN: Final = 0.5
"""What counts from the beginning is another number in as many rows at least; a date kept as a number is not."""
LEAST_BACK: Final = 20
"""So many rows in a row that are older than one before them are a part out of order; fewer are stray."""
HOUR_S: Final = 3600.0


def _disorder(times: Sequence[float], period_s: float) -> str:
    """What is out of order in the rows, in words; empty where nothing is but stray rows and an hour of summer time."""
    newest, back, rows, summer_s = -float("inf"), 0, 0, 0.0
    for one, time in pairwise(times):
        if -HOUR_S < time - one <= 5.0 * period_s - HOUR_S:
            summer_s += HOUR_S
        time += summer_s
        back = back + 1 if time < newest else 0
        rows += LEAST_BACK if back == LEAST_BACK else back > LEAST_BACK
        newest = max(newest, time)
    return f"{rows} rows are older than others before them" if rows else ""


_MONTH_FIRST: Final = 0.04
"""Feet and pounds, and clocks of twice twelve hours, come with the month first (common practice, no source)."""
_FIELD_UNITS: Final = re.compile(r"(?<![a-z])(ft|feet|k?lbs?f?|kips?|psi)(?![a-z])", re.IGNORECASE)


def _month_first(form: str, field_units: bool) -> float:
    return _MONTH_FIRST if form.startswith("%m") and (field_units or "%p" in form) else 0.0


_PREFERENCE: Final[Mapping[str, float]] = {"iso8601": 0.06, "s": 0.06}
"""What is as good in another way: an ISO time can also be written with signs."""


def _doubts(form: str, sample: Sequence[str]) -> tuple[str, ...]:
    zoned = form in ("s", "ms", "us", "ns") or form.endswith(("z", "Z"))
    if form == "iso8601":
        zoned = bool(re.search(r"(Z|[+-]\d\d:?\d\d)$", sample[0]))
    if zoned or form in ELAPSED_S:
        return ()
    dated = (
        ()
        if not without_date(form)
        else (
            "time: it has no date; each is of the first day on which it comes after the one before (a hole of a day is not seen)",
        )
    )
    return (
        *dated,
        "time: no zone is written; its clock is taken for UTC (time.utc_offset_h says otherwise)",
    )
