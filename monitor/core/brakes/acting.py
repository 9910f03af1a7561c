"""What the friction brakes do at this moment, as their readings tell it: torques at the drum, to expect and at the most."""

import math
from typing import Final, NamedTuple

from monitor.core.brakes.inputs import AppliedBrakes
from monitor.core.brakes.model import BrakeModel

_FULLY_CALLED: Final = 0.9
"""Share of lever or pressure from which an application is a full one."""


class ActingBrakes(NamedTuple):
    """Torques in N m at the drum."""

    service_n_m: float
    """Service brake, at the value to expect; 0 where its pressures are not known."""
    service_most_n_m: float
    """Service brake, at the most; infinite where its pressures are not known."""
    springs_n_m: float
    """Spring-applied calipers as they are set; 0 where that is not known."""
    called: bool
    """Whether a full application has been called for: lever or pressure is nearly full."""


def acting_brakes(
    brake: BrakeModel, applied: AppliedBrakes, lever: float, scale: float, strongest_scale: float, direction: int
) -> ActingBrakes:
    """What acts, with `scale` and `strongest_scale` as factors on the configured friction; `lever` NaN where not known."""
    pressure = applied.pressure_sum_pa
    service, most = 0.0, math.inf
    if pressure == 0.0:
        most = 0.0
    elif not math.isnan(pressure):
        clamping = brake.clamping_pressure_pa(pressure)
        service = brake.circuit_torque_n_m(clamping, scale, direction)
        most = brake.circuit_torque_n_m(clamping + brake.clamping_doubt_pa, strongest_scale, direction)
    springs = applied.emergency_n_m
    called = lever >= _FULLY_CALLED or pressure >= 2.0 * _FULLY_CALLED * brake.full_pressure_pa
    return ActingBrakes(service, most, 0.0 if math.isnan(springs) else springs * scale, called)
