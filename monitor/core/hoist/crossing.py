"""The last two words before a limit: "brake fully now", and "will cross".

Theory of operation. The chain of words is computed backwards from the limit. Its first two, ease and brake now, rest on the
assured stop (`monitor.core.hoist.stopping`): they speak early and may be too careful. The last two say what is so:

* *Brake fully now* is the last moment at which a full application still stops short by the *expected* stop, the hand's
  reaction included. Nothing in it is doubled for safety's sake.
* *Will cross* is true where even the *favourable* stop crosses: a hand that pulls at this very moment, the strongest credible
  brake, the shortest lag and ramp, the load, inertia and sheaves that help most, whatever slows the block now going on to do
  so, height and speed at the kind edge of their bounds. As in the assured stop, what the machine, the height and the speed
  take off the way are independent, and combine as the root of their squares. It comes before the limit is passed: at the
  latest where the expected stop passes it within the time that the word takes.

Both begin from what acts now. A brake that bites has its lag behind it and the ramp as far as its pressure stands; what the lever
asks for beyond that is on its way, as long as it may still come; a block that is seen to slow down goes on slowing down while the
hand reacts. So a brake that bites more makes neither word louder.

With no doubts, and the brake off, the four words are one curve, shifted by reaction, notice and ease (`tests/core/hoist`), but
for this: lowering, the first two do not rely on the auxiliary brake, and the last two take what it holds now as held.
"""

import math
from typing import Final

from monitor.config.rig import Rig
from monitor.core.estimator.estimate import Estimate
from monitor.core.estimator.position_filter import STILL_M_S
from monitor.core.hoist.stopping import Load
from monitor.model.acting import ActingBrakes
from monitor.physics.motion import Hoist, Phases, Reach, hoisting_phases, lowering_phases
from monitor.units import STANDARD_GRAVITY_M_S2 as GRAVITY

NEWS_S: Final = 0.2
"""A word takes this long from the motion to the crew: two grid points, and the delay of "brake fully now"."""
LAST_NEWS_S: Final = 0.25
"""The same of "will cross", whose rule has one grid point more: no crossing without "brake fully now" before it."""
BLIND_NEWS_S: Final = 0.15
"""The same where nothing tells what the friction brake does: it may bite already, so that the word waits for the last moment."""
_SURE_Z: Final = 2.0
"""Sigmas of the acceleration to its favourable end."""


UNKNOWN_ACTING: Final = ActingBrakes()


class Crossing:
    """How the last two words stand. Distances in m, speeds in m/s; NaN where the height is not known."""

    __slots__ = (
        "cross_margin_down_m",
        "cross_margin_up_m",
        "fully_margin_down_m",
        "fully_margin_up_m",
        "overrun_least_m",
        "overrun_most_m",
        "speed_least_m_s",
        "speed_most_m_s",
    )

    def __init__(
        self,
        fully_margin_up_m: float,
        fully_margin_down_m: float,
        cross_margin_up_m: float,
        cross_margin_down_m: float,
        overrun_least_m: float,
        overrun_most_m: float,
        speed_least_m_s: float,
        speed_most_m_s: float,
    ) -> None:
        self.fully_margin_up_m: Final = fully_margin_up_m
        self.fully_margin_down_m: Final = fully_margin_down_m
        """Room less the expected way of a full application called after the hand's reaction."""
        self.cross_margin_up_m: Final = cross_margin_up_m
        self.cross_margin_down_m: Final = cross_margin_down_m
        """Room less the favourable way; below zero the block will cross."""
        self.overrun_least_m: Final = overrun_least_m
        self.overrun_most_m: Final = overrun_most_m
        """How far beyond the limit it comes to rest, by the favourable and by the expected stop; infinite where it does not."""
        self.speed_least_m_s: Final = speed_least_m_s
        self.speed_most_m_s: Final = speed_most_m_s
        """How fast it is at the limit, by the same two."""

    def not_above(self, last: "Crossing") -> "Crossing":
        """The same with margins no greater than the `last` ones."""
        return Crossing(
            min(self.fully_margin_up_m, last.fully_margin_up_m),
            min(self.fully_margin_down_m, last.fully_margin_down_m),
            min(self.cross_margin_up_m, last.cross_margin_up_m),
            min(self.cross_margin_down_m, last.cross_margin_down_m),
            self.overrun_least_m,
            self.overrun_most_m,
            self.speed_least_m_s,
            self.speed_most_m_s,
        )


