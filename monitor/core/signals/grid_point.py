"""One grid point: all that is known of the rig at one multiple of 50 ms of stream time.

A `GridPoint` is made once by `Evaluation.run` and never written to afterwards. Signals, guided checks and screens read it; as it
does not change, a signal that no rule looks at can be worked out later, when somebody asks for it.

Each part has a `validity` of its own, the worst of what its numbers follow from: a part that is worse than DEGRADED has no
numbers to show. Where the numbers of a part differ in validity, each is a `Flag`: (number, validity).
"""

from collections.abc import Mapping
from typing import Final

from monitor.config.rig import Rig
from monitor.core.estimator.estimate import Estimate
from monitor.core.hoist.crossing import Crossing, CrossingMark
from monitor.core.hoist.stopping import Brakes, Load, StopCalculator, StopMark, StopResult
from monitor.model.reading import Flag
from monitor.model.snapshot import HoistState


class RigNumbers:
    """Numbers of the rig's configuration that readings are compared with, in SI. They stay the same all along."""

    __slots__ = (
        "block_n",
        "coolant_max_c",
        "demand_lever",
        "full_pressure_pa",
        "goal_j_m",
        "has_emergency",
        "has_oil",
        "knows_tackle",
        "rated_load_n",
        "release_pressure_pa",
    )

    def __init__(
        self,
        block_n: float,
        rated_load_n: float,
        full_pressure_pa: float,
        release_pressure_pa: float,
        has_emergency: bool,
        coolant_max_c: float | None,
        goal_j_m: float | None,
        demand_lever: float,
        has_oil: bool,
        knows_tackle: bool,
    ) -> None:
        self.block_n: Final = block_n
        self.rated_load_n: Final = rated_load_n
        self.full_pressure_pa: Final = full_pressure_pa
        self.release_pressure_pa: Final = release_pressure_pa
        """At which the emergency calipers are clear of their discs."""
        self.has_emergency: Final = has_emergency
        """Whether there are spring-applied calipers."""
        self.coolant_max_c: Final = coolant_max_c
        """None where there is no auxiliary brake."""
        self.goal_j_m: Final = goal_j_m
        """Work per metre of line cut; None where neither the site nor the usual goals have one."""
        self.demand_lever: Final = demand_lever
        """Travel of the brake lever from which on it asks for the brake."""
        self.has_oil: Final = has_oil
        """Whether the rig's file says how much oil there is."""
        self.knows_tackle: Final = knows_tackle
        """Whether the rig's file says how the load on the hook turns the drum."""


class RoomState:
    """Room for the block, m. `validity` is that of the height."""

    __slots__ = ("down_m", "overtravel_m", "up_m", "validity")

    def __init__(self, validity: int, up_m: float, down_m: float, overtravel_m: float) -> None:
        self.validity: Final = validity
        self.up_m: Final = up_m
        self.down_m: Final = down_m
        self.overtravel_m: Final = overtravel_m
        """Up to the height of the overtravel device."""


class MotionState:
    """Speed and what follows from it alone. `validity` is that of the speed."""

    __slots__ = ("acceleration_m_s2", "bound_m_s", "over_max_m_s", "speed_m_s", "validity")

    def __init__(
        self, validity: int, speed_m_s: float, acceleration_m_s2: float, bound_m_s: float, over_max_m_s: float
    ) -> None:
        self.validity: Final = validity
        self.speed_m_s: Final = speed_m_s
        self.acceleration_m_s2: Final = acceleration_m_s2
        self.bound_m_s: Final = bound_m_s
        self.over_max_m_s: Final = over_max_m_s
        """|speed| above the site's maximum; negative below it."""


class LoadState:
    """Hook load and what follows from it alone, N and ratios. `validity` is that of the hook load."""

    __slots__ = ("design_factor", "fast_line_n", "hook_n", "lost", "over_rating", "slack", "string_n", "validity")

    def __init__(
        self,
        validity: int,
        hook_n: float,
        string_n: float,
        over_rating: float,
        slack: float,
        fast_line_n: float,
        design_factor: float,
        lost: Flag,
    ) -> None:
        self.validity: Final = validity
        self.hook_n: Final = hook_n
        self.string_n: Final = string_n
        self.over_rating: Final = over_rating
        self.slack: Final = slack
        """1 where something else carries the block."""
        self.fast_line_n: Final = fast_line_n
        self.design_factor: Final = design_factor
        self.lost: Final = lost
        """1 where nothing hangs on the line and people may stand below: slack was paid out, or the line parted. Not known where
        the height was not."""


