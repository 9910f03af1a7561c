"""When the rows of a log were taken: how a time is written, clocks of summer time, rows that share a time.

Theory of operation
    A local clock without a zone goes back by an hour in autumn and forward in spring. Rows that come an hour earlier than the row
    before, and go on from there, are an hour later than they say; a hole of an hour that ends at two or three o'clock of a
    Sunday, after which rows go on as before, is none. What was taken off or put on stays so until the next such step.

    Where times are written to the minute, and several rows have the same, these are spread over the time until the next one, in
    their order (`TimeColumns.spread`): the least that each can be off by.

    A time of day without a date is of the first day after the row before, less `BACK_NS`, on which the clock showed it.
"""

import re
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from typing import Final, TypeVar

from monitor.adapters.tables.field_map import ELAPSED_S, PLAIN_FORMATS, TimeColumns, iso_ns, without_date

HOUR_NS: Final = 3_600_000_000_000
DAY_S: Final = 86_400.0
SERIAL_1970: Final = 25_569.0
"""1970-01-01 in days as spreadsheets count them, from 1899-12-30 on."""
STEPS: Final = 5
"""So many periods beyond the hour at most a step of the clock may take: a row or two may be missing there."""
BACK_NS: Final = 2 * HOUR_NS
"""By so much a row may lie before the one above it, as over an hour of summer time; a hole of the rest of a day is bridged."""
DAY_NS: Final = 24 * HOUR_NS
_SCALES_NS: Final = {"s": 10**9, "ms": 10**6, "us": 10**3, "ns": 1} | {
    how: round(s * 1e9) for how, s in ELAPSED_S.items()
}
_NUMBERS: Final = re.compile(r"(\d{8})(?:\.0*)? +(\d{1,6})(?:\.0*)?")
_ZONE: Final = re.compile(r"(Z|[+-]\d\d:?\d\d)$")
_SUNDAY: Final = 6

Item = TypeVar("Item")


class RowTimes:
    """Reads the times of one log's rows."""

    def __init__(self, how: TimeColumns, comma: bool) -> None:
        """`comma`: numbers are written with one."""
        self._how = how.format
        self._comma = comma
        self._offset_h = how.utc_offset_h
        self._clock = without_date(how.format)
        self._start_ns = iso_ns(how.start, 0) if self._clock or how.format in ELAPSED_S else 0
        self._day_ns = self._start_ns - self._start_ns % DAY_NS - round(self._offset_h * HOUR_NS)
        self._last_ns: int | None = None
        self.spread = how.spread
        self._plain = how.format in _SCALES_NS or how.format == "serial_days" or len(how.columns) < 2
        self._local = how.format in ("iso8601", "serial_days") or (
            how.format not in PLAIN_FORMATS and not how.format.endswith(("Z", "%z"))
        )
        """Whether it may be a local clock's."""

    def restart(self) -> None:
        """The rows come from the first on again."""
        self._last_ns = None

    def read(self, words: str) -> int | None:
        """The time that `words` say, ns of the epoch; None where they cannot be read."""
        how = self._how
        if not self._plain:
            words = with_zeros(words)
        try:
            if how in _SCALES_NS:
                number = float(words.replace(",", ".") if self._comma else words)
                t_ns = self._start_ns + round(number * _SCALES_NS[how])
            elif how == "serial_days":
                days = float(words.replace(",", ".") if self._comma else words)
                t_ns = round(((days - SERIAL_1970) * DAY_S - self._offset_h * 3600.0) * 1e3) * 10**6
            elif how == "iso8601":
                t_ns = iso_ns(words, self._offset_h)
                if self._local and _ZONE.search(words):
                    self._local = False
            elif self._clock:
                t_ns = self._last_ns = self._of_clock(datetime.strptime(words, how))
            else:
                when = datetime.strptime(words, how)
                zone_s = 0.0 if when.tzinfo else self._offset_h * 3600.0
                when = when if when.tzinfo else when.replace(tzinfo=UTC)
                t_ns = round((when.timestamp() - zone_s) * 1e6) * 1000
        except (ValueError, OverflowError):
            return None
        return t_ns if 0 < t_ns < 1 << 62 else None

    def _of_clock(self, when: datetime) -> int:
        t_ns = self._day_ns + clock_s(when) * 10**9 + when.microsecond * 1000
        if self._last_ns is None:
            return t_ns
        least_ns = self._last_ns - BACK_NS
        return least_ns + (t_ns - least_ns) % DAY_NS

    def summer_step_ns(self, before_ns: int, t_ns: int, next_ns: int | None, period_s: float) -> int:
        """What the clock was set by between two rows, the second said to be at `t_ns`, the one after it at `next_ns`: what must
        be added from there on; 0 where it was not."""
        step, most = t_ns - before_ns, round(STEPS * period_s * 1e9)
        if not self._local or next_ns is None or not 0 < next_ns - t_ns <= most:
            return 0
        if -HOUR_NS < step <= most - HOUR_NS:
            return HOUR_NS
        if HOUR_NS < step <= most + HOUR_NS:
            clock = datetime.fromtimestamp(t_ns * 1e-9 + self._offset_h * 3600.0, UTC)
            if clock.weekday() == _SUNDAY and clock.hour in (2, 3) and clock.minute == 0:
                return -HOUR_NS
        return 0


def with_zeros(words: str) -> str:
    """A date and a time of day, joined by a blank, that were kept as numbers (20260203.00 40005.00): with the zeros that they
    lost, and without their decimals."""
    found = _NUMBERS.fullmatch(words)
    return f"{found[1]} {found[2].zfill(6)}" if found else words


def clock_s(when: datetime) -> int:
    """Whole seconds since midnight."""
    return (when.hour * 60 + when.minute) * 60 + when.second


def spread(rows: Iterable[tuple[int | None, Item]], usual: int, unit_ns: int) -> Iterator[tuple[int | None, Item]]:
    """Rows that share a time, spread until the next one: `usual` of them share a unit of the clock of `unit_ns`."""
    step_ns = unit_ns // max(1, usual)
    together: list[Item] = []
    at_ns: int | None = None
    first = True
    for t_ns, item in rows:
        if t_ns is None:
            yield None, item
            continue
        if t_ns != at_ns:
            if at_ns is not None:
                # Of the first group the beginning is not in the log.
                late = max(0, usual - len(together)) * step_ns if first else 0
                yield from _spread(together, at_ns + late, min(step_ns, max(1, t_ns - at_ns) // len(together)))
                first = False
            together, at_ns = [], t_ns
        together.append(item)
    if at_ns is not None:
        yield from _spread(together, at_ns, min(step_ns, unit_ns // len(together)))


def _spread(items: list[Item], from_ns: int, step_ns: int) -> Iterator[tuple[int | None, Item]]:
    for place, item in enumerate(items):
        yield from_ns + place * max(1, step_ns), item
