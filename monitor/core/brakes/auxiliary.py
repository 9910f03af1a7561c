"""The auxiliary brake: its torque from what the rig measures of it, and whether it is missing where it is needed.

An eddy-current brake shows its current, and current and drum speed give its torque (`monitor.physics.brakes`); a drive that
brakes shows a torque, or nothing. Lowering a heavy load at speed with an auxiliary brake that is idle, or whose reading says
nothing, leaves the work to the friction brake: that is what `missing` says. A block that is let roll until it has its speed needs
no brake at all yet, neither the one nor the other; only faster than the rig's highest speed it would.
"""

import math
from collections.abc import Callable
from typing import Final

from monitor.config.brakes import EddyAux, NoAux
from monitor.config.rig import Rig
from monitor.model.reading import ABSENT_FLAG, DEGRADED, UNKNOWN_FLAG, VALID, Flag
from monitor.physics.brakes import EddyBrake

RISE: Final = 0.2
"""Share of a new torque in its mean, per grid point: what it has risen by in the last fifth of a second is on its way once more
(fields take half a second or so to build up; common practice, no source)."""


class Auxiliary:
    """Torque of the auxiliary brake from what the rig measures of it."""

    __slots__ = (
        "_coolant_max",
        "_eddy",
        "_fastest",
        "_mean_n_m",
        "_sensed",
        "coming_n_m",
        "fitted",
        "measured",
        "missing",
    )

    IDLE_SHARE: Final = 0.05
    """An auxiliary brake that takes less than this of the load's torque is idle."""
    WORK_SHARE: Final = 0.5
    """Where the friction brake holds so much of the load's torque it does the auxiliary brake's work (half: derived here; in a
    steady descent it holds nearly all of it)."""

    def __init__(self, rig: Rig) -> None:
        aux = rig.aux
        self.fitted = not isinstance(aux, NoAux)
        self._eddy = (
            EddyBrake(aux.peak_torque_n_m, aux.critical_speed_rad_s, aux.rated_current_a)
            if isinstance(aux, EddyAux)
            else None
        )
        self._fastest = rig.limits.max_speed_m_s
        self._mean_n_m = math.nan
        self.coming_n_m = 0.0
        """Torque that is on its way at the least, N m: a field that rises goes on rising for as long again (`RISE`)."""
        self._coolant_max = aux.coolant_max_c if isinstance(aux, EddyAux) else math.inf
        # Without a torque sensor a regenerative drive shows nothing of itself; an eddy-current brake shows its current.
        self._sensed = rig.sensor_of("aux_torque") is not None
        current = self._eddy is not None and rig.sensor_of("aux_current") is not None
        self.measured = self.fitted and (self._sensed or current)
        self.missing: Flag = (0.0, VALID) if self.measured else ABSENT_FLAG

    def torque(self, omega: float, read: Callable[[str], Flag]) -> tuple[float, float]:
        """(torque, its standard doubt) in N m at drum speed `omega` (a magnitude, rad/s); NaN where not known. `read`
        gives a quantity's last reading.

        A measured torque is taken at 5 %; one from current and speed at 15 %, for a hot rotor has less (see
        `monitor.physics.brakes`). Where its coolant is hotter than it may be, the current says next to nothing of it.
        """
        torque, doubt = self._read(omega, read)
        # The mean of NaN is NaN: the next torque that is known begins it.
        mean = self._mean_n_m = (
            torque if self._mean_n_m != self._mean_n_m else self._mean_n_m + RISE * (torque - self._mean_n_m)
        )
        self.coming_n_m = max(0.0, torque - doubt - mean)
        return torque, doubt

    def _read(self, omega: float, read: Callable[[str], Flag]) -> tuple[float, float]:
        if not self.fitted:
            return 0.0, 0.0
        if self._sensed:
            number, validity = read("aux_torque")
            if validity <= DEGRADED:
                number = max(0.0, number)
                return number, 0.05 * number
        if self._eddy is not None and not math.isnan(omega):
            number, validity = read("aux_current")
            if validity <= DEGRADED:
                number = self._eddy.torque_n_m(omega, number)
                coolant, known = read("coolant_temperature")
                hot = known <= DEGRADED and coolant > self._coolant_max
                return number, (1.0 if hot else 0.15) * number
        return math.nan, math.nan

    def watch(
        self, lowering_m_s: float | None, heavy: bool | None, torque: float, friction: float, load_torque: float
    ) -> None:
        """Set `missing`: lowering a heavy load at speed with an auxiliary brake that is idle, or whose reading says
        nothing, while the friction brake does the work.

        Args:
            lowering_m_s: Speed of a descent that is at speed, 0 for any other motion, None for not known.
            heavy: Whether the load is heavy; None for not known.
            torque: Of the auxiliary brake, N m, NaN for not known; `friction` that of the friction brake, `load_torque` what the
                load pulls with.
        """
        if not self.measured:
            return
        if lowering_m_s == 0.0 or heavy is False:
            self.missing = (0.0, VALID)
        elif lowering_m_s is None or heavy is None:
            self.missing = UNKNOWN_FLAG
        elif friction < self.WORK_SHARE * load_torque and lowering_m_s <= self._fastest:
            self.missing = (0.0, VALID)
        elif math.isnan(torque):
            self.missing = (1.0, DEGRADED)
        else:
            self.missing = (1.0 if torque < self.IDLE_SHARE * load_torque else 0.0, VALID)
