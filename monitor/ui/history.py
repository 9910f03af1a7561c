"""The screen's own memory of signals: two minutes at every update, an hour at one point a second, three hours at one in five.

The core keeps no trends; screens draw "why it fired" and trends from here. Times are stream time, so a replay's
trends are those of the session. Going back in time (a seek) starts over. What lies before all this comes from the record
(`monitor.ui.past_reader`), a window at a time.
"""

import math
from array import array
from bisect import bisect_left, bisect_right
from collections import deque
from dataclasses import dataclass
from typing import Final

from monitor.core.signals.believable import BELIEVABLE
from monitor.model.alarm import AlarmView
from monitor.model.snapshot import Snapshot
from monitor.presentation.believed import words_for
from monitor.runtime.past import STOP_MARK, Mark, Piece, Request, step_for, stop_mark

FINE_POINTS: Final = 1_200
MIDDLE_POINTS: Final = 3_600
MIDDLE_NS: Final = 1_000_000_000
COARSE_POINTS: Final = 2_160
COARSE_NS: Final = 5_000_000_000
MOST_POINTS: Final = 700
"""More points than this are not worth drawing: no terminal has so many dots across."""
LEAST_POINTS: Final = 60
"""Fewer than that make no curve of a window."""
LEAP_NS: Final = 5_000_000_000
"""A step back by more than this is a seek; a smaller one is ignored."""
MOST_PIECES: Final = 64


@dataclass(frozen=True, slots=True)
class Track:
    """Points of one signal, oldest first. NaN where it was not known."""

    t_s: list[float]
    """Seconds before the end of the track's time (0 or negative)."""
    low: list[float]
    high: list[float]


def believed_track(name: str, track: Track) -> Track:
    """`track` of the signal `name` without the points that nobody can believe: one of them, and the axis shows nothing else."""
    if name not in BELIEVABLE:
        return track
    low, high = ([math.nan if words_for(name, x) else x for x in row] for row in (track.low, track.high))
    return Track(track.t_s, low, high)


class _Ring:
    """Times and a row of lows and one of highs per name, bounded: at least `points` of each once they came, at most an eighth
    more.

    Arrays of plain numbers, of four bytes: three hours of all signals as objects would take some 50 MB.
    """

    def __init__(self, points: int, every_ns: int = 0) -> None:
        self.points = points
        self.every_ns = every_ns
        self.times = array("q")
        self.low: dict[str, array[float]] = {}
        self.high: dict[str, array[float]] = {}
        self._bin: int | None = None
        self._lows: dict[str, float] = {}
        self._highs: dict[str, float] = {}

    def feed(self, t_ns: int, values: dict[str, float]) -> None:
        """Take the numbers of a moment; those of one `every_ns` become one point."""
        if not self.every_ns:
            self._add(t_ns, values, values)
            return
        place = t_ns // self.every_ns
        if place != self._bin:
            if self._bin is not None:
                self._add(self._bin * self.every_ns, self._lows, self._highs)
            self._bin, self._lows, self._highs = place, dict(values), dict(values)
            return
        for name, number in values.items():
            if number != number:
                continue
            low, high = self._lows.get(name, math.nan), self._highs.get(name, math.nan)
            self._lows[name] = number if low != low or number < low else low
            self._highs[name] = number if high != high or number > high else high

    def _add(self, t_ns: int, lows: dict[str, float], highs: dict[str, float]) -> None:
        spare = self.points // 8
        tables = ((self.low, lows),) if not self.every_ns else ((self.low, lows), (self.high, highs))
        if len(self.times) >= self.points + spare:
            del self.times[:spare]
            for rows, _ in tables:
                for row in rows.values():
                    del row[:spare]
        count = len(self.times)
        self.times.append(t_ns)
        for rows, values in tables:
            for name in values:
                if name not in rows:
                    rows[name] = array("f", [math.nan]) * count
            for name, row in rows.items():
                row.append(values.get(name, math.nan))

    def rows(self, name: str) -> "tuple[array[float], array[float]] | None":
        """Lows and highs of a signal."""
        low = self.low.get(name)
        return None if low is None else (low, self.high[name] if self.every_ns else low)

    def clear(self) -> None:
        del self.times[:]
        self.low.clear()
        self.high.clear()
        self._bin, self._lows, self._highs = None, {}, {}


