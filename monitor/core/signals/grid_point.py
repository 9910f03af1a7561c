"""One grid point: all that is known of the rig at one multiple of 50 ms of stream time.

A `GridPoint` is made once by `Evaluation.run` and never written to afterwards. Signals, guided checks and screens read it; as it
does not change, a signal that no rule looks at can be worked out later, when somebody asks for it.

Each part has a `validity` of its own, the worst of what its numbers follow from: a part that is worse than DEGRADED has no
numbers to show. Where the numbers of a part differ in validity, each is a `Flag`: (number, validity).
"""

from collections.abc import Mapping
from typing import NamedTuple

from monitor.config.rig import Rig
from monitor.core.estimator.estimate import Estimate
from monitor.core.hoist.crossing import Crossing
from monitor.core.hoist.stopping import Brakes, Load, StopCalculator, StopMark, StopResult
from monitor.model.reading import Flag
from monitor.model.snapshot import HoistState


class RigNumbers(NamedTuple):
    """Numbers of the rig's configuration that readings are compared with, in SI. They stay the same all along."""

    block_n: float
    rated_load_n: float
    full_pressure_pa: float
    release_pressure_pa: float
    """At which the emergency calipers are clear of their discs."""
    has_emergency: bool
    """Whether there are spring-applied calipers."""
    coolant_max_c: float | None
    """None where there is no auxiliary brake."""
    goal_j_m: float | None
    """Work per metre of line cut; None where neither the site nor the usual goals have one."""


class RoomState(NamedTuple):
    """Room for the block, m. `validity` is that of the height."""

    validity: int
    up_m: float
    down_m: float
    overtravel_m: float
    """Up to the height of the overtravel device."""


class MotionState(NamedTuple):
    """Speed and what follows from it alone. `validity` is that of the speed."""

    validity: int
    speed_m_s: float
    acceleration_m_s2: float
    bound_m_s: float
    over_max_m_s: float
    """|speed| above the site's maximum; negative below it."""


class LoadState(NamedTuple):
    """Hook load and what follows from it alone, N and ratios. `validity` is that of the hook load."""

    validity: int
    hook_n: float
    string_n: float
    over_rating: float
    slack: float
    """1 where something else carries the block."""
    fast_line_n: float
    design_factor: float
    lost: Flag
    """1 where nothing hangs on the line and people may stand below: slack was paid out, or the line parted. Not known where the
    height was not."""


class SupplyState(NamedTuple):
    """Pressure that is there for an application of the service brake, Pa."""

    validity: int
    expected_pa: float
    assured_pa: float
    applications_left: Flag
    """Full applications that are left in the accumulator."""


class StopState(NamedTuple):
    """The stop mark. Margins need height and speed, and readings often enough to act on: with slow data no warning could come
    in time, and bounds metres wide would warn all day; the notice says so. `validity` is the worst of these."""

    validity: int
    mark: StopMark
    crossing: Crossing
    allowed_m_s: float
    """Allowed speed here, in the direction of motion, never above the site's maximum; NaN while data are slow."""
    speed_excess_m_s: float
    """|speed| above the allowed speed; negative below it; NaN while data are slow."""
    calculator: StopCalculator
    load: Load
    """That the stop mark reckons with."""
    springs_n_m: float
    """Torque of the spring-applied calipers alone, expected and assured."""
    springs_assured_n_m: float

    @property
    def result(self) -> StopResult:
        """Marks, margins and reaches."""
        return self.mark.result

    def emergency_reach_m(self, estimate: Estimate) -> float:
        """Assured reach of the spring-applied calipers alone, m; infinite where they do not stop this load. Worked out only when
        somebody asks for it."""
        alone = Brakes(self.springs_n_m, self.springs_assured_n_m)
        return self.calculator.reaches(estimate, self.load, alone)[1]


class RatioState(NamedTuple):
    """What the brakes can hold over what hangs on the line. `validity` is that of the hook load."""

    validity: int
    holding: float
    holding_most: float
    """With the strongest friction that the evidence allows: below 1 the service brake does not hold, whatever the doubt."""
    emergency: float


class BrakeState(NamedTuple):
    """What the brake watch has found, each with a validity of its own; (NaN, INVALID) until it has evidence."""

    effectiveness: Flag
    effectiveness_sigma: Flag
    """Standard deviation of it."""
    response_time: Flag
    creep: Flag
    fade: Flag
    disc_modelled: Flag
    leak_rate: Flag
    aux_share: Flag
    aux_missing: Flag
    circuit_ratio: float
    """Lower over higher circuit; known as far as both pressures are."""
    residual_pressure_pa: float
    """Of one circuit with the lever off; known as far as lever and pressures are."""
    known_acceleration_m_s2: float
    """Acceleration that the braking torque in the readings makes at the least, upwards positive; NaN where it is not known."""


class LineState(NamedTuple):
    """Work of the drilling line, J."""

    validity: int
    total_j: float
    since_cut_j: float


class MonitorState(NamedTuple):
    """What the monitor knows of itself. Switches are 0 or 1."""

    validity: int
    lag_s: float
    dropped: float
    """Readings lost within the last minute."""
    silent_share: float
    slow_data: float
    """1 where readings come too seldom to warn in time."""
    recorder_failed: float
    disconnected: float
    height_unknown: Flag
    """1 where the height is not known although there was time to find it. In the first seconds of a stream there was not: nobody
    can say then, so that a restart neither raises an alarm of it nor ends the one that stood."""
    overtravel_due: bool
    """Whether the overtravel device waits for its test."""


class GridPoint(NamedTuple):
    """All that is known of the rig at `t_ns`."""

    t_ns: int
    rig: Rig
    numbers: RigNumbers
    hoist: HoistState
    estimate: Estimate
    """Of the block's motion. Its `validity` is that of the height."""
    room: RoomState
    motion: MotionState
    load: LoadState
    supply: SupplyState
    stop: StopState
    ratios: RatioState
    brakes: BrakeState
    line: LineState
    monitor: MonitorState
    readings: Mapping[str, Flag]
    """Last reading of every quantity, in SI; NOT_FITTED where the rig has no sensor of it."""

    def reading(self, quantity: str) -> Flag:
        """Last reading of `quantity` and its validity."""
        return self.readings[quantity]

    def with_overtravel_due(self, due: bool) -> "GridPoint":
        """The same grid point, with another answer to whether the overtravel device waits for its test."""
        return self._replace(monitor=self.monitor._replace(overtravel_due=due))
