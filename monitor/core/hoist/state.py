"""What the hoist is doing, which way it last moved, and how much of the hook load is string.

Theory of operation. Two questions are kept apart. *Does the block move?* has hysteresis in speed and in time, so that a
block creeping or swinging about zero does not chatter. *Does the string hang on it?* compares the load with what block,
hook and top drive weigh alone. On a rig with a heavy top drive that decides between 650 and 700 kN, so the configured
mass is only where it begins: each time the block hangs still the level it shows is kept, and the lowest of the recent
ones is the block alone. Levels are kept by the direction of the last motion, because friction in the tackle, where the
load comes from the dead line, leaves a different one after hoisting and after lowering.

`MOTION` and `STRING` are the two as tables. A pending state (STOPPING, SETTING, LIFTING) must last for a while before its
ELAPSED row is applied.

Still with the string in slips reads IN_SLIPS, still with it hanging STILL; moving reads as the motion either way. But where
nothing hangs on the line (`monitor.core.hoist.load_loss`) the drum's motion is not the block's: while it turns, and while the
load is lost, the state is UNKNOWN, and such a load says nothing of the string.
"""

import math
from collections import deque
from collections.abc import Mapping
from enum import IntEnum
from functools import cache
from typing import Any, Final

from monitor.config.rig import Rig
from monitor.core.estimator.estimator import Estimate
from monitor.core.estimator.height_frame import load_noise_n
from monitor.core.estimator.position_filter import STILL_M_S
from monitor.core.hoist.load_loss import LoadLoss
from monitor.core.hoist.slow_motion import SlowMotion
from monitor.core.saved_state import number, numbers, part, whole
from monitor.model.reading import Flag, Validity
from monitor.model.snapshot import HoistState
from monitor.model.stream import GRID_NS
from monitor.units import STANDARD_GRAVITY_M_S2 as GRAVITY

MOVING_M_S: Final = 0.05
"""Above this, either way, the block moves. Between this and `STILL_M_S` it keeps the state it had."""
SLOW_MOVING_M_S: Final = 0.1
"""The same where readings come seconds apart and speed is a mean over them; still is then below MOVING_M_S."""
STILL_S: Final = 0.5
LOST_S: Final = 1.0
SET_S: Final = 0.5
LIFT_S: Final = 0.3
BAND: Final = 0.03
"""Half-width of "the block alone" as a share of its weight (common practice, no source)."""
SLOW_BAND: Final = 0.06
"""The same where readings come seconds apart: an empty block that speeds up by 0.6 m/s2 weighs so much more (derived here)."""
LEAVE: Final = 1.6
LASTED_S: Final = 3.0
"""The string changes hands between two states that last: what has stood for less is the load of a block that rings."""
QUICK_M_S: Final = 0.25
RINGS_S: Final = 3.0
"""So long after it was quicker than that a block may ring on the line, and seem to take up a string (common practice, no
source)."""
SMOOTHING: Final = 0.1
"""Share of a new load in its running mean, per look: noise falls to a quarter."""
MOST_LOOKS: Final = 40
"""So many looks are in a level's mean. A look on a thinned grid stands for those left out before it, up to as many."""
FAR: Final = 0.15
"""The block's weight is never learned further from the configured one than this share."""
PLATEAU_S: Final = 1.5
MEMORY: Final = 12
"""Levels remembered per direction: the last six stands or so, each with one level hanging and one in slips."""
ENOUGH: Final = 6
"""Levels needed before the lowest of them may raise the block's weight."""


class Motion(IntEnum):
    """Whether the block moves. MOVING and STOPPING count as moving."""

    STILL = 0
    MOVING = 1
    STOPPING = 2
    """Slow, but not yet for STILL_S."""


class SpeedReading(IntEnum):
    """What one look at the speed says."""

    FAST = 0
    """Above MOVING_M_S, either way."""
    BETWEEN = 1
    SLOW = 2
    """Below STILL_M_S."""
    LOST = 3
    """Not known for LOST_S."""
    ELAPSED = 4
    """Slow for STILL_S."""


class StringState(IntEnum):
    """Whether the string hangs on the hook. IN_SLIPS and LIFTING count as in slips."""

    HANGING = 0
    SETTING = 1
    """The block alone, but not yet for SET_S."""
    IN_SLIPS = 2
    LIFTING = 3
    """More than the block, but not yet for LIFT_S."""


