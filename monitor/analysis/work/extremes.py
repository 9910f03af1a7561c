"""What was hardest on the hoist: heaviest stops, highest speeds that are physically possible, time beyond each limit; and the
line's work beside the log's own counter.

Without brake pressure a stop is known by its motion alone: the speed that the block had, what hung there, and how soon it was
at rest. Readings seconds apart leave open when within them it braked: the deceleration is then the least that it can have been.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.analysis.known import least, median_of, most
from monitor.analysis.work.series import Floats, Series
from monitor.analysis.work.strokes import Motion, Stroke
from monitor.units import STANDARD_GRAVITY_M_S2 as GRAVITY
from monitor.units import Dimension

STOP_FROM_M_S: Final = 0.2
_WITHIN_S: Final = 4.0
"""A stop is looked for in the last so many seconds of a stroke, or its last three readings."""
_READINGS: Final = 3
_STILL_M_S: Final = 0.05
_AS_FAST: Final = 0.9
_TELLS_S: Final = 2.0
"""With readings further apart the way from the brake to rest is not seen."""
_THREE_S: Final = 3.0
_SPEED_S: Final = 1.0
"""Speeds are means over at least so long: a quicker change is noise or the bounce on the line."""


@dataclass(frozen=True, slots=True)
class SeenStop:
    """A stop, by the motion alone. SI."""

    t_s: float
    """At rest."""
    way: int
    height_m: float
    speed_m_s: float
    load_n: float
    within_s: float
    """From that speed to rest, at most."""
    energy_j: float
    """Of motion, and in lowering of the height lost meanwhile (where readings come often enough to tell): what had to be taken
    up."""

    @property
    def deceleration_m_s2(self) -> float:
        """Mean; the least that it can have been."""
        return self.speed_m_s / self.within_s if self.within_s > 0.0 else math.nan


@dataclass(frozen=True, slots=True)
class Beyond:
    """Time beyond one limit of the rig's file."""

    limit: str
    level: float
    dimension: Dimension
    seconds: float
    times: int
    worst: float


@dataclass(frozen=True, slots=True)
class Counter:
    """The log's own counter of line work beside what was worked out over the same time."""

    own_j: float
    worked_out_j: float
    resets: int


def stops_seen(motion: Motion) -> list[SeenStop]:
    """All stops, at the end of a stroke or within it, hardest first (by the energy that had to be taken up)."""
    found = [stop for stroke in motion.strokes for stop in _stops(motion.series, stroke)]
    return sorted(found, key=lambda stop: -stop.energy_j)


def _stops(series: Series, stroke: Stroke) -> Iterator[SeenStop]:
    """The block comes to rest: a motion of `STOP_FROM_M_S` is followed soon by next to none."""
    t, h = series.t_s[stroke.first : stroke.next_turn + 1], series.height_m[stroke.first : stroke.next_turn + 1]
    least = max(_SPEED_S, series.fill_s)
    ends = np.minimum(np.searchsorted(t, t + least * 0.999), len(t) - 1)
    lasts = t[ends] - t
    ahead = np.where(lasts > 0.0, np.abs(h[ends] - h) / np.where(lasts > 0.0, lasts, 1.0), 0.0)
    """Mean speed over the next second, or to the next reading."""
    moving = ahead >= STOP_FROM_M_S
    ends_at: dict[int, int] = {}
    for end in np.flatnonzero(moving & ~np.append(moving[1:], False)).tolist():
        still = np.flatnonzero(ahead[end + 1 :] < _STILL_M_S)
        if len(still):
            ends_at[end + 1 + int(still[0])] = end  # of several, by noise, the last
    for rest, end in ends_at.items():
        if t[rest] - t[end] > _WITHIN_S and rest - end > _READINGS:
            continue  # it slowed down, and went on
        tail = np.arange(max(0, min(int(np.searchsorted(t, t[end] - _WITHIN_S)), end - _READINGS)), end + 1)
        speed = float(ahead[tail].max())
        # The last moment at that speed: noise would pick any before it.
        place = int(tail[ahead[tail] >= _AS_FAST * speed][-1])
        stop = _stop(series, stroke, stroke.first + place, stroke.first + int(ends[place]), stroke.first + rest, speed)
        if stop is not None:
            yield stop


