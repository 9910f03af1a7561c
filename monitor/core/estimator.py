"""Where the block is, how fast it moves, and how sure that is, from whatever position sensors the rig has.

Theory of operation. One filter (`monitor.core.kinematics`) runs in metres of block height as the unloaded line would
give it: turns of the drum through the layer curve, or a ready-made block position with its stretch taken out. Load
stretch is put on at the output, so that a pick-up of the string is not mistaken for motion of the drum.

Readings are taken in at their own time, in order of arrival (`monitor.core.aiding.SourceClock`). The filter's time is
the newest reading's time, never later; `estimate` predicts from there, and changes nothing.

Each reading passes three questions:

1. Does it fit? Squared innovation over its variance against the chi-square gate. If so, it is used.
2. Could a machine do that? An innovation that hard braking or a start explains within the time since the last good
   reading is a manoeuvre: the acceleration is forgotten, the reading used. Beyond what a brake can do, it is not.
3. Is it stuck? A reading identical to the one before, where motion must have gone on, is a frozen encoder, not a stop.

Readings refused for a while that agree among themselves win: the filter starts again from them. What the jump cannot
be explained by stays as a doubt on the height until an outside height confirms it.

    source         on                                        becomes
    WAITING        first reading                             TRACKING
    TRACKING       reading fits or is a manoeuvre            TRACKING
    TRACKING       reading refused                           REFUSING
    TRACKING       same reading again where motion goes on   FROZEN
    REFUSING       reading fits                              TRACKING
    REFUSING       enough refused readings agree             TRACKING, filter started again, doubt added
    FROZEN         reading changes                           REFUSING

The 99 % bound adds up: 2.576 sigma of filter and datum together; what braking or starting may have done since the last
reading; stretch and transport time in doubt; unexplained jumps and disagreement of two sources. VALID becomes DEGRADED
where the bound passes `DEGRADED_BOUND_M` or readings are stale, INVALID beyond `INVALID_BOUND_M` or a long silence.
"""

import math
from dataclasses import dataclass
from itertools import pairwise
from math import inf, nan, sqrt
from typing import Final

from monitor.config import Rig
from monitor.core.aiding import Correction, Datum, HeightMap
from monitor.core.drift import DriftWatch
from monitor.core.kinematics import Kinematics
from monitor.core.sources import SLOW_PERIOD_S, Mark, Source, SourceState, clock_of, greatest_deceleration_m_s2
from monitor.core.types import RejectReason, Sample, Validity
from monitor.physics.drum import DrumGeometry

VALID: Final = Validity.VALID
INVALID: Final = Validity.INVALID
TRACKING: Final = SourceState.TRACKING
REFUSING: Final = SourceState.REFUSING
FROZEN: Final = SourceState.FROZEN

Z99: Final = 2.5758
"""Half-width of the central 99 % of a normal distribution, in sigmas."""
GATE: Final = 19.5
"""Chi-square, one degree of freedom, 99.999 %: at 20 readings a second one good reading in an hour and a half."""
LIVELY: Final = 0.25
"""Share of the gate (2.2 sigmas) at which a reading says that a manoeuvre may be under way."""
CALM: Final = 0.005
"""Power of the jerk while nothing happens, m^2/s^5: what rides on a steady stroke."""
BUSY: Final = 5.0
"""Power of the jerk in a manoeuvre: a brake ramp of 5 m/s^3 or so lasting a quarter second (derived here)."""
BUSY_NS: Final = 250_000_000
"""How long that is believed after the last such reading."""
OLDEST_S: Final = 0.4
"""A reading older than this against the newest one used is refused."""
DEGRADED_BOUND_M: Final = 0.25
INVALID_BOUND_M: Final = 1.0
SILENT_S: Final = 2.0
"""Silence after which no height is given (longer where the sensor is slow by nature)."""
FROZEN_INVALID_S: Final = 1.0
START_M_S2: Final = 1.0
"""Acceleration that a hoist may take up unseen: motors hoisting, gravity lowering (free fall stays below this)."""
COAST_M_S2: Final = 1.6
"""Greatest deceleration with the friction brake off: power cut while hoisting heavy, auxiliary brake lowering."""
TRANSPORT_S: Final = 0.02
"""Shortest transport time, which no comparison of clocks can see (common practice, no source)."""
STRETCH_DOUBT: Final = 0.2
"""Published moduli differ by 20 %."""
WRAPS_SIGMA: Final = 0.25
"""Doubt of the wraps counted at the datum."""
READY_MADE_VARIANCE: Final = 4e-4
"""Variance of what a ready-made block position may be off by as a whole, m^2: 2 cm (common practice, no source)."""
SMALL_M: Final = 0.25
"""A reference that differs by less than this is taken as a better figure, not as lost counts."""
MARK_SIGMA_M: Final = 0.02
"""Where in its travel past the mark the switch changes (common practice, no source)."""
SECOND_SIGMA_M: Final = 0.03
"""Doubt of one comparison with a second source, outside what the datum knows (common practice, no source)."""
APART_M: Final = 2.0
"""Comparisons with a second source count as new evidence this far apart."""
STILL_M_S: Final = 0.02


