"""Who takes the energy of a descent: the friction brake or the auxiliary brake.

Theory of operation. From the first downward motion to the next rest or reversal, the work of the friction brake and of the
auxiliary brake is summed, torque times angle. A descent of a heavy load, long and fast enough for the auxiliary brake to
matter, gives its share. Where the auxiliary brake's torque is not measured it follows from the balance: what the motion
shows to be braked, less what the friction brake takes. A descent during which too much could not be seen gives no share.

A low share stands until a descent shows otherwise, and hours may pass without a heavy one: pulling pipe, only the empty
block comes down. So a light descent counts too, one way: where the auxiliary brake is measured to pull clearly harder on the
block than it did when the share was low, it is at work again, and the light descent's share takes the place of the low one.
That a light load needs little of it says nothing, so a light descent never lowers the share; nor does it raise it by no more
than the pull of then, for what is enough for the empty block may still be too little for the string.
"""

import math
from typing import Final

from monitor.model.reading import ABSENT_FLAG, DEGRADED, INVALID, UNKNOWN_FLAG, VALID, Flag
from monitor.physics.heat import auxiliary_share


class DescentEnergy:
    """Energies of the present descent or stop, and the results of the last."""

    __slots__ = (
        "_aux_j",
        "_balance_m",
        "_friction_j",
        "_heavy_m",
        "_pull_then_n",
        "_rest_s",
        "_top",
        "_travel_m",
        "_unseen_m",
        "_way",
        "energy",
        "fitted",
        "share",
    )  # fmt: skip

    MIN_TRAVEL_M: Final = 3.0
    MIN_SPEED_M_S: Final = 0.1
    CLEARLY_HARDER: Final = 1.25
    """Pull of the auxiliary brake over that of the last heavy descent from which it is another: well beyond the doubt of a torque
    that comes from current and speed (15 %, `monitor.core.brakes.auxiliary`)."""

    def __init__(self, fitted: bool) -> None:
        self.fitted = fitted
        self.share: Flag = UNKNOWN_FLAG if fitted else ABSENT_FLAG
        self.energy: Flag = UNKNOWN_FLAG
        self._pull_then_n = 0.0
        """Mean pull of the auxiliary brake on the block in the last heavy descent, N; 0 after a restart: not known."""
        self._way = 0
        self._rest_s = 0.0
        self._clear()

    def _clear(self) -> None:
        self._aux_j = self._friction_j = 0.0
        self._travel_m = self._unseen_m = self._balance_m = self._heavy_m = self._top = 0.0

    def step(self, dt: float, speed: float, heavy: bool | None, friction_w: float, aux_w: float, seen_w: float) -> None:
        """One grid point. Powers are those of friction, auxiliary, and all braking as the motion shows it (W, NaN where
        not known)."""
        way = 0 if not abs(speed) > 0.05 else 1 if speed > 0.0 else -1
        if way == 0:
            self._rest_s += dt
            if self._way and self._rest_s >= 0.5:
                self._close()
            return
        if way != self._way:
            if self._way:
                self._close()
            self._way = way
        self._rest_s = 0.0
        step = abs(speed) * dt
        self._travel_m += step
        self._top = max(self._top, abs(speed))
        if heavy:
            self._heavy_m += step
        if math.isnan(aux_w) and self.fitted and not math.isnan(friction_w + seen_w):
            aux_w = max(0.0, seen_w - friction_w)
            self._balance_m += step
        if math.isnan(friction_w) and not math.isnan(aux_w + seen_w):
            friction_w = max(0.0, seen_w - aux_w)
        if math.isnan(friction_w + aux_w):
            self._unseen_m += step
            return
        self._friction_j += friction_w * dt
        self._aux_j += aux_w * dt

    def _close(self) -> None:
        """The motion is over: keep what it showed."""
        unseen = self._unseen_m / self._travel_m if self._travel_m > 0.0 else 1.0
        validity = VALID if unseen < 0.05 else DEGRADED if unseen < 0.3 else INVALID
        if self._travel_m > 0.2:
            self.energy = (self._friction_j, validity) if validity != INVALID else UNKNOWN_FLAG
        if self.fitted and self._way < 0 and self._travel_m >= self.MIN_TRAVEL_M and self._top >= self.MIN_SPEED_M_S:
            self._judge_share(validity)
        self._way = 0
        self._clear()

    def _judge_share(self, validity: int) -> None:
        """A descent long and fast enough is over: what it says of the share."""
        share = auxiliary_share(self._aux_j, self._friction_j)
        pull_n = self._aux_j / self._travel_m
        if self._heavy_m > 0.8 * self._travel_m:
            self.share = UNKNOWN_FLAG if validity == INVALID or math.isnan(share) else (share, validity)
            self._pull_then_n = pull_n
            return
        measured = validity != INVALID and self._balance_m < 0.05 * self._travel_m
        if measured and share > self.share[0] and pull_n > self.CLEARLY_HARDER * self._pull_then_n:
            self.share = (share, DEGRADED)
