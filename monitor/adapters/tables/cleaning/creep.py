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
        for first in range(len(points) - LEAST_POINTS, -1, -1):
            if (then - points[first][0]) * 1e-9 >= LEAST_S:
                break
        else:
            return False
        since, begin = points[first]
        took_s = (then - since) * 1e-9
        speed = (last - begin) / took_s
        way = abs(last - begin)
        if not 0.0 < abs(speed) <= CREEP_M_S or way <= NOISE_M:
            return False
        off = max(NOISE_M, UNEVEN * way)
        for place in range(first + 1, len(points) - 1):
            at, seen = points[place]
            if abs(seen - begin - speed * (at - since) * 1e-9) > off:
                return False
        step = (height - last) * (1.0 if speed > 0.0 else -1.0)
        crept = abs(speed) * (t_ns - then) * 1e-9
        usual = way / (len(points) - 1 - first)
        return max(LEAST_STEP_M, LEAST_STEPS * usual) <= step <= MORE * crept + NOISE_M
