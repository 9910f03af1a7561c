"""Work of the drilling line as it is seen: hook load times travel of the block, both ways, summed up.

Theory of operation
    Travel counts from an anchor that moves in steps of `STEP_M`, so that the noise of a block at rest does no work. When
    the block comes to rest, what is left of a step is counted too: else every stroke would lose half a step at its end.
    A jump (a new reference) moves the anchor and counts nothing; nor does a block that stands in slips, whatever is done
    to its line there. A block that only creeps (a bit drilling ahead) does count. Where height or load are not known for
    a few seconds the way from before to after counts: the least there can have been. Of readings that come seconds apart
    only the heights that were read count (`reading`): the motion that an estimate makes up between them runs on before a turn.
    The string changes hands at rest: a load that is another one after a way than before it hung there since the way began, or, in
    the middle of a stroke, not before its end. Where loads come more rarely than heights, one that is read in a stroke hung there
    since the stroke began, or since the load before it; the way made meanwhile is set right then.

The trade counts the whole hook load, block included, over every stroke, the empty ones too (API RP 9B).
"""

import math
from collections.abc import Mapping
from typing import Any, Final

from monitor.core.saved_state import number
from monitor.model.snapshot import HoistState
from monitor.model.stream import GRID_NS
from monitor.physics.line import work_step_j

STEP_M: Final = 0.03
JUMP_M: Final = 0.3
"""Further than this between two looks is no travel but a correction of the height."""
BRIDGE_S: Final = 15.0
"""Over a longer time without height and load nothing is counted; with readings seconds apart:"""
BRIDGE_READINGS: Final = 4.5
"""... or over so many of their intervals, if that is longer."""
JERKED: Final = 0.1
"""Share by which the load of a block that speeds up or slows down differs: up to 1 m/s2 (mass times acceleration)."""
_GAP_NS: Final = 2 * GRID_NS
"""Readings further apart than this are a gap, over which the block may have travelled at full speed."""
_MOVING: Final = (HoistState.HOISTING, HoistState.LOWERING)


class LineWork:
    """Sums of one line. `update` once per grid point; read the attributes after it."""

    __slots__ = (
        "_height_m", "_interval_s", "_load_n", "_load_ns", "_moved", "_old_load_m", "_old_load_n", "_seen_ns", "_way",
        "since_cut_j", "speed_m_s", "total_j",
    )  # fmt: skip

    def __init__(self, max_speed_m_s: float) -> None:
        self.speed_m_s = max_speed_m_s
        self.total_j = 0.0
        """Since the start of the stream."""
        self.since_cut_j = 0.0
        """Since the last cut and slip, or the start of the record when there was none."""
        self._height_m = math.nan
        self._load_n = math.nan
        self._seen_ns = 0
        self._moved = False
        self._load_ns = -1
        self._old_load_n = self._old_load_m = 0.0
        """Travel of this stroke that was counted with a load from before it, and that load."""
        self._way = 0.0
        """Which way the last travel that was counted went."""
        self._interval_s = 0.0
        """Usual time between two readings of slow data."""

    def update(self, t_ns: int, load_n: float, height_m: float, hoist: HoistState) -> None:
        """Add the work up to `t_ns`. Load (whole hook load) and height are NaN where not known."""
        if not (load_n == load_n and height_m == height_m):
            return
        since_ns = t_ns - self._seen_ns
        self._seen_ns = t_ns
        travel = abs(height_m - self._height_m)
        jump = JUMP_M
        if since_ns > _GAP_NS:
            jump += self.speed_m_s * since_ns * 1e-9
        moving = hoist in _MOVING
        if not travel < jump or since_ns > max(BRIDGE_S, BRIDGE_READINGS * self._interval_s) * 1e9:
            self._load_n, self._height_m = load_n, height_m
        elif travel >= STEP_M or (self._moved and not moving):
            if hoist is not HoistState.IN_SLIPS or self._moved:
                work = work_step_j(self._load_n, load_n, travel)
                self.total_j += work
                self.since_cut_j += work
            self._load_n, self._height_m = load_n, height_m
        self._moved = moving

    def reading(self, taken_ns: int, load_n: float, height_m: float, hoist: HoistState, load_ns: int = -1) -> None:
        """The same of slow data: the last height that was read, taken at `taken_ns`. One that was counted counts nothing.
        `load_ns` says when the load was read."""
        since_ns = taken_ns - self._seen_ns
        if since_ns <= 0 or not (load_n == load_n and height_m == height_m):
            return
        if self._seen_ns:
            since_s = since_ns * 1e-9
            usual = self._interval_s or since_s
            self._interval_s = usual + 0.1 * (min(since_s, 3.0 * usual) - usual)
        way_m = height_m - self._height_m
        far = abs(way_m) > JUMP_M
        goes_on = far and way_m * self._way > 0.0
        if not goes_on:
            self._old_load_m = 0.0  # it rested, or turned
        fresh, self._load_ns = load_ns != self._load_ns or load_ns < 0, load_ns
        counted_n, before_j = load_n, self.total_j
        if abs(load_n - self._load_n) > JERKED * max(load_n, self._load_n):
            # The string changed hands: before this way began, or, where it goes on, after it ended.
            counted_n = self._load_n if goes_on and not self._old_load_m else load_n
            self._load_n = counted_n
        self.update(taken_ns, counted_n, height_m, HoistState.HOISTING if far else hoist)
        travel_m = abs(way_m) if self.total_j > before_j else 0.0
        if self._height_m == height_m or not far:
            self._load_n = load_n
        self._way = way_m if travel_m else 0.0
        if not fresh:
            self._old_load_m += travel_m
            self._old_load_n = load_n
            return
        more = (load_n - self._old_load_n) * self._old_load_m
        self.total_j += more
        self.since_cut_j = max(0.0, self.since_cut_j + more)
        self._old_load_m = 0.0

    def go_on_elsewhere(self) -> None:
        """The next height counts from another zero: no travel lies between."""
        self._height_m = math.nan

    def cut(self) -> None:
        """A cut and slip: the sum starts again at zero, and the block's height is about to be given again."""
        self.since_cut_j = 0.0
        self._load_n = self._height_m = math.nan

    def state(self) -> dict[str, float]:
        """What a restart must not lose."""
        return {"since_cut_j": self.since_cut_j, "total_j": self.total_j}

    def restore(self, saved: Mapping[str, Any], same_run: bool = False) -> None:
        """Take up a saved state. The sum since the start of the stream goes on only within the same run.

        Raises:
            ValueError: it holds no usable number.
        """
        since = number(saved, "since_cut_j", 0.0)
        if same_run:
            self.total_j = number(saved, "total_j", 0.0)
        self.since_cut_j = since
