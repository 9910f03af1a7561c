"""What brake health sees at one grid point: readings of the brakes, and the motion, as plain numbers.

A reading that is stale, out of range or missing is NaN here, so that every watch treats "not known" alike.
"""

import math
from collections.abc import Callable
from typing import Final, Self

from monitor.config.rig import Rig
from monitor.core.estimator.estimate import Estimate
from monitor.model.reading import ABSENT, ABSENT_FLAG, DEGRADED, Flag


class BrakeReadings:
    """Readings of brake and clutch, SI; NaN where not known."""

    __slots__ = ("accumulator_pa", "clutch", "clutch_fitted", "first_pa", "lever", "second_pa")

    def __init__(
        self, first_pa: float, second_pa: float, lever: float, accumulator_pa: float, clutch: float, clutch_fitted: bool
    ) -> None:
        self.first_pa: Final = first_pa
        self.second_pa: Final = second_pa
        """Pressures of the two service circuits. A circuit without a sensor is taken to be like the other."""
        self.lever: Final = lever
        self.accumulator_pa: Final = accumulator_pa
        self.clutch: Final = clutch
        """Below a half: the clutch is known to be released."""
        self.clutch_fitted: Final = clutch_fitted

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


class MotionView:
    """The motion as brake health uses it."""

    __slots__ = ("acceleration_m_s2", "arm_m", "omega_rad_s", "seen", "speed_m_s", "speed_sigma_m_s", "validity", "way")

    def __init__(
        self,
        seen: bool,
        speed_m_s: float,
        speed_sigma_m_s: float,
        acceleration_m_s2: float,
        arm_m: float,
        omega_rad_s: float,
        validity: int,
        way: int,
    ) -> None:
        self.seen: Final = seen
        """Whether the readings come fast enough to weigh the brake by the motion."""
        self.speed_m_s: Final = speed_m_s
        self.speed_sigma_m_s: Final = speed_sigma_m_s
        self.acceleration_m_s2: Final = acceleration_m_s2
        self.arm_m: Final = arm_m
        """Way of the block per radian of the drum."""
        self.omega_rad_s: Final = omega_rad_s
        """Drum speed, a magnitude. NaN, like arm and acceleration, while the motion is not seen."""
        self.validity: Final = validity
        self.way: Final = way
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


class AppliedBrakes:
    """What brakes the drum at one grid point; NaN where not known."""

    __slots__ = ("aux_doubt_n_m", "aux_n_m", "emergency_n_m", "pressure_sum_pa")

    def __init__(self, pressure_sum_pa: float, emergency_n_m: float, aux_n_m: float, aux_doubt_n_m: float) -> None:
        self.pressure_sum_pa: Final = pressure_sum_pa
        """Both service circuits together; 0 below noise."""
        self.emergency_n_m: Final = emergency_n_m
        """Torque of the spring-applied calipers at the configured friction."""
        self.aux_n_m: Final = aux_n_m
        self.aux_doubt_n_m: Final = aux_doubt_n_m
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
