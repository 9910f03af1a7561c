"""Strokes and stands: which way the block went, and when the string hung on it.

*Strokes.* The block turns where it has gone back by `TURN_M`; a stroke lies between two turns, without the rest at its ends.

*Does the string hang?* The load is compared with what the block weighs alone. That is learned from the log itself, near the rig
file's weight, and apart for going up, going down and at rest, since the tackle's friction shows in each of them differently. A
single reading of either kind is believed only with a motion that fits: at one reading in ten seconds a connection may leave a
single reading of the block alone, but the block turns in it and moves by most of a stand, which no blip of the load does.

*Stands* run from one set-down to the next: the connection, with the string in slips, then slips to slips, with it on the hook.
Times lie half way between the readings around them.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.known import known_of, median_of, noise_at_rest, stretches_alike
from monitor.analysis.work.block_weight import NEAR, block_level, block_weights
from monitor.analysis.work.series import Bools, Floats, Series
from monitor.units import STANDARD_GRAVITY_M_S2 as GRAVITY

Signs = NDArray[np.int8]

TURN_M: Final = 0.4
_REST_M: Final = 0.1
"""Nearer than this to its end a stroke is over."""
LEAST_STROKE_M: Final = 0.5
LEAST_STAND_M: Final = 8.0
"""A stand that moved the string by less was only lifted and set again."""
_MOVED_M: Final = 3.0
"""A motion that tells a connection, or a stroke with the string, from a blip of the load."""
_LASTS_S: Final = 8.0
"""A connection, or a lift, that moved nothing lasts for so long at the least."""
_BLIP_S: Final = 2.0
_BAND: Final = 0.05
_LEAVE: Final = 1.6
"""Half-width of "the block alone" over its weight, and by how much more the string must show (common practice, no source)."""
_SIGMAS: Final = 2.5
"""The band is no narrower than so many standard deviations of the load's noise."""
_ALIKE: Final = 0.1
_BLIP: Final = 0.3
"""Shares of the block's weight: two loads are alike, one is a blip."""
_CARRIED: Final = 0.5
"""Less than this of the block's weight: something else carries it, or the reading is none."""
_UNSEEN_S: Final = 60.0
_LEAST_STANDS: Final = 3
_FEW_LOADS: Final = 200
_HIGHEST: Final = 0.999
"""The rest of the loads may be bad readings."""

ALONE, HANGS, UNKNOWN = 0, 1, -1


@dataclass(frozen=True, slots=True)
class Stroke:
    """One motion of the block. Places in the series: `turn` and `next_turn`, between which it lies, rests and all; `first` and
    `last`, where it starts and comes to rest."""

    turn: int
    next_turn: int
    first: int
    last: int
    from_s: float
    to_s: float
    from_m: float
    to_m: float
    load_n: float
    """Median meanwhile."""
    hangs: bool
    """Whether the string hung on it for most of the way."""

    @property
    def travel_m(self) -> float:
        """Up positive."""
        return self.to_m - self.from_m

    @property
    def seconds(self) -> float:
        """In motion."""
        return self.to_s - self.from_s


@dataclass(frozen=True, slots=True)
class Interval:
    """A time in which the string hung on the block, or stood in slips."""

    first: int
    after: int
    from_s: float
    to_s: float
    hangs: bool

    @property
    def seconds(self) -> float:
        """Its length."""
        return self.to_s - self.from_s


@dataclass(frozen=True, slots=True)
class WorkedStand:
    """From one set-down to the next: `slips`, then `lifted`."""

    slips: Interval
    lifted: Interval
    travel_m: float
    """Of the block with the string on it, up positive; NaN where the position was not read."""
    load_n: float

    @property
    def seconds(self) -> float:
        """Set-down to set-down."""
        return self.slips.seconds + self.lifted.seconds

    @property
    def way(self) -> str:
        """Which way the string went, in words."""
        if math.isnan(self.travel_m):
            return "not seen"
        if abs(self.travel_m) < LEAST_STAND_M:
            return "worked"
        return "out" if self.travel_m > 0 else "in"