def _stop(series: Series, stroke: Stroke, place: int, after: int, rest: int, speed: float) -> SeenStop | None:
    """The stop at reading `rest`, of a block that had `speed` from `place` to `after`; None where the load is not known."""
    t_s, height = series.t_s, series.height_m
    weight = median_of(series.load_n[place : rest + 1])
    if math.isnan(weight):
        return None
    tells = series.step_s <= _TELLS_S and stroke.travel_m < 0.0
    lost = abs(float(height[rest] - 0.5 * (height[place] + height[after]))) if tells else 0.0
    within = max(0.0, float(t_s[rest] - 0.5 * (t_s[place] + t_s[after])))
    return SeenStop(
        float(t_s[rest]), 1 if stroke.travel_m > 0 else -1, float(height[rest]), speed, weight, within,
        0.5 * weight / GRAVITY * speed**2 + weight * lost,
    )  # fmt: skip


def speeds(series: Series) -> Floats:
    """Mean speed that ends at each reading, over at least a second and never across a break, m/s, up positive; NaN at first."""
    t_s, height = series.t_s, series.height_m
    found = np.full(len(t_s), np.nan)
    least = max(_SPEED_S, 2.0 * series.fill_s)
    for first, after in series.pieces:
        t, h = t_s[first:after], height[first:after]
        back = np.searchsorted(t, t - least * 0.999, side="right") - 1
        known = back >= 0
        ends = np.flatnonzero(known)
        found[first + ends] = (h[ends] - h[back[ends]]) / (t[ends] - t[back[ends]])
    return found


def highest_speeds(motion: Motion) -> tuple[float, float]:
    """(up, down) highest mean speed over a second or more, m/s, magnitudes; of strokes only, so that no jump counts. The
    middle one of three in a row, where that is no longer than a stroke lasts, so that a single reading makes none."""
    speed = speeds(motion.series)
    if motion.series.step_s <= _THREE_S and len(speed) > 2:
        three = np.lib.stride_tricks.sliding_window_view(speed, 3)
        speed = np.concatenate((speed[:1], np.median(three, axis=1), speed[-1:]))
    best = [0.0, 0.0]
    for stroke in motion.strokes:
        some = speed[stroke.first + 1 : stroke.last + 1]
        side, top = (0, most(some)) if stroke.travel_m > 0 else (1, -least(some))
        if top > best[side]:
            best[side] = top
    return best[0], best[1]


def times_beyond(motion: Motion) -> list[Beyond]:
    """Time beyond each limit of the rig's file."""
    series = motion.series
    limits, block = series.rig.limits, series.rig.block
    speed = np.where(series.held, np.nan, np.abs(speeds(series)))
    height = np.where(series.held, np.nan, series.height_m)
    for from_s, to_s in series.doubtful_s:
        height[(series.t_s >= from_s) & (series.t_s <= to_s)] = np.nan
    rated_n = block.rated_load_kg * GRAVITY
    rows: tuple[tuple[str, float, Dimension, Floats, int], ...] = (
        ("above the upper limit", limits.upper_m, "length", height, 1),
        ("below the lower limit", limits.lower_m, "length", height, -1),
        ("above the overtravel device's height", limits.device_m, "length", height, 1),
        ("faster than the site's highest speed", limits.max_speed_m_s, "speed", speed, 1),
        ("above the rated load", rated_n, "force", series.load_n, 1),
    )
    return [_beyond(series, *row) for row in rows if math.isfinite(row[1])]


def _beyond(series: Series, words: str, level: float, dimension: Dimension, numbers: Floats, side: int) -> Beyond:
    with np.errstate(invalid="ignore"):
        past = side * (numbers - level) > 0.0
    steps = np.diff(series.t_s)
    steps[series.breaks - 1] = 0.0
    seconds = float(0.5 * (steps[past[:-1]].sum() + steps[past[1:]].sum()))
    times = int((past[1:] & ~past[:-1]).sum()) + int(bool(len(past)) and bool(past[0]))
    worst = most(numbers) if side > 0 else least(numbers)
    return Beyond(words, level, dimension, seconds, times, worst)


def own_counter(motion: Motion) -> Counter | None:
    """The log's own counter of line work, and what was worked out from its first to its last reading; None without one."""
    counted = motion.series.extras.get("line_work_counter")
    if counted is None:
        return None
    places = np.flatnonzero(np.isfinite(counted))
    if len(places) < 2:
        return None
    steps = np.diff(counted[places])
    resets = int((steps < 0.0).sum())
    first, last = int(places[0]), int(places[-1])
    worked_out = sum(
        motion.work_between(max(stroke.turn, first), min(stroke.next_turn, last))
        for stroke in motion.strokes
        if stroke.turn < last and stroke.next_turn > first
    )
    return Counter(float(steps[steps > 0.0].sum()), worked_out, resets)
