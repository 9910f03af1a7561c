"""The screen's own memory of signals: the last two minutes at every update, three hours at one point a second.

The core keeps no trends; screens draw "why it fired" and trends from here. Times are stream time, so a replay's
trends are those of the session. Going back in time (a seek) starts over.
"""

import math
from array import array
from collections import deque
from dataclasses import dataclass
from typing import Final

from monitor.model.alarm import AlarmView
from monitor.model.snapshot import Snapshot
from monitor.presentation.believed import words_for

FINE_POINTS: Final = 1_200
COARSE_POINTS: Final = 10_800
COARSE_NS: Final = 1_000_000_000
MOST_POINTS: Final = 700
"""More points than this are not worth drawing: no terminal has so many dots across."""
LEAP_NS: Final = 5_000_000_000
"""A step back by more than this is a seek; a smaller one is ignored."""


@dataclass(frozen=True, slots=True)
class Track:
    """Points of one signal, oldest first. NaN where it was not known."""

    t_s: list[float]
    """Seconds before the newest point (0 or negative)."""
    low: list[float]
    high: list[float]


def believed_track(name: str, track: Track) -> Track:
    """`track` of the signal `name` without the points that nobody can believe: one of them, and the axis shows nothing else."""
    low, high = ([math.nan if words_for(name, x) else x for x in row] for row in (track.low, track.high))
    return Track(track.t_s, low, high)


class _Ring:
    """Times and one row of numbers per name, bounded: at least `points` of each once they came, at most an eighth more.

    Arrays of plain numbers: three hours of all signals as objects would take some 50 MB.
    """

    def __init__(self, points: int) -> None:
        self.points = points
        self.times = array("q")
        self.rows: dict[str, array[float]] = {}

    def add(self, t_ns: int, values: dict[str, float]) -> None:
        spare = self.points // 8
        if len(self.times) >= self.points + spare:
            del self.times[:spare]
            for row in self.rows.values():
                del row[:spare]
        count = len(self.times)
        for name in values:
            if name not in self.rows:
                self.rows[name] = array("d", [math.nan]) * count
        self.times.append(t_ns)
        for name, row in self.rows.items():
            row.append(values.get(name, math.nan))

    def clear(self) -> None:
        del self.times[:]
        self.rows.clear()


class History:
    """Ring buffers that `feed` fills and screens read."""

    def __init__(self) -> None:
        self._fine = _Ring(FINE_POINTS)
        self._low = _Ring(COARSE_POINTS)
        self._high = _Ring(COARSE_POINTS)
        self._second: int | None = None
        self._kept: dict[tuple[str, float], tuple[int, Track]] = {}
        self._lows: dict[str, float] = {}
        self._highs: dict[str, float] = {}
        self.last_ns = 0
        self.alarms: deque[tuple[int, AlarmView]] = deque(maxlen=500)
        """Every change of an alarm that the screen has seen: when, and the alarm as it was then."""
        self._states: dict[str, AlarmView] = {}

    def feed(self, snap: Snapshot) -> None:
        """Take a snapshot; one that is not newer than the last is ignored."""
        if snap.t_ns < self.last_ns - LEAP_NS:
            self.clear()
        if snap.t_ns <= self.last_ns:
            return
        self.last_ns = snap.t_ns
        values = {name: value.number if value.known else math.nan for name, value in snap.values.items()}
        self._fine.add(snap.t_ns, values)
        self._coarse(snap.t_ns, values)
        self._log(snap)

    def clear(self) -> None:
        """Forget everything."""
        for ring in (self._fine, self._low, self._high):
            ring.clear()
        self._kept.clear()
        self._second = None
        self._lows, self._highs = {}, {}
        self.last_ns = 0
        self.alarms.clear()
        self._states.clear()

    @property
    def reach_s(self) -> float:
        """How far back it remembers, s."""
        oldest = min((ring.times[0] for ring in (self._fine, self._low) if ring.times), default=self.last_ns)
        return (self.last_ns - oldest) / 1e9

    def track(self, name: str, span_s: float) -> Track:
        """The last `span_s` seconds of a signal, at most about `MOST_POINTS` points: lows and highs where points are joined."""
        fine, low = self._fine, self._low
        since = self.last_ns - int(span_s * 1e9)
        reaches = bool(fine.times) and (fine.times[0] <= since or len(fine.times) < FINE_POINTS)
        if reaches or name not in low.rows:
            return self._cut(fine.times, fine.rows.get(name), fine.rows.get(name), since)
        key = name, span_s
        newest = low.times[-1]
        kept = self._kept.get(key)
        if kept is None or kept[0] != newest:
            kept = newest, self._cut(low.times, low.rows[name], self._high.rows[name], since)
            self._kept[key] = kept
        return kept[1]

    def _cut(self, times: "array[int]", low: "array[float] | None", high: "array[float] | None", since: int) -> Track:
        """The points after `since`, oldest first, joined in groups where they are too many to draw."""
        if low is None or high is None:
            return Track([], [], [])
        size = len(times)
        first = next((back for back, t_ns in enumerate(reversed(times)) if t_ns < since), size)
        t_s = [(t_ns - self.last_ns) * 1e-9 for t_ns in times[size - first :]]
        lows, highs = list(low[size - first :]), list(high[size - first :])
        group = -(-len(t_s) // MOST_POINTS)
        if group <= 1:
            return Track(t_s, lows, highs)
        starts = range(0, len(t_s), group)
        return Track(
            [t_s[start] for start in starts],
            [_least(lows[start : start + group]) for start in starts],
            [-_least([-number for number in highs[start : start + group]]) for start in starts],
        )

    def _coarse(self, t_ns: int, values: dict[str, float]) -> None:
        second = t_ns // COARSE_NS
        if second != self._second:
            if self._second is not None:
                at = self._second * COARSE_NS
                self._low.add(at, self._lows)
                self._high.add(at, self._highs)
            self._second, self._lows, self._highs = second, dict(values), dict(values)
            return
        for name, number in values.items():
            if number != number:
                continue
            low, high = self._lows.get(name, math.nan), self._highs.get(name, math.nan)
            self._lows[name] = number if low != low or number < low else low
            self._highs[name] = number if high != high or number > high else high

    def _log(self, snap: Snapshot) -> None:
        seen = {alarm.key: alarm for alarm in snap.alarms}
        for key, alarm in seen.items():
            before = self._states.get(key)
            if before is None or before.state is not alarm.state or before.active != alarm.active:
                self.alarms.append((snap.t_ns, alarm))
        self._states = seen


def _least(numbers: list[float]) -> float:
    """The least of those that are known; NaN when none is."""
    return min((number for number in numbers if number == number), default=math.nan)