@dataclass(frozen=True, slots=True)
class Motion:
    """All of it, of one series."""

    series: Series
    strokes: list[Stroke]
    intervals: list[Interval]
    stands: list[WorkedStand]
    hangs: Signs
    """Per reading: ALONE, HANGS or UNKNOWN."""
    work_j: Floats
    """Signed sum of load times way up to each reading: within one stroke its difference is the line's work."""
    block_n: tuple[float, float, float]
    """What the block weighs alone: going down, at rest, going up."""

    def work_between(self, first: int, last: int) -> float:
        """Line work from reading `first` to `last` of one stroke, J."""
        return abs(float(self.work_j[last] - self.work_j[first]))


def motion_of(series: Series) -> Motion:
    """Everything that the block did in `series`. Where next to no stand is found with the block's weight in the rig's file, and
    stands are with the level that the load itself comes back to, the block weighs that."""
    motion = _motion_of(series)
    if len(motion.stands) < _LEAST_STANDS:
        level_n = _block_apart(series)
        if level_n is not None:
            block = series.rig.block.model_copy(update={"mass_kg": level_n / GRAVITY})
            other = _motion_of(replace(series, rig=series.rig.model_copy(update={"block": block})))
            if sum(stand.way in ("out", "in") for stand in other.stands) >= _LEAST_STANDS:
                return other
    return motion


def _block_apart(series: Series) -> float | None:
    """The load's own level, N, where it is another than the weight in the rig's file; else None."""
    loads = known_of(series.load_n)
    if len(loads) < _FEW_LOADS:
        return None
    level_n, _ = block_level(loads, float(np.quantile(loads, _HIGHEST)))
    configured = series.rig.block.mass_kg * GRAVITY
    return level_n if abs(level_n - configured) > NEAR * configured else None


def _motion_of(series: Series) -> Motion:
    turns = [_turns(series, first, after) for first, after in series.pieces]
    way, stroke_of = _ways(series, turns)
    series = replace(series, load_n=_without_load_blips(series, stroke_of))
    noise_n = _load_noise_n(series, way)
    block = block_weights(series, way, noise_n)
    intervals: list[Interval] = []
    hangs = np.full(len(series.t_s), UNKNOWN, np.int8)
    for first, after in series.stretches:
        state = _states(series, way, stroke_of, block, noise_n, first, after)
        hangs[first:after] = state
        intervals += _intervals(series, state, first)
    strokes = [stroke for some in turns for stroke in _strokes(series, some, hangs)]
    work = _work(series, hangs, strokes)
    return Motion(series, strokes, intervals, _stands(series, intervals), hangs, work, block)


# --- strokes ---------------------------------------------------------------------------------------------------------


def _turns(series: Series, first: int, after: int) -> list[int]:
    """Places at which the block turns within one piece, its ends included."""
    heights = series.height_m[first:after].tolist()
    noise = 6.0 * _noise_m(series)
    turn = max(TURN_M, noise)
    turns = [0]
    low = high = 0
    way = 0
    for place, height in enumerate(heights):
        if way >= 0 and height > heights[high]:
            high = place
        if way <= 0 and height < heights[low]:
            low = place
        if way >= 0 and heights[high] - height > turn:
            turns.append(high)
            way, low = -1, place
        elif way <= 0 and height - heights[low] > turn:
            turns.append(low)
            way, high = 1, place
    turns.append(high if way > 0 else low if way < 0 else len(heights) - 1)
    turns.append(len(heights) - 1)
    return [first + place for place in sorted(set(turns))]


def _noise_m(series: Series) -> float:
    sensor = series.rig.sensor_of("block_position")
    return sensor.sigma * sensor.si.scale if sensor is not None else 0.01


def _ways(series: Series, turns: Sequence[Sequence[int]]) -> tuple[Signs, NDArray[np.int64]]:
    """By each reading: whether the block goes up (1), down (-1) or rests (0); and the number of its stroke, rests and all."""
    way = np.zeros(len(series.t_s), np.int8)
    stroke_of = np.zeros(len(series.t_s), np.int64)
    number = 0
    for places in turns:
        for one, other in pairwise(places):
            number += 1
            stroke_of[one + 1 : other + 1] = number
            travel = float(series.height_m[other] - series.height_m[one])
            if abs(travel) >= LEAST_STROKE_M:
                first, last = _moving(series, one, other)
                way[first + 1 : last] = 1 if travel > 0 else -1
        number += 1
    return way, stroke_of


