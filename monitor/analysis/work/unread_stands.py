"""How many stands went out of the hole, or into it, while nothing was read: the string weighs less, or more, by so many stands.

Where the string went the same way before and after, each of its stands changed the load by about the same, and took about the
same work: its stroke with the string, and the stroke of the block alone that serves it. So the load before and after tells
how many stands there were, and the heights at both ends which part of the first and of the last; how much of the time was
waiting or drilling does not come into it (derived here). Where the string hangs at both ends and weighs the same, it is the same
stroke. Where the way turned, or the load is too rough to tell a stand by, it says nothing.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from types import MappingProxyType
from typing import Final

import numpy as np

from monitor.analysis.known import median_of
from monitor.analysis.work.strokes import Interval, Motion, WorkedStand

_SIGNS: Final[Mapping[str, float]] = MappingProxyType({"in": 1.0, "out": -1.0})
"""Of the change of the load from stand to stand."""
_NEAR: Final = 10
"""So many stands tell what a stand is like."""
_LEAST: Final = 3
_TELLS: Final = 0.7
"""Scatter of the change of the load from stand to stand, over that change, up to which the load tells their number."""
_FEW: Final = 5
"""Fewer readings may all be of the string being taken up, or set."""
_SAME: Final = 0.002
"""Share of its load within which a string is the same: of the heaviest a stand is three times that (common practice, no
source)."""
_TO_SIGMA: Final = 1.4826
"""Of the median of absolute deviations (normal distribution)."""
_QUICKEST: Final = 0.5
"""No stand takes less than this share of the usual time: more of them is another string."""


@dataclass(frozen=True, slots=True)
class _Stand:
    """What stands around a hole are like, in SI."""

    from_m: float
    to_m: float
    """Where the stroke with the string begins and ends."""
    change_n: float
    """Of the load from one to the next."""
    travel_m: float
    """With the string, ways to and fro and all."""
    return_j: float
    """Work of the block alone."""
    takes_s: float


def unread_work_j(motion: Motion, works: Mapping[int, float], begin: float, end: float) -> float | None:
    """Work of the line from `begin` to `end`, s, in which nothing was read, J; None where the load does not tell. `works` is the
    work of each interval that was seen whole, by its first reading."""
    usual = _usual(motion, works, begin, end)
    before = [interval for interval in motion.intervals if interval.to_s <= begin]
    after = [interval for interval in motion.intervals if interval.from_s >= end]
    hung = [interval for interval in reversed(before) if interval.hangs]
    hangs = [interval for interval in after if interval.hangs]
    if not hung or not hangs:
        return None
    change_n = 0.0 if usual is None else usual.change_n
    first_n, last_n = _load_n(motion, hung, change_n), _load_n(motion, hangs, -change_n)
    series = motion.series
    from_m = float(series.height_m[np.searchsorted(series.t_s, begin, side="right") - 1])
    to_m = float(series.height_m[np.searchsorted(series.t_s, end)])
    if hung[0] is before[-1] and hangs[0] is after[0] and abs(last_n - first_n) <= _SAME * first_n:
        return abs(to_m - from_m) * 0.5 * (first_n + last_n)
    if usual is None:
        return None
    count = (last_n - first_n) / usual.change_n
    if not -0.5 <= count <= (end - begin) / (_QUICKEST * usual.takes_s) + 2.0:
        return None
    done = _done(usual, from_m, before[-1].hangs)
    at_end = _done(usual, to_m, after[0].hangs)
    # A stand's stroke with the string comes first: where the block is alone at the end, its next one is not begun yet.
    stands = round(count) - (not after[0].hangs)
    with_string = max(0.0, stands + at_end[0] - done[0])
    block_alone = max(0.0, stands + at_end[1] - done[1])
    return with_string * usual.travel_m * 0.5 * (first_n + last_n) + block_alone * usual.return_j


def _load_n(motion: Motion, hanging: Sequence[Interval], change_n: float) -> float:
    """The string's load in the first of the times on the hook. Where the hole left too little of that, it is the next one's, from
    which it differs by `change_n`."""
    place = int(change_n != 0.0 and len(hanging) > 1 and hanging[0].after - hanging[0].first < _FEW)
    interval = hanging[place]
    return median_of(motion.series.load_n[interval.first : interval.after]) + place * change_n


def _usual(motion: Motion, works: Mapping[int, float], begin: float, end: float) -> _Stand | None:
    """What stands around the hole are like; None where they went two ways, or nothing tells by how much they change the load."""
    stands, height = motion.stands, motion.series.height_m
    before = next((s for s in reversed(stands) if s.lifted.to_s <= begin and s.way in _SIGNS), None)
    after = next((s for s in stands if s.slips.from_s >= end and s.way in _SIGNS), None)
    if before is None or after is None or before.way != after.way:
        return None
    alike = [s for s in stands if s.way == before.way and s.slips.first in works and s.lifted.first in works]
    alike = sorted(alike, key=lambda s: abs(s.slips.from_s - begin))[:_NEAR]
    change_n = _change_n(stands, begin)
    if change_n is None or not alike:
        return None
    return _Stand(
        float(np.median([height[s.lifted.first] for s in alike])),
        float(np.median([height[s.lifted.after - 1] for s in alike])), _SIGNS[before.way] * change_n,
        float(np.median([works[s.lifted.first] / s.load_n for s in alike])),
        float(np.median([works[s.slips.first] for s in alike])), float(np.median([s.seconds for s in alike])),
    )  # fmt: skip


def _change_n(stands: Sequence[WorkedStand], at_s: float) -> float | None:
    """By how much one more stand in the hole changes the load, N; None where that is lost in the load's scatter."""
    changes = [
        (abs(b.slips.from_s - at_s), _SIGNS[b.way] * (b.load_n - a.load_n))
        for a, b in pairwise(stands)
        if a.way == b.way in _SIGNS and a.lifted.to_s == b.slips.from_s
    ]
    near = [change for _, change in sorted(changes)[: 2 * _NEAR]]
    if len(near) < _LEAST:
        return None
    change_n = float(np.median(near))
    scatter_n = _TO_SIGMA * float(np.median(np.abs(np.array(near) - change_n)))
    return change_n if change_n > 0.0 and scatter_n <= _TELLS * change_n else None


def _done(usual: _Stand, height: float, hangs: bool) -> tuple[float, float]:
    """Shares of a stand's two strokes, with the string and without, that are done where the block is at `height`."""
    part = min(1.0, max(0.0, (height - usual.from_m) / (usual.to_m - usual.from_m)))
    return (part, 0.0) if hangs else (1.0, 1.0 - part)
