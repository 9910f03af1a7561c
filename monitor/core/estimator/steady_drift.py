"""Whether the heights of connections creep off, stand after stand: a straight line through the last ones of each place.

Each place has its own height, all share one drift a connection; so a drift shows that was there from the first stand on, where no
place is known from before it. The line is weighed against none by Student's t, with the scatter about it (derived here).
"""

import math
from collections.abc import Hashable, Iterable
from typing import Final, NamedTuple

USUAL_M: Final = 0.15
USUAL_WEIGHT: Final = 8.0
"""A hand's scatter before any was seen, and how many squares that is worth."""
LEAST_M: Final = 0.12
"""No hand sets its slips closer than this for long, however it began."""
LEAST_FREEDOM: Final = 3
"""So many connections beyond the first at each place, at least."""


class Drift(NamedTuple):
    """What the heights have crept by since the first of them, m, and how rare that would be by chance, in standard deviations
    of a normal distribution."""

    off_m: float
    deviate: float


def deviate(t: float, freedom: float) -> float:
    """The normal deviate that is as rare as Student's `t` at so many degrees of freedom (Wallace 1959, within 1 % or so)."""
    return (8.0 * freedom + 1.0) / (8.0 * freedom + 3.0) * math.sqrt(freedom * math.log1p(t * t / freedom))


def steady_drift(connections: Iterable[tuple[Hashable, float]]) -> Drift:
    """Of (place, height in m), the oldest first; none where they are too few."""
    by_place: dict[Hashable, list[tuple[float, float]]] = {}
    last = 0
    for last, (place, height_m) in enumerate(connections):
        by_place.setdefault(place, []).append((float(last), height_m))
    way = both = heights = 0.0
    freedom = -1.0
    for passed in by_place.values():
        at, mean_m = (sum(column) / len(passed) for column in zip(*passed, strict=True))
        way += sum((k - at) ** 2 for k, _ in passed)
        both += sum((k - at) * (h - mean_m) for k, h in passed)
        heights += sum((h - mean_m) ** 2 for _, h in passed)
        freedom += len(passed) - 1.0
    if freedom < LEAST_FREEDOM - 1 or way == 0.0:
        return Drift(0.0, 0.0)
    slope_m = both / way
    usual = max(0.0, USUAL_WEIGHT - freedom)
    squares_m2 = usual * USUAL_M**2 + max(0.0, heights - slope_m * both)
    freedom += usual
    weight = abs(slope_m) * math.sqrt(way)
    rare = deviate(weight / math.sqrt(squares_m2 / freedom), freedom) if squares_m2 > 0.0 else math.inf
    return Drift(slope_m * last, min(rare, weight / LEAST_M))
