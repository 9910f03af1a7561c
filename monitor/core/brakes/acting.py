"""What the friction brakes do at this moment, as their readings tell it: torques at the drum, to expect and at the most."""

import math
from typing import Final

from monitor.config.rig import Rig
from monitor.core.brakes.inputs import AppliedBrakes
from monitor.core.brakes.model import BrakeModel
from monitor.model.acting import ActingBrakes

_SHORT: Final = 0.08
"""Share of full pressure by which the lever must ask for more than there is."""
_LATEST: Final = 1.5
"""Times lag and ramp by which a brake has answered."""
_FULLY_CALLED: Final = 0.9
"""Share of lever or pressure from which an application is a full one."""


class ActingWatch:
    """Follows what the friction brakes do, and how long the lever has been asking for more than there is."""

    __slots__ = ("_applied", "_brake", "_driven", "_lever", "_longest_s", "_waited_s")

    def __init__(self, rig: Rig, brake: BrakeModel) -> None:
        self._brake = brake
        self._longest_s = _LATEST * (rig.braking.lag_s + rig.braking.ramp_s)
        self._applied = AppliedBrakes(math.nan, math.nan, math.nan, math.nan)
        self._lever = math.nan
        self._driven = True
        self._waited_s = 0.0

    def step(self, dt: float, lever: float, applied: AppliedBrakes, driven: bool) -> None:
        """One grid point. A pressure that is not known counts as none; a lever that is not known asks for nothing; `driven`: the
        drive may be pulling."""
        self._applied, self._lever, self._driven = applied, lever, driven
        there = 0.0 if math.isnan(applied.pressure_sum_pa) else 0.5 * applied.pressure_sum_pa
        short = lever * self._brake.full_pressure_pa - there > _SHORT * self._brake.full_pressure_pa
        self._waited_s = self._waited_s + dt if short else 0.0

    @property
    def _on_its_way_s(self) -> float:
        """How long the lever has been asking for more than there is, s; 0 where it does not, or where the brake should have
        answered by now."""
        return self._waited_s if self._waited_s <= self._longest_s else 0.0

    def coming_n_m(self, scale: float, direction: int) -> float:
        """Torque, N m, with `scale` on the configured friction, that the lever asks for beyond what there is and that is on its
        way; 0 where the pressure is not known."""
        pressure = self._applied.pressure_sum_pa
        if math.isnan(pressure) or not self._on_its_way_s > 0.0:
            return 0.0
        there = self._brake.circuit_torque_n_m(self._brake.clamping_pressure_pa(pressure), scale, direction)
        return max(0.0, self._asked_n_m(scale, direction) - there)

    def _asked_n_m(self, scale: float, direction: int) -> float:
        """Torque that the lever asks for."""
        brake = self._brake
        asked_pa = brake.clamping_pressure_pa(2.0 * self._lever * brake.full_pressure_pa)
        return brake.circuit_torque_n_m(asked_pa, scale, direction)

    def now(self, scale: float, strongest_scale: float, direction: int) -> ActingBrakes:
        """What acts, with `scale` and `strongest_scale` as factors on the configured friction. A brake that should have answered
        the lever by now is not on its way."""
        brake, pressure, lever = self._brake, self._applied.pressure_sum_pa, self._lever
        service, most = 0.0, math.inf
        if pressure == 0.0:
            most = 0.0
        elif not math.isnan(pressure):
            clamping = brake.clamping_pressure_pa(pressure)
            service = brake.circuit_torque_n_m(clamping, scale, direction)
            most = brake.circuit_torque_n_m(clamping + brake.clamping_doubt_pa, strongest_scale, direction)
        coming = 0.0
        asked_s = self._on_its_way_s
        if asked_s > 0.0:
            coming = max(0.0, self._asked_n_m(scale, direction) - service)
            most = max(most, self._asked_n_m(strongest_scale, direction))
        springs = self._applied.emergency_n_m
        called = lever >= _FULLY_CALLED or pressure >= 2.0 * _FULLY_CALLED * brake.full_pressure_pa
        springs_n_m = 0.0 if math.isnan(springs) else springs * scale
        return ActingBrakes(service, most, springs_n_m, coming, asked_s, called, self._driven)
