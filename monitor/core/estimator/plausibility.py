"""Whether other sensors contradict the height: nothing hangs on the hook, or the block rises with nothing to lift it.

The drum shows where the block is only while the line is taut between them. A hook load far below the block's own weight
says that it is not: the block has landed or hangs up somewhere, and every metre paid out since is a metre of slack; or,
where the load went all at once while the block was not being lowered, the line or what it holds has parted and the
block may be anywhere below.

And with the clutch out nothing can speed a block up on its way up. An encoder that goes on saying so counts the wrong
way (its channels were swapped), or the clutch's signal is wrong: either way the height is in doubt.

And a block that hangs on its line with every brake off and the clutch out goes down; with the clutch in it is on its way,
too, for a drive that neither lifts it nor lets it down must hold it to the count by hand. An encoder that says the same count
all the while is stuck, however long it had stood still before; so is one that takes no notice of a load that comes on or
off. A drive that brakes can hold the block so. All derived here.
"""

import math
from typing import Final

from monitor.config.brakes import RegenAux
from monitor.config.rig import Rig
from monitor.units import STANDARD_GRAVITY_M_S2 as GRAVITY

LOST_LOAD_SHARE: Final = 0.1
"""Hook load over block weight below which the line is slack."""
TAUT_SHARE: Final = 0.25
"""Hook load over block weight above which it is taut again."""
BOUNCE_NS: Final = 200_000_000
"""A bouncing block may weigh next to nothing for so long."""
SETTLE_NS: Final = 3_000_000_000
"""How long a block that has fallen into the line goes on bouncing (common practice, no source)."""
LOWERING_M_S: Final = 0.02
"""A block let down faster than this can have landed."""
FASTER_M_S: Final = 0.1
SUSPECT_NS: Final = 250_000_000
RISING_NS: Final = 700_000_000
"""The clutch's signal may come late: at first the height is only suspected, then it needs a new reference."""
SUSPECT_M: Final = 0.3
HANGING_SHARE: Final = 0.6
"""Hook load over block weight above which what hangs there turns a drum that nothing holds."""
PRESSED_SHARE: Final = 0.1
"""Service pressure over full pressure below which pads do not hold (they touch first)."""
RELEASED_SHARE: Final = 0.9
"""Release pressure over its nominal above which spring-applied calipers do not hold."""
CLUTCH_IN: Final = 0.5
FREE_MOTION_S: Final = 2.0
"""So long after its release a block has moved by many counts: even 0.01 m/s^2 make 2 cm of it (derived here)."""
LOAD_MOTION_S: Final = 0.5
LOAD_CHANGE_SHARE: Final = 0.4
"""The same where the load has changed by so much of the block's weight meanwhile: that stretches the line by
millimetres, which are dozens of counts (derived here)."""
DRIVEN_MOTION_S: Final = 2.5
"""The same with the clutch in: the hand on the drive takes its time (common practice, no source)."""
FRESH_NS: Final = 2_500_000_000


class FreeMotionDetector:
    """Since when no brake holds the block, by what is known of brakes, clutch and load. Each must be known, and fresh."""

    __slots__ = (
        "_clutch_in", "_clutch_ns", "_fitted", "_from_n", "_held", "_least", "_load_change_n", "_load_n", "_reading_ns",
        "_since_ns",
    )  # fmt: skip

    def __init__(self, rig: Rig) -> None:
        brake = rig.brake
        least: dict[str, tuple[float, bool]] = {
            "brake_lever": (0.05, True),
            "service_pressure_1": (PRESSED_SHARE * brake.full_pressure_pa, True),
            "service_pressure_2": (PRESSED_SHARE * brake.full_pressure_pa, True),
            "hook_load": (HANGING_SHARE * rig.block.mass_kg * GRAVITY, False),
        }
        needed = ["brake_lever", "clutch_engaged", "hook_load"]
        springs = brake.kind == "caliper" and brake.emergency_calipers > 0
        if brake.kind == "caliper" and springs:
            least["emergency_release_pressure"] = (RELEASED_SHARE * brake.release_pressure_pa, False)
            needed.append("emergency_release_pressure")
        have = {sensor.quantity for sensor in rig.sensors}
        # A drive that brakes may hold a block at rest.
        self._fitted = rig.has("brake") and have.issuperset(needed) and not isinstance(rig.aux, RegenAux)
        self._least = {quantity: row for quantity, row in least.items() if quantity in have} if self._fitted else {}
        """By quantity: a level, and whether above it (or below) the block may be held."""
        self._held = dict.fromkeys(self._least, True)
        self._reading_ns = dict.fromkeys([*self._least, "clutch_engaged"] if self._fitted else [], 0)
        self._since_ns = 0
        self._load_change_n = LOAD_CHANGE_SHARE * rig.block.mass_kg * GRAVITY
        self._from_n = self._load_n = math.nan
        """Hook load when a brake was last on or the count last changed, and now, N."""
        self._clutch_in = True
        self._clutch_ns = 0
        """When the clutch was last seen to be the other way."""

    @property
    def quantities(self) -> frozenset[str]:
        """What `add_reading` wants to know; nothing where the rig cannot say that a block is free."""
        return frozenset(self._reading_ns)

    def add_reading(self, t_ns: int, quantity: str, value: float) -> None:
        """A reading of one of `quantities`, SI."""
        self._reading_ns[quantity] = t_ns
        if quantity == "clutch_engaged":
            if (value >= CLUTCH_IN) is not self._clutch_in:
                self._clutch_in = not self._clutch_in
                self._clutch_ns = t_ns
            return
        level, above = self._least[quantity]
        held = (value >= level) is above
        self._held[quantity] = held
        if quantity == "hook_load":
            self._load_n = value
        elif held:
            self._from_n = self._load_n
        if held:
            self._since_ns = t_ns

    def count_changed(self) -> None:
        """The encoder that is watched says another count."""
        self._from_n = self._load_n

    def seconds(self, t_ns: int) -> float:
        """How long no brake has held it; NaN where one does, or is not known."""
        if not self._fitted or True in self._held.values() or t_ns - min(self._reading_ns.values()) > FRESH_NS:
            return math.nan
        return (t_ns - self._since_ns) * 1e-9

    def moves(self, t_ns: int, same_s: float) -> bool:
        """Whether the block must have moved within the `same_s` for which an encoder has said the same count."""
        free_s = self.seconds(t_ns)
        if math.isnan(free_s):
            return False
        free_s = min(free_s, same_s)
        if free_s > LOAD_MOTION_S and abs(self._load_n - self._from_n) > self._load_change_n:
            return True
        since_clutch_s = (t_ns - self._clutch_ns) * 1e-9
        return min(free_s, since_clutch_s) > (DRIVEN_MOTION_S if self._clutch_in else FREE_MOTION_S)


