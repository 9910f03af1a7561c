"""From the filter to what is said of the motion: height, speed and acceleration now, 99 % bounds, and whether to trust them.

The bound on the height adds up: 2.576 sigma of filter and datum together; what braking or starting may have done since the
last reading; what counts may have missed since the height was last confirmed, a share of the way, and what may go unseen all
the same, both by the rig's file;
stretch and transport time in doubt; unexplained jumps and disagreement of two sources. VALID becomes DEGRADED
where the bound passes the filter's `valid_bound_m` or readings are stale, INVALID beyond `INVALID_BOUND_M` or a long silence.

Unknown is unknown, and no reason to brake: while nothing new comes, what warns of a limit goes by the motion that is to be
expected, with the doubts of when news was last due (`in_pause`).
"""

from math import inf, nan, sqrt
from typing import Final

from monitor.core.estimator.estimate import Estimate
from monitor.core.estimator.height_frame import HeightFrame
from monitor.core.estimator.plausibility import SUSPECT_M, PlausibilityMonitor
from monitor.core.estimator.position_filter import COAST_M_S2, START_M_S2, STILL_M_S, TURNED_M_S, PositionFilter
from monitor.core.estimator.sources import DELAY_KNOWN_READINGS, FROZEN, PositionSource
from monitor.model.reading import Z99, Validity

VALID: Final = Validity.VALID
INVALID: Final = Validity.INVALID
INVALID_BOUND_M: Final = 1.0
MAX_SILENCE_S: Final = 2.0
"""Silence after which no height is given (longer where the sensor is slow by nature)."""
FIRST_DELAY_S: Final = 0.5
"""How late a source's first readings may be (common practice, no source)."""
PARTING: Final = 0.5
"""Standard doubt by as much as two sources are apart: either may be the wrong one, and they part further between two readings."""
PAUSE_PERIODS: Final = 3.0
LEAST_PAUSE_S: Final = 0.15
"""Nothing new for so many periods of the sensor, and so long: news is overdue."""
FROZEN_INVALID_S: Final = 1.0
BRAKE_FRESH_NS: Final = 1_000_000_000
"""How old the word that the brake is on may be to hold the block in a silence."""
TRANSPORT_S: Final = 0.02
"""Shortest transport time, which no comparison of clocks can see (common practice, no source)."""
STRETCH_DOUBT: Final = 0.2
"""Published moduli differ by 20 %."""
READY_MADE_VARIANCE: Final = 4e-4
"""Variance of what a ready-made block position may be off by as a whole, m^2: 2 cm (common practice, no source)."""


def predict(t_ns: int, track: PositionFilter, plausibility: PlausibilityMonitor) -> Estimate:
    """The motion at `t_ns`, predicted from the last reading of the source that leads; nothing is changed."""
    found = estimate_at(t_ns, track, plausibility)
    interval_s = track.lead.interval_s
    due_s = PAUSE_PERIODS * interval_s if interval_s > LEAST_PAUSE_S / PAUSE_PERIODS else LEAST_PAUSE_S
    due_ns = track.heard_ns + int(1e9 * due_s)
    if t_ns > due_ns and not found.slow and found.validity is not INVALID:
        found.expected = in_pause(found, estimate_at(due_ns, track, plausibility))
    return found


def in_pause(now: Estimate, due: Estimate) -> Estimate:
    """What to expect `now`, given what was to be expected when news was last `due`.

    The rule: while nothing new comes, the doubt about height and speed grows, and a bound that says so is honest; but that
    nothing is heard brings the block no nearer to a limit. So the bounds are those of when news was due, and the motion goes on
    from there: a block that slowed down goes on slowing down until it rests, any other keeps its speed as the filter has it.
    A block last seen near a limit and running at it still comes too near by that motion (derived here).
    """
    height, speed, acceleration = now.height_m, now.speed_m_s, now.acceleration_m_s2
    if due.speed_m_s * due.acceleration_m_s2 < 0.0:
        took = min((now.t_ns - due.t_ns) * 1e-9, -due.speed_m_s / due.acceleration_m_s2)
        height = due.height_m + took * (due.speed_m_s + 0.5 * took * due.acceleration_m_s2)
        acceleration = due.acceleration_m_s2
        speed = due.speed_m_s + took * acceleration
    return Estimate(
        now.t_ns,
        height,
        speed,
        acceleration,
        now.height_sigma_m,
        now.speed_sigma_m_s,
        due.acceleration_sigma_m_s2,
        due.height_bound_m,
        due.speed_bound_m_s,
        now.validity,
        now.turns,
        now.layer,
        now.radius_m,
        now.slow,
        now.unconfirmed_m,
        None,
        now.read_ns,
        now.read_m,
        now.may_be_off_m,
        due.stop_bound_m,
    )


