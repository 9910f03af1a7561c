"""The stop mark: where the block comes to rest if braking is called for now, and how fast it may go here.

Two answers. *Expected* uses best estimates of load, layer, speed, friction and lag. *Assured* takes every uncertainty at its
unfavourable end: height and speed at the edge of their bound (of the height `Estimate.stop_bound_m`), the heavier load when
lowering and the lighter when hoisting, weaker friction, the longer lag, the sheave factor that helps least, and whichever end
of the inertia stops later. Rules use assured, so that they speak while stopping is still possible; screens show both, so that
the crew sees how sure we are.

The machine's uncertainties (load, friction, lag, inertia, tackle) are taken at their unfavourable ends all at once. What they
add to the reach, the doubt about the height and the doubt about the speed are independent of one another, so these three
combine as the root of their squares: that all stand at their worst together is rarer than the one in a thousand that the
assurance allows for. `tests/benchmarks/stop_figures.py` counts it.

The distances are the closed forms of `monitor.physics.motion`.
"""

import math
from typing import Final

from monitor.config.rig import Rig
from monitor.core.estimator.estimator import Estimate
from monitor.core.estimator.position_filter import STILL_M_S
from monitor.model.snapshot import Limits, StopMarks
from monitor.physics.motion import Hoist, Phases, Reach, hoisting_phases, lowering_phases
from monitor.units import STANDARD_GRAVITY_M_S2 as _G

_SURE_Z = 2.0
"""Sigmas by which a block must be slowing down for that to count."""
NEVER_S = 999.0
"""Driving time shown when nothing is being approached."""


class Brakes:
    """What the brake can do now. Torques in N m at the drum for a full service application."""

    __slots__ = ("assured_n_m", "expected_n_m")

    def __init__(self, expected_n_m: float, assured_n_m: float) -> None:
        self.expected_n_m: Final = expected_n_m
        self.assured_n_m: Final = assured_n_m


class Load:
    """Hook load (block included), N: best value and the ends of its uncertainty."""

    __slots__ = ("expected_n", "high_n", "low_n")

    def __init__(self, expected_n: float, low_n: float, high_n: float) -> None:
        self.expected_n: Final = expected_n
        self.low_n: Final = low_n
        self.high_n: Final = high_n


class StopResult:
    """All that follows from one look at the motion. Distances in m, magnitudes; NaN where the height is not known."""

    __slots__ = (
        "allowed_m_s",
        "brake_time_down_s",
        "brake_time_up_s",
        "direction",
        "down_mark_m",
        "expected_mark_m",
        "late_margin_down_m",
        "late_margin_up_m",
        "margin_down_m",
        "margin_up_m",
        "reach_assured_m",
        "reach_expected_m",
        "room_down_m",
        "room_up_m",
        "stops",
        "up_mark_m",
    )

    def __init__(
        self,
        direction: int,
        room_up_m: float,
        room_down_m: float,
        reach_expected_m: float,
        reach_assured_m: float,
        margin_up_m: float,
        margin_down_m: float,
        brake_time_up_s: float,
        brake_time_down_s: float,
        late_margin_up_m: float,
        late_margin_down_m: float,
        allowed_m_s: float,
        expected_mark_m: float,
        up_mark_m: float,
        down_mark_m: float,
        stops: bool,
    ) -> None:
        self.direction: Final = direction
        self.room_up_m: Final = room_up_m
        self.room_down_m: Final = room_down_m
        self.reach_expected_m: Final = reach_expected_m
        self.reach_assured_m: Final = reach_assured_m
        self.margin_up_m: Final = margin_up_m
        self.margin_down_m: Final = margin_down_m
        self.brake_time_up_s: Final = brake_time_up_s
        self.brake_time_down_s: Final = brake_time_down_s
        self.late_margin_up_m: Final = late_margin_up_m
        """Room less the expected reach of a full brake called with no reaction time at all, worked out afresh."""
        self.late_margin_down_m: Final = late_margin_down_m
        self.allowed_m_s: Final = allowed_m_s
        self.expected_mark_m: Final = expected_mark_m
        self.up_mark_m: Final = up_mark_m
        self.down_mark_m: Final = down_mark_m
        self.stops: Final = stops

    def not_above(self, last: "StopResult") -> "StopResult":
        """These marks with margins no greater than the `last` ones; a margin that is not known stays so."""
        return StopResult(
            self.direction,
            self.room_up_m,
            self.room_down_m,
            self.reach_expected_m,
            self.reach_assured_m,
            _no_more(self.margin_up_m, last.margin_up_m),
            _no_more(self.margin_down_m, last.margin_down_m),
            self.brake_time_up_s,
            self.brake_time_down_s,
            _no_more(self.late_margin_up_m, last.late_margin_up_m),
            _no_more(self.late_margin_down_m, last.late_margin_down_m),
            self.allowed_m_s,
            self.expected_mark_m,
            self.up_mark_m,
            self.down_mark_m,
            self.stops,
        )

    @property
    def marks(self) -> StopMarks:
        """Where the block comes to rest, for a screen."""
        return StopMarks(self.expected_mark_m, self.up_mark_m, self.down_mark_m, self.stops)


