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
from enum import Enum
from itertools import pairwise
from typing import Final

from monitor.config import CaliperBrake, Rig, Sensor
from monitor.core.aiding import Datum, HeightMap, SourceClock
from monitor.core.kinematics import Kinematics
from monitor.core.types import RejectReason, Sample, Validity
from monitor.physics.drum import DrumGeometry

Z99: Final = 2.5758
"""Half-width of the central 99 % of a normal distribution, in sigmas."""
GATE: Final = 19.5
"""Chi-square, one degree of freedom, 99.999 %: at 20 readings a second one good reading in an hour and a half."""
JERK_PSD: Final = 0.5
"""Power of the jerk, m^2/s^5: a brake ramp of some m/s^3 lasting a quarter second, now and then (derived here)."""
OLDEST_S: Final = 0.4
"""A reading older than this against the newest one used is refused."""
DEGRADED_BOUND_M: Final = 0.25
INVALID_BOUND_M: Final = 1.0
SILENT_S: Final = 2.0
"""Silence after which no height is given (longer where the sensor is slow by nature)."""
FROZEN_INVALID_S: Final = 1.0
SLOW_PERIOD_S: Final = 1.5
"""A source whose readings are further apart than this is slow data."""
START_M_S2: Final = 1.0
"""Acceleration that a hoist may take up unseen: motors hoisting, gravity lowering (free fall stays below this)."""
COAST_M_S2: Final = 1.6
"""Greatest deceleration with the friction brake off: power cut while hoisting heavy, auxiliary brake lowering."""
TRANSPORT_S: Final = 0.02
"""Shortest transport time, which no clock comparison can see (common practice, no source)."""
STRETCH_DOUBT: Final = 0.2
"""Published moduli differ by 20 %."""
WRAPS_SIGMA: Final = 0.25
"""Doubt of the wraps counted at the datum."""
MIN_STILL_REPEAT: Final = 20
REPEAT_RARITY: Final = 20.7
"""-ln(1e-9): a run of identical readings rarer than this is a stuck sensor."""


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


class SourceState(Enum):
    """Life of a position source; see the table on top."""

    WAITING = "waiting"
    TRACKING = "tracking"
    REFUSING = "refusing"
    FROZEN = "frozen"


class _Source:
    """Working memory of one position source."""

    __slots__ = (
        "agreement", "bias", "changed", "clock", "counts", "drum", "frozen_ns", "frozen_z", "fused", "fused_ns",
        "innovation", "interval_s", "modulus", "noise", "offset", "other_z", "per_count", "raw", "referenced",
        "refused", "rejected", "repeats", "run", "sensor", "slow", "state", "stills", "taken_ns", "test_ratio",
        "time_sigma_s", "verdict", "z",
    )  # fmt: skip

    def __init__(self, sensor: Sensor) -> None:
        self.sensor = sensor
        self.drum = sensor.quantity == "drum_counts"
        self.clock = SourceClock(sensor.rate_hz) if sensor.time is not None else None
        self.modulus = float(2**sensor.bits)
        self.per_count = sensor.sense / (sensor.counts_per_turn or 1.0)
        # Variance in counts^2 or m^2; a count is a step, which adds 1/12 (uniform distribution).
        sigma = sensor.sigma * sensor.si.scale
        self.noise = sigma**2 + 1.0 / 12.0 if self.drum else max(sigma, 1e-3) ** 2
        # Rounding of the source's time, or jitter of the arrival where there is none.
        self.time_sigma_s = 5e-3 if sensor.time is None else {"us": 1e-5, "ns": 1e-5}.get(sensor.time_format, 3e-4)
        self.state = SourceState.WAITING
        self.raw = math.nan
        self.counts = 0.0
        self.offset = 0.0
        """Drum: turns at zero counts. Position: metres added to the reading."""
        self.referenced = not self.drum
        self.z = math.nan
        self.taken_ns = 0
        self.changed = True
        self.run = 0
        self.other_z: tuple[float, ...] = ()
        self.repeats = 196.0
        self.stills = 200.0
        self.frozen_ns = 0
        self.frozen_z = 0.0
        self.fused = 0
        self.fused_ns = 0
        self.rejected = 0
        self.refused: list[tuple[int, float]] = []
        self.innovation: float | None = None
        self.test_ratio: float | None = None
        self.interval_s = 1.0 / sensor.rate_hz
        self.slow = self.interval_s > SLOW_PERIOD_S
        self.bias = 0.0
        self.agreement: float | None = None
        self.verdict = ""