class CrossingMark:
    """How they stand at one grid point, worked out when it is first asked for: a replay without rules never does."""

    __slots__ = (
        "_acting",
        "_estimate",
        "_expected_n_m",
        "_last",
        "_load",
        "_moments",
        "_result",
        "_still",
        "_strongest_n_m",
    )

    def __init__(
        self,
        moments: "LastMoments",
        estimate: Estimate,
        load: Load,
        expected_n_m: float,
        strongest_n_m: float,
        acting: ActingBrakes,
        still: bool = False,
        last: "CrossingMark | None" = None,
    ) -> None:
        """As `LastMoments.solve`; `still`: as for a block at rest; with `last`, no margin is above that one's."""
        self._moments, self._still, self._last = moments, still, last
        self._estimate, self._load, self._acting = estimate, load, acting
        self._expected_n_m, self._strongest_n_m = expected_n_m, strongest_n_m
        self._result: Crossing | None = None

    @property
    def result(self) -> Crossing:
        """Margins, and what is beyond the limit."""
        result = self._result
        if result is None:
            moments, estimate = self._moments, self._estimate
            if self._still:
                result = moments.at_rest(estimate.height_m)
            else:
                result = moments.solve(estimate, self._load, self._expected_n_m, self._strongest_n_m, self._acting)
            if self._last is not None:
                result = result.not_above(self._last.result)
            self._result = result
        return result