def estimate_at(t_ns: int, track: PositionFilter, plausibility: PlausibilityMonitor) -> Estimate:
    """The motion at `t_ns` with all that the silence until then adds to its doubt."""
    frame, lead = track.frame, track.lead
    layers = frame.layers
    x, v, a, p = track.kin.predicted((t_ns - track.t_ns) * 1e-9)
    if track.kin.v * v < -(TURNED_M_S**2) and track.stops_dead(a):
        # The brake stops it, and does not drive it back.
        x, v, a = track.kin.x - 0.5 * track.kin.v * track.kin.v / track.kin.a, 0.0, 0.0
    if lead.drum and not track.piece.low <= x < track.piece.high:
        x, v, a = track.piece.across(track.kin, layers, x, v, a)
    if lead.slow:
        # Over seconds a stroke ends: it is not carried on beyond the limits of the work unless a reading was there.
        low, high = track.limits_m
        x = min(max(x, min(low, track.kin.x)), max(high, track.kin.x))
    turns, k, by_rope, by_wraps = layers.locate(x)
    strain = frame.load_n * frame.flex
    stretch_m = strain * (frame.tail_m - x) - frame.datum_stretch_m
    stretch_m_s = frame.load_rate_n_s * frame.flex * (frame.tail_m - x)
    variance, scale = READY_MADE_VARIANCE, 0.0
    unconfirmed = 0.0
    if lead.drum:
        unconfirmed = track.way.unconfirmed_bound_m(frame.counting)
        variance = frame.datum.variance(by_rope, by_wraps)
        scale = layers.rope_slopes[k] * frame.datum.rope_bound
        if not lead.referenced:
            scale += layers.widest_step - 1.0
    unseen = track.unseen_m * track.way.unseen_share(t_ns)
    variance += (unconfirmed**2 + unseen**2) / Z99**2 + (track.apart_m * PARTING) ** 2
    silent = (t_ns - track.fused_ns) * 1e-9
    if silent < 0.0:
        silent = 0.0
    speed = v if v > 0.0 else -v
    speed_sigma = sqrt(p[3])
    # A reading is older than its time says by the delay that no comparison of clocks can see, and the block may have started or
    # braked since. Of the first readings it is not known how late they are: the shortest delay is still to come.
    transport_s = TRANSPORT_S + (lead.time_sigma_s if lead.clock is None else lead.clock.spread_s)
    unseen_s = silent + transport_s
    if lead.clock is not None and lead.fused <= DELAY_KNOWN_READINGS:
        unseen_s += FIRST_DELAY_S
    motion, faster = unseen_motion(t_ns, track, unseen_s, speed, p[0], Z99 * speed_sigma)
    doubt = track.unexplained_m + track.disagreement_m
    if plausibility.active:
        doubt += plausibility.doubt_m(x)
    if plausibility.suspect:
        doubt += SUSPECT_M
    sure = frame.stretch_doubt_m(x) + doubt
    bound = height_bound(motion, variance, transport_s * speed, stretch_m) + sure
    stop_bound = bound
    if unconfirmed > 0.0:
        likely = track.way.likely_missed_m(frame.counting)
        if likely < unconfirmed:
            variance_then = variance - (unconfirmed**2 - likely**2) / Z99**2
            stop_bound = height_bound(motion, variance_then, transport_s * speed, stretch_m) + sure
    bound += track.may_be_off_m
    stop_bound += track.may_be_off_m
    validity = validity_of(lead, silent, bound, doubt, track.valid_bound_m)
    read_ns, read_m = 0, nan
    if lead.slow and (validity is not INVALID or not lead.drum):
        # Of a ready-made position the ways between readings stand though nobody knows where its zero is.
        at = track.kin.x
        read_ns, read_m = track.fused_ns, at - strain * (frame.tail_m - at) + frame.datum_stretch_m
    return Estimate(
        t_ns,
        nan if validity is INVALID else x - stretch_m,
        v * (1.0 + strain) - stretch_m_s,
        a,
        sqrt(p[0] + variance),
        speed_sigma,
        sqrt(p[5]),
        bound,
        speed_bound(faster, speed, scale, silent, stretch_m_s),
        validity,
        turns,
        k + 1,
        layers.radii_m[k],
        lead.slow,
        unconfirmed + track.unexplained_m,
        None,
        read_ns,
        read_m,
        track.may_be_off_m,
        stop_bound,
    )