class PlausibilityMonitor:
    """Doubt on the height from load and clutch. Heights and speeds as the filter has them."""

    __slots__ = (
        "_floor_m", "_least_m_s", "_left_m", "_parted", "_rising_ns", "_slack_from_m", "_slack_n", "_slack_ns",
        "_taut_ns", "active", "suspect", "undriven",
    )  # fmt: skip

    def __init__(self, rig: Rig) -> None:
        self._slack_n = LOST_LOAD_SHARE * rig.block.mass_kg * GRAVITY
        self._floor_m = rig.mast.floor_m
        self._slack_from_m: float | None = None
        self._slack_ns = 0
        self._taut_ns = 0
        self._left_m = 0.0
        self._parted = False
        self._least_m_s = 0.0
        self._rising_ns: int | None = None
        self.undriven = False
        """The clutch is known to be out."""
        self.suspect = False
        """The block seems to rise undriven."""
        self.active = False
        """Whether the load leaves any doubt."""

    def slack_changes(self, t_ns: int, hook_load_n: float) -> bool:
        """Whether this load ends or begins slack, so that `load` must get the place of the block."""
        if self._slack_from_m is None:
            if self.active and t_ns - self._taut_ns > SETTLE_NS:
                self.active = False
                self._left_m = 0.0
            return hook_load_n < self._slack_n
        if not self.active and t_ns - self._slack_ns > BOUNCE_NS:
            self.active = True
        return hook_load_n > TAUT_SHARE / LOST_LOAD_SHARE * self._slack_n

    def load(self, t_ns: int, x: float, v: float) -> None:
        """Slack begins or ends with the block at `x`, moving at `v`."""
        if self._slack_from_m is None:
            self._slack_from_m = x
            self._slack_ns = t_ns
            self._parted = v > -LOWERING_M_S and not self.active
        else:
            if self.active:
                self._left_m = max(self._left_m, self.doubt_m(x))
            self._slack_from_m = None
            self._taut_ns = t_ns
            self._parted = False

    def set_clutch(self, engaged: bool | None, v: float) -> None:
        """The clutch is in, out or not known, with the block moving at `v`."""
        undriven = engaged is False
        if undriven != self.undriven:
            self.undriven = undriven
            self._least_m_s = max(v, 0.0)
            self._rising_ns = None
            self.suspect = False

    def rise(self, t_ns: int, v: float) -> bool:
        """One look at the speed with the clutch out; whether the readings contradict it from now on."""
        if v < self._least_m_s:
            self._least_m_s = v if v > 0.0 else 0.0
        if v < self._least_m_s + FASTER_M_S:
            self._rising_ns = None
            self.suspect = False
            return False
        if self._rising_ns is None:
            self._rising_ns = t_ns
        self.suspect = t_ns - self._rising_ns > SUSPECT_NS
        return t_ns - self._rising_ns > RISING_NS

    def doubt_m(self, x: float) -> float:
        """Doubt on a height of `x`, m."""
        start = self._slack_from_m
        if start is None:
            return self._left_m
        if self._parted:
            return max(0.0, x - self._floor_m)
        return max(self._left_m, start - x)

    @property
    def words(self) -> str:
        """What to tell the crew; empty when nothing is wrong."""
        return "nothing hangs on the hook: height not to be trusted" if self.active and self._parted else ""