class History:
    """Ring buffers that `feed` fills and screens read."""

    def __init__(self) -> None:
        self._rings = (
            _Ring(FINE_POINTS),
            _Ring(MIDDLE_POINTS, MIDDLE_NS),
            _Ring(COARSE_POINTS, COARSE_NS),
        )
        self._kept: dict[tuple[object, ...], Track] = {}
        self.last_ns = 0
        self.unbroken_ns = 0
        """From here to the newest point it was fed without a jump."""
        self._step_ns = 0
        self.alarms: deque[tuple[int, AlarmView]] = deque(maxlen=500)
        """Every change of an alarm that the screen has seen: when, and the alarm as it was then."""
        self._states: dict[str, AlarmView] = {}
        self.request: Request | None = None
        """What was last asked of the record."""
        self.reads_past = False
        """Whether more of the answer is to come."""
        self.pieces: list[Piece] = []
        """What came of it so far, oldest first."""

    def feed(self, snap: Snapshot) -> None:
        """Take a snapshot; one that is not newer than the last is ignored."""
        if snap.t_ns < self.last_ns - LEAP_NS:
            self.clear()
        if snap.t_ns <= self.last_ns:
            return
        step_ns = snap.t_ns - self.last_ns
        # A quick replay takes wide steps, each about like the one before.
        if not self.last_ns or step_ns > max(LEAP_NS, 4 * self._step_ns):
            self.unbroken_ns = snap.t_ns
        self._step_ns = step_ns if self.last_ns else 0
        self.last_ns = snap.t_ns
        values = {name: value.number if value.known else math.nan for name, value in snap.values.items()}
        values[STOP_MARK] = stop_mark(snap.hoist, values.get("height", math.nan), values.get("reach_assured", math.nan))
        for ring in self._rings:
            ring.feed(snap.t_ns, values)
        self._log(snap)

    @property
    def bytes(self) -> int:
        """Of the numbers that it holds of what it was fed."""
        rows = sum(
            len(row) * row.itemsize for ring in self._rings for table in (ring.low, ring.high) for row in table.values()
        )
        return rows + sum(len(ring.times) * ring.times.itemsize for ring in self._rings)

    def clear(self) -> None:
        """Forget everything that was fed; what came from the record stays."""
        for ring in self._rings:
            ring.clear()
        self._kept.clear()
        self.last_ns = self.unbroken_ns = self._step_ns = 0
        self.alarms.clear()
        self._states.clear()

    @property
    def reach_s(self) -> float:
        """How far back it remembers what it was fed, s."""
        oldest = min((ring.times[0] for ring in self._rings if ring.times), default=self.last_ns)
        return (self.last_ns - oldest) / 1e9

    def past_wanted(self, since_ns: int, until_ns: int) -> tuple[int, int, int] | None:
        """What of that time the record must be asked for: from, to, width of a bin, ns; None where the screen has it, or has
        asked already."""
        oldest = min((ring.times[0] for ring in self._rings if ring.times), default=self.last_ns)
        if not self._sparse(since_ns, until_ns):  # else it has too few points for so short a time
            until_ns = min(until_ns, max(oldest, self.unbroken_ns))
        if since_ns >= until_ns - MIDDLE_NS:
            return None
        step_ns = step_for(since_ns, until_ns)
        asked = self.request
        if asked and asked.since_ns <= since_ns and until_ns <= asked.until_ns and asked.step_ns <= 2 * step_ns:
            return None
        return since_ns, until_ns, step_ns

    def _sparse(self, since_ns: int, until_ns: int) -> bool:
        """Whether a window of that time would have too few points of what was fed: an old one, or one of a quick replay."""
        times = self._ring(since_ns).times
        seen_ns = until_ns - max(since_ns, times[0]) if times else 0
        count = bisect_right(times, until_ns) - bisect_left(times, since_ns)
        return seen_ns > 0 and count * (until_ns - since_ns) < LEAST_POINTS * seen_ns

    def take_past(self, piece: Piece) -> None:
        """Take a piece of the answer, the newest first."""
        self._kept.clear()
        if self.pieces and (self.pieces[0].since_ns != piece.until_ns or self.pieces[0].step_ns != piece.step_ns):
            self.pieces.clear()
        self.pieces.insert(0, piece)
        del self.pieces[MOST_PIECES:]

    def marks(self, since_ns: int, until_ns: int) -> list[Mark]:
        """Alarms raised in that time, oldest first: those that the screen saw, and before them those of the record."""
        seen = [
            (t_ns, alarm.severity, alarm.message)
            for t_ns, alarm in self.alarms
            if alarm.active and alarm.state.waiting and since_ns <= t_ns <= until_ns
        ]
        known_ns = self.pieces[-1].until_ns if self.pieces else 0
        read = [mark for piece in self.pieces for mark in piece.marks if since_ns <= mark[0] <= until_ns]
        return read + [mark for mark in seen if mark[0] >= known_ns]

    def track(self, name: str, span_s: float, until_ns: int | None = None) -> Track:
        """`span_s` seconds of a signal up to `until_ns` (now when None), at most about `MOST_POINTS` points and one for each bin
        of the record: lows and highs where points are joined."""
        until = self.last_ns if until_ns is None else until_ns
        since = until - int(span_s * 1e9)
        ring = self._ring(since)
        newest = ring.times[-1] if ring.times else 0
        key = name, span_s, until_ns, newest, ring.points
        kept = self._kept.get(key)
        if kept is None:
            if len(self._kept) > MOST_PIECES:
                self._kept.clear()
            # Of a ring that has a point every few seconds it moves on by whole points.
            kept = self._kept[key] = self._cut(ring, name, since, until)
        return kept

    def _ring(self, since: int) -> _Ring:
        """The finest that reaches back so far, or has lost nothing yet."""
        for ring in self._rings:
            if ring.times and (ring.times[0] <= since or len(ring.times) < ring.points):
                return ring
        return self._rings[-1]

    def _cut(self, ring: _Ring, name: str, since: int, until: int) -> Track:
        """The points from `since` to `until`: of the record, and before and after it those that were fed."""
        times: list[int] = []
        lows: list[float] = []
        highs: list[float] = []
        past = [
            piece for piece in self.pieces if name in piece.low and piece.until_ns > since and piece.since_ns < until
        ]
        first, last = (past[0].since_ns, past[-1].until_ns) if past else (until + 1, until + 1)

        def fed(after: int, before: int) -> None:
            rows = ring.rows(name)
            start, end = bisect_left(ring.times, after), bisect_left(ring.times, before)
            if rows is None or start >= end:
                return
            group = -(-(end - start) // MOST_POINTS)
            for at in range(start, end, group):
                stop = min(end, at + group)
                times.append(ring.times[at])
                lows.append(rows[0][at] if group == 1 else _least(rows[0][at:stop]))
                highs.append(rows[1][at] if group == 1 else -_least([-x for x in rows[1][at:stop]]))

        fed(since, min(first, until + 1))
        for piece in past:
            start = max(0, -(-(since - piece.since_ns) // piece.step_ns))
            end = min(len(piece.low[name]), -(-(until - piece.since_ns) // piece.step_ns))
            times += range(piece.since_ns + start * piece.step_ns, piece.since_ns + end * piece.step_ns, piece.step_ns)
            lows += piece.low[name][start:end]
            highs += piece.high[name][start:end]
        if last <= until:
            fed(max(last, since), until + 1)
        return Track([(t_ns - until) * 1e-9 for t_ns in times], lows, highs)

    def _log(self, snap: Snapshot) -> None:
        seen = {alarm.key: alarm for alarm in snap.alarms}
        for key, alarm in seen.items():
            before = self._states.get(key)
            if before is None or before.state is not alarm.state or before.active != alarm.active:
                self.alarms.append((snap.t_ns, alarm))
        self._states = seen


def _least(numbers: "array[float] | list[float]") -> float:
    """The least of those that are known; NaN when none is."""
    return min((number for number in numbers if number == number), default=math.nan)
