"""The filter and the source that leads it: which readings are believed, and what happens to those that are not.

Theory of operation. Each reading passes three questions:

1. Does it fit? Squared innovation over its variance against the chi-square gate. If so, it is used.
2. Could a machine do that? An innovation that hard braking or a start explains within the time since the last good
   reading is a manoeuvre: the acceleration is forgotten, the reading used. Beyond what a brake can do, it is not.
3. Is it stuck? A reading identical to the one before, where motion must have gone on, is a frozen encoder, not a stop.

Readings refused for a while that agree among themselves win: the filter starts again from them. What the jump cannot
be explained by stays as a doubt on the height until an outside height confirms it.

What each of the three makes of the source is the table `TRANSITIONS` in `monitor.core.estimator.sources`: `classify` says of
which kind a reading is, `accept` and `refuse` do what follows. Where the rope climbs to another layer of the drum the speed
changes with it (`layer_piece`); what may have gone unseen since the height was last known comes with the way (`way`).

How lively the filter is follows the readings: on a steady stroke the jerk is taken as next to nothing, so that speed is
smooth; a reading that stands out by two sigmas is enough to expect a manoeuvre for the next quarter second. Where readings
are coarse and the brakes' own show one (`apply_known_acceleration`), the filter need not wait for that.
"""

from math import nan, sqrt
from typing import Final

from monitor.config.rig import Rig
from monitor.core.estimator.height_frame import HeightFrame
from monitor.core.estimator.kinematic_filter import KinematicFilter
from monitor.core.estimator.layer_piece import LayerPiece
from monitor.core.estimator.sources import (
    FROZEN,
    ODD_WORDS,
    TRANSITIONS,
    WAITING,
    PositionSource,
    ReadingKind,
    full_brake_deceleration_m_s2,
    valid_bound_m,
)
from monitor.core.estimator.way import Way
from monitor.model.reading import Z99, RejectReason

FITS: Final = ReadingKind.FITS
MANOEUVRE: Final = ReadingKind.MANOEUVRE
IMPOSSIBLE: Final = ReadingKind.IMPOSSIBLE
REPEAT: Final = ReadingKind.REPEAT
TOO_OLD: Final = ReadingKind.TOO_OLD

GATE: Final = 19.5
"""Chi-square, one degree of freedom, 99.999 %: at 20 readings a second one good reading in an hour and a half."""
MANOEUVRE_RATIO: Final = 0.25
"""Share of the gate (2.2 sigmas) at which a reading says that a manoeuvre may be under way."""
MANOEUVRE_RATIO_COARSE: Final = 0.12
"""The same (1.5 sigmas) where readings are coarse: there a manoeuvre takes half a second to stand out at all."""
HARD_MANOEUVRE_RATIO: Final = 0.4
"""Share of the gate (2.8 sigmas) at which the manoeuvre is a hard one whatever the readings are like."""
FINE_M2: Final = 1e-6
"""Readings whose variance is above this are coarse, m^2: a millimetre."""
GENTLE_M2: Final = 4e-6
"""Variance from which on a coarse reading that stands out a little speaks of a gentle manoeuvre, m^2."""
STEADY_JERK_PSD: Final = 0.005
"""Power of the jerk while nothing happens, m^2/s^5: what rides on a steady stroke."""
MANOEUVRE_JERK_PSD: Final = 5.0
"""Power of the jerk in a manoeuvre: a brake ramp of 5 m/s^3 or so lasting a quarter second (derived here). A coarse reading
that stands out a little speaks of a gentler one that has lasted: there it falls as one over sigma. Taken for a hard one, the
noise of such readings would throw the speed about by more than the manoeuvre does."""
GENTLE_SHARE: Final = 0.4
"""Of that, what a fine reading that stands out a little speaks of: a lever drawn slowly, or an auxiliary brake, some 3 m/s^3.
What is harder stands out more by the next reading (derived here; `tests/benchmarks/estimator_figures.py` counts the bounds)."""
MANOEUVRE_NS: Final = 250_000_000
"""How long that is believed after the last such reading."""
KNOWN_ACCELERATION_SHARE: Final = 0.7
KNOWN_ACCELERATION_DOUBT: Final = 0.3
"""Of an acceleration that the brakes' readings promise at the least, the share taken for true, and its standard doubt: their
99 % reach from a brake that does not bite at all to one that bites half again as much."""
MAX_AGE_S: Final = 0.4
"""A reading older than this against the newest one used is refused; after a silence this long nothing is a manoeuvre."""
START_M_S2: Final = 1.0
"""Acceleration that a hoist may take up unseen: motors hoisting, gravity lowering (free fall stays below this)."""
COAST_M_S2: Final = 1.6
"""Greatest deceleration with the friction brake off: power cut while hoisting heavy, auxiliary brake lowering."""
ESTABLISHED_READINGS: Final = 5
"""Readings used before a jump away from them is a doubt."""
LOST_HEIGHT_DOUBT_M: Final = 2.0
"""Doubt put on a height that may be anywhere."""
OUTSIDE_MAST_M: Final = 1.0
"""A height so far beyond crown or floor cannot be: stretch, bounce and a rough datum do not reach that far."""
TURNED_M_S: Final = 0.1
"""From this speed to the same the other way no brake takes a block from one reading to the next."""
PRESSED_NS: Final = 300_000_000
"""So long after a reading of a pressure that closes the brake it is on."""
STILL_M_S: Final = 0.02
"""Below this, either way, the block is still."""


