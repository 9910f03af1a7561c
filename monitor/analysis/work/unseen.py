"""What the line did while the block was not seen: an estimate, told apart and never added.

Where the load went on, it is known how often the string was lifted and set: each such time has, for the part of it that was not
seen, its share of the work that its neighbours of the same kind took. Where nothing was read, the string's weight before and
after tells how many stands there were (`unread_stands`); where it does not, the mean of ten minutes before and after goes on (of
windows of ten minutes to the whole log the one that errs least on simulated ones). Over more than `LONGEST_S` nothing is
estimated.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.analysis.work.series import Floats
from monitor.analysis.work.strokes import Interval, Motion
from monitor.analysis.work.unread_stands import unread_work_j

LONGEST_S: Final = 7200.0
_AROUND_S: Final = 600.0
_NEIGHBOURS: Final = 10
_NOTHING: Final = 0.9
"""Share of a hole from which on nothing at all was read in it."""
_LEAST_S: Final = 30.0
"""A shorter one is a jump of the instrument."""


@dataclass(frozen=True, slots=True)
class Unseen:
    """All that was not seen."""

    times: int
    seconds: float
    work_j: float
    """Estimated."""
    not_estimated_s: float
    """Of the time, what is too long to say anything of."""


def unseen_work(motion: Motion) -> Unseen:
    """The line's work in all stretches in which the position was not read."""
    holes = _holes(motion)
    works = _works(motion)
    whole = np.array([not any(_meets(interval, hole) for hole in holes) for interval in motion.intervals], np.bool_)
    seen = {
        i.first: float(work) for i, work, all_of_it in zip(motion.intervals, works, whole, strict=True) if all_of_it
    }
    sum_j = not_estimated_s = 0.0
    for begin, end in holes:
        left_s = end - begin
        for place, interval in enumerate(motion.intervals):
            shared = _shared(interval, (begin, end))
            if shared > 0.0 and interval.seconds > 0.0:
                sum_j += shared / interval.seconds * _usual(motion.intervals, works, whole, place)
                left_s -= shared
        if left_s > LONGEST_S:
            not_estimated_s += left_s
        elif left_s > 0.0:
            told_j = unread_work_j(motion, seen, begin, end) if left_s >= _NOTHING * (end - begin) else None
            sum_j += left_s * _rate(motion, holes, begin, end) if told_j is None else told_j
    return Unseen(len(holes), sum(end - begin for begin, end in holes), sum_j, not_estimated_s)


def _holes(motion: Motion) -> list[tuple[float, float]]:
    """(from, to) of each stretch without a position, s."""
    series = motion.series
    found: list[tuple[float, float]] = []
    for place in series.breaks.tolist():
        before = place - 1
        while before > 0 and series.held[before]:
            before -= 1
        if series.t_s[place] - series.t_s[before] >= _LEAST_S:
            begin = float(series.t_s[before])
            if found and begin < found[-1][1]:  # the load came back before the position did
                begin, _ = found.pop()
            found.append((begin, float(series.t_s[place])))
    return found


def _shared(interval: Interval, hole: tuple[float, float]) -> float:
    return max(0.0, min(interval.to_s, hole[1]) - max(interval.from_s, hole[0]))


def _meets(interval: Interval, hole: tuple[float, float]) -> bool:
    """Whether the hole takes a part of it, or may: one that begins or ends with a hole was cut off by it."""
    return interval.from_s <= hole[1] and interval.to_s >= hole[0]


def _works(motion: Motion) -> Floats:
    """Work of the strokes in each interval, J."""
    works = np.zeros(len(motion.intervals))
    starts = [interval.first for interval in motion.intervals]
    for stroke in motion.strokes:
        place = int(np.searchsorted(starts, (stroke.first + stroke.last) // 2, side="right")) - 1
        if place >= 0:
            works[place] += motion.work_between(stroke.turn, stroke.next_turn)
    return works


def _usual(intervals: Sequence[Interval], works: Floats, whole: np.ndarray, place: int) -> float:
    """Median work of the nearest intervals of the same kind that were seen whole, J; 0 where there is none."""
    alike = np.array([interval.hangs is intervals[place].hangs for interval in intervals]) & whole
    places = np.flatnonzero(alike)
    nearest = places[np.argsort(np.abs(places - place), kind="stable")[:_NEIGHBOURS]]
    return float(np.median(works[nearest])) if len(nearest) else 0.0


def _rate(motion: Motion, holes: Sequence[tuple[float, float]], begin: float, end: float) -> float:
    """Mean work in `_AROUND_S` before and after, W; what was not seen there left out."""
    low, high = begin - _AROUND_S, end + _AROUND_S
    low, high = max(low, float(motion.series.t_s[0])), min(high, float(motion.series.t_s[-1]))
    seen_s = high - low - sum(max(0.0, min(high, b) - max(low, a)) for a, b in holes)
    work = sum(
        motion.work_between(stroke.turn, stroke.next_turn)
        for stroke in motion.strokes
        if low <= 0.5 * (stroke.from_s + stroke.to_s) <= high
    )
    return work / seen_s if seen_s > 60.0 else 0.0
