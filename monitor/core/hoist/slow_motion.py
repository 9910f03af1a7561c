"""Motion that is too slow for one look at the speed, seen by the way that it makes in seconds.

A block that creeps on a brake which does not quite hold goes 3 or 4 cm in a second, which is what a position of a centimetre
shows at rest. Over `SPAN_S` it makes a way that no noise does, in its first half as in its second; a height that is corrected
jumps in one of them only; a block that has stopped makes none in the last second (derived here).
"""

from collections import deque
from typing import Final

STEP_NS: Final = 500_000_000
STEPS: Final = 8
SPAN_S: Final = 4.0
LEAST_M_S: Final = 0.03
"""Mean speed over the whole span, two thirds of it over either half, and half of it over the last second, that is motion."""
LATELY: Final = 2
"""Steps of the last second."""


class SlowMotion:
    """Heights of the last seconds; `update` once per grid point."""

    __slots__ = ("_heights", "_kept_ns")

    def __init__(self) -> None:
        self._heights: deque[float] = deque(maxlen=STEPS + 1)
        self._kept_ns = 0

    def begin_again(self) -> None:
        """What it did before does not count."""
        self._heights.clear()

    def update(self, t_ns: int, height_m: float) -> int:
        """+1 or -1 while the block has gone up or down through the last `SPAN_S`, else 0. A height that is not known (NaN), or
        looks further apart than `STEP_NS`, begin it again."""
        heights = self._heights
        since = t_ns - self._kept_ns
        if height_m != height_m or since > 1.5 * STEP_NS:
            heights.clear()
        if since >= STEP_NS or not heights:
            heights.append(height_m)
            self._kept_ns = t_ns
        if len(heights) <= STEPS or height_m != height_m:
            return 0
        first, middle, lately, last = heights[0], heights[STEPS // 2], heights[-1 - LATELY], heights[-1]
        way = 1 if last > first else -1
        least = LEAST_M_S * SPAN_S
        goes_on = way * (middle - first) >= least / 3.0 and way * (last - middle) >= least / 3.0
        if goes_on and way * (last - first) >= least and way * (last - lately) >= least / 8.0:
            return way
        return 0
