"""Whether a brake that is set lets go by millimetres.

Theory of operation. Once the block has come to rest with the brake set, its height is kept once a second; the slope over the
last quarter minute is the creep, positive downwards. It stays a creep while the brake stays set, however fast it gets.
"""

import math
from collections import deque
from typing import Final

from monitor.model.reading import DEGRADED, UNKNOWN_FLAG, VALID, Flag


class CreepWatch:
    """Downward speed of a block whose brake is set, m/s."""

    __slots__ = ("_heights", "_next_s", "_resting_s", "_t_s", "_watching", "flag")

    SPAN: Final = 15
    """Seconds that the slope is taken over."""

    def __init__(self) -> None:
        self.flag: Flag = UNKNOWN_FLAG
        self._heights: deque[tuple[float, float]] = deque(maxlen=self.SPAN)
        self._t_s = self._next_s = self._resting_s = 0.0
        self._watching = False

    def step(self, dt: float, brake_set: bool | None, speed: float, height: float, validity: int) -> None:
        """One grid point. `brake_set` None where neither lever nor pressure says."""
        self._t_s += dt
        if brake_set is None or math.isnan(height + speed) or validity > DEGRADED:
            self._stop_watching(UNKNOWN_FLAG)
            return
        if not brake_set:
            self._stop_watching((0.0, VALID))
            return
        if not self._watching:
            self._resting_s = self._resting_s + dt if abs(speed) < 0.02 else 0.0
            if self._resting_s < 1.0:
                return
            self._watching = True
            self._next_s = self._t_s
        if self._heights and self._t_s - self._heights[0][0] >= 2.0:
            then, first = self._heights[0]
            span = self._t_s - then
            self.flag = ((first - height) / span, validity if span >= 4.0 else DEGRADED)
        if self._t_s >= self._next_s:
            self._heights.append((self._t_s, height))
            self._next_s += 1.0

    def shift_heights(self, by_m: float) -> None:
        """The height was corrected by `by_m`: shift the heights kept so far, so that the correction is no creep."""
        self._heights = deque(((t, height + by_m) for t, height in self._heights), self.SPAN)

    def _stop_watching(self, flag: Flag) -> None:
        self.flag = flag
        self._heights.clear()
        self._watching = False
        self._resting_s = 0.0