class SupplyState:
    """Pressure that is there for an application of the service brake, Pa."""

    __slots__ = ("applications_left", "assured_pa", "expected_pa", "validity")

    def __init__(self, validity: int, expected_pa: float, assured_pa: float, applications_left: Flag) -> None:
        self.validity: Final = validity
        self.expected_pa: Final = expected_pa
        self.assured_pa: Final = assured_pa
        self.applications_left: Final = applications_left
        """Full applications that are left in the accumulator."""


class StopState:
    """The stop mark. Margins need height and speed, and readings often enough to act on: with slow data no warning could come
    in time, and bounds metres wide would warn all day; the notice says so. `validity` is the worst of these."""

    __slots__ = (
        "_crossing",
        "allowed_m_s",
        "calculator",
        "load",
        "mark",
        "speed_excess_m_s",
        "springs_assured_n_m",
        "springs_n_m",
        "validity",
    )

    def __init__(
        self,
        validity: int,
        mark: StopMark,
        crossing: CrossingMark,
        allowed_m_s: float,
        speed_excess_m_s: float,
        calculator: StopCalculator,
        load: Load,
        springs_n_m: float,
        springs_assured_n_m: float,
    ) -> None:
        self.validity: Final = validity
        self.mark: Final = mark
        self._crossing: Final = crossing
        self.allowed_m_s: Final = allowed_m_s
        """Allowed speed here, in the direction of motion, never above the site's maximum; NaN while data are slow."""
        self.speed_excess_m_s: Final = speed_excess_m_s
        """|speed| above the allowed speed; negative below it; NaN while data are slow."""
        self.calculator: Final = calculator
        self.load: Final = load
        """That the stop mark reckons with."""
        self.springs_n_m: Final = springs_n_m
        """Torque of the spring-applied calipers alone, expected and assured."""
        self.springs_assured_n_m: Final = springs_assured_n_m

    @property
    def result(self) -> StopResult:
        """Marks, margins and reaches."""
        return self.mark.result

    @property
    def crossing(self) -> Crossing:
        """How the last two words before a limit stand."""
        return self._crossing.result

    def emergency_reach_m(self, estimate: Estimate) -> float:
        """Assured reach of the spring-applied calipers alone, m; infinite where they do not stop this load. Worked out only when
        somebody asks for it."""
        alone = Brakes(self.springs_n_m, self.springs_assured_n_m)
        return self.calculator.reaches(estimate, self.load, alone)[1]


class RatioState:
    """What the brakes can hold over what hangs on the line. `validity` is that of the hook load."""

    __slots__ = ("emergency", "holding", "holding_most", "validity")

    def __init__(self, validity: int, holding: float, holding_most: float, emergency: float) -> None:
        self.validity: Final = validity
        self.holding: Final = holding
        self.holding_most: Final = holding_most
        """With the strongest friction that the evidence allows: below 1 the service brake does not hold, whatever the doubt."""
        self.emergency: Final = emergency


class BrakeState:
    """What the brake watch has found, each with a validity of its own; (NaN, INVALID) until it has evidence."""

    __slots__ = (
        "aux_missing",
        "aux_share",
        "circuit_ratio",
        "creep",
        "disc_modelled",
        "effectiveness",
        "effectiveness_sigma",
        "fade",
        "known_acceleration_m_s2",
        "leak_rate",
        "residual_pressure_pa",
        "response_time",
    )

    def __init__(
        self,
        effectiveness: Flag,
        effectiveness_sigma: Flag,
        response_time: Flag,
        creep: Flag,
        fade: Flag,
        disc_modelled: Flag,
        leak_rate: Flag,
        aux_share: Flag,
        aux_missing: Flag,
        circuit_ratio: float,
        residual_pressure_pa: float,
        known_acceleration_m_s2: float,
    ) -> None:
        self.effectiveness: Final = effectiveness
        self.effectiveness_sigma: Final = effectiveness_sigma
        """Standard deviation of it."""
        self.response_time: Final = response_time
        self.creep: Final = creep
        self.fade: Final = fade
        self.disc_modelled: Final = disc_modelled
        self.leak_rate: Final = leak_rate
        self.aux_share: Final = aux_share
        self.aux_missing: Final = aux_missing
        self.circuit_ratio: Final = circuit_ratio
        """Lower over higher circuit; known as far as both pressures are."""
        self.residual_pressure_pa: Final = residual_pressure_pa
        """Of one circuit with the lever off; known as far as lever and pressures are."""
        self.known_acceleration_m_s2: Final = known_acceleration_m_s2
        """Acceleration that the braking torque in the readings makes at the least, upwards positive; NaN where not known."""


