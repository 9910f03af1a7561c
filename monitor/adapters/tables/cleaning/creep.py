"""Whether a position that stood exactly still made up for it afterwards: a block that crept, and a sensor that froze meanwhile.

A string that is drilled down or let down slowly goes on at an even speed for minutes. Where its position repeats itself
exactly and then steps on, the way it was going, by no more than it would have gone meanwhile, it is the sensor that stood
(derived here).
"""

from collections import deque
from collections.abc import Sequence
from typing import Final

POINTS: Final = 12
LEAST_POINTS: Final = 4
LEAST_S: Final = 9.0
"""So long a block must have crept, over so many positions."""
CREEP_M_S: Final = 0.2
"""A faster block is moved by hand, and stopped by it."""
NOISE_M: Final = 0.04
"""So far a position lies off an even way (common practice, no source)."""
UNEVEN: Final = 0.2
"""Or by this share of it."""
LEAST_STEP_M: Final = 0.4
LEAST_STEPS: Final = 4.0
"""What it makes up for is this at the least, for so far a string is eased into the slips, and so many times what it crept from
one position to the next."""
MORE: Final = 1.15
"""And no more than it would have crept, with so much to spare."""
AFTER: Final = 6
"""Of so many positions after the step it is asked whether the block creeps."""
MOST_OF_IT: Final = 0.6
"""Share of what it would have crept that it makes up for at the least: it may have begun to creep a while after it froze."""


def crept_meanwhile(since_ns: int, from_m: float, after: Sequence[tuple[int, float]]) -> bool:
    """Whether a block whose position stood at `from_m` since `since_ns`, and was then at `after`, crept all the while: it goes
    on creeping evenly there, and has come as far from where it stood as it would have crept since."""
    (first_ns, first), (last_ns, last) = after[0], after[-1]
    took_s, way = (last_ns - first_ns) * 1e-9, last - first
    if took_s < LEAST_S or not NOISE_M < abs(way) <= CREEP_M_S * took_s:
        return False
    off = max(NOISE_M, UNEVEN * abs(way))
    if not all(abs(seen - first - way * (at - first_ns) / (last_ns - first_ns)) <= off for at, seen in after):
        return False
    step = (first - from_m) * (1.0 if way > 0.0 else -1.0)
    crept = abs(way) / took_s * (first_ns - since_ns) * 1e-9
    usual = abs(way) / (len(after) - 1)
    return max(LEAST_STEP_M, LEAST_STEPS * usual, MOST_OF_IT * crept) <= step <= MORE * crept + NOISE_M


class CreepTrail:
    """The last positions that differ from the one before them, SI."""

    __slots__ = ("_points",)

    def __init__(self) -> None:
        self._points: deque[tuple[int, float, int]] = deque(maxlen=POINTS)

    def add(self, t_ns: int, height: float, changes: int) -> None:
        """A position that differs from the one before it; the load has changed hands so often by then."""
        self._points.append((t_ns, height, changes))

    def went_on(self, t_ns: int, height: float, changes: int) -> bool:
        """Whether `height` is where a block may be that crept on evenly from the last position added. One that only eased its
        string into the slips, or took it up, and goes on with another load does not."""
        points = self._points
        if len(points) < LEAST_POINTS:
            return False
        then, last, _ = points[-1]
        for first in range(len(points) - LEAST_POINTS + 1):
            since, begin, before = points[first]
            took_s, way = (then - since) * 1e-9, last - begin
            if took_s < LEAST_S:
                return False
            if changes != before or not NOISE_M < abs(way) <= CREEP_M_S * took_s or not self._even(first):
                continue
            step = (height - last) * (1.0 if way > 0.0 else -1.0)
            crept = (MORE * abs(way) + NOISE_M) * (t_ns - then) * 1e-9 / took_s
            usual = abs(way) / (len(points) - 1 - first)
            if max(LEAST_STEP_M, LEAST_STEPS * usual) <= step <= crept + NOISE_M:
                return True
        return False

    def _even(self, first: int) -> bool:
        """Whether the way from the point with that number to the last is even."""
        points = self._points
        (since, begin, _), (then, last, _) = points[first], points[-1]
        speed = (last - begin) / (then - since)
        off = max(NOISE_M, UNEVEN * abs(last - begin))
        return all(abs(seen - begin - speed * (at - since)) <= off for at, seen, _ in list(points)[first + 1 : -1])