class LoadReading(IntEnum):
    """What one look at the load says."""

    BLOCK_ALONE = 0
    """Within the block's band."""
    BETWEEN = 1
    STRING = 2
    """Above LEAVE times the band."""
    UNKNOWN = 3
    ELAPSED = 4
    """The pending state has lasted."""


def _motion_table() -> tuple[tuple[Motion, ...], ...]:
    still, moving, stopping = Motion
    rows = {
        # in state:            STILL   MOVING    STOPPING
        SpeedReading.FAST:    (moving, moving,   moving),
        SpeedReading.BETWEEN: (still,  moving,   moving),
        SpeedReading.SLOW:    (still,  stopping, stopping),
        SpeedReading.LOST:    (still,  still,    still),
        SpeedReading.ELAPSED: (still,  moving,   still),
    }  # fmt: skip
    return tuple(rows[reading] for reading in SpeedReading)


def _string_table() -> tuple[tuple[StringState, ...], ...]:
    hangs, sets, slips, lifts = StringState
    rows = {
        # in state:               HANGING SETTING IN_SLIPS LIFTING
        LoadReading.BLOCK_ALONE: (sets,   sets,   slips,   slips),
        LoadReading.BETWEEN:     (hangs,  hangs,  slips,   slips),
        LoadReading.STRING:      (hangs,  hangs,  lifts,   lifts),
        LoadReading.UNKNOWN:     (hangs,  hangs,  slips,   slips),
        LoadReading.ELAPSED:     (hangs,  slips,  slips,   hangs),
    }  # fmt: skip
    return tuple(rows[reading] for reading in LoadReading)


MOTION: Final = _motion_table()
STRING: Final = _string_table()
"""By reading, by state: the state that follows."""
_LASTS_NS: Final = {StringState.SETTING: SET_S * 1e9, StringState.LIFTING: LIFT_S * 1e9}


@cache
def _smoothing(looks: int) -> float:
    """The share of so many looks at the same load."""
    return 1.0 - (1.0 - SMOOTHING) ** looks


