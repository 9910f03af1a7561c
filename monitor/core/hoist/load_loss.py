"""Load lost: the line is slack or has parted where people may stand under the block.

Theory of operation. A hook load of next to nothing, less even than the block's own weight, says that something else carries
the block, or that the line has parted and nothing does. On the floor, or in the lowest metre above the lower limit, that is a
block set down: calm. Higher up it is a danger to all below in two cases:

* the drum turns: it pays out slack into which the block will fall (hung up), or takes in a line on which the block does not
  follow (parted);
* the load went all at once while the drum stood still and the string hung there: no hand takes off a block's weight like that.

With the string in slips and the drum still the block may be hung off, by design and at any height: calm, until the drum
turns. Hung off or lifted by something else slowly, at a drum that stands still, it is slack line and no danger by itself.

The height that counts is the last one with a taut line: what the drum says afterwards is no height. Where it was not known the
answer is open. It is over when the load has been back for a while; a load that is not known leaves all as it was.
"""

import math
from typing import Final

from monitor.config.rig import Rig
from monitor.core.estimator.estimate import Estimate
from monitor.model.reading import UNKNOWN_FLAG, Flag, Validity
from monitor.units import STANDARD_GRAVITY_M_S2 as GRAVITY

NOTHING_SHARE: Final = 0.1
"""Hook load over the block's weight below which nothing hangs on the line."""
HANGS_SHARE: Final = 0.7
"""Hook load over the block's weight above which the block hangs on it."""
BOUNCE_S: Final = 0.2
"""A bouncing block may weigh next to nothing for so long."""
AT_ONCE_S: Final = 0.3
"""A load that hung there so short a time ago went all at once: two readings and some way to come."""
BACK_S: Final = 0.5
"""So long a load must be back: a block that has fallen into the line bounces on it."""
SET_DOWN_M: Final = 1.0
"""Up to so far above the lower limit a block may be set down (common practice, no source)."""


class LoadLoss:
    """Whether the load is lost. `update` once per grid point."""

    __slots__ = (
        "_at_once", "_hanging_ns", "_hangs_n", "_level_m", "_nothing_n", "_since_ns", "_taut_m", "_taut_ns", "flag", "slack",
    )  # fmt: skip

    def __init__(self, rig: Rig) -> None:
        weight_n = rig.block.mass_kg * GRAVITY
        self._nothing_n, self._hangs_n = NOTHING_SHARE * weight_n, HANGS_SHARE * weight_n
        self._level_m = rig.limits.lower_m + SET_DOWN_M
        self._taut_m = math.nan
        """Lowest height that the block may have had when the line was last taut, m; NaN where it was not known."""
        self._hanging_ns = -1
        """When the block last hung on the line with the string, or in motion."""
        self._since_ns = -1
        """Since when nothing hangs on the line; -1 while something does."""
        self._taut_ns = -1
        """Since when something hangs on it again; -1 while nothing does."""
        self._at_once = False
        self.slack = False
        """Nothing hangs on the line, for longer than a block bounces."""
        self.flag: Flag = UNKNOWN_FLAG
        """1 where the load is lost, and the validity of that."""

    @property
    def waiting(self) -> bool:
        """Whether the line is slack, or taut again, but not yet for long enough."""
        return (self._taut_ns if self.slack else self._since_ns) >= 0

    def update(self, t_ns: int, estimate: Estimate, moving: bool, in_slips: bool, hook_load: Flag) -> None:
        """Take one look at `t_ns`. `moving`: the drum turns; `in_slips`: the hook carries the block alone."""
        load_n, validity = hook_load
        if validity > Validity.DEGRADED:
            self.flag = (math.nan, validity)
            return
        if load_n >= self._nothing_n:
            self._taut(t_ns, load_n, estimate, moving, in_slips)
        else:
            self._nothing(t_ns)
        self._judge(moving, int(validity))

    def _taut(self, t_ns: int, load_n: float, estimate: Estimate, moving: bool, in_slips: bool) -> None:
        self._since_ns = -1
        if self._taut_ns < 0:
            self._taut_ns = t_ns
        if not self.slack:
            known = estimate.validity <= Validity.DEGRADED
            self._taut_m = estimate.height_m - estimate.height_bound_m if known else math.nan
            if load_n >= self._hangs_n and (moving or not in_slips):
                self._hanging_ns = t_ns
        elif (t_ns - self._taut_ns) * 1e-9 >= BACK_S:
            self.slack = self._at_once = False

    def _nothing(self, t_ns: int) -> None:
        self._taut_ns = -1
        if self._since_ns < 0:
            self._since_ns = t_ns
            if not self.slack:
                self._at_once = self._hanging_ns >= 0 and (t_ns - self._hanging_ns) * 1e-9 <= AT_ONCE_S
        if (t_ns - self._since_ns) * 1e-9 >= BOUNCE_S:
            self.slack = True

    def _judge(self, moving: bool, validity: int) -> None:
        was = self.flag[0] == 1.0
        if not self.slack:
            self.flag = (0.0, validity)
        elif math.isnan(self._taut_m):
            self.flag = UNKNOWN_FLAG
        else:
            lost = self._taut_m > self._level_m and (was or moving or self._at_once)
            self.flag = (1.0 if lost else 0.0, validity)
