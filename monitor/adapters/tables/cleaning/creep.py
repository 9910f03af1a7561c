"""Whether a position that stood exactly still made up for it afterwards: a block that crept, and a sensor that froze meanwhile.

A string that is drilled down or let down slowly goes on at an even speed for minutes. Where its position repeats itself
exactly and then steps on, the way it was going, by no more than it would have gone meanwhile, it is the sensor that stood
(derived here).
"""

from collections import deque
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
LEAST_STEP_M: Final = 0.15
LEAST_STEPS: Final = 4.0
"""What it makes up for is this at the least, and so many times what it crept from one position to the next."""
MORE: Final = 1.15
"""And no more than it would have crept, with so much to spare."""


class CreepTrail:
    """The last positions that differ from the one before them, SI."""

    __slots__ = ("_points",)

    def __init__(self) -> None:
        self._points: deque[tuple[int, float]] = deque(maxlen=POINTS)

    def add(self, t_ns: int, height: float) -> None:
        """A position that differs from the one before it."""
        self._points.append((t_ns, height))

    def went_on(self, t_ns: int, height: float) -> bool:
        """Whether `height` is where a block may be that crept on evenly from the last position added."""
        points = self._points
        if len(points) < LEAST_POINTS:
            return False
        then, last = points[-1]
        for first in range(len(points) - LEAST_POINTS + 1):
            since, begin = points[first]
            took_s, way = (then - since) * 1e-9, last - begin
            if took_s < LEAST_S:
                return False
            if not NOISE_M < abs(way) <= CREEP_M_S * took_s or not self._even(first):
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
        (since, begin), (then, last) = points[first], points[-1]
        speed = (last - begin) / (then - since)
        off = max(NOISE_M, UNEVEN * abs(last - begin))
        return all(abs(seen - begin - speed * (at - since)) <= off for at, seen in list(points)[first + 1 : -1])