class StopMark:
    """The stop mark of one grid point, worked out when it is first asked for: while data are slow hardly anybody does."""

    __slots__ = ("_brakes", "_calculator", "_estimate", "_last", "_load", "_result", "_slowing_m_s2")

    def __init__(
        self,
        calculator: "StopCalculator",
        estimate: Estimate,
        load: Load,
        brakes: Brakes,
        slowing_m_s2: float,
        last: "StopMark | None" = None,
    ) -> None:
        """As `StopCalculator.solve`; with `last`, no margin is above that one's."""
        self._calculator, self._last = calculator, last
        self._estimate, self._load, self._brakes, self._slowing_m_s2 = estimate, load, brakes, slowing_m_s2
        self._result: StopResult | None = None

    @property
    def result(self) -> StopResult:
        """Marks, margins and allowed speed."""
        result = self._result
        if result is None:
            result = self._calculator.solve(self._estimate, self._load, self._brakes, self._slowing_m_s2)
            if self._last is not None:
                result = result.not_above(self._last.result)
            self._result = result
        return result


class StopCalculator:
    """Works out stop marks for one rig."""

    def __init__(self, rig: Rig) -> None:
        self._lines = rig.line.lines
        self._inertia = rig.drum.inertia_kg_m2
        self._reaction = rig.limits.reaction_s
        self._notice = rig.limits.notice_s
        self._k = rig.line.sheave_factor
        doubt = rig.uncertainty
        self._k_low = max(1.0, self._k - doubt.sheave)
        self._inertias = (self._inertia * (1 - doubt.inertia), self._inertia * (1 + doubt.inertia))
        slow = 1 + doubt.lag
        self._lag, self._ramp = rig.braking.lag_s, rig.braking.ramp_s
        self._slow_lag, self._slow_ramp = self._lag * slow, self._ramp * slow
        self._radius_m = math.nan
        self._hoists: tuple[Hoist, ...] = ()
        """What turns, on the layer of that radius."""
        self.limits = Limits(rig.mast.floor_m, rig.limits.lower_m, rig.limits.upper_m, rig.mast.crown_m)

    def solve(self, estimate: Estimate, load: Load, brakes: Brakes, slowing_m_s2: float = 0.0) -> StopResult:
        """Stop marks, margins and allowed speed for the present motion. About 10 us. `slowing_m_s2` is by how much the block
        surely slows down as its brakes show it (`monitor.core.brakes.deceleration`), which counts for the notice only.

        With no valid height the reaches are still given (they need speed only) and everything about room is NaN.
        """
        limits = self.limits
        height, bound = estimate.height_m, estimate.stop_bound_m
        speed = estimate.speed_m_s
        size = abs(speed)
        room_up = limits.upper_m - height
        room_down = height - limits.lower_m
        if not STILL_M_S <= size < math.inf:
            return self._still(height, bound, room_up, room_down)
        up = speed > 0.0
        phases, worst = self._phases(up, estimate.radius_m, load, brakes)
        expected = phases.reach(size, self._reaction, self._lag)
        assured = self._worst(expected, worst, size, self._reaction)
        extra = _extra(expected, assured, estimate)
        reach = assured.distance_m + extra
        room = room_up if up else room_down
        slowing = -estimate.acceleration_m_s2 if up else estimate.acceleration_m_s2
        sure = max(slowing - _SURE_Z * estimate.acceleration_sigma_m_s2, slowing_m_s2)
        notice = self._notice
        if sure > 0.0:
            # The notice is for news that a driver does not expect. He who slows the block down is at it: what that saves
            # comes off the notice, and only that may be lost where the slowing down ends (derived here).
            slowed = self._way_as_it_slows(size, sure, phases, worst, estimate)
            notice = min(notice, max(0.0, slowed - reach) / size)
        margin = room - reach - notice * size
        wait = self._reaction + notice
        light, heavy = worst
        allowed = min(
            light.allowed_m_s(room - extra, wait, self._slow_lag), heavy.allowed_m_s(room - extra, wait, self._slow_lag)
        )
        late = phases.reach(size, 0.0, self._lag).distance_m
        # Only as much change of speed as the estimate is sure of: noise must neither warn nor put off.
        sure = math.copysign(max(0.0, abs(slowing) - estimate.acceleration_sigma_m_s2), -slowing)
        time_left = _time_to(margin, size, sure, assured, notice)
        return StopResult(
            1 if up else -1,
            room_up,
            room_down,
            expected.distance_m,
            reach,
            margin if up else room_up,
            room_down if up else margin,
            time_left if up else NEVER_S,
            NEVER_S if up else time_left,
            room - late if up else room_up,
            room_down if up else room - late,
            allowed,
            height + expected.distance_m if up else height - expected.distance_m,
            height + reach if up else height + bound,
            height - bound if up else height - reach,
            assured.stops,
        )

    def reaches(self, estimate: Estimate, load: Load, brakes: Brakes) -> tuple[float, float]:
        """(expected, assured) reach, m, of a stop with `brakes` alone, such as the spring-applied calipers; infinite
        where they do not stop this load, 0 for a block at rest."""
        speed = estimate.speed_m_s
        size = abs(speed)
        if not STILL_M_S <= size < math.inf:
            return 0.0, 0.0
        phases, worst = self._phases(speed > 0.0, estimate.radius_m, load, brakes)
        expected = phases.reach(size, self._reaction, self._lag)
        assured = self._worst(expected, worst, size, self._reaction)
        return expected.distance_m, assured.distance_m + _extra(expected, assured, estimate)

    def _way_as_it_slows(
        self, speed: float, sure: float, expected: Phases, worst: tuple[Phases, Phases], estimate: Estimate
    ) -> float:
        """Assured way, m, of a block that goes on slowing down by `sure` (m/s2) through reaction and notice and is braked
        fully then (derived here)."""
        wait = self._reaction + self._notice
        then = speed - sure * wait
        if then <= 0.0:
            return 0.5 * speed * speed / sure + estimate.stop_bound_m
        usual = expected.reach(then, 0.0, self._lag)
        assured = self._worst(usual, worst, then, 0.0)
        if not assured.stops:
            return math.inf
        doubt = _doubt(assured.distance_m - usual.distance_m, wait + assured.time_s, estimate)
        return speed * wait - 0.5 * sure * wait * wait + usual.distance_m + doubt

    def _phases(self, up: bool, radius_m: float, load: Load, brakes: Brakes) -> tuple[Phases, tuple[Phases, Phases]]:
        """Phases of the expected stop, and of the assured one at either end of the inertia."""
        if radius_m != self._radius_m:
            self._radius_m, self._hoists = radius_m, self._on_layer(radius_m)
        middle, light, heavy = self._hoists
        of, worst_n = (hoisting_phases, load.low_n) if up else (lowering_phases, load.high_n)
        mass, worst = max(load.expected_n / _G, 1.0), max(worst_n / _G, 1.0)
        torque, ramp = brakes.assured_n_m, self._slow_ramp
        return of(middle, mass, brakes.expected_n_m, self._ramp), (
            of(light, worst, torque, ramp),
            of(heavy, worst, torque, ramp),
        )

    def _on_layer(self, radius_m: float) -> tuple[Hoist, ...]:
        """What turns on one layer: as configured, and with either end of the inertia and the least helpful sheaves. The
        load is told to `Phases` apart, because it is another one each time."""
        lines = self._lines
        return (
            Hoist(1.0, self._inertia, lines, radius_m, self._k),
            *(Hoist(1.0, inertia, lines, radius_m, self._k_low) for inertia in self._inertias),
        )

    def _worst(self, expected: Reach, ends: tuple[Phases, Phases], speed: float, reaction_s: float) -> Reach:
        """The furthest of the reaches, which is the one to rely on."""
        light = ends[0].reach(speed, reaction_s, self._slow_lag)
        heavy = ends[1].reach(speed, reaction_s, self._slow_lag)
        worst = light if light.distance_m >= expected.distance_m else expected
        return heavy if heavy.distance_m >= worst.distance_m else worst

    @staticmethod
    def _still(height: float, bound: float, room_up: float, room_down: float) -> StopResult:
        return StopResult(
            0,
            room_up,
            room_down,
            0.0,
            0.0,
            room_up,
            room_down,
            NEVER_S,
            NEVER_S,
            room_up,
            room_down,
            math.inf,
            height,
            height + bound,
            height - bound,
            True,
        )


