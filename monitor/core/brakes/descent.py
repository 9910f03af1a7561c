"""Who takes the energy, how hot that makes the discs, and whether a brake that is set lets go by millimetres.

Theory of operation. *Descent.* From the first downward motion to the next rest or reversal, the work of the friction
brake and of the auxiliary brake is summed, torque times angle. A descent of a heavy load, long and fast enough for
the auxiliary brake to matter, gives its share. Where the auxiliary brake's torque is not measured it follows from the
balance: what the motion shows to be braked, less what the friction brake takes. A descent during which too much could
not be seen gives no share.

*Heat.* All friction work goes into one lump of steel that cools to ambient (`monitor.physics.heat`), a model beside the
measured temperatures and in their place where they are missing. It starts at the first measured temperature.

*Creep.* Once the block has come to rest with the brake set, its height is kept once a second; the slope over the last
quarter minute is the creep, positive downwards. It stays a creep while the brake stays set, however fast it gets.
"""

import math
from collections import deque
from collections.abc import Callable, Mapping
from typing import Any, Final

from monitor.config.rig import BrakeDynamics, EddyAux, NoAux, Rig
from monitor.model.reading import Validity
from monitor.physics.brakes import EddyBrake
from monitor.physics.heat import auxiliary_share

_OK, _DEGRADED, _INVALID = int(Validity.VALID), int(Validity.DEGRADED), int(Validity.INVALID)
_NOT_FITTED: Final = int(Validity.NOT_FITTED)
Flag = tuple[float, int]
ABSENT: Final[Flag] = (math.nan, _NOT_FITTED)
UNKNOWN: Final[Flag] = (math.nan, _INVALID)


class Auxiliary:
    """Torque of the auxiliary brake from what the rig measures of it."""

    __slots__ = ("_eddy", "_sensed", "fitted", "measured", "missing")

    IDLE_SHARE: Final = 0.05
    """An auxiliary brake that takes less than this of the load's torque is idle."""

    def __init__(self, rig: Rig) -> None:
        aux = rig.aux
        self.fitted = not isinstance(aux, NoAux)
        self._eddy = (
            EddyBrake(aux.peak_torque_n_m, aux.critical_speed_rad_s, aux.rated_current_a)
            if isinstance(aux, EddyAux)
            else None
        )
        # Without a torque sensor a regenerative drive shows nothing of itself; an eddy-current brake shows its current.
        self._sensed = rig.sensor_of("aux_torque") is not None
        current = self._eddy is not None and rig.sensor_of("aux_current") is not None
        self.measured = self.fitted and (self._sensed or current)
        self.missing: Flag = (0.0, _OK) if self.measured else ABSENT

    def torque(self, omega: float, read: Callable[[str], Flag]) -> tuple[float, float]:
        """(torque, its standard doubt) in N m at drum speed `omega` (a magnitude, rad/s); NaN where not known. `read`
        gives a quantity's last reading.

        A measured torque is taken at 5 %; one from current and speed at 15 %, for a hot rotor has less (see
        `monitor.physics.brakes`).
        """
        if not self.fitted:
            return 0.0, 0.0
        if self._sensed:
            number, validity = read("aux_torque")
            if validity <= _DEGRADED:
                number = max(0.0, number)
                return number, 0.05 * number
        if self._eddy is not None and not math.isnan(omega):
            number, validity = read("aux_current")
            if validity <= _DEGRADED:
                number = self._eddy.torque_n_m(omega, number)
                return number, 0.15 * number
        return math.nan, math.nan

    def watch(self, lowering_fast: bool | None, heavy: bool | None, torque: float, load_torque: float) -> None:
        """Set `missing`: lowering a heavy load at speed with an auxiliary brake that is idle, or whose reading says
        nothing (None for what is not known)."""
        if not self.measured:
            return
        if lowering_fast is False or heavy is False:
            self.missing = (0.0, _OK)
        elif lowering_fast is None or heavy is None:
            self.missing = UNKNOWN
        elif math.isnan(torque):
            self.missing = (1.0, _DEGRADED)
        else:
            self.missing = (1.0 if torque < self.IDLE_SHARE * load_torque else 0.0, _OK)