@dataclass(frozen=True, slots=True)
class Estimate:
    """The motion of the block at `t_ns`. Sigmas are one standard deviation, bounds 99 % half-widths.

    `height_m` is NaN where `validity` is INVALID. `layer` counts from 1; `radius_m` is to the rope's centre there.
    `slow` says that readings come seconds apart.
    """

    t_ns: int
    height_m: float
    speed_m_s: float
    acceleration_m_s2: float
    height_sigma_m: float
    speed_sigma_m_s: float
    acceleration_sigma_m_s2: float
    height_bound_m: float
    speed_bound_m_s: float
    validity: Validity
    turns: float
    layer: int
    radius_m: float
    slow: bool


@dataclass(frozen=True, slots=True)
class Fusion:
    """Health record of one position or mark sensor. Metres and seconds; None where nothing was there to compare."""

    innovation: float | None = None
    test_ratio: float | None = None
    fused: int = 0
    rejected: int = 0
    rejecting: bool = False
    latency_s: float | None = None
    agreement: float | None = None
    """Difference from the leading source (second source) or from the estimate at the last switch (mark), m."""
    verdict: str = ""


class Estimator:
    """Height, speed and acceleration of the block from a rig's position sensors and marks. See the top of this file."""

    def __init__(self, rig: Rig) -> None:
        line, drum, reference = rig.line, rig.drum, rig.reference
        self._rig = rig
        geometry = DrumGeometry(
            drum.core_diameter_m,
            line.rope_diameter_m,
            drum.wraps_per_layer,
            drum.nesting,
            drum.max_layers,
            min(drum.dead_wraps, drum.wraps_per_layer),
        )
        self._configured = geometry
        self._map = HeightMap(geometry, reference.turns, reference.height_m, line.lines)
        self._datum = Datum(reference.sigma_m, rig.uncertainty.rope_diameter / 2.0, WRAPS_SIGMA)
        self._watch = DriftWatch(self._map)
        self._top = 1.25 * rig.limits.max_speed_m_s
        self._hardest = greatest_deceleration_m_s2(rig)
        self._kin = Kinematics(CALM, self._top, self._hardest)
        self._t_ns = 0
        """Of the newest reading used: the filter's own time."""
        self._fused_ns = 0
        self._busy_ns = 0
        self._started = False
        self._braking: bool | None = None
        self._doubt_m = 0.0
        """Jumps of the leading source that nothing has explained or confirmed."""
        self._dispute_m = 0.0
        """What a second source differs by beyond the doubt of both."""
        self._set_down_words = ""
        # Stretch: block drop = load * flex * (tail - height), from that of the datum (Hooke's law, see `block_drop_m`).
        self._flex = 1.0 / (line.lines * line.axial_stiffness_n)
        self._tail = rig.mast.crown_m + (line.fast_line_m + line.dead_line_m) / line.lines
        self._load_n = self._load_slow_n = reference.hook_load_n
        self._load_rate = 0.0
        self._load_ns = 0
        self._datum_drop = self._drop(reference.hook_load_n, reference.height_m)
        self._sources: dict[int, Source] = {}
        self._marks: dict[int, Mark] = {}
        working = self._map.locate(rig.mast.crown_m)[0] - self._map.locate(rig.mast.floor_m)[0]
        for index, sensor in enumerate(rig.sensors):
            if sensor.spec.role == "position":
                source = self._sources[index] = Source(sensor)
                counts = reference.counts.get(sensor.id)
                if source.drum and counts is not None and not source.wraps_within(1.2 * working):
                    source.offset = reference.turns - counts * source.per_count
                    source.referenced = True
            elif sensor.spec.role == "mark" and sensor.height_m is not None:
                self._marks[index] = Mark(sensor, sensor.height_m, clock_of(sensor))
        self._order = tuple(self._sources.values())
        self._lead = next((source for source in self._order if source.referenced), self._order[0])

    # --- inputs ------------------------------------------------------------------------------------------------------

    def ingest(self, sample: Sample) -> RejectReason | None:
        """Take in a reading of a position or mark sensor; the reason where it was refused. Other sensors: nothing."""
        source = self._sources.get(sample.sensor)
        if source is None:
            mark = self._marks.get(sample.sensor)
            return None if mark is None else self._pass_mark(mark, sample)
        clock = source.clock
        if clock is None or sample.source_t_ns is None:
            taken = sample.t_ns
        else:
            taken = clock.taken_ns(sample.t_ns, sample.source_t_ns)
        value = sample.value
        since = (taken - source.taken_ns) * 1e-9
        if source.drum:
            z = self._map.height(source.offset + self._count(source, value, since) * source.per_count)
        else:
            z = value + source.offset + self._drop(self._load_n, value) - self._datum_drop
        repeat = value == source.raw
        if repeat:
            source.run += 1
        else:
            source.run = 0
        if 0.0 < since < 60.0:
            source.interval_s += 0.05 * (since - source.interval_s)
            source.slow = source.interval_s > SLOW_PERIOD_S
        source.raw = value
        source.taken_ns = taken
        source.z = z
        if source is not self._lead and self._started:
            return self._compare(source, taken, z)
        if not self._started:
            self._start(source, taken, z)
            return None
        return self._weigh(source, taken, z, repeat)

    def load(self, t_ns: int, hook_load_n: float) -> None:
        """The hook load now, N, for the stretch of the line."""
        if self._load_ns:
            dt = (t_ns - self._load_ns) * 1e-9
            if dt > 0.0:
                gain = dt / (0.3 + dt)
                change = hook_load_n - self._load_slow_n
                self._load_slow_n += gain * change
                self._load_rate = 0.0 if dt > 1.0 else (1.0 - gain) * change / 0.3
        else:
            self._load_slow_n = hook_load_n
        self._load_n = hook_load_n
        self._load_ns = t_ns

    def braking(self, t_ns: int, braking: bool | None) -> None:
        """Whether the friction brake is on (None: not known). A block cannot stop hard with its brake off."""
        self._braking = braking

    def reference(self, t_ns: int, height_m: float) -> None:
        """The crew says that the block is at `height_m` now: the datum moves here.

        What the height read before tells on the drum: a difference that rope diameter and start wrap explain within
        what is believed of them corrects those, so that the curve fits the old datum and the new one.
        """
        x = height_m + self._drop(self._load_n, height_m) - self._datum_drop
        if self._trusted:
            now, _, _, p = self._kin.predicted((t_ns - self._t_ns) * 1e-9)
            _, _, by_rope, by_wraps = self._map.locate(now)
            sigma = math.hypot(self._rig.reference.sigma_m, sqrt(p[0]), TRANSPORT_S * self._kin.v)
            if self._datum.check(x - now, by_rope, by_wraps, sigma) <= 1.0:
                self._correct(self._datum.observe(x - now, by_rope, by_wraps, sigma))
        self._renew(t_ns, x, self._rig.reference.sigma_m)
        self._watch.restart(self._map)
        self._set_down_words = ""
        for source in self._order:
            source.verdict = ""

    def slip_and_cut(self, t_ns: int, turns_at_reference: float) -> None:
        """Line was cut: with the block at the reference height there are now `turns_at_reference` wraps on the drum.

        The drum turned while the block hung off, so the counts no longer mean a height: it is INVALID until the next
        `reference` or height mark (or comes from a ready-made position, where the rig has one).
        """
        reference = self._rig.reference
        self._map = HeightMap(self._configured, turns_at_reference, reference.height_m, self._rig.line.lines)
        self._datum.restart(reference.sigma_m, rope_known=False, wraps_known=False)
        self._watch.restart(self._map)
        self._set_down_words = ""
        for source in self._order:
            if source.drum:
                source.referenced = False
                source.verdict = "line cut: reference needed"
        position = next((source for source in self._order if source.referenced), None)
        if position is not None and position is not self._lead:
            self._lead = position
            self._started = False

    def set_down(self, t_ns: int) -> None:
        """The string was set in slips just now, which happens at much the same height each time: drift shows there."""
        if self._started and self._lead.referenced:
            self._set_down_words = self._watch.set_down(self._kin.x)

    # --- output ------------------------------------------------------------------------------------------------------

    def estimate(self, t_ns: int) -> Estimate:
        """The motion at `t_ns`, predicted from the last reading; the filter stays as it is."""
        if not self._started:
            return self._nothing(t_ns)
        lead, layers = self._lead, self._map
        x, v, a, p = self._kin.predicted((t_ns - self._t_ns) * 1e-9)
        turns, k, by_rope, by_wraps = layers.locate(x)
        strain = self._load_n * self._flex
        drop = strain * (self._tail - x) - self._datum_drop
        rate = self._load_rate * self._flex * (self._tail - x)
        variance, scale = READY_MADE_VARIANCE, 0.0
        if lead.drum:
            variance = self._datum.variance(by_rope, by_wraps)
            scale = layers.rope_slopes[k] * self._datum.rope_bound
            if not lead.referenced:
                scale += layers.widest_step - 1.0
        sigma = sqrt(p[0] + variance)
        speed_sigma = sqrt(p[3])
        silent = (t_ns - self._fused_ns) * 1e-9
        if silent < 0.0:
            silent = 0.0
        speed = v if v > 0.0 else -v
        # What may have happened since the last reading: a start, or a stop, which cannot take more than the way itself.
        unseen = 0.5 * silent * silent
        stop = unseen * (COAST_M_S2 if self._braking is False else self._hardest)
        if stop > speed * silent:
            stop = speed * silent
        unseen *= START_M_S2
        if unseen < stop:
            unseen = stop
        if silent > 1.0 and unseen > (self._top + speed) * silent:
            unseen = (self._top + speed) * silent
        bound = Z99 * sigma + unseen + TRANSPORT_S * speed + STRETCH_DOUBT * (drop if drop > 0.0 else -drop)
        doubt = self._doubt_m + self._dispute_m
        bound += doubt
        validity = VALID
        if bound > DEGRADED_BOUND_M or doubt > 0.0 or silent > lead.sensor.stale_after_s or not lead.referenced:
            validity = self._validity(lead, silent, bound)
        return Estimate(
            t_ns,
            nan if validity is INVALID else x - drop,
            v * (1.0 + strain) - rate,
            a,
            sigma,
            speed_sigma,
            sqrt(p[5]),
            bound,
            Z99 * speed_sigma
            + speed * scale
            + START_M_S2 * (silent if silent < 0.5 else 0.5)
            + 2.0 * STRETCH_DOUBT * (rate if rate > 0.0 else -rate),
            validity,
            turns,
            k + 1,
            layers.radii_m[k],
            lead.slow,
        )

    def _validity(self, lead: Source, silent: float, bound: float) -> Validity:
        """The verdict where not all is well."""
        if not lead.referenced:
            return INVALID
        limit = SILENT_S
        if lead.slow:
            limit = max(limit, 2.5 * lead.interval_s)
        elif bound > INVALID_BOUND_M:
            return INVALID
        if lead.state is FROZEN:
            limit = FROZEN_INVALID_S
        if silent > limit or self._doubt_m + self._dispute_m > INVALID_BOUND_M:
            return INVALID
        return Validity.DEGRADED

    def _nothing(self, t_ns: int) -> Estimate:
        """No reading yet."""
        turns, k, _, _ = self._map.locate(self._rig.limits.upper_m)
        return Estimate(
            t_ns, nan, 0.0, 0.0, inf, inf, inf, inf, inf, INVALID, turns, k + 1,
            self._map.radii_m[k], self._lead.slow,
        )  # fmt: skip

    def fusion(self, sensor: int) -> Fusion:
        """Health record of the sensor with that index in the rig's tuple; an empty one if it is neither kind."""
        source = self._sources.get(sensor)
        if source is not None:
            clock = source.clock
            words = source.verdict or ("" if clock is None else clock.verdict)
            if not words and source is self._lead:
                words = self._watch.verdict.text or self._set_down_words
            return Fusion(
                source.innovation,
                source.test_ratio,
                source.fused,
                source.rejected,
                source.state is REFUSING or source.state is FROZEN,
                None if clock is None else clock.latency_s,
                None if source is self._lead else source.agreement,
                words,
            )
        mark = self._marks.get(sensor)
        if mark is None:
            return Fusion()
        return Fusion(
            mark.innovation,
            mark.test_ratio,
            mark.fused,
            mark.rejected,
            mark.refused_m is not None,
            None if mark.clock is None else mark.clock.latency_s,
            mark.innovation,
            mark.verdict,
        )

    # --- one reading of the leading source ---------------------------------------------------------------------------

    @property
    def _trusted(self) -> bool:
        """Whether the height rests on a drum's datum that nothing speaks against."""
        return self._started and self._lead.drum and self._lead.referenced and self._doubt_m == 0.0

    def _count(self, source: Source, raw: float, since: float) -> float:
        """The unwrapped count of a raw one `since` seconds after the last.

        A small counter may run over more than once in a gap: then the prediction says how often, and where that is
        not sure enough, one turn of the counter becomes a doubt on the height.
        """
        span = source.modulus * abs(source.per_count) * self._map.rise_at(self._kin.x)
        if not self._started or self._top * since < 0.5 * span:
            return source.unwrap(raw, 0.0)
        x, _, _, p = self._kin.predicted(since)
        step = (self._map.locate(x)[0] - self._map.locate(self._kin.x)[0]) / source.per_count
        if Z99 * sqrt(p[0]) > 0.5 * span and self._lead is source and source.state is not SourceState.WAITING:
            self._doubt_m += span
            source.verdict = "the counter may have run over unseen: reference needed"
        return source.unwrap(raw, step)

    def _start(self, source: Source, taken: int, z: float) -> None:
        """First reading of all, or the first after the datum was lost."""
        if not self._lead.referenced and source.referenced:
            self._lead = source
        if source is not self._lead:
            return
        if not source.referenced:
            # No datum: the middle of the range, so that speeds are as little wrong as can be.
            z = source.z = 0.5 * (self._rig.limits.lower_m + self._rig.limits.upper_m)
            source.offset = self._map.locate(z)[0] - source.counts * source.per_count
            source.verdict = source.verdict or "no reference: height not known"
        elif source.drum:
            z = source.z = self._nearest_turn(source, z)
        self._kin.reset(z, 0.0, 0.0, self._noise(source), (0.5 * self._top) ** 2, 0.25)
        self._t_ns = self._fused_ns = source.fused_ns = taken
        source.state = TRACKING
        source.fused += 1
        self._started = True

    def _nearest_turn(self, source: Source, z: float) -> float:
        """The height of a first count, which may have run over since the reference: the one inside the mast."""
        mast = self._rig.mast
        for run in (0, 1, -1):
            counts = source.raw + run * source.modulus
            height = self._map.height(source.offset + counts * source.per_count)
            if mast.floor_m - 2.0 <= height <= mast.crown_m + 2.0:
                source.counts = counts
                return height
        self._doubt_m = max(self._doubt_m, 2.0 * INVALID_BOUND_M)
        source.verdict = f"counts put the block at {z:.1f} m, outside the mast: reference needed"
        return z

    def _noise(self, source: Source) -> float:
        """Variance of one reading, m^2."""
        jitter = self._kin.v * source.time_sigma_s
        if source.drum:
            step = self._map.rise_at(self._kin.x) * source.per_count
            return source.noise * step * step + jitter * jitter
        return source.noise + jitter * jitter

    def _weigh(self, source: Source, taken: int, z: float, repeat: bool) -> RejectReason | None:
        """The three questions; see the top of this file."""
        kin = self._kin
        dt = (taken - self._t_ns) * 1e-9
        age = 0.0
        if dt > 0.0:
            kin.predict(dt)
            self._t_ns = taken
        elif dt < 0.0:
            age = -dt
            if age > OLDEST_S:
                source.rejected += 1
                return RejectReason.TOO_OLD
        noise = self._noise(source)
        innovation, variance = kin.innovation(z - source.bias_m, noise, age)
        ratio = innovation * innovation / (variance * GATE)
        source.innovation = innovation
        source.test_ratio = ratio
        if source.state is FROZEN:
            if repeat:
                source.rejected += 1
                return RejectReason.GATE
            self._thaw(source, taken, z)
        elif repeat and source.drum and source.stuck:
            source.rejected += 1
            self._freeze(source, taken, z)
            return RejectReason.GATE
        if ratio > LIVELY:
            if kin.jerk_psd != BUSY:
                kin.jerk_psd = BUSY
                kin.stir(dt, BUSY)
                innovation, variance = kin.innovation(z - source.bias_m, noise, age)
                ratio = innovation * innovation / (variance * GATE)
            self._busy_ns = taken + BUSY_NS
            if ratio > 1.0:
                since = (taken - self._fused_ns) * 1e-9
                limit = START_M_S2
                if innovation * kin.v < 0.0:
                    limit = COAST_M_S2 if self._braking is False else self._hardest
                could = 0.5 * limit * since * since + 4.5 * sqrt(variance)
                if since <= 0.0 or since > OLDEST_S or innovation > could or innovation < -could:
                    return self._refuse(source, taken, z, repeat)
                kin.stir(since, limit * limit / since)
                innovation, variance = kin.innovation(z - source.bias_m, noise, age)
        elif taken > self._busy_ns:
            kin.jerk_psd = CALM
        kin.update(innovation, variance, age)
        source.state = TRACKING
        if source.refused:
            source.refused.clear()
        source.fused += 1
        source.fused_ns = taken
        if taken > self._fused_ns:
            self._fused_ns = taken
        if -STILL_M_S < kin.v < STILL_M_S:
            source.still += 1.0
            if repeat:
                source.repeats += 1.0
        return None

    def _refuse(self, source: Source, taken: int, z: float, repeat: bool) -> RejectReason:
        """A reading that no machine could have made since the last good one."""
        source.rejected += 1
        if repeat and source.drum:
            self._freeze(source, taken, z)
            return RejectReason.GATE
        source.state = REFUSING
        source.refused.append((taken, z))
        if len(source.refused) > 40:
            del source.refused[0]
        self._try_again(source)
        return RejectReason.GATE

    def _try_again(self, source: Source) -> None:
        """Start the filter again from refused readings, once there are enough that agree among themselves."""
        refused = source.refused
        need = 3 if source.slow else 5
        if len(refused) < need:
            return
        recent = refused[-need:]
        span = (recent[-1][0] - recent[0][0]) * 1e-9
        if span < min(0.2, (need - 1) * 0.5 * source.interval_s):
            return
        noise = 6.0 * sqrt(self._noise(source))
        if any(abs(z1 - z0) > 1.5 * self._top * (t1 - t0) * 1e-9 + noise for (t0, z0), (t1, z1) in pairwise(recent)):
            return
        first_ns, first = refused[0]
        t_ns, z = recent[-1]
        speed = (z - recent[0][1]) / span
        # Where the filter would have put the first refused reading, and how far a block can get from there.
        back = (self._t_ns - first_ns) * 1e-9
        expected = self._kin.x - self._kin.v * back
        jump = first - source.bias_m - expected
        silent = max(0.0, (first_ns - self._fused_ns) * 1e-9)
        beyond = abs(jump) - self._top * silent - Z99 * sqrt(self._kin.p[0])
        if beyond > 0.05 and source.referenced:
            back_again = abs(abs(jump) - self._doubt_m) < 0.1 * self._doubt_m
            self._doubt_m = 0.0 if back_again else self._doubt_m + abs(jump)
            source.verdict = "" if back_again else f"height jumped by {jump:+.2f} m: reference needed"
        swing = 0.5 * self._hardest * span
        self._kin.reset(z - source.bias_m, speed, 0.0, self._noise(source), swing * swing, self._hardest**2)
        self._t_ns = self._fused_ns = source.fused_ns = t_ns
        source.state = TRACKING
        refused.clear()

    def _freeze(self, source: Source, taken: int, z: float) -> None:
        """The source's readings no longer follow the block."""
        if source.state is not FROZEN:
            source.state = FROZEN
            source.frozen_ns = taken
            source.frozen_z = z
            source.refused.clear()
            source.verdict = "readings stand still and the block cannot: look at the encoder and its cable"

    def _thaw(self, source: Source, taken: int, z: float) -> None:
        """The readings move again: from where they stuck (counts were lost), or from where the block must be by now."""
        source.state = REFUSING
        source.verdict = ""
        gone = (taken - source.frozen_ns) * 1e-9 + source.interval_s
        moved = abs(self._kin.x + source.bias_m - source.frozen_z)
        if abs(z - source.frozen_z) < 0.25 * moved:
            self._doubt_m += min(self._top * gone, moved + Z99 * sqrt(self._kin.p[0]))
            source.verdict = "counts may be lost since the readings stood still: reference needed"

    # --- a second source ---------------------------------------------------------------------------------------------

    def _compare(self, source: Source, taken: int, z: float) -> RejectReason | None:
        """A source that does not lead: compared with the filter, ready to take the lead where the leader fails."""
        lead, kin = self._lead, self._kin
        if not source.referenced:
            source.offset += self._map.locate(kin.x)[0] - self._map.locate(z)[0]
            source.referenced = lead.referenced
            source.agreement = 0.0
            return None
        if not lead.referenced:
            self._renew(taken, z, SECOND_SIGMA_M)
            lead.verdict = ""
            return None
        dt = (taken - self._t_ns) * 1e-9
        x, v, _, p = kin.predicted(dt)
        if dt < 0.0:
            x += v * dt
        difference = z - x
        variance = p[0] + self._noise(source) + SECOND_SIGMA_M**2
        innovation = difference - source.bias_m
        source.innovation = innovation
        source.test_ratio = innovation * innovation / (variance * GATE)
        if source.run == 0 or source.anchor_m != source.anchor_m:
            if source.state is FROZEN:
                source.state, source.verdict = TRACKING, ""
            if lead.run == 0:
                source.anchor_m = z
        elif source.run >= 4 and source.state is not FROZEN and abs(x - source.anchor_m + source.bias_m) > 0.1:
            self._freeze(source, taken, z)
        if source.state is FROZEN:
            source.rejected += 1
            return RejectReason.GATE
        if lead.run >= 4 and lead.state is TRACKING and abs(z - source.anchor_m) > 0.05 + 5.0 * sqrt(source.noise):
            self._freeze(lead, lead.taken_ns, lead.z)
        if lead.state is not TRACKING or taken - lead.taken_ns > 5e8 + 3e9 * lead.interval_s:
            return self._take_lead(source, taken, z)
        source.state = TRACKING
        source.fused += 1
        source.fused_ns = taken
        if source.agreement is None:
            source.agreement = difference
        gain = min(1.0, source.interval_s / (1.0 + source.interval_s))
        source.agreement += gain * (difference - source.agreement)
        source.bias_m = source.agreement
        self._judge(source, x, v, variance)
        return None

    def _judge(self, source: Source, x: float, v: float, variance: float) -> None:
        """What the agreement of a second source says about the height and, now and then, about the drum."""
        lead, agreement = self._lead, source.agreement or 0.0
        turns, _, by_rope, by_wraps = self._map.locate(x)
        known = self._datum.variance(by_rope, by_wraps) + READY_MADE_VARIANCE + variance
        beyond = abs(agreement) - Z99 * sqrt(known) - 2.0 * TRANSPORT_S * abs(v)
        self._dispute_m = beyond if beyond > 0.0 else 0.0
        if beyond > 0.05:
            source.verdict = f"differs from {lead.sensor.id} by {agreement:+.2f} m"
        elif source.verdict and beyond <= 0.0:
            source.verdict = ""
        if not lead.drum or source.drum or abs(v) > STILL_M_S or abs(x - source.learned_at_m) < APART_M:
            return
        source.learned_at_m = x
        self._watch.add(self._t_ns, turns - self._datum.wraps, x + agreement, self._stretch_of(x), SECOND_SIGMA_M)
        if self._doubt_m == 0.0 and self._datum.check(agreement, by_rope, by_wraps, SECOND_SIGMA_M) <= 1.0:
            self._correct(self._datum.observe(agreement, by_rope, by_wraps, SECOND_SIGMA_M))
            source.agreement = source.bias_m = source.z - self._kin.x

    def _take_lead(self, source: Source, taken: int, z: float) -> RejectReason | None:
        """The leader fails: this source goes on from the height they last agreed on."""
        old = self._lead
        self._lead = source
        source.refused.clear()
        old.agreement = None
        old.anchor_m = nan
        self._doubt_m = 0.0
        reason = self._weigh(source, taken, z, False)
        if reason is not None and not old.fused_ns:
            self._lead = old
        return reason

    # --- outside heights ---------------------------------------------------------------------------------------------

    def _pass_mark(self, mark: Mark, sample: Sample) -> RejectReason | None:
        """A height mark's reading: where it changes, the block is at its height."""
        taken = sample.t_ns
        if mark.clock is not None and sample.source_t_ns is not None:
            taken = mark.clock.taken_ns(taken, sample.source_t_ns)
        before, since = mark.value, (taken - mark.taken_ns) * 1e-9
        mark.value, mark.taken_ns = sample.value, taken
        if before != before or before == sample.value or not self._started or since > 3.0 / mark.sensor.rate_hz:
            return None
        # It changed somewhere between two readings.
        dt = (taken - self._t_ns) * 1e-9 - 0.5 * since
        x, v, _, p = self._kin.predicted(dt)
        if dt < 0.0:
            x += v * dt
        sigma = math.hypot(MARK_SIGMA_M, v * since / math.sqrt(12.0), v * TRANSPORT_S, sqrt(p[0]))
        target = mark.height_m + self._drop(self._load_n, mark.height_m) - self._datum_drop
        innovation = target - x
        mark.innovation = innovation
        lead = self._lead
        turns, _, by_rope, by_wraps = self._map.locate(x)
        ratio = mark.test_ratio = self._datum.check(innovation, by_rope, by_wraps, sigma)
        if not lead.drum:
            mark.fused += 1
            mark.verdict = f"block position differs by {-innovation:+.2f} m here" if ratio > 1.0 else ""
            self._doubt_m = abs(innovation) if ratio > 1.0 else 0.0
            return None
        if lead.referenced and self._doubt_m == 0.0:
            self._watch.add(taken, turns - self._datum.wraps, target, self._stretch_of(x), sigma)
            if ratio <= 1.0:
                mark.fused += 1
                mark.refused_m, mark.verdict = None, ""
                self._correct(self._datum.observe(innovation, by_rope, by_wraps, sigma))
                return None
        confirmed = mark.refused_m is not None and abs(innovation - mark.refused_m) < 0.1 + 3.0 * sigma
        if not lead.referenced or confirmed:
            mark.fused += 1
            mark.refused_m = None
            mark.verdict = f"height corrected by {innovation:+.2f} m" if confirmed else "height taken from this mark"
            lead.verdict = ""
            self._renew(self._t_ns, self._kin.x + innovation, sigma)
            return None
        # One switch alone may be wrong: it is doubted until it says the same again, and so is the height.
        mark.rejected += 1
        mark.refused_m = innovation
        mark.verdict = f"height differs by {innovation:+.2f} m at this mark"
        self._doubt_m = max(self._doubt_m, abs(innovation))
        return RejectReason.GATE

    def _correct(self, found: Correction) -> None:
        """Put a correction of the datum into effect: drum, turns of every drum source, height of the filter."""
        before, kin = self._map, self._kin
        turns = before.locate(kin.x)[0] + found.wraps
        self._map = after = before.moved(before.turns + found.wraps, before.height_m + found.offset_m, found.rope)
        for source in self._order:
            if source.drum:
                source.offset += found.wraps
        x = after.height(turns)
        kin.v *= after.rise_at(x) / before.rise_at(kin.x)
        kin.x = x

    def _renew(self, t_ns: int, x: float, sigma_m: float) -> None:
        """The block is at unloaded height `x` at `t_ns`: the datum moves here, and every source is made to say so."""
        kin, before = self._kin, self._map
        now = kin.predicted((t_ns - self._t_ns) * 1e-9)[0] if self._started else x
        # A small difference lies in the old datum's height; after a large one (lost counts) wraps follow the height.
        turns = before.locate(now if self._trusted and abs(x - now) < SMALL_M else x)[0]
        self._map = after = before.moved(turns, x)
        kin.v *= after.rise_at(x) / before.rise_at(now)
        kin.x += x - now
        for source in self._order:
            if source.raw != source.raw:
                continue
            then = x - kin.v * (t_ns - source.taken_ns) * 1e-9
            if source.drum:
                source.offset = after.locate(then)[0] - source.counts * source.per_count
                source.referenced = True
            elif source is self._lead:
                source.offset += then - source.z
            source.bias_m = 0.0
            source.agreement = None
        self._datum.restart(sigma_m)
        self._doubt_m = self._dispute_m = 0.0

    # --- stretch -----------------------------------------------------------------------------------------------------

    def _drop(self, load_n: float, height_m: float) -> float:
        """How much lower the block hangs under `load_n` than without load, m (Hooke's law, see `block_drop_m`)."""
        return load_n * self._flex * (self._tail - height_m)

    def _stretch_of(self, x: float) -> float:
        """Stretch now against that of the datum, m, at unloaded height `x`."""
        return self._drop(self._load_n, x) - self._datum_drop