def _without_load_blips(series: Series, stroke_of: NDArray[np.int64]) -> Floats:
    """The load without single readings far from both neighbours, which agree, where the block neither turned nor rested: a
    set-down in a slow log may leave one reading, but not in the middle of a stroke."""
    load = series.load_n.copy()
    if len(load) < 3:
        return load
    block = series.rig.block.mass_kg * GRAVITY
    before, at, after = load[:-2], load[1:-1], load[2:]
    alike = np.abs(before - after) < _ALIKE * block
    far = np.minimum(np.abs(at - before), np.abs(at - after)) > _BLIP * block
    rests = np.abs(series.height_m[2:] - series.height_m[:-2]) < LEAST_STROKE_M
    blips = np.flatnonzero(alike & far & ((stroke_of[:-2] == stroke_of[2:]) | rests)) + 1
    load[blips] = np.nan
    return load


def _moving(series: Series, one: int, other: int) -> tuple[int, int]:
    """The part of the way between two turns in which the block was not yet, or no longer, at rest."""
    height = series.height_m[one : other + 1]
    from_start, from_end = np.abs(height - _rest_level(height)), np.abs(height - _rest_level(height[::-1]))
    # Outwards from the middle of the way: a wrong reading in the rest before or after it does not count as motion.
    middle = int(np.argmax(from_start >= 0.5 * from_start[-1]))
    starts = np.flatnonzero(from_start[: middle + 1] <= _REST_M)
    ends = np.flatnonzero(from_end[middle:] <= _REST_M)
    first, last = int(starts[-1]) if len(starts) else 0, middle + int(ends[0]) if len(ends) else len(height) - 1
    return one + first, one + last


def _rest_level(height: Floats) -> float:
    """Where the block rests before its way: the turn's own reading may be the most wrong one of the rest."""
    rests = len(height) > 3 and abs(float(height[1] - height[2])) <= 0.5 * _REST_M
    return float(height[1] if rests else height[0])


def _strokes(series: Series, turns: Sequence[int], hangs: Signs) -> list[Stroke]:
    found = []
    for one, other in pairwise(turns):
        if abs(float(series.height_m[other] - series.height_m[one])) < LEAST_STROKE_M:
            continue
        first, last = _moving(series, one, other)
        inside = slice(first + 1, last) if last - first > 2 else slice(first, last + 1)
        known = hangs[inside][hangs[inside] != UNKNOWN]
        found.append(
            Stroke(
                one, other, first, last, float(series.t_s[first]), float(series.t_s[last]), float(series.height_m[first]),
                float(series.height_m[last]), median_of(series.load_n[inside]),
                bool(len(known)) and float(known.mean()) >= 0.5,
            )
        )  # fmt: skip
    return found


def _work(series: Series, hangs: Signs, strokes: Sequence[Stroke]) -> Floats:
    """Signed sum of load times way, J; nothing over a break or where the load is not known at either end.

    Where the string was set or lifted between two readings, the load of that one counts with which the stroke was made: in a slow
    log the block travels metres in between.
    """
    load = series.load_n
    before, after = load[:-1], load[1:]
    mean = np.where(np.isnan(before), after, np.where(np.isnan(after), before, 0.5 * (before + after)))
    changes = np.flatnonzero((np.diff(hangs) != 0) & np.isfinite(before) & np.isfinite(after))
    turns = np.array([stroke.turn for stroke in strokes])
    for place in changes.tolist():
        index = int(np.searchsorted(turns, place, side="right")) - 1
        if index >= 0 and strokes[index].next_turn > place:
            wanted = HANGS if strokes[index].hangs else ALONE
            mean[place] = before[place] if hangs[place] == wanted else after[place]
    steps = np.nan_to_num(mean * np.diff(series.height_m))
    steps[series.breaks - 1] = 0.0
    return np.concatenate(([0.0], np.cumsum(steps))) if len(load) else np.zeros(0)


# --- the string ------------------------------------------------------------------------------------------------------


def _load_noise_n(series: Series, way: Signs) -> float:
    """Standard deviation of the load at rest, from reading to reading (by the median, which set-downs do not move)."""
    rests = (way[1:] == 0) & (way[:-1] == 0)
    return noise_at_rest(series.load_n, rests, at_least=20)