class HoistTracker:
    """Hoist state and load split of one rig. `update` once per grid point; read the attributes after it."""

    __slots__ = (
        "_block_n", "_configured_n", "_creep", "_level_count", "_level_n", "_level_ns", "_levels", "_looked_ns", "_looks",
        "_motion", "_noise_n", "_pending_ns", "_quick_ns", "_seen_ns", "_since_ns", "_slow_ns", "_smooth_n", "_string",
        "changed_hands", "direction", "in_slips", "loss", "set_downs", "state", "string_load_n",
    )  # fmt: skip

    def __init__(self, rig: Rig) -> None:
        self.state = HoistState.UNKNOWN
        self.direction = 0
        """Of the last motion: +1 hoisting, -1 lowering, held while still; 0 before any."""
        self.in_slips = False
        """Whether the hook carries the block alone, moving or not."""
        self.set_downs = 0
        """How often the string has been set in slips."""
        self.changed_hands = False
        """Whether the string goes from the hook to the slips or back at this look, and not in the ringing of a stopped block."""
        self.string_load_n = math.nan
        """Hook load above the block's own, N; NaN where the load is not known."""
        self.loss = LoadLoss(rig)
        self._configured_n = rig.block.mass_kg * GRAVITY
        self._block_n = {1: self._configured_n, 0: self._configured_n, -1: self._configured_n}
        self._levels: dict[int, deque[float]] = {d: deque(maxlen=MEMORY) for d in (1, 0, -1)}
        self._noise_n = load_noise_n(rig)
        self._motion = Motion.STILL
        self._creep = SlowMotion()
        self._looked_ns = 0
        self._looks = 1
        """How many points of the full grid the present look stands for."""
        self._seen_ns = 0
        self._slow_ns = 0
        """Since when the block is STOPPING."""
        self._quick_ns = 0
        """When the block was last quick."""
        self._since_ns = 0
        """Since when the string is where it is; 0 where it has not moved in this watch."""
        self._string = StringState.HANGING
        self._pending_ns = 0
        """Since when the string's state is a pending one."""
        self._level_n = math.nan
        self._smooth_n = math.nan
        self._level_ns = 0
        self._level_count = 0

    @property
    def block_load_n(self) -> float:
        """What the block weighs alone by what has been learned, N, after the last direction of motion."""
        return self._block_n[self.direction]

    @property
    def waiting(self) -> bool:
        """Whether what the last look saw changes the state if it only lasts."""
        return self._motion is Motion.STOPPING or self._string in _LASTS_NS or self.loss.waiting

    def saved_state(self) -> dict[str, Any]:
        """What a restart must not lose, as plain JSON values."""
        return {
            "direction": self.direction,
            "in_slips": self.in_slips,
            "set_downs": self.set_downs,
            "since_ns": self._since_ns,
            "block_n": {str(way): load for way, load in self._block_n.items()},
            "levels": {str(way): list(levels) for way, levels in self._levels.items()},
        }

    def restore(self, saved: Mapping[str, Any]) -> None:
        """Take up what `saved_state` gave; where the block is, and whether it moves, is to be seen again.

        Raises:
            ValueError: it is not such a state; nothing is taken up then.
        """
        direction, set_downs = whole(saved, "direction", -1, 1), whole(saved, "set_downs")
        blocks, levels = part(saved, "block_n"), part(saved, "levels")
        since_ns = whole(saved, "since_ns") if "since_ns" in saved else 0  # older ones do not say
        block_n = {way: self._held(number(blocks, str(way), 0.0)) for way in (1, 0, -1)}
        kept = {way: deque(numbers(levels, str(way), most=MEMORY), maxlen=MEMORY) for way in (1, 0, -1)}
        self.direction, self.set_downs, self._since_ns = direction, set_downs, since_ns
        self.in_slips = saved.get("in_slips") is True
        self._string = StringState.IN_SLIPS if self.in_slips else StringState.HANGING
        self._block_n, self._levels = block_n, kept

    def update(self, t_ns: int, estimate: Estimate, hook_load: Flag) -> HoistState:
        """Take one look at `t_ns`; the hoist state then. `hook_load` in N; not known is allowed."""
        known = self._move(t_ns, estimate)
        looks = (t_ns - self._looked_ns) // GRID_NS
        self._looks = 1 if looks < 1 else MOST_LOOKS if looks > MOST_LOOKS else looks
        self._looked_ns = t_ns
        was_in_slips = self.in_slips
        load, validity = hook_load
        if validity > Validity.DEGRADED:
            load = math.nan
        self.loss.update(t_ns, estimate, bool(self._motion), self.in_slips, hook_load)
        if load == load and not self.loss.slack:
            self._split(t_ns, load, estimate)
        else:
            self.string_load_n = 0.0 if load == load else math.nan
            self._level_n = self._smooth_n = math.nan
            self._string = STRING[LoadReading.UNKNOWN][self._string]
        self._note_hands(t_ns, was_in_slips)
        if not known or (self.loss.slack and (self._motion or self.loss.flag[0] == 1.0)):
            self.state = HoistState.UNKNOWN
        elif self._motion:
            self.state = HoistState.HOISTING if self.direction > 0 else HoistState.LOWERING
        else:
            self.state = HoistState.IN_SLIPS if self.in_slips and load == load else HoistState.STILL
        return self.state

    def _move(self, t_ns: int, estimate: Estimate) -> bool:
        """Follow the motion; False when the speed has not been known for a while."""
        speed = estimate.speed_m_s
        lost = estimate.speed_bound_m_s > 0.5 and (not estimate.slow or estimate.validity is Validity.INVALID)
        if lost:
            if self._seen_ns == 0 or t_ns - self._seen_ns > LOST_S * 1e9:
                self._motion = MOTION[SpeedReading.LOST][self._motion]
                return False
            return self.state is not HoistState.UNKNOWN
        self._seen_ns = t_ns
        moving, still = (SLOW_MOVING_M_S, MOVING_M_S) if estimate.slow else (MOVING_M_S, STILL_M_S)
        before = self._motion
        if before is not Motion.MOVING and not estimate.slow:
            # What its own doubt explains sets no block at rest in motion: a coarse position stirs.
            doubt = min(estimate.speed_bound_m_s, QUICK_M_S)
            moving, still = max(moving, doubt), max(still, min(doubt / 3.0, MOVING_M_S))
        if speed > QUICK_M_S or speed < -QUICK_M_S:
            self._quick_ns = t_ns
        fast = speed > moving or speed < -moving
        creeps = 0
        if fast and abs(speed) > max(SLOW_MOVING_M_S, estimate.speed_bound_m_s):
            self._creep.begin_again()  # its way from here on counts: a block that has just stopped does not creep
        elif not estimate.slow:
            creeps = self._creep.update(t_ns, estimate.height_m)
        if fast or (creeps and before is Motion.STILL):
            self.direction = (1 if speed > 0.0 else -1) if fast else creeps
            self._motion = MOTION[SpeedReading.FAST][before]
            return True
        after = MOTION[SpeedReading.SLOW if -still < speed < still else SpeedReading.BETWEEN][before]
        if after is Motion.STOPPING:
            if before is not after:
                self._slow_ns = t_ns
            elif t_ns - self._slow_ns >= STILL_S * 1e9:
                after = MOTION[SpeedReading.ELAPSED][after]
        self._motion = after
        return True

    def _split(self, t_ns: int, load: float, estimate: Estimate) -> None:
        """Divide the load into block and string, and judge whether the string hangs."""
        a = estimate.acceleration_m_s2
        if self._motion and (a > 0.3 or a < -0.3) and estimate.acceleration_sigma_m_s2 < 0.5:
            load /= 1.0 + max(-0.5, a / GRAVITY)  # what hangs still, not what is being accelerated
        block = self._block_n[self.direction]
        smooth = self._smooth_n
        if abs(load - smooth) < 6.0 * self._noise_n + 0.02 * block:
            # A step goes through at once, noise does not.
            load = smooth + (SMOOTHING if self._looks == 1 else _smoothing(self._looks)) * (load - smooth)
        self._smooth_n = load
        band = max(BAND * block, self._noise_n)
        string = load - block
        # Between readings seconds apart nobody sees the block speed up, which looks like a little string.
        self._follow_string(t_ns, string, max(band, SLOW_BAND * block) if estimate.slow else band)
        self.string_load_n = 0.0 if self.in_slips or string < 0.0 else string
        if self._motion:
            self._level_n = math.nan
        else:
            self._settle_on_level(t_ns, load, band)

    def _follow_string(self, t_ns: int, string: float, band: float) -> None:
        """Follow the string's state; `string` is the load above the block's own."""
        reading = LoadReading.BETWEEN
        if string < band:
            reading = LoadReading.BLOCK_ALONE
        elif string > LEAVE * band:
            reading = LoadReading.STRING
        before = self._string
        self._string = after = STRING[reading][before]
        if after is not before:
            self._pending_ns = t_ns
        elif after in _LASTS_NS and t_ns - self._pending_ns >= _LASTS_NS[after]:
            self._string = STRING[LoadReading.ELAPSED][after]
            self.in_slips = self._string is StringState.IN_SLIPS
            self.set_downs += self.in_slips

    def _note_hands(self, t_ns: int, was_in_slips: bool) -> None:
        """Judge whether the string changes hands at this look."""
        if self.in_slips is was_in_slips:
            self.changed_hands = False
            return
        rings = not self.in_slips and t_ns - self._quick_ns < RINGS_S * 1e9
        self.changed_hands = t_ns - self._since_ns >= LASTED_S * 1e9 and not rings
        self._since_ns = t_ns

    def _settle_on_level(self, t_ns: int, load: float, band: float) -> None:
        """Hanging still: settle on a level, and learn from it once it has lasted."""
        level = self._level_n
        if level != level or abs(load - level) > band:
            self._level_n, self._level_ns, self._level_count = load, t_ns, 0
            return
        looks = self._looks
        self._level_count = count = min(self._level_count + looks, MOST_LOOKS)
        self._level_n = level = level + (load - level) * looks / (count + 1)
        if self._level_ns < 0 or t_ns - self._level_ns < PLATEAU_S * 1e9:
            if self._level_ns < 0 and self.in_slips:
                # Already counted: the block alone is weighed on for as long as it hangs there.
                block = self._block_n[self.direction]
                self._block_n[self.direction] = self._held(block + 0.002 * looks * (load - block))
            return
        self._level_ns = -1
        levels = self._levels[self.direction]
        levels.append(level)
        block = self._block_n[self.direction]
        lowest = min(levels)
        if level < block and level > (1.0 - FAR) * self._configured_n:
            self._block_n[self.direction] = level
        elif len(levels) >= ENOUGH and max(levels) - lowest > band and block < lowest < (1 + FAR) * self._configured_n:
            self._block_n[self.direction] = lowest

    def _held(self, block_n: float) -> float:
        low, high = (1.0 - FAR) * self._configured_n, (1.0 + FAR) * self._configured_n
        return low if block_n < low else high if block_n > high else block_n
