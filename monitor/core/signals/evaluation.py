"""One look at the rig: everything the signals of a grid point are computed from.

`Now` is filled by the engine at each grid point and read by the rows of `signals.table`. It is the only mutable object
that signal functions see, and they never write to it.
"""

import math
from contextlib import suppress
from typing import Final

from monitor.config.rig import NoAux, Rig
from monitor.core.brakes.health import BrakeHealth
from monitor.core.brakes.model import BrakeModel
from monitor.core.estimator.estimator import Estimate
from monitor.core.hoist.line_work import LineWork
from monitor.core.hoist.stopping import Brakes, Load, StopCalculator, StopResult
from monitor.core.sensors.register import SensorRegister
from monitor.model.reading import Validity
from monitor.model.snapshot import HoistState
from monitor.model.stream import Health
from monitor.physics.hydraulics import Accumulator
from monitor.physics.line import cut_due_m
from monitor.physics.tackle import dead_line_factor, efficiency_hoisting, factor_lowering
from monitor.units import STANDARD_GRAVITY_M_S2

_G: Final = STANDARD_GRAVITY_M_S2
_OK, _DEGRADED, _INVALID = int(Validity.VALID), int(Validity.DEGRADED), int(Validity.INVALID)
_NOT_FITTED: Final = int(Validity.NOT_FITTED)
_SLACK_SHARE: Final = 0.35
"""Hook load below this share of the block's own weight means that something else carries the block."""
_MOVING_M_S: Final = 0.05
_ATMOSPHERE_PA: Final = 101_325.0
_IN_MOTION: Final = (HoistState.HOISTING, HoistState.LOWERING)
_START_NS: Final = 5_000_000_000