class LastMoments:
    """Works out the last two words for one rig."""

    def __init__(self, rig: Rig) -> None:
        doubt = rig.uncertainty
        self._limits = rig.limits
        self._reaction_s = rig.limits.reaction_s
        self._lag_s, self._ramp_s = rig.braking.lag_s, rig.braking.ramp_s
        quick = max(0.0, 1.0 - doubt.lag)
        self._short_lag_s, self._short_ramp_s = self._lag_s * quick, self._ramp_s * quick
        inertia, k = rig.drum.inertia_kg_m2, rig.line.sheave_factor
        self._lines = rig.line.lines
        self._turning = (
            (inertia, k),
            (inertia * (1.0 - doubt.inertia), k + doubt.sheave),
            (inertia * (1.0 + doubt.inertia), k + doubt.sheave),
        )
        """Inertia and sheave factor: as configured, and the two ends of the inertia with the sheaves that help most."""
        self._radius_m = math.nan
        self._hoists: tuple[Hoist, ...] = ()

    def solve(
        self,
        estimate: Estimate,
        load: Load,
        expected_n_m: float,
        strongest_n_m: float,
        acting: ActingBrakes = UNKNOWN_ACTING,
    ) -> Crossing:
        """How the words stand, with the torque of a full service application as it is to be expected and at the strongest that
        is credible. About 13 us for a moving block."""
        if not STILL_M_S <= abs(estimate.speed_m_s) < math.inf:
            return self.at_rest(estimate.height_m)
        speed = estimate.speed_m_s
        room_up = self._limits.upper_m - estimate.height_m
        room_down = estimate.height_m - self._limits.lower_m
        up, size = speed > 0.0, abs(speed)
        room = room_up if up else room_down
        gain = estimate.acceleration_m_s2 if up else -estimate.acceleration_m_s2
        if estimate.radius_m != self._radius_m:
            self._radius_m = estimate.radius_m
            self._hoists = tuple(Hoist(1.0, j, self._lines, self._radius_m, k) for j, k in self._turning)

        motion = _Motion(up, size, gain, estimate.acceleration_sigma_m_s2)
        stop = self._expected(motion, load, expected_n_m, acting)
        kind, phases, lag_s = self._favourable(motion, load, strongest_n_m, acting)
        way = self._kindest(stop.at_once, kind, estimate)
        cross = room - max(way, stop.soon_m)
        # Who will cross had to brake fully before, also where the block creeps.
        margin = min(room - stop.waited.distance_m - NEWS_S * size, cross)
        least = most = slowest = fastest = 0.0
        if cross <= 0.0:
            beyond = max(0.0, room)
            least, most = max(0.0, way - room), max(0.0, stop.waited.distance_m - room)
            slowest = phases.speed_after_m(beyond, size, lag_s) if way > beyond else 0.0
            fastest = max(slowest, stop.phases.speed_after_m(beyond, size, stop.lag_s))
        return Crossing(
            margin if up else room_up,
            room_down if up else margin,
            cross if up else room_up,
            room_down if up else cross,
            least,
            most,
            slowest,
            fastest,
        )

    def at_rest(self, height_m: float) -> Crossing:
        """How they stand for a block at rest: it crosses nothing."""
        up, down = self._limits.upper_m - height_m, height_m - self._limits.lower_m
        return Crossing(up, down, up, down, 0.0, 0.0, 0.0, 0.0)

    def _expected(self, motion: "_Motion", load: Load, service_n_m: float, acting: ActingBrakes) -> "_ExpectedStop":
        """The expected stop: of a hand that must react first, and of one that pulls at once."""
        up, size, gain, sigma = motion.up, motion.speed_m_s, motion.gain_m_s2, motion.gain_sigma_m_s2
        torque = service_n_m + acting.springs_n_m
        soon_s = LAST_NEWS_S if acting.service_most_n_m < math.inf else BLIND_NEWS_S
        phases = self._phases(up, self._hoists[0], load.expected_n, torque, self._ramp_s)
        if phases.slowing_m_s2 <= 0.0:
            never = phases.reach(size, 0.0, 0.0)
            return _ExpectedStop(never, never, phases, 0.0, soon_s * size)
        # A block that goes up stops by its weight alone, also where no oil is left to brake it.
        share = min(1.0, (acting.service_n_m + acting.springs_n_m) / torque) if torque > 0.0 else 0.0
        # Only as much change of speed as the estimate is sure of: noise must neither warn nor put off.
        seen = math.copysign(max(0.0, abs(gain) - sigma), gain)
        unbraked = phases.coast_m_s2
        if share > 0.0:
            phases = phases.begun(share * self._ramp_s)
            if not acting.driven:
                seen = min(seen, phases.coast_m_s2)
        if not up:
            # What else holds the block now, an auxiliary brake or a drive, goes on; at rest it may hold no more than the load.
            phases = phases.helped(max(0.0, min(phases.coast_m_s2 - seen, unbraked)))
        lag_s = 0.0 if share >= 1.0 else self._lag_s
        left_s = max(0.0, lag_s - acting.asked_s) if acting.coming_n_m > 0.0 else lag_s
        at_once = phases.reach(size, 0.0, left_s)
        soon_m, _ = phases.after_s(soon_s, size, left_s)
        if acting.called:
            return _ExpectedStop(at_once, at_once, phases, left_s, soon_m)
        coming_s = min(1.0, acting.coming_n_m / torque) * self._ramp_s if torque > 0.0 else 0.0
        waited = _after(self._reaction_s, seen, size, phases, lag_s, min(coming_s, phases.ramp_s), left_s)
        return _ExpectedStop(waited, at_once, phases, lag_s, soon_m)

    def _favourable(
        self, motion: "_Motion", load: Load, service_n_m: float, acting: ActingBrakes
    ) -> tuple[Reach, Phases, float]:
        """The stop with everything about the machine at the end that helps, its phases and its lag."""
        up, size, gain, sigma = motion.up, motion.speed_m_s, motion.gain_m_s2, motion.gain_sigma_m_s2
        torque = service_n_m + acting.springs_n_m
        slowest = gain - _SURE_Z * sigma
        acts = acting.service_most_n_m + acting.springs_n_m
        done_s = min(1.0, acts / max(torque, 1.0)) * self._short_ramp_s
        lag_s = 0.0 if acts > 0.0 else self._short_lag_s
        ends = []
        for hoist in self._hoists[1:]:
            phases = self._phases(up, hoist, load.high_n if up else load.low_n, torque, self._short_ramp_s)
            if phases.slowing_m_s2 <= 0.0:
                return phases.reach(size, 0.0, 0.0), phases, 0.0
            phases = phases.begun(done_s)
            phases = phases.helped(max(0.0, phases.coast_m_s2 - slowest))
            ends.append((phases.reach(size, 0.0, lag_s), phases, lag_s))
        return min(ends, key=lambda end: end[0].distance_m)

    @staticmethod
    def _phases(up: bool, hoist: Hoist, weight_n: float, torque_n_m: float, ramp_s: float) -> Phases:
        of = hoisting_phases if up else lowering_phases
        return of(hoist, max(weight_n / GRAVITY, 1.0), torque_n_m, ramp_s)

    @staticmethod
    def _kindest(expected: Reach, kind: Reach, estimate: Estimate) -> float:
        """Favourable way, m, with what the doubts about height and speed take off it."""
        if not kind.stops:
            return math.inf
        bound = estimate.height_bound_m if math.isfinite(estimate.height_bound_m) else 0.0
        # Where the expected stop never ends, the kind one is the only measure of the way.
        way = expected.distance_m if expected.stops else kind.distance_m
        doubt = math.hypot(max(0.0, way - kind.distance_m), bound, kind.time_s * estimate.speed_bound_m_s)
        return max(0.0, way - doubt)


