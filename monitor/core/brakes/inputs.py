"""What brake health sees at one grid point: readings of the brakes, and the motion, as plain numbers.

A reading that is stale, out of range or missing is NaN here, so that every watch treats "not known" alike.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Self

from monitor.config.rig import Rig
from monitor.core.estimator.estimate import Estimate
from monitor.model.reading import ABSENT, ABSENT_FLAG, DEGRADED, Flag


@dataclass(slots=True)
class BrakeReadings:
    """Readings of brake and clutch, SI; NaN where not known."""

    first_pa: float
    second_pa: float
    """Pressures of the two service circuits. A circuit without a sensor is taken to be like the other."""
    lever: float
    accumulator_pa: float
    clutch: float
    """Below a half: the clutch is known to be released."""
    clutch_fitted: bool

    @classmethod
    def of(cls, read: Callable[[str], Flag]) -> Self:
        """The last readings; `read` gives a quantity's last reading in SI and its validity."""
        first, ok1 = read("service_pressure_1")
        second, ok2 = read("service_pressure_2")
        if ok1 > DEGRADED or ok2 > DEGRADED:
            first, second = _known_of_pair(first, ok1, second, ok2)
        lever, ok = read("brake_lever")
        if ok > DEGRADED:
            lever = math.nan
        accumulator, ok = read("accumulator_pressure")
        if ok > DEGRADED:
            accumulator = math.nan
        clutch, ok = read("clutch_engaged")
        return cls(first, second, lever, accumulator, clutch if ok <= DEGRADED else math.nan, ok != ABSENT)


def reader_of(rig: Rig) -> Callable[[Callable[[str], Flag]], BrakeReadings]:
    """What reads these readings on `rig`: where it has none of the sensors, they are the same at every grid point."""
    names = ("service_pressure_1", "service_pressure_2", "brake_lever", "accumulator_pressure", "clutch_engaged")
    if any(rig.sensor_of(name) is not None for name in names):
        return BrakeReadings.of
    nothing = BrakeReadings.of(lambda _: ABSENT_FLAG)
    return lambda _: nothing


@dataclass(slots=True)
class MotionView:
    """The motion as brake health uses it."""

    seen: bool
    """Whether the readings come fast enough to weigh the brake by the motion."""
    speed_m_s: float
    speed_sigma_m_s: float
    acceleration_m_s2: float
    arm_m: float
    """Way of the block per radian of the drum."""
    omega_rad_s: float
    """Drum speed, a magnitude. NaN, like arm and acceleration, while the motion is not seen."""
    validity: int
    way: int
    """Direction of the motion: +1 upwards, -1 downwards."""

    @classmethod
    def of(cls, estimate: Estimate, lines: int) -> Self:
        """The view of `estimate` on a tackle of `lines` lines."""
        speed, a, radius = estimate.speed_m_s, estimate.acceleration_m_s2, estimate.radius_m
        validity, way = int(estimate.validity), 1 if speed > 0.0 else -1
        if validity <= DEGRADED and not estimate.slow and math.isfinite(speed + a + radius):
            arm = radius / lines
            return cls(True, speed, estimate.speed_sigma_m_s, a, arm, abs(speed) / arm, validity, way)
        return cls(False, speed, estimate.speed_sigma_m_s, math.nan, math.nan, math.nan, validity, way)


@dataclass(slots=True)
class AppliedBrakes:
    """What brakes the drum at one grid point; NaN where not known."""

    pressure_sum_pa: float
    """Both service circuits together; 0 below noise."""
    emergency_n_m: float
    """Torque of the spring-applied calipers at the configured friction."""
    aux_n_m: float
    aux_doubt_n_m: float
    """Torque of the auxiliary brake and its standard doubt."""


def drive_released(readings: BrakeReadings, speed_m_s: float, regenerative: bool) -> bool:
    """Whether the drive is known not to pull: the clutch is released. Without a clutch sensor nobody is taken to drive a
    block down, unless the drive itself is the brake."""
    if readings.clutch_fitted:
        return readings.clutch < 0.5
    return speed_m_s < 0.0 and not regenerative


def _known_of_pair(first: float, ok1: int, second: float, ok2: int) -> tuple[float, float]:
    """Pressures of both circuits, Pa, NaN where not known. A circuit without a sensor is taken to be like the other."""
    if ok1 > DEGRADED:
        first = math.nan
    if ok2 > DEGRADED:
        second = first if ok2 == ABSENT else math.nan
    if ok1 == ABSENT:
        first = second
    return first, second