class PositionFilter:
    """One filter, led by one source at a time. Heights in metres of unloaded line (see `monitor.core.estimator.height_frame`)."""

    __slots__ = (
        "_coarse", "_known_acceleration", "_manoeuvre_until_ns", "_mast", "_mast_span_m", "apart_m", "braking", "braking_ns",
        "disagreement_m", "frame", "fused_ns", "heard_ns", "kin", "lead", "limits_m", "max_deceleration_m_s2",
        "max_speed_m_s", "may_be_off_m", "piece", "pressed_ns", "started", "t_ns", "unexplained_m", "unseen_m", "valid_bound_m",
        "way",
    )  # fmt: skip

    def __init__(self, rig: Rig, frame: HeightFrame, lead: PositionSource) -> None:
        self.frame = frame
        self.lead = lead
        """The source whose readings the filter follows."""
        self._mast = (rig.mast.floor_m, rig.mast.crown_m)
        self.limits_m = (rig.limits.lower_m, rig.limits.upper_m)
        """Between these heights the work goes on."""
        self._mast_span_m = rig.mast.crown_m - rig.mast.floor_m + 2.0 * OUTSIDE_MAST_M
        self.max_speed_m_s = rig.limits.credible_speed_m_s
        """A speed that the block does not exceed, m/s."""
        self.max_deceleration_m_s2 = full_brake_deceleration_m_s2(rig)
        self.valid_bound_m = valid_bound_m(rig)
        """A height whose bound is wider is DEGRADED, m."""
        self.unseen_m = rig.uncertainty.unseen_m
        self.kin = KinematicFilter(STEADY_JERK_PSD, self.max_speed_m_s, self.max_deceleration_m_s2)
        self.t_ns = 0
        """Of the newest reading used: the filter's own time."""
        self.fused_ns = 0
        self.heard_ns = 0
        """Arrival of the last reading used."""
        self.started = False
        self.braking: bool | None = None
        """Whether the friction brake is on; None where it is not known."""
        self.braking_ns = self.pressed_ns = 0
        """When it was last heard of, and when a pressure last closed it."""
        self.unexplained_m = 0.0
        """Jumps of the leading source that nothing has explained or confirmed."""
        self.may_be_off_m = 0.0
        """What a ready-made position may be off by as a whole, as who looks ahead says."""
        self.way = Way()
        self.piece = LayerPiece()
        """Where on the drum's curve the filter's height lies."""
        self.apart_m = 0.0
        """How far a second source is off just now, within the doubt of both."""
        self.disagreement_m = 0.0
        """What a second source differs by beyond the doubt of both."""
        self._manoeuvre_until_ns = 0
        self._coarse = False
        self._known_acceleration = nan

    @property
    def trusted(self) -> bool:
        """Whether the height rests on a drum's datum that nothing speaks against."""
        return self.started and self.lead.drum and self.lead.referenced and self.unexplained_m == 0.0

    def predicted_at(self, t_ns: int) -> tuple[float, float, float]:
        """(height, speed, variance of the height) at `t_ns`, a little before or any time after the filter's own."""
        dt = (t_ns - self.t_ns) * 1e-9
        x, v, _, p = self.kin.predicted(dt)
        return (x, v, p[0]) if dt >= 0.0 else (x + v * dt, v, p[0])

    def stops_dead(self, acceleration_m_s2: float) -> bool:
        """Whether what slows the block down ends where it comes to rest: the brake is seen on, by its lever or its pressure, or,
        where there is no lever to see, nothing but a brake slows it down so much."""
        if self.braking is None:
            hard = not -COAST_M_S2 <= acceleration_m_s2 <= COAST_M_S2
            return hard or self.t_ns - self.pressed_ns < PRESSED_NS
        return self.braking or self.t_ns - self.pressed_ns < PRESSED_NS

    def apply_known_acceleration(self, acceleration: float) -> None:
        """Acceleration of the block that is known from its cause, m/s2 (NaN: not known); only its changes count.

        Fine readings show it soon enough by themselves; they, and what is learned of the brake from them, are left alone.
        """
        change = acceleration - self._known_acceleration
        self._known_acceleration = acceleration
        if self._coarse and change == change:
            kin = self.kin
            kin.a += KNOWN_ACCELERATION_SHARE * change
            xx, xv, xa, vv, va, aa = kin.p
            kin.p = (xx, xv, xa, vv, va, aa + (KNOWN_ACCELERATION_DOUBT * change) ** 2)

    def count(self, source: PositionSource, raw: float, since: float) -> float:
        """The unwrapped count of a raw one that came `since` seconds after the last.

        A small counter may run over more than once in a gap: then the prediction says how often, and where that is
        not sure enough, one turn of the counter becomes a doubt on the height. However long the gap, the block has not left
        the mast: a counter that does not run over within it cannot have run over unseen.
        """
        span = source.modulus * abs(source.per_count) * self.frame.layers.rise_at(self.kin.x)
        if not self.started or min(self.max_speed_m_s * since, self._mast_span_m) < 0.5 * span:
            return source.unwrap(raw, 0.0)
        x, _, _, p = self.kin.predicted(since)
        step = (self.frame.layers.locate(x)[0] - self.frame.layers.locate(self.kin.x)[0]) / source.per_count
        if Z99 * sqrt(p[0]) > 0.5 * span and source is self.lead and source.state is not WAITING:
            self.unexplained_m += span
            source.diagnosis = "the counter may have run over unseen: reference needed"
        return source.unwrap(raw, step)

    def start(self, source: PositionSource, taken: int, z: float) -> None:
        """First reading of all, or the first after the datum was lost."""
        if not source.referenced:
            # No datum: the middle of the range, so that speeds are as little wrong as can be.
            z = source.z = 0.5 * (self._mast[0] + self._mast[1])
            source.offset = self.frame.layers.locate(z)[0] - source.counts * source.per_count
            source.diagnosis = source.diagnosis or "no reference: height not known"
        elif source.drum:
            z = source.z = self._nearest_turn(source, z)
        self.kin.reset(z, 0.0, 0.0, self.noise(source), (0.5 * self.max_speed_m_s) ** 2, 0.25)
        self.t_ns = self.fused_ns = source.fused_ns = taken
        self.heard_ns = source.arrival_ns
        self.way.start(z)
        source.state = TRANSITIONS[source.state, FITS]
        source.fused += 1
        self.started = True

    def _nearest_turn(self, source: PositionSource, z: float) -> float:
        """The height of a first count, which may have run over since the reference: the one inside the mast."""
        floor, crown = self._mast
        for run in (0, 1, -1):
            counts = source.counts + run * source.modulus
            height = self.frame.layers.height(source.offset + counts * source.per_count)
            if floor - 2.0 <= height <= crown + 2.0:
                source.counts = counts
                return height
        self.unexplained_m = max(self.unexplained_m, LOST_HEIGHT_DOUBT_M)
        source.diagnosis = f"counts put the block at {z:.1f} m, outside the mast: reference needed"
        return z

    def noise(self, source: PositionSource) -> float:
        """Variance of one reading, m^2."""
        jitter = self.kin.v * source.time_sigma_s
        if source.drum:
            step = self.frame.layers.rise_at(self.kin.x) * source.per_count
            noise = source.noise * step * step + jitter * jitter
        else:
            noise = source.noise + jitter * jitter
        # Readings that scatter more than configured are believed less, not refused.
        return noise if noise > source.scatter_m2 else source.scatter_m2

    def update(self, source: PositionSource, taken: int, z: float) -> RejectReason | None:
        """Take in a reading of the source that leads: the three questions on top of this file."""
        kin = self.kin
        # A speed that was known: one that was only presumed may well turn out the other way round.
        before = kin.v if kin.v * kin.v > 4.0 * kin.p[3] else 0.0
        dt = self.advance_to(source, taken)
        kind, innovation, variance = self.classify(source, taken, z, dt)
        if kind is FITS or kind is MANOEUVRE:
            kin.update(innovation, variance, -dt if dt < 0.0 else 0.0)
            self._stay_possible(kind, before if dt < MAX_AGE_S else 0.0)
            self.accept(source, taken, kind)
            return None
        return self.refuse(source, taken, z, kind)

    def _stay_possible(self, kind: ReadingKind, before_m_s: float) -> None:
        """No state but one of a machine: what a filter was late to see, a manoeuvre makes up for by an acceleration, and a speed,
        that no block has. A speed seen in readings that fit is believed, however high: a load may run away. And a brake that is
        on stops a block, it does not drive it back: what the filter was late to see of a hard stop ends at rest."""
        kin = self.kin
        if before_m_s * kin.v < -(TURNED_M_S**2) and self.stops_dead(kin.a):
            kin.stop_dead()
            kin.jerk_psd = min(kin.jerk_psd, MANOEUVRE_JERK_PSD)
        if not -self.max_deceleration_m_s2 <= kin.a <= self.max_deceleration_m_s2:
            kin.hold_acceleration()
        if kind is MANOEUVRE and not -self.max_speed_m_s <= kin.v <= self.max_speed_m_s:
            kin.hold_speed()

    def advance_to(self, source: PositionSource, taken: int) -> float:
        """Bring the filter to the time of a reading; the seconds since its last one, below zero where that is older."""
        dt = (taken - self.t_ns) * 1e-9
        if dt > 0.0:
            kin = self.kin
            before = kin.x
            kin.predict(dt)
            self.t_ns = taken
            if source.drum:
                piece, layers = self.piece, self.frame.layers
                if not (piece.low <= kin.x < piece.high and layers is piece.curve):
                    piece.cross(kin, before, layers)
        return dt

    def classify(self, source: PositionSource, taken: int, z: float, dt: float) -> tuple[ReadingKind, float, float]:
        """(kind, innovation, its variance) of a reading, `dt` seconds after the newest before it.

        A reading that stands out makes the filter livelier, used or not.
        """
        age = -dt if dt < 0.0 else 0.0
        if age > MAX_AGE_S:
            return TOO_OLD, nan, nan
        kin = self.kin
        noise = self.noise(source)
        innovation, variance = kin.innovation(z - source.bias_m, noise, age)
        ratio = innovation * innovation / (variance * GATE)
        source.innovation = innovation
        source.test_ratio = ratio
        if source.state is FROZEN:
            if source.repeat_count > 0:
                return REPEAT, innovation, variance
            self._leave_frozen(source, taken, z)
        elif source.repeat_count and source.stuck:
            return REPEAT, innovation, variance
        self._coarse = coarse = noise > FINE_M2
        if ratio > (MANOEUVRE_RATIO_COARSE if coarse else MANOEUVRE_RATIO):
            if self._expect_manoeuvre(taken, dt, ratio, noise):
                innovation, variance = kin.innovation(z - source.bias_m, noise, age)
                ratio = innovation * innovation / (variance * GATE)
            if ratio > 1.0:
                since = (taken - self.fused_ns) * 1e-9
                limit = self._max_change_m_s2(innovation)
                could = 0.5 * limit * since * since + 4.5 * sqrt(variance)
                if since <= 0.0 or since > MAX_AGE_S or innovation > could or innovation < -could:
                    # The same as the last that was taken is stuck; what stands still elsewhere has jumped there.
                    return (REPEAT if source.repeat_count > len(source.refused) else IMPOSSIBLE), innovation, variance
                kin.add_process_noise(since, limit * limit / since)
                if coarse:
                    # Fine readings show each turn of it; coarse ones, late as they are, must be told that it goes on.
                    kin.jerk_psd = max(kin.jerk_psd, limit * limit / (MANOEUVRE_NS * 1e-9))
                return MANOEUVRE, *kin.innovation(z - source.bias_m, noise, age)
        elif taken > self._manoeuvre_until_ns:
            kin.jerk_psd = STEADY_JERK_PSD
        return FITS, innovation, variance

    def _expect_manoeuvre(self, taken: int, dt: float, ratio: float, noise: float) -> bool:
        """Expect a manoeuvre from a reading that stands out on; whether the filter was calmer than that before."""
        kin, jerk_psd = self.kin, MANOEUVRE_JERK_PSD
        self._manoeuvre_until_ns = taken + MANOEUVRE_NS
        if ratio < HARD_MANOEUVRE_RATIO:
            jerk_psd *= min(1.0, sqrt(GENTLE_M2 / noise)) if self._coarse else GENTLE_SHARE
        if not kin.jerk_psd < jerk_psd:
            return False
        kin.add_process_noise(dt if dt > 0.0 else 0.0, jerk_psd - kin.jerk_psd)
        kin.jerk_psd = jerk_psd
        return True

    def _max_change_m_s2(self, innovation: float) -> float:
        """Of the acceleration, towards where a reading lies: by the brakes against the motion, else by the drive."""
        if innovation * self.kin.v < 0.0:
            return COAST_M_S2 if self.braking is False else self.max_deceleration_m_s2
        return 2.0 * START_M_S2

    def accept(self, source: PositionSource, taken: int, kind: ReadingKind) -> None:
        """The filter has used a reading: what follows for its source."""
        kin = self.kin
        source.state = TRANSITIONS[source.state, kind]
        if source.refused:
            source.refused.clear()
            source.odd_reading(taken)
        elif source.diagnosis is ODD_WORDS and not source.lately_odd:
            source.diagnosis = ""
        floor, crown = self._mast
        if not floor - OUTSIDE_MAST_M < kin.x < crown + OUTSIDE_MAST_M and self.unexplained_m < LOST_HEIGHT_DOUBT_M:
            self.unexplained_m = LOST_HEIGHT_DOUBT_M
            source.diagnosis = "height runs out of the mast: reference needed"
        source.fused += 1
        source.fused_ns = taken
        self.heard_ns = source.arrival_ns
        if taken > self.fused_ns:
            self.fused_ns = taken
        self.way.travel_to(kin.x)
        if not source.drum and -STILL_M_S < kin.v < STILL_M_S:
            source.at_rest()
        if not self.braking and -STILL_M_S < kin.v < STILL_M_S:
            source.still += 1.0
            if not source.turned:
                source.repeats += 1.0

    def refuse(self, source: PositionSource, taken: int, z: float, kind: ReadingKind) -> RejectReason:
        """The filter does not use a reading: what follows for its source, and for the filter if there were more of them."""
        source.rejected += 1
        if kind is TOO_OLD:
            return RejectReason.TOO_OLD
        if kind is REPEAT:
            self.mark_frozen(source, taken, z)
            return RejectReason.GATE
        source.state = TRANSITIONS[source.state, kind]
        source.refused.append((taken, z))
        if len(source.refused) > 40:
            del source.refused[0]
        recent = source.agreeing(sqrt(self.noise(source)), self.max_speed_m_s)
        if recent:
            self._restart(source, recent)
        return RejectReason.GATE

    def _restart(self, source: PositionSource, recent: list[tuple[int, float]]) -> None:
        """Start the filter again from refused readings that agree; what the jump cannot be explained by is a doubt."""
        span = (recent[-1][0] - recent[0][0]) * 1e-9
        first_ns, first = source.refused[0]
        t_ns, z = recent[-1]
        speed = (z - recent[0][1]) / span
        # Where the filter would have put the first refused reading, and how far a block can get from there.
        back = (self.t_ns - first_ns) * 1e-9
        expected = self.kin.x - self.kin.v * back
        jump = first - source.bias_m - expected
        silent = max(0.0, (first_ns - self.fused_ns) * 1e-9)
        beyond = abs(jump) - self.max_speed_m_s * silent - Z99 * sqrt(self.kin.p[0])
        # Where it has hardly begun, the first reading may have been the wrong one.
        believed = source.referenced and source.fused >= ESTABLISHED_READINGS
        if beyond > 0.05 and believed:
            self._doubt(source, jump)
        # A block cannot turn round faster than its brakes and motors let it; an encoder whose channels are swapped can.
        change = abs(speed - self.kin.v) - self.max_deceleration_m_s2 * (t_ns - self.fused_ns) * 1e-9
        if change > 0.5 and believed:
            self.unexplained_m = max(self.unexplained_m, LOST_HEIGHT_DOUBT_M)
            source.diagnosis = "speed turned round at once: look at the encoder's channels, reference needed"
        swing = 0.5 * self.max_deceleration_m_s2 * span
        self.kin.reset(z - source.bias_m, speed, 0.0, self.noise(source), swing * swing, self.max_deceleration_m_s2**2)
        self.t_ns = self.fused_ns = source.fused_ns = t_ns
        self.heard_ns = source.arrival_ns
        source.state = TRANSITIONS[source.state, ReadingKind.AGREED]
        source.refused.clear()

    def _doubt(self, source: PositionSource, jump: float) -> None:
        """The source went on from elsewhere, `jump` away: a doubt on the height, or its end where it came back."""
        back_again = abs(abs(jump) - self.unexplained_m) < 0.1 * self.unexplained_m
        self.unexplained_m = 0.0 if back_again else self.unexplained_m + abs(jump)
        if back_again:
            source.diagnosis = ""
        elif abs(jump) > self._mast_span_m:
            source.diagnosis = "count jumped further than the mast is high: reference needed"
        else:
            source.diagnosis = f"height jumped by {jump:+.2f} m: reference needed"

    def go_on_elsewhere(self, jump: float) -> None:
        """The next reading of the source that leads is `jump` away from where the block can be: known from outside."""
        if self.started:
            self._doubt(self.lead, jump)
            self.lead.refused.clear()
            self.started = False

    def mark_frozen(self, source: PositionSource, taken: int, z: float) -> None:
        """The source's readings no longer follow the block."""
        if source.state is not FROZEN:
            source.state = TRANSITIONS[source.state, REPEAT]
            source.frozen_ns = taken
            source.frozen_z = z
            source.refused.clear()
            source.diagnosis = "readings stand still and the block cannot: look at the encoder and its cable"

    def _leave_frozen(self, source: PositionSource, taken: int, z: float) -> None:
        """The readings move again: from where they stuck (counts were lost), or from where the block must be by now."""
        source.diagnosis = ""
        elapsed_s = (taken - source.frozen_ns) * 1e-9 + source.interval_s
        moved = abs(self.kin.x + source.bias_m - source.frozen_z)
        if abs(z - source.frozen_z) < 0.25 * moved:
            self.unexplained_m += min(self.max_speed_m_s * elapsed_s, moved + Z99 * sqrt(self.kin.p[0]))
            source.diagnosis = "counts may be lost since the readings stood still: reference needed"
