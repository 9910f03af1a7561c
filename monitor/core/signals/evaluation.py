"""One evaluation: from the motion of the block and the sensors' last readings to a `GridPoint`.

Theory of operation
    `Evaluation` owns the machines that follow the rig from grid point to grid point: the brake watch, the stop calculator and
    the work of the line. `run` is the one place that shows their order:

    1. validities of height, speed and load, which say what the others may build on;
    2. the brake watch, on motion, load and readings: friction, circuits, deceleration that the readings show;
    3. pressure supply and load with its doubt, and from these the stop mark (the deceleration that the brake watch is sure of
       shortens its notice), and how the last two words before a limit stand;
    4. ratios of what the brakes hold to what hangs there;
    5. the work of the line.

    One result goes back into the estimator: the acceleration that the brakes' readings show, `brakes.known_acceleration_m_s2`
    of the grid point. The core hands it on for the next estimate.
"""

import math
from collections.abc import Mapping
from contextlib import suppress
from typing import Final

from monitor.config.brakes import NoAux
from monitor.config.optional_tables import STOPPING
from monitor.config.rig import Rig
from monitor.core.brakes.health import BrakeHealth
from monitor.core.brakes.model import BrakeModel
from monitor.core.estimator.estimate import Estimate
from monitor.core.estimator.hook_load import dead_line_shares
from monitor.core.hoist.crossing import UNKNOWN_ACTING, CrossingMark, LastMoments
from monitor.core.hoist.line_work import LineWork
from monitor.core.hoist.state import MOVING_M_S
from monitor.core.hoist.stopping import Brakes, Load, StopCalculator, StopMark
from monitor.core.sensors.register import SensorRegister
from monitor.core.signals.grid_point import (
    BrakeState,
    GridPoint,
    LineState,
    LoadState,
    MonitorState,
    MotionState,
    RatioState,
    RigNumbers,
    RoomState,
    StopState,
    SupplyState,
)
from monitor.model.reading import ABSENT, ABSENT_FLAG, DEGRADED, INVALID, UNKNOWN_FLAG, VALID, Flag
from monitor.model.snapshot import HoistState
from monitor.model.stream import Health
from monitor.physics.hydraulics import Accumulator
from monitor.physics.tackle import SLACK_LINE_SHARE, fast_line_n
from monitor.units import ATMOSPHERE_PA
from monitor.units import STANDARD_GRAVITY_M_S2 as _G

_START_NS: Final = 5_000_000_000
_LOAD_FOR_STOP: Final = DEGRADED
"""Validity of the load in a stop mark: where the load is not known the rating stands for it, so a margin is always there."""
_YES: Final[Flag] = (1.0, VALID)
_NO: Final[Flag] = (0.0, VALID)