class _Motion:
    """Motion toward the limit: speed as a magnitude, and how fast it grows."""

    __slots__ = ("gain_m_s2", "gain_sigma_m_s2", "speed_m_s", "up")

    def __init__(self, up: bool, speed_m_s: float, gain_m_s2: float, gain_sigma_m_s2: float) -> None:
        self.up: Final = up
        self.speed_m_s: Final = speed_m_s
        self.gain_m_s2: Final = gain_m_s2
        self.gain_sigma_m_s2: Final = gain_sigma_m_s2


class _ExpectedStop:
    __slots__ = ("at_once", "lag_s", "phases", "soon_m", "waited")

    def __init__(self, waited: Reach, at_once: Reach, phases: Phases, lag_s: float, soon_m: float) -> None:
        self.waited: Final = waited
        """After the hand's reaction."""
        self.at_once: Final = at_once
        self.phases: Final = phases
        self.lag_s: Final = lag_s
        self.soon_m: Final = soon_m
        """Way of the stop at once within the time that the word takes."""


def _after(
    wait_s: float, gain_m_s2: float, speed_m_s: float, phases: Phases, lag_s: float, coming_s: float, left_s: float
) -> Reach:
    """The stop of a block that for `wait_s` goes on to gain (or lose) speed as it does now, but for the brake that is on its way:
    so many seconds of the ramp come after `left_s`."""
    asked = Phases(gain_m_s2, phases.jerk_m_s3, coming_s, phases.jerk_m_s3 * coming_s - gain_m_s2)
    way, later = asked.after_s(wait_s, speed_m_s, left_s)
    if later <= 0.0:
        return asked.reach(speed_m_s, 0.0, left_s)
    rest = phases.begun(max(0.0, min(coming_s, wait_s - left_s))).reach(later, 0.0, lag_s)
    if not rest.stops:
        return rest
    return Reach(way + rest.distance_m, wait_s + rest.time_s, max(speed_m_s, rest.peak_speed_m_s), True)