class DescentEnergy:
    """Energies of the present descent or stop, and the results of the last."""

    __slots__ = (
        "_aux_j",
        "_friction_j",
        "_heavy_m",
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

    def __init__(self, fitted: bool) -> None:
        self.fitted = fitted
        self.share: Flag = UNKNOWN if fitted else ABSENT
        self.energy: Flag = UNKNOWN
        self._way = 0
        self._rest_s = 0.0
        self._clear()

    def _clear(self) -> None:
        self._aux_j = self._friction_j = 0.0
        self._travel_m = self._unseen_m = self._heavy_m = self._top = 0.0

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
        validity = _OK if unseen < 0.05 else _DEGRADED if unseen < 0.3 else _INVALID
        if self._travel_m > 0.2:
            self.energy = (self._friction_j, validity) if validity != _INVALID else UNKNOWN
        informative = (
            self._travel_m >= self.MIN_TRAVEL_M
            and self._top >= self.MIN_SPEED_M_S
            and self._heavy_m > 0.8 * self._travel_m
        )
        if self.fitted and self._way < 0 and informative:
            share = auxiliary_share(self._aux_j, self._friction_j)
            self.share = UNKNOWN if validity == _INVALID or math.isnan(share) else (share, validity)
        self._way = 0
        self._clear()


class DiscHeat:
    """Bulk temperature of the discs, degC, from friction power; and the friction that heat takes away."""

    __slots__ = ("_braking", "_unseen_s", "seeded", "temperature_c")

    def __init__(self, braking: BrakeDynamics) -> None:
        self._braking = braking
        self.temperature_c = braking.ambient_c
        self.seeded = False
        """Whether it began at a measured temperature."""
        self._unseen_s = 0.0
        """Motion during which the friction power was not known, forgotten as the discs cool."""

    def step(self, dt: float, power_w: float, moving: bool, measured_c: float) -> None:
        """One grid point; `power_w` NaN where not known, `measured_c` NaN where not measured."""
        if not self.seeded and not math.isnan(measured_c):
            self.seeded = True
            self.temperature_c = measured_c
        braking = self._braking
        cooling = min(1.0, dt / braking.cooling_tau_s)
        self._unseen_s -= self._unseen_s * cooling
        if math.isnan(power_w):
            power_w = 0.0
            if moving:
                self._unseen_s += dt
        rise = self.temperature_c - braking.ambient_c
        # One Euler step: the time constant is tens of minutes, the grid 50 ms.
        self.temperature_c += power_w * dt / braking.heat_capacity_j_k - rise * cooling

    @property
    def flag(self) -> Flag:
        """The modelled temperature; DEGRADED after a minute of motion whose friction power was not known."""
        return self.temperature_c, _OK if self._unseen_s < 60.0 else _DEGRADED


class CreepWatch:
    """Downward speed of a block whose brake is set, m/s."""

    __slots__ = ("_heights", "_next_s", "_resting_s", "_t_s", "_watching", "flag")

    SPAN: Final = 15
    """Seconds that the slope is taken over."""

    def __init__(self) -> None:
        self.flag: Flag = UNKNOWN
        self._heights: deque[tuple[float, float]] = deque(maxlen=self.SPAN)
        self._t_s = self._next_s = self._resting_s = 0.0
        self._watching = False

    def step(self, dt: float, brake_set: bool | None, speed: float, height: float, validity: int) -> None:
        """One grid point. `brake_set` None where neither lever nor pressure says."""
        self._t_s += dt
        if brake_set is None or math.isnan(height + speed) or validity > _DEGRADED:
            self._stop_watching(UNKNOWN)
            return
        if not brake_set:
            self._stop_watching((0.0, _OK))
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
            self.flag = ((first - height) / span, validity if span >= 4.0 else _DEGRADED)
        if self._t_s >= self._next_s:
            self._heights.append((self._t_s, height))
            self._next_s += 1.0

    def shift_heights(self, by_m: float) -> None:
        """The height was put right by so much: what was seen before is told as it would have read."""
        self._heights = deque(((t, height + by_m) for t, height in self._heights), self.SPAN)

    def _stop_watching(self, flag: Flag) -> None:
        self.flag = flag
        self._heights.clear()
        self._watching = False
        self._resting_s = 0.0


def restore_heat(heat: DiscHeat, saved: Mapping[str, Any], idle_s: float, braking: BrakeDynamics) -> None:
    """Take up a saved disc temperature, `idle_s` seconds later: it has cooled by then.

    Raises:
        ValueError: no usable temperature in `saved`.
    """
    temperature = saved.get("disc_c")
    if not isinstance(temperature, int | float) or not -100.0 < temperature < 2000.0:
        raise ValueError(f"disc temperature cannot be restored: {temperature!r}")
    ambient = braking.ambient_c
    heat.temperature_c = ambient + (temperature - ambient) * math.exp(-max(0.0, idle_s) / braking.cooling_tau_s)
    # After a pause a measurement tells more than the model; a moment later it would only bring its noise.
    heat.seeded = idle_s < 60.0 and saved.get("disc_measured") is True