@dataclass(slots=True)
class _Mark:
    """Working memory of one height mark."""

    sensor: Sensor
    clock: SourceClock | None
    value: float = math.nan
    taken_ns: int = 0
    innovation: float | None = None
    test_ratio: float | None = None
    fused: int = 0
    rejected: int = 0
    verdict: str = ""


def greatest_deceleration_m_s2(rig: Rig) -> float:
    """The hardest stop the rig's friction brakes could make, m/s^2, with a margin for friction above the configured.

    Brake torque against the inertia of the drum alone, T r / (J N), on the fullest layer: an empty block, whose own
    weight helps while hoisting, comes on top with at most its share of g. Derived here.
    """
    brake = rig.brake
    if isinstance(brake, CaliperBrake):
        force = brake.calipers * brake.clamp_force_n + brake.emergency_calipers * brake.emergency_clamp_force_n
        torque = 2.0 * brake.friction * force * brake.effective_radius_m
    else:
        grip = math.exp(brake.friction * math.radians(brake.wrap_deg))
        torque = brake.bands * brake.full_pull_n * (grip - 1.0) * brake.rim_radius_m
    drum = rig.drum
    radius = drum.core_diameter_m / 2 + rig.line.rope_diameter_m * (0.5 + drum.nesting * (drum.max_layers - 1))
    reflected = drum.inertia_kg_m2 * (rig.line.lines / radius) ** 2
    hardest = torque * (1.0 + rig.uncertainty.friction) * rig.line.lines / radius / (reflected + rig.block.mass_kg)
    return min(9.8, max(2.0, hardest + 1.0))


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
        self._map = HeightMap(geometry, reference.turns, reference.height_m, line.lines)
        self._datum = Datum(reference.sigma_m, rig.uncertainty.rope_diameter / 2.0, WRAPS_SIGMA)
        self._top = 1.25 * rig.limits.max_speed_m_s
        self._hardest = greatest_deceleration_m_s2(rig)
        self._kin = Kinematics(JERK_PSD, self._top, self._hardest)
        self._t_ns = 0
        self._fused_ns = 0
        self._started = False
        self._sources: dict[int, _Source] = {}
        self._marks: dict[int, _Mark] = {}
        for index, sensor in enumerate(rig.sensors):
            if sensor.spec.role == "position":
                source = self._sources[index] = _Source(sensor)
                counts = reference.counts.get(sensor.id)
                if source.drum and counts is not None:
                    source.offset = reference.turns - counts * source.per_count
                    source.referenced = True
            elif sensor.spec.role == "mark":
                clock = SourceClock(sensor.rate_hz) if sensor.time is not None else None
                self._marks[index] = _Mark(sensor, clock)
        self._order = tuple(self._sources.values())
        self._lead = next((source for source in self._order if source.referenced), self._order[0])
        self._doubt_m = 0.0
        self._braking: bool | None = None
        # Stretch: block drop = load * flex * (crown - height + tail), from the load of the datum.
        self._flex = 1.0 / (line.lines * line.axial_stiffness_n)
        self._tail = rig.mast.crown_m + (line.fast_line_m + line.dead_line_m) / line.lines
        self._load_n = reference.hook_load_n
        self._load_slow_n = reference.hook_load_n
        self._load_rate = 0.0
        self._load_ns = 0
        self._datum_drop = self._drop(reference.hook_load_n, reference.height_m)

    # --- inputs ------------------------------------------------------------------------------------------------------

    def ingest(self, sample: Sample) -> RejectReason | None:
        """Take in a reading of a position or mark sensor; the reason where it was refused. Other sensors: nothing."""
        source = self._sources.get(sample.sensor)
        if source is None:
            mark = self._marks.get(sample.sensor)
            return None if mark is None else self._ingest_mark(mark, sample)
        t_ns = sample.t_ns
        clock = source.clock
        if clock is None or sample.source_t_ns is None:
            taken = t_ns
        else:
            taken = clock.taken_ns(t_ns, sample.source_t_ns)
        value = sample.value
        if source.drum:
            z = self._map.height(self._turns(source, value, taken))
        else:
            z = value + source.offset + self._stretch(value)
        repeat = value == source.raw
        since = (taken - source.taken_ns) * 1e-9
        if 0.0 < since < 60.0:
            source.interval_s += 0.05 * (since - source.interval_s)
            source.slow = source.interval_s > SLOW_PERIOD_S
        source.raw = value
        source.taken_ns = taken
        source.z = z
        if not self._started:
            self._start(source, taken, z)
            return None
        return self._weigh(source, taken, z, repeat)

    def load(self, t_ns: int, hook_load_n: float) -> None:
        """The hook load now, for the stretch of the line."""
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
        """The crew says that the block is at `height_m` now: the datum is renewed, the drum's dimensions stay."""
        x = height_m + self._drop(self._load_n, height_m) - self._datum_drop
        self._renew(t_ns, x, self._rig.reference.sigma_m)

    def slip_and_cut(self, t_ns: int, turns_at_reference: float) -> None:
        """Line was cut: with the block at the reference height there are now `turns_at_reference` wraps on the drum.

        The drum turned while the block hung off, so the counts no longer mean a height: it is INVALID until the next
        `reference` (or height mark).
        """
        self._map = self._map.moved(turns_at_reference, self._rig.reference.height_m)
        self._datum.restart(self._rig.reference.sigma_m, rope_known=False, wraps_known=False)
        for source in self._order:
            if source.drum:
                source.referenced = False
        position = next((source for source in self._order if source.referenced), None)
        if position is not None:
            self._lead = position
            self._started = False

    # --- output ------------------------------------------------------------------------------------------------------

    def estimate(self, t_ns: int) -> Estimate:
        """The motion at `t_ns`, predicted from the last reading; the filter stays as it is."""
        if not self._started:
            return self._nothing(t_ns)
        dt = (t_ns - self._t_ns) * 1e-9
        x, v, a, p = self._kin.predicted(dt)
        lead = self._lead
        layers = self._map
        turns, k, by_rope, by_wraps = layers.locate(x)
        var = self._datum.variance(by_rope, by_wraps) if lead.drum else 4e-4
        strain = self._load_n * self._flex
        drop = strain * (self._tail - x) - self._datum_drop
        rate = self._load_rate * self._flex * (self._tail - x)
        sigma = math.sqrt(p[0] + var)
        silent = (t_ns - self._fused_ns) * 1e-9
        if silent < 0.0:
            silent = 0.0
        speed = abs(v)
        # What may have happened since the last reading: a start, or a stop, which cannot take more than the way itself.
        unseen = 0.5 * silent * silent
        stop = unseen * (COAST_M_S2 if self._braking is False else self._hardest)
        if stop > speed * silent:
            stop = speed * silent
        unseen *= START_M_S2
        if unseen < stop:
            unseen = stop
        far = (self._top + speed) * silent
        if unseen > far:
            unseen = far
        bound = Z99 * sigma + unseen + TRANSPORT_S * speed + STRETCH_DOUBT * abs(drop) + self._doubt_m
        speed_sigma = math.sqrt(p[3])
        scale = Z99 * layers.rope_slope(k) * math.sqrt(self._datum.p[3]) if lead.drum else 0.0
        if not lead.referenced:
            scale += layers.widest_step - 1.0
        speed_bound = Z99 * speed_sigma + speed * scale + START_M_S2 * min(silent, 0.5) + 2 * STRETCH_DOUBT * abs(rate)
        validity = self._validity(lead, silent, bound)
        return Estimate(
            t_ns,
            math.nan if validity is Validity.INVALID else x - drop,
            v * (1.0 + strain) - rate,
            a,
            sigma,
            speed_sigma,
            math.sqrt(p[5]),
            bound,
            speed_bound,
            validity,
            turns,
            k + 1,
            layers.radius_m(k),
            lead.slow,
        )

    def _validity(self, lead: _Source, silent: float, bound: float) -> Validity:
        if not lead.referenced:
            return Validity.INVALID
        limit = SILENT_S
        if lead.slow:
            limit = max(limit, 2.5 * lead.interval_s)
        elif bound > INVALID_BOUND_M:
            return Validity.INVALID
        if lead.state is SourceState.FROZEN:
            limit = FROZEN_INVALID_S
        if silent > limit or self._doubt_m > INVALID_BOUND_M:
            return Validity.INVALID
        if bound > DEGRADED_BOUND_M or self._doubt_m > 0.0 or silent > lead.sensor.stale_after_s:
            return Validity.DEGRADED
        return Validity.VALID

    def _nothing(self, t_ns: int) -> Estimate:
        """No reading yet."""
        turns, k, _, _ = self._map.locate(self._rig.limits.upper_m)
        inf = math.inf
        return Estimate(
            t_ns, math.nan, 0.0, 0.0, inf, inf, inf, inf, inf, Validity.INVALID, turns, k + 1,
            self._map.radius_m(k), self._lead.slow,
        )  # fmt: skip

    def fusion(self, sensor: int) -> Fusion:
        """Health record of the sensor with that index in the rig's tuple; an empty one if it is neither kind."""
        source = self._sources.get(sensor)
        if source is not None:
            clock = source.clock
            return Fusion(
                source.innovation,
                source.test_ratio,
                source.fused,
                source.rejected,
                source.state in (SourceState.REFUSING, SourceState.FROZEN),
                None if clock is None else clock.latency_s,
                None if source is self._lead else source.agreement,
                source.verdict or ("" if clock is None else clock.verdict),
            )
        mark = self._marks.get(sensor)
        if mark is None:
            return Fusion()
        return Fusion(
            mark.innovation,
            mark.test_ratio,
            mark.fused,
            mark.rejected,
            False,
            None if mark.clock is None else mark.clock.latency_s,
            mark.innovation,
            mark.verdict,
        )

    # --- one reading -------------------------------------------------------------------------------------------------

    def _turns(self, source: _Source, raw: float, taken: int) -> float:
        """Wraps on the drum from a raw count, unwrapped against the last one."""
        last = source.raw
        if last != last:
            source.counts = raw
        else:
            step = raw - last
            if step:
                modulus = source.modulus
                half = 0.5 * modulus
                if step > half or step < -half:
                    step -= modulus * math.floor(step / modulus + 0.5)
                source.counts += step
        return source.offset + source.counts * source.per_count

    def _start(self, source: _Source, taken: int, z: float) -> None:
        """First reading of all, or the first after the datum was lost."""
        if not self._lead.referenced and source.referenced:
            self._lead = source
        if not source.referenced:
            if source is not self._lead:
                return
            # No datum: the middle of the range, so that speeds are as little wrong as can be.
            middle = 0.5 * (self._rig.limits.lower_m + self._rig.limits.upper_m)
            source.offset += self._map.locate(middle)[0] - (source.offset + source.counts * source.per_count)
            z = source.z = middle
        self._kin.reset(z, 0.0, 0.0, self._noise(source), (0.5 * self._top) ** 2, 0.25)
        self._t_ns = self._fused_ns = source.fused_ns = taken
        self._lead = source
        source.state = SourceState.TRACKING
        source.fused += 1
        self._started = True

    def _noise(self, source: _Source) -> float:
        """Variance of one reading, m^2."""
        jitter = self._kin.v * source.time_sigma_s
        if source.drum:
            step = self._map.rise_at(self._kin.x) * source.per_count
            return source.noise * step * step + jitter * jitter
        return source.noise + jitter * jitter

    def _weigh(self, source: _Source, taken: int, z: float, repeat: bool) -> RejectReason | None:
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
        innovation, variance = kin.innovation(z - source.bias, self._noise(source), age)
        ratio = innovation * innovation / (variance * GATE)
        source.innovation = innovation
        source.test_ratio = ratio
        if repeat:
            source.run += 1
        else:
            source.run = 0
        if source.state is SourceState.FROZEN:
            if repeat:
                source.rejected += 1
                return RejectReason.GATE
            self._thaw(source, taken, z)
        elif repeat and source.drum and self._stuck(source):
            self._freeze(source, taken, z)
            source.rejected += 1
            return RejectReason.GATE
        if ratio > 1.0:
            since = max(0.0, (taken - self._fused_ns) * 1e-9)
            limit = START_M_S2
            if innovation * kin.v < 0.0:
                limit = COAST_M_S2 if self._braking is False else self._hardest
            if abs(innovation) > 0.5 * limit * since * since + 4.5 * math.sqrt(variance) or since > OLDEST_S:
                return self._refuse(source, taken, z, repeat)
            xx, xv, xa, vv, va, aa = kin.p
            kin.p = (
                xx + 0.25 * limit * limit * since**4, xv, xa, vv + limit * limit * since * since, va, aa + limit * limit
            )  # fmt: skip
            innovation, variance = kin.innovation(z - source.bias, self._noise(source), age)
        kin.update(innovation, variance, age)
        source.state = SourceState.TRACKING
        if source.refused:
            source.refused.clear()
            source.verdict = ""
        source.fused += 1
        source.fused_ns = taken
        if taken > self._fused_ns:
            self._fused_ns = taken
        if -0.02 < kin.v < 0.02:
            source.stills += 1.0
            source.repeats += repeat
        return None

    def _refuse(self, source: _Source, taken: int, z: float, repeat: bool) -> RejectReason:
        """A reading that no machine could have made since the last good one."""
        source.rejected += 1
        if repeat and source.drum:
            self._freeze(source, taken, z)
            return RejectReason.GATE
        source.state = SourceState.REFUSING
        source.refused.append((taken, z))
        if len(source.refused) > 40:
            del source.refused[0]
        if source is self._lead or self._lead.state is not SourceState.TRACKING:
            self._try_again(source)
        return RejectReason.GATE

    def _try_again(self, source: _Source) -> None:
        """Start the filter again from refused readings, once there are enough that agree among themselves."""
        refused = source.refused
        need = 3 if source.slow else 5
        if len(refused) < need:
            return
        recent = refused[-need:]
        noise = 6.0 * math.sqrt(self._noise(source))
        span = (recent[-1][0] - recent[0][0]) * 1e-9
        if span < min(0.2, (need - 1) * 0.5 * source.interval_s):
            return
        for (t0, z0), (t1, z1) in pairwise(recent):
            if abs(z1 - z0) > 1.5 * self._top * (t1 - t0) * 1e-9 + noise:
                return
        t_ns, z = recent[-1]
        speed = (z - recent[0][1]) / span
        first_ns, first = refused[0]
        silent = (first_ns - self._fused_ns) * 1e-9
        x, _, _, p = self._kin.predicted((t_ns - self._t_ns) * 1e-9)
        predicted_then = x - speed * (t_ns - first_ns) * 1e-9
        jump = abs(first - predicted_then) - self._top * silent - Z99 * math.sqrt(p[0])
        if jump > 0.05:
            self._doubt_m += jump
            source.verdict = f"height jumped by {first - predicted_then:+.2f} m: reference needed"
        swing = 0.5 * self._hardest * span
        self._kin.reset(z - source.bias, speed, 0.0, self._noise(source), swing * swing, self._hardest**2)
        self._t_ns = max(self._t_ns, t_ns)
        self._fused_ns = source.fused_ns = t_ns
        source.state = SourceState.TRACKING
        refused.clear()
        self._lead = source

    # --- frozen encoders ---------------------------------------------------------------------------------------------

    def _stuck(self, source: _Source) -> bool:
        """Whether a run of identical readings is rarer than this encoder's own habit at rest allows."""
        run = source.run
        if run < MIN_STILL_REPEAT:
            return False
        habit = source.repeats / source.stills
        return habit < 1.0 and run * -math.log(habit) > REPEAT_RARITY

    def _freeze(self, source: _Source, taken: int, z: float) -> None:
        if source.state is not SourceState.FROZEN:
            source.state = SourceState.FROZEN
            source.frozen_ns = taken
            source.frozen_z = z
            source.refused.clear()
            source.verdict = "readings stand still while the block cannot have stopped"

    def _thaw(self, source: _Source, taken: int, z: float) -> None:
        """The readings move again: from where they stuck (counts were lost), or from where the block must be by now."""
        source.state = SourceState.REFUSING
        source.verdict = ""
        gone = (taken - source.frozen_ns) * 1e-9 + source.interval_s
        x, _, _, p = self._kin.predicted(0.0)
        expected = x - source.frozen_z
        if abs(z - source.frozen_z) < 0.25 * abs(expected):
            self._doubt_m += min(self._top * gone, abs(expected) + Z99 * math.sqrt(p[0]))
            source.verdict = "counts were lost while the readings stood still: reference needed"

    # --- outside heights ---------------------------------------------------------------------------------------------

    def _ingest_mark(self, mark: _Mark, sample: Sample) -> RejectReason | None:
        return None

    def _renew(self, t_ns: int, x: float, sigma_m: float) -> None:
        """Every source is at unloaded height `x` now: shift counts and offsets so that they say so."""
        layers = self._map
        turns = layers.locate(x)[0]
        for source in self._order:
            if source.drum:
                if source.raw == source.raw:
                    source.offset = turns - source.counts * source.per_count
                    source.referenced = True
            elif source.raw == source.raw and source is self._lead:
                source.offset += x - source.z
            source.bias = 0.0
        self._datum.restart(sigma_m)
        self._doubt_m = 0.0
        if self._started:
            self._kin.x = x

    # --- stretch -----------------------------------------------------------------------------------------------------

    def _drop(self, load_n: float, height_m: float) -> float:
        """How much lower the block hangs under `load_n` than without load, m (Hooke's law, see `block_drop_m`)."""
        return load_n * self._flex * (self._tail - height_m)

    def _stretch(self, height_m: float) -> float:
        """What to add to a true height to have the unloaded one of the filter."""
        return self._drop(self._load_n, height_m) - self._datum_drop