def _no_more(number: float, last: float) -> float:
    return last if last < number else number


def _extra(expected: Reach, assured: Reach, estimate: Estimate) -> float:
    """What the doubts about height and speed add to the assured reach, m."""
    if not assured.stops:
        return _bound(estimate)
    machine_m = assured.distance_m - expected.distance_m
    return _doubt(machine_m, assured.time_s, estimate) - machine_m


def _doubt(machine_m: float, stop_s: float, estimate: Estimate) -> float:
    """Doubt about a stop that takes `stop_s`, m, with `machine_m` of it the machine's: squares, as the three are independent."""
    # One metre per second more means as many metres more as the stop takes seconds (derived here).
    return math.hypot(machine_m, _bound(estimate), stop_s * estimate.speed_bound_m_s)


def _bound(estimate: Estimate) -> float:
    return estimate.stop_bound_m if math.isfinite(estimate.stop_bound_m) else 0.0  # no height: the reach alone


def _time_to(margin_m: float, speed_m_s: float, acceleration_m_s2: float, reach: Reach, notice_s: float) -> float:
    """Seconds of driving until the margin is used up, the block keeping its present acceleration; `NEVER_S` if it slows
    in time.

    The margin shrinks by the distance travelled and by the growth of the reach with speed: m(t) = m0 - (v + k a) t - a t^2 / 2.
    The reach is convex in speed and zero at rest. For a block that gains speed, k is its slope, which is the time the stop
    takes; for one that slows, k is reach over speed, which never makes too little of the reach to come. Derived here.
    """
    if margin_m <= 0.0 or not reach.stops:
        return 0.0
    if not math.isfinite(margin_m):
        return NEVER_S
    slope = notice_s + (reach.time_s if acceleration_m_s2 > 0 else reach.distance_m / max(speed_m_s, 0.05))
    rate = speed_m_s + slope * acceleration_m_s2
    half = 0.5 * acceleration_m_s2
    if abs(half) < 1e-3:
        return min(NEVER_S, margin_m / rate) if rate > 0 else NEVER_S
    discriminant = rate * rate + 4 * half * margin_m
    if discriminant < 0.0:
        return NEVER_S
    root = (-rate + math.sqrt(discriminant)) / (2 * half)
    return min(NEVER_S, root) if root > 0 else NEVER_S