def unseen_motion(
    t_ns: int, track: PositionFilter, silent: float, speed: float, variance: float, speed_bound: float
) -> tuple[float, float]:
    """(metres, m/s): how far the block may be from the prediction, and how much faster or slower, `silent` seconds after
    the last reading. `variance` of the height and `speed_bound` are what the filter itself says."""
    kin = track.kin
    # A start, or a stop, which cannot take more than the way itself.
    unseen = 0.5 * silent * silent
    stop = unseen * (COAST_M_S2 if track.braking is False else track.max_deceleration_m_s2)
    if stop > speed * silent:
        stop = speed * silent
    unseen *= START_M_S2
    if unseen < stop:
        unseen = stop
    # Either the filter's own growth or that, whichever is more: both speak of the same motion.
    motion = Z99 * (sqrt(kin.p[0]) + silent * sqrt(kin.p[3])) + unseen
    if silent > 0.5:
        # A long silence: never further than the greatest speed takes a block, nowhere with its brake seen on.
        top = track.max_speed_m_s + speed
        if speed_bound > top:
            speed_bound = top
        far = top * silent
        if speed < STILL_M_S and track.braking and not track.lead.slow and t_ns - track.braking_ns < BRAKE_FRESH_NS:
            far = speed_bound = STILL_M_S
        far += Z99 * sqrt(kin.p[0])
        if motion > far:
            motion = far
    elif motion * motion < Z99 * Z99 * variance:
        motion = Z99 * sqrt(variance)
    return motion, speed_bound


def height_bound(motion: float, variance: float, transport_m: float, stretch_m: float) -> float:
    """99 % bound on the height, m, but for doubts: unseen motion and datum together; way in the transport time and stretch."""
    return (
        sqrt(motion * motion + Z99 * Z99 * variance)
        + transport_m
        + STRETCH_DOUBT * (stretch_m if stretch_m > 0.0 else -stretch_m)
    )


def speed_bound(faster: float, speed: float, scale: float, silent: float, stretch_m_s: float) -> float:
    """99 % bound on the speed, m/s: the filter's, the doubt of the drum's scale, a start unseen, the stretch's own rate."""
    return (
        faster
        + speed * scale
        + START_M_S2 * (silent if silent < 0.5 else 0.5)
        + 2.0 * STRETCH_DOUBT * (stretch_m_s if stretch_m_s > 0.0 else -stretch_m_s)
    )


def validity_of(lead: PositionSource, silent: float, bound: float, doubt: float, valid_bound_m: float) -> Validity:
    """Whether a height with that bound and doubt, `silent` seconds after the last reading, is to be trusted."""
    if not lead.referenced:
        return INVALID
    if not (bound > valid_bound_m or doubt > 0.0 or silent > lead.sensor.stale_after_s):
        return VALID
    limit = MAX_SILENCE_S
    if lead.slow:
        limit = max(limit, 2.5 * lead.interval_s)
    elif bound > INVALID_BOUND_M:
        return INVALID
    if lead.state is FROZEN:
        limit = FROZEN_INVALID_S
    if silent > limit or doubt > INVALID_BOUND_M:
        return INVALID
    return Validity.DEGRADED


def unknown_estimate(t_ns: int, frame: HeightFrame, height_m: float, slow: bool) -> Estimate:
    """No reading yet: nothing is known, and the drum is taken to be as at `height_m`."""
    layers = frame.layers
    turns, k, _, _ = layers.locate(height_m)
    return Estimate(
        t_ns, nan, 0.0, 0.0, inf, inf, inf, inf, inf, INVALID, turns, k + 1, layers.radii_m[k], slow
    )  # fmt: skip