class Now:
    """State of the rig at the present grid point, and the small sums that need its history."""

    def __init__(self, rig: Rig, sensors: SensorRegister) -> None:
        self.rig = rig
        self.sensors = sensors
        self.brake = BrakeModel(rig)
        self.brake_health = BrakeHealth(rig, self.brake)
        self.calculator = StopCalculator(rig)
        self.health = Health()
        self.certain = _OK
        """Validity of what the monitor knows for itself."""
        self.dropped_recently = 0
        self.overtravel_due = False
        self.rated_load_n = rig.block.rated_load_kg * _G
        self.block_n = rig.block.mass_kg * _G
        self.ambient_c = rig.braking.ambient_c
        self.demand_lever = rig.braking.demand_lever
        self._lines = rig.line.lines
        self._breaking_n = rig.line.breaking_strength_n
        self._load_doubt = rig.uncertainty.load
        self._max_speed_m_s = rig.limits.max_speed_m_s
        self._overtravel_m = rig.limits.overtravel_m
        self._min_pressure_pa = rig.hydraulics.min_pressure_pa
        self._stroke_m3 = rig.hydraulics.stroke_volume_m3
        self._counted_pa, self._counted = math.nan, 0
        """For which accumulator pressure applications were counted last, and how many there were."""
        self._coolant_max_c = None if isinstance(rig.aux, NoAux) else rig.aux.coolant_max_c
        self._release_pa = rig.brake.release_pressure_pa if rig.brake.kind == "caliper" else 1.0
        self._weighs_hook = sensors.fitted("hook_load")
        self._reading = sensors.flags.__getitem__
        self._accumulator = Accumulator(
            rig.hydraulics.accumulator_volume_m3, rig.hydraulics.precharge_pa + _ATMOSPHERE_PA
        )
        lines, k = rig.line.lines, rig.line.sheave_factor
        self._fast_share = {
            1: 1.0 / (lines * efficiency_hoisting(k, lines)),
            0: 1.0 / lines,
            -1: factor_lowering(k, lines) / lines,
        }
        self._dead_share = {way: dead_line_factor(k, lines, way) / lines for way in (1, 0, -1)}
        self.t_ns = 0
        self.estimate: Estimate
        self.hoist = HoistState.UNKNOWN
        self.direction = 0
        self.height_validity = _INVALID
        self.speed_validity = _INVALID
        self.load_validity = _INVALID
        self.stop_validity = _INVALID
        """Of margins: they need height and speed, and readings often enough to act on. With slow data no warning could come
        in time, and bounds metres wide would warn all day; the notice says so."""
        self.load_validity_for_stop = _DEGRADED
        self.supply_validity = _INVALID
        self.hook_load_n = math.nan
        self.string_load_n = math.nan
        self.slack = 0.0
        """1 where something else carries the block."""
        self.slow_data = 0.0
        self.height_unknown = 0.0
        """1 where the height is not known although there was time to find it. In the first seconds of a stream there was not:
        nobody can say then, so that a restart neither raises an alarm of it nor ends the one that stood."""
        self.height_unknown_validity = _OK
        self.load_over_rating = math.nan
        self.overtravel_room_m = math.nan
        """Room up to the overtravel device's height."""
        self.stop: StopResult
        self.allowed_m_s = math.nan
        """Allowed speed here, in the direction of motion, never above the site's maximum."""
        self.speed_excess_m_s = math.nan
        """|speed| above the allowed speed; negative below it."""
        self.speed_over_max_m_s = math.nan
        """|speed| above the site's maximum; negative below it."""
        self.holding_ratio = math.nan
        self.emergency_ratio = math.nan
        self._weight: Load
        self._springs_n_m = self._low = math.nan
        self.fast_line_n = math.nan
        self.design_factor = math.nan
        self.line_work = LineWork(rig.limits.max_speed_m_s)
        self._goal_j_m: float | None = None
        """Work per metre of line cut; None where neither the site nor the usual goals have one."""
        with suppress(ValueError):
            self._goal_j_m = rig.line.goal_j_m()

    def hook_load(self, t_ns: int, direction: int) -> tuple[float, int]:
        """Hook load from whichever load sensor the rig has, N, and its validity. Dead-line readings are corrected by
        the last direction of motion (tackle friction), which leaves them DEGRADED while the direction is not known."""
        if self._weighs_hook:
            return self.sensors.number("hook_load", t_ns)
        number, validity = self.sensors.number("dead_line_tension", t_ns)
        if validity > _DEGRADED:
            return math.nan, validity
        return number / self._dead_share[direction], validity if direction else _DEGRADED

    def look(self, t_ns: int, estimate: Estimate, hoist: HoistState, direction: int, string_load_n: float) -> None:
        """Fill in everything for the grid point `t_ns`, which the register of sensors has looked at. `direction` is the
        last motion, held while still."""
        self.t_ns, self.estimate, self.hoist, self.direction = t_ns, estimate, hoist, direction
        self.height_validity = int(estimate.validity)
        speed = estimate.speed_m_s
        known = math.isfinite(speed)
        self.speed_validity = _INVALID if not known else _OK if estimate.speed_bound_m_s < 0.25 else _DEGRADED
        self.stop_validity = max(self.height_validity, self.speed_validity, self.load_validity_for_stop)
        self.slow_data = 0.0
        if estimate.slow:
            self.slow_data, self.stop_validity = 1.0, _INVALID
        load, validity = self.hook_load(t_ns, direction)
        if validity > _DEGRADED:
            load, validity = math.nan, _INVALID
        self.load_validity = validity
        self.hook_load_n, self.string_load_n = load, string_load_n
        self.slack = 1.0 if validity <= _DEGRADED and load < _SLACK_SHARE * self.block_n else 0.0
        missed = self.height_validity == _INVALID
        early = missed and t_ns - self.sensors.start_ns <= _START_NS
        self.height_unknown = math.nan if early else 1.0 if missed else 0.0
        self.height_unknown_validity = _INVALID if early else _OK
        health, brake = self.brake_health, self.brake
        health.update(t_ns, estimate, hoist, direction, load, validity, self._reading)
        way = 1 if speed > 0 else -1
        scale, low = health.scales(way)
        expected_pa, assured_pa = self._supply()
        circuits, sure = health.circuits()
        expected = brake.full_torque_n_m(expected_pa, scale, way, circuits)
        assured = brake.full_torque_n_m(assured_pa, low, way, sure)
        weight = self._load(load)
        self.stop = stop = self.calculator.solve(estimate, weight, Brakes(expected, assured), health.slowing.sure_m_s2)
        springs = brake.emergency_torque_n_m(0.0, scale)
        self._weight, self._springs_n_m, self._low = weight, springs, low
        size, most = abs(speed), self._max_speed_m_s
        self.allowed_m_s = min(stop.allowed_m_s, most)
        self.speed_excess_m_s = size - stop.allowed_m_s if size > _MOVING_M_S else -most
        self.speed_over_max_m_s = size - most
        self.overtravel_room_m = self._overtravel_m - estimate.height_m
        self.load_over_rating = load / self.rated_load_n
        if math.isfinite(load):
            # What hangs on the line wants down: holding it is a matter of the lowering side, whichever way the block moves.
            holding = expected if way < 0 else brake.full_torque_n_m(expected_pa, scale, -1, circuits)
            demand = max(load, 1.0) * estimate.radius_m / self._lines
            self.holding_ratio, self.emergency_ratio = holding / demand, springs / demand
            self.fast_line_n = load * self._fast_share[direction]
            self.design_factor = self._breaking_n / max(self.fast_line_n, 1.0)
        else:
            self.holding_ratio = self.emergency_ratio = math.nan
        self.line_work.look(t_ns, load, estimate.height_m, hoist)

    def _load(self, load: float) -> Load:
        """Hook load with the ends of its doubt; the rating and the bare block where it is not known."""
        block, doubt = self.block_n, self._load_doubt
        if not math.isfinite(load):
            return Load(self.rated_load_n, block, self.rated_load_n)
        floor = block * _SLACK_SHARE
        return Load(max(load, floor), max(load * (1 - doubt), floor), max(load * (1 + doubt), block))

    def _supply(self) -> tuple[float, float]:
        """(expected, assured) pressure that is there for an application, Pa."""
        supply, validity = self.sensors.flags["accumulator_pressure"]
        if validity <= _DEGRADED:
            self.supply_validity = validity
            return max(supply, 0.0), max(supply, 0.0)
        full = self.brake.full_pressure_pa
        if validity == _NOT_FITTED:
            self.supply_validity = _OK
            return full, full
        # Without a reading the assured supply is the least that the rig's own procedure accepts.
        self.supply_validity = validity
        return full, self._min_pressure_pa

    @property
    def health(self) -> Health:
        """The monitor's own state."""
        return self._health

    @health.setter
    def health(self, health: Health) -> None:
        self._health = health
        self.recorder_failed = 1.0 if health.recording == "failed" else 0.0
        self.disconnected = 1.0 if health.connected is False else 0.0

    @property
    def layer(self) -> float:
        """Layer on the drum, from 1."""
        return float(self.estimate.layer)

    @property
    def emergency_reach_m(self) -> float:
        """Assured reach of the spring-applied calipers alone, m; infinite where they do not stop this load."""
        alone = Brakes(self._springs_n_m, self.brake.emergency_torque_n_m(0.0, self._low))
        return self.calculator.reaches(self.estimate, self._weight, alone)[1]

    def applications_left(self, pressure_pa: float) -> int:
        """Full applications in the accumulator at gauge `pressure_pa`, fast discharge after slow charge."""
        if pressure_pa != self._counted_pa:
            least = self._min_pressure_pa
            self._counted_pa, self._counted = pressure_pa, 0
            if pressure_pa > least:
                self._counted = self._accumulator.applications_left(
                    pressure_pa + _ATMOSPHERE_PA, least + _ATMOSPHERE_PA, self._stroke_m3
                )
        return self._counted

    def line_to_cut(self) -> tuple[float, int]:
        """Length of line that the work since the last cut has used up by the goal, m: what a cut would now take off."""
        if self._goal_j_m is None:
            return math.nan, _NOT_FITTED
        return cut_due_m(self.line_work.since_cut_j, self._goal_j_m), _OK

    def accumulator_margin(self) -> tuple[float, int]:
        """Accumulator pressure above the configured minimum, Pa."""
        pressure, validity = self.sensors.flags["accumulator_pressure"]
        return pressure - self._min_pressure_pa, validity

    def release_missing(self) -> tuple[float, int]:
        """Share of the release pressure that is missing while the emergency calipers are meant to be clear.

        They are meant to be clear while the block moves; at rest they may rightly be set.
        """
        if not self.brake.has_emergency:
            return math.nan, _NOT_FITTED
        pressure, validity = self.sensors.flags["emergency_release_pressure"]
        if validity > _DEGRADED:
            return math.nan, validity
        if self.hoist not in _IN_MOTION:
            return 0.0, validity
        return max(0.0, 1.0 - pressure / self._release_pa), validity

    def coolant_over(self) -> tuple[float, int]:
        """Coolant temperature above the configured maximum, K (negative below it)."""
        if self._coolant_max_c is None:
            return math.nan, _NOT_FITTED
        temperature, validity = self.sensors.flags["coolant_temperature"]
        return temperature - self._coolant_max_c, validity