class Evaluation:
    """The machines of one rig behind its signals; `run` at each grid point."""

    def __init__(self, rig: Rig, sensors: SensorRegister) -> None:
        self.rig = rig
        self.brake = BrakeModel(rig)
        self.brake_health = BrakeHealth(rig, self.brake)
        self.calculator = StopCalculator(rig)
        self.last_moments = LastMoments(rig)
        self._last_stop: StopMark | None = None
        self._last_crossing: CrossingMark | None = None
        """As they stood when news last came in time: in a pause no margin grows, so that what was warned of stays."""
        self.line_work = LineWork(rig.limits.max_speed_m_s)
        self.health = Health()
        """What the runner last told of itself."""
        self._sensors = sensors
        self.numbers = numbers = _numbers(rig)
        self._block_n, self._rated_load_n = numbers.block_n, numbers.rated_load_n
        self._lines = rig.line.lines
        self._breaking_n = rig.line.breaking_strength_n
        self._load_doubt = rig.uncertainty.load
        self._max_speed_m_s = rig.limits.max_speed_m_s
        self._overtravel_m = rig.limits.device_m
        self._min_pressure_pa = rig.hydraulics.min_pressure_pa
        self._stroke_m3 = rig.hydraulics.stroke_volume_m3
        self._counted_pa, self._counted = math.nan, 0
        """For which accumulator pressure applications were counted last, and how many there were."""
        self._has_oil = rig.has("hydraulics")
        self._accumulator = Accumulator(
            rig.hydraulics.accumulator_volume_m3, rig.hydraulics.precharge_pa + ATMOSPHERE_PA
        )
        full_pa = self.brake.full_pressure_pa
        self._full_supply = SupplyState(VALID, full_pa, full_pa, ABSENT_FLAG)
        """Of a rig that reads no accumulator."""
        self._has_hook_load = sensors.fitted("hook_load")
        lines, k = rig.line.lines, rig.line.sheave_factor
        self._fast_share = {way: fast_line_n(1.0, k, lines, way) for way in (1, 0, -1)}
        self._dead_share = dead_line_shares(rig)
        self._knows_brake = rig.has(*STOPPING)
        """Whether the file says enough to weigh the brake against the load."""

    # --- the grid ---------------------------------------------------------------------------------------------------

    def run(
        self,
        t_ns: int,
        estimate: Estimate,
        hoist: HoistState,
        direction: int,
        string_load_n: float,
        dropped: int = 0,
        overtravel_due: bool = False,
        load_lost: Flag = _NO,
        unloaded: bool = False,
        thinned: bool = False,
    ) -> GridPoint:
        """The grid point `t_ns`, for which the register of sensors has been brought up to date. `direction` is the last motion,
        held while still. `load_lost` and `unloaded` are `LoadLoss`'s: with nothing on the line speed and stop of the block are
        not known. `thinned`: grid points are seconds apart (`monitor.core.pace`)."""
        sensors = self._sensors
        readings = sensors.readings
        speed = estimate.speed_m_s

        # 1. What is known.
        height_validity = int(estimate.validity)
        if not math.isfinite(speed):
            speed_validity = INVALID
        else:
            speed_validity = VALID if estimate.speed_bound_m_s < 0.25 else DEGRADED
        if unloaded:
            speed_validity = INVALID  # the drum's motion is not the block's
        stop_validity = INVALID if estimate.slow else max(height_validity, speed_validity, _LOAD_FOR_STOP)
        hook_n, load_validity = self.hook_load(direction)
        if load_validity > DEGRADED:
            hook_n, load_validity = UNKNOWN_FLAG

        # 2. The brake watch.
        brake, watch = self.brake, self.brake_health
        watch.update(t_ns, estimate, hoist, direction, hook_n, load_validity, readings.__getitem__, thinned)

        # 3. The stop mark.
        way = 1 if speed > 0 else -1
        scale, low = watch.friction_scales(way)
        circuits, sure_circuits = watch.circuits()
        supply = self._supply(readings)
        expected = brake.full_torque_n_m(supply.expected_pa, scale, way, circuits)
        assured = brake.full_torque_n_m(supply.assured_pa, low, way, sure_circuits)
        weight = self._load(hook_n)
        motion = estimate.expected or estimate
        brakes, slowing_m_s2 = Brakes(expected, assured), watch.deceleration.confident_m_s2
        held = estimate.expected is not None and self._last_crossing is not None
        mark = StopMark(self.calculator, motion, weight, brakes, slowing_m_s2, self._last_stop if held else None)
        strongest_scale = watch.strongest_scale()
        strongest = brake.full_torque_n_m(supply.expected_pa, strongest_scale, way)
        still = thinned and estimate.slow  # nobody reads it: slow data have no stop mark
        acting = UNKNOWN_ACTING if still else watch.acting(scale, strongest_scale, way)
        last = self._last_crossing if held else None
        crossing = CrossingMark(self.last_moments, motion, weight, expected, strongest, acting, still, last)
        if estimate.expected is None:
            self._last_stop, self._last_crossing = mark, crossing
        springs = brake.emergency_torque_n_m(0.0, scale)
        sure_springs = brake.emergency_torque_n_m(0.0, low) if springs else 0.0
        size, most = abs(speed), self._max_speed_m_s
        if estimate.slow:
            allowed_m_s = excess = math.nan  # of no use there, and worked out for nobody
            over_most = (
                size - most - estimate.speed_bound_m_s
            )  # between two readings it is a guess: only what is certain
        else:
            allowed_m_s = mark.result.allowed_m_s
            excess = size - allowed_m_s if size > MOVING_M_S else -most
            over_most = size - most

        # 4. Ratios.
        if load_validity == INVALID:
            load = LoadState(INVALID, hook_n, string_load_n, math.nan, 0.0, math.nan, math.nan, load_lost)
            ratios = RatioState(INVALID, math.nan, math.nan, math.nan)
        else:
            # What hangs on the line wants down: holding it is a matter of the lowering side, whichever way the block moves.
            holding = expected if way < 0 else brake.full_torque_n_m(supply.expected_pa, scale, -1, circuits)
            demand = max(hook_n, 1.0) * estimate.radius_m / self._lines
            holding_most = brake.full_torque_n_m(supply.expected_pa, strongest_scale, -1, circuits)
            ratios = RatioState(load_validity, holding / demand, holding_most / demand, springs / demand)
            fast_line_n = hook_n * self._fast_share[direction]
            slack = 1.0 if hook_n < SLACK_LINE_SHARE * self._block_n else 0.0
            load = LoadState(
                load_validity, hook_n, string_load_n, hook_n / self._rated_load_n, slack, fast_line_n,
                self._breaking_n / max(fast_line_n, 1.0), load_lost,
            )  # fmt: skip

        limits = self.calculator.limits

        # 5. The work of the line.
        work = self.line_work
        if estimate.slow:
            work.reading(estimate.read_ns, hook_n, estimate.read_m, hoist, self._sensors.load_ns)
        else:
            work.update(t_ns, hook_n, estimate.height_m, hoist)

        return GridPoint(
            t_ns,
            self.rig,
            self.numbers,
            hoist,
            estimate,
            RoomState(
                height_validity, limits.upper_m - motion.height_m, motion.height_m - limits.lower_m,
                # Of a position that may be off as a whole only what is certain.
                self._overtravel_m - estimate.height_m + estimate.may_be_off_m,
            ),
            MotionState(speed_validity, speed, estimate.acceleration_m_s2, estimate.speed_bound_m_s, over_most),
            load,
            supply,
            StopState(
                stop_validity, mark, crossing, min(allowed_m_s, most), excess, self.calculator, weight, springs,
                sure_springs,
            ),
            ratios,
            self._brakes(),
            LineState(VALID, work.total_j, work.since_cut_j),
            self._monitor(t_ns, estimate, dropped, overtravel_due),
            readings,
        )  # fmt: skip

    def hook_load(self, direction: int) -> Flag:
        """Hook load at this grid point from whichever load sensor the rig has, N, and its validity. Dead-line readings are
        corrected by the last direction of motion (tackle friction), which leaves them DEGRADED while the direction is not
        known."""
        readings = self._sensors.readings
        if self._has_hook_load:
            return readings["hook_load"]
        number, validity = readings["dead_line_tension"]
        if validity > DEGRADED:
            return math.nan, validity
        return number / self._dead_share[direction], validity if direction else DEGRADED

    def _load(self, load: float) -> Load:
        """Hook load with the ends of its doubt; the rating and the bare block where it is not known."""
        block, doubt = self._block_n, self._load_doubt
        if not math.isfinite(load):
            return Load(self._rated_load_n, block, self._rated_load_n)
        floor = block * SLACK_LINE_SHARE
        low, high = load * (1 - doubt), load * (1 + doubt)
        return Load(load if load > floor else floor, low if low > floor else floor, high if high > block else block)

    def _supply(self, readings: Mapping[str, Flag]) -> SupplyState:
        """Pressure that is there for an application, and how many applications."""
        pressure, validity = readings["accumulator_pressure"]
        if validity <= DEGRADED:
            there = max(pressure, 0.0)
            return SupplyState(validity, there, there, (float(self._applications_left(pressure)), validity))
        if validity == ABSENT:
            return self._full_supply
        full = self.brake.full_pressure_pa
        if not self._has_oil:  # nothing says what the procedure accepts, as on a rig that reads no accumulator
            return SupplyState(validity, full, full, (math.nan, validity))
        # Without a reading the assured supply is the least that the rig's own procedure accepts.
        return SupplyState(validity, full, self._min_pressure_pa, (math.nan, validity))

    def _applications_left(self, pressure_pa: float) -> int:
        """Full applications in the accumulator at gauge `pressure_pa`, fast discharge after slow charge."""
        if pressure_pa != self._counted_pa:
            least = self._min_pressure_pa
            self._counted_pa, self._counted = pressure_pa, 0
            if pressure_pa > least:
                self._counted = self._accumulator.applications_left(
                    pressure_pa + ATMOSPHERE_PA, least + ATMOSPHERE_PA, self._stroke_m3
                )
        return self._counted

    def _brakes(self) -> BrakeState:
        """What the brake watch says after its update."""
        watch = self.brake_health
        hydraulics = watch.hydraulics
        return BrakeState(
            watch.effectiveness,
            watch.effectiveness_sigma,
            watch.response_time,
            watch.creep.flag,
            watch.fade,
            watch.heat.flag,
            watch.leak_rate,
            watch.descent.share,
            watch.auxiliary.missing,
            hydraulics.circuits.ratio,
            hydraulics.residual.pressure_pa,
            watch.deceleration.known_m_s2 if self._knows_brake else math.nan,
        )

    def _monitor(self, t_ns: int, estimate: Estimate, dropped: int, overtravel_due: bool) -> MonitorState:
        """What the monitor knows of itself."""
        health, sensors = self.health, self._sensors
        if estimate.validity != INVALID:
            height_unknown = _NO
        else:
            height_unknown = UNKNOWN_FLAG if t_ns - sensors.start_ns <= _START_NS else _YES
        return MonitorState(
            VALID,
            health.lag_s,
            float(dropped),
            sensors.silent_share,
            1.0 if estimate.slow else 0.0,
            1.0 if health.recording == "failed" else 0.0,
            1.0 if health.connected is False else 0.0,
            height_unknown,
            overtravel_due,
        )


def _numbers(rig: Rig) -> RigNumbers:
    """What the readings of this rig are compared with."""
    goal_j_m: float | None = None
    with suppress(ValueError):
        goal_j_m = rig.line.goal_j_m()
    return RigNumbers(
        block_n=rig.block.mass_kg * _G,
        rated_load_n=rig.block.rated_load_kg * _G,
        full_pressure_pa=rig.brake.full_pressure_pa,
        release_pressure_pa=rig.brake.release_pressure_pa if rig.brake.kind == "caliper" else 1.0,
        has_emergency=BrakeModel(rig).has_emergency,
        coolant_max_c=None if isinstance(rig.aux, NoAux) else rig.aux.coolant_max_c,
        goal_j_m=goal_j_m,
        demand_lever=rig.braking.demand_lever,
        has_oil=rig.has("hydraulics"),
        knows_tackle=rig.has("line", "drum", "reference"),
    )