def _states(
    series: Series,
    way: Signs,
    stroke_of: NDArray[np.int64],
    block_n: tuple[float, float, float],
    noise_n: float,
    first: int,
    after: int,
) -> Signs:
    """Whether the string hangs, per reading of one piece; short blips taken out."""
    load, t_s = series.load_n[first:after], series.t_s[first:after]
    block = np.where(series.held[first:after], max(block_n), np.array(block_n)[way[first:after] + 1])
    band = np.maximum(_BAND * block, _SIGMAS * noise_n)
    known = np.isfinite(load) & (load > _CARRIED * block)
    state = np.full(len(load), UNKNOWN, np.int8)
    state[known & (load <= block + band)] = ALONE
    state[known & (load >= block + _LEAVE * band)] = HANGS
    # Between the two, and where nothing is known for a while, it stays as it was.
    certain = np.flatnonzero(state != UNKNOWN)
    if not len(certain):
        return state
    last = np.maximum.accumulate(np.where(state != UNKNOWN, np.arange(len(state)), -1))
    recent = (last >= 0) & (t_s - t_s[np.maximum(last, 0)] <= max(_UNSEEN_S, 3.0 * series.step_s))
    state = np.where(recent, state[np.maximum(last, 0)], state).astype(np.int8)
    return _without_blips(series, state, stroke_of, first)


def _runs(state: Signs) -> list[tuple[int, int, int]]:
    """(first, one past the last, state) of each run."""
    return [(first, after, int(state[first])) for first, after in stretches_alike(state)]


def _without_blips(series: Series, state: Signs, stroke_of: NDArray[np.int64], first: int) -> Signs:
    """Runs that neither last nor move the block as what they mean would, given to what is around them; shortest first."""
    for least_s in (_BLIP_S, _LASTS_S):
        while True:
            runs = _runs(state)
            changed = False
            for place in range(1, len(runs) - 1):
                begin, end, of = runs[place]
                before, after = runs[place - 1][2], runs[place + 1][2]
                if UNKNOWN in (of, before, after) or before != after or state[begin] != of or state[begin - 1] == of:
                    continue
                if not _believed(series, stroke_of, first + begin, first + end, least_s):
                    state[begin:end] = before
                    changed = True
            if not changed:
                break
    return state


def _believed(series: Series, stroke_of: NDArray[np.int64], begin: int, end: int, least_s: float) -> bool:
    """Whether a run of readings from `begin` to before `end` is more than a blip."""
    lasts = float(series.t_s[end] - series.t_s[begin])
    if end - begin >= 2 and lasts >= least_s:
        return True
    moved = abs(float(series.height_m[end] - series.height_m[begin - 1]))
    turned = stroke_of[begin - 1] != stroke_of[end]
    return bool(turned) and lasts >= min(_BLIP_S, series.step_s) and moved >= _MOVED_M


def _intervals(series: Series, state: Signs, first: int) -> list[Interval]:
    """The times of hanging and of slips in one piece; a time in which it is not known parts them."""
    found: list[Interval] = []
    t_s = series.t_s
    runs = _runs(state)
    for place, (begin, end, of) in enumerate(runs):
        if of == UNKNOWN:
            continue
        a, b = first + begin, first + end
        met = place > 0
        ends = place < len(runs) - 1
        from_s = 0.5 * float(t_s[a - 1] + t_s[a]) if met else float(t_s[a])
        to_s = 0.5 * float(t_s[b - 1] + t_s[b]) if ends else float(t_s[b - 1])
        found.append(Interval(a, b, from_s, to_s, of == HANGS))
    return found


def _stands(series: Series, intervals: Sequence[Interval]) -> list[WorkedStand]:
    """Whole stands: set in slips, a time on the hook, and in slips again; none that began before the log or over a gap."""
    found = []
    height = series.height_m
    for before, slips, lifted, following in zip(intervals, intervals[1:], intervals[2:], intervals[3:], strict=False):
        met = before.to_s == slips.from_s and slips.to_s == lifted.from_s and lifted.to_s == following.from_s
        if slips.hangs or not lifted.hangs or following.hangs or not met:
            continue
        seen = not series.held[lifted.first] and not series.held[lifted.after - 1]
        travel = float(height[lifted.after - 1] - height[lifted.first]) if seen else math.nan
        found.append(WorkedStand(slips, lifted, travel, median_of(series.load_n[lifted.first : lifted.after])))
    return found


def hanging(motion: Motion) -> Bools:
    """Per reading, whether the string hung on the block."""
    return np.asarray(motion.hangs == HANGS)