class LineState:
    """Work of the drilling line, J."""

    __slots__ = ("since_cut_j", "total_j", "validity")

    def __init__(self, validity: int, total_j: float, since_cut_j: float) -> None:
        self.validity: Final = validity
        self.total_j: Final = total_j
        self.since_cut_j: Final = since_cut_j


class MonitorState:
    """What the monitor knows of itself. Switches are 0 or 1."""

    __slots__ = (
        "disconnected",
        "dropped",
        "height_unknown",
        "lag_s",
        "overtravel_due",
        "recorder_failed",
        "silent_share",
        "slow_data",
        "validity",
    )

    def __init__(
        self,
        validity: int,
        lag_s: float,
        dropped: float,
        silent_share: float,
        slow_data: float,
        recorder_failed: float,
        disconnected: float,
        height_unknown: Flag,
        overtravel_due: bool,
    ) -> None:
        self.validity: Final = validity
        self.lag_s: Final = lag_s
        self.dropped: Final = dropped
        """Readings lost within the last minute."""
        self.silent_share: Final = silent_share
        self.slow_data: Final = slow_data
        """1 where readings come too seldom to warn in time."""
        self.recorder_failed: Final = recorder_failed
        self.disconnected: Final = disconnected
        self.height_unknown: Final = height_unknown
        """1 where the height is not known although there was time to find it. In the first seconds of a stream there was not:
        nobody can say then, so that a restart neither raises an alarm of it nor ends the one that stood."""
        self.overtravel_due: Final = overtravel_due
        """Whether the overtravel device waits for its test."""


class GridPoint:
    """All that is known of the rig at `t_ns`."""

    __slots__ = (
        "brakes",
        "estimate",
        "hoist",
        "line",
        "load",
        "monitor",
        "motion",
        "numbers",
        "ratios",
        "readings",
        "rig",
        "room",
        "stop",
        "supply",
        "t_ns",
    )

    def __init__(
        self,
        t_ns: int,
        rig: Rig,
        numbers: RigNumbers,
        hoist: HoistState,
        estimate: Estimate,
        room: RoomState,
        motion: MotionState,
        load: LoadState,
        supply: SupplyState,
        stop: StopState,
        ratios: RatioState,
        brakes: BrakeState,
        line: LineState,
        monitor: MonitorState,
        readings: Mapping[str, Flag],
    ) -> None:
        self.t_ns: Final = t_ns
        self.rig: Final = rig
        self.numbers: Final = numbers
        self.hoist: Final = hoist
        self.estimate: Final = estimate
        """Of the block's motion. Its `validity` is that of the height."""
        self.room: Final = room
        self.motion: Final = motion
        self.load: Final = load
        self.supply: Final = supply
        self.stop: Final = stop
        self.ratios: Final = ratios
        self.brakes: Final = brakes
        self.line: Final = line
        self.monitor: Final = monitor
        self.readings: Final = readings
        """Last reading of every quantity, in SI; NOT_FITTED where the rig has no sensor of it."""

    def reading(self, quantity: str) -> Flag:
        """Last reading of `quantity` and its validity."""
        return self.readings[quantity]

    def with_overtravel_due(self, due: bool) -> "GridPoint":
        """The same grid point, with another answer to whether the overtravel device waits for its test."""
        known = self.monitor
        monitor = MonitorState(
            known.validity,
            known.lag_s,
            known.dropped,
            known.silent_share,
            known.slow_data,
            known.recorder_failed,
            known.disconnected,
            known.height_unknown,
            due,
        )
        return GridPoint(
            self.t_ns,
            self.rig,
            self.numbers,
            self.hoist,
            self.estimate,
            self.room,
            self.motion,
            self.load,
            self.supply,
            self.stop,
            self.ratios,
            self.brakes,
            self.line,
            monitor,
            self.readings,
        )
