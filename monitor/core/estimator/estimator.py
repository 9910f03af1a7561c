"""Where the block is, how fast it moves, and how sure that is, from whatever position sensors the rig has.

Theory of operation. One filter (`kinematic_filter`) runs in metres of block height as the unloaded line would
give it: turns of the drum through the layer curve, or a ready-made block position with its stretch taken out. Load
stretch is put on at the output, so that a pick-up of the string is not mistaken for motion of the drum.

Readings are taken in at their own time, in order of arrival (`monitor.core.estimator.aiding.SourceClock`). The filter's time is
the newest reading's time, never later; `estimate` predicts from there, and changes nothing.

The leading source feeds the filter (`position_filter`). A second source is compared with it all the time, and
takes the lead where the leader falls silent, sticks or is refused: it goes on from the height they last agreed on.
Height marks, second sources and the crew state heights from outside: what they differ by corrects the drum's curve
(`monitor.core.estimator.aiding`) where that can explain it, and is a doubt on the height where not.

What is then said of height and speed, with bounds and validity, is `monitor.core.estimator.prediction`.

Over 450 lines, because everything in it works on the same few sources and on who of them leads.
"""

import math
from collections.abc import Mapping
from math import nan, sqrt
from typing import Any, Final

from monitor.config.rig import Rig
from monitor.core.estimator.aiding import Correction
from monitor.core.estimator.estimate import Estimate, Fusion
from monitor.core.estimator.height_frame import HeightFrame
from monitor.core.estimator.plausibility import UNHELD_S, Contradictions, Unheld
from monitor.core.estimator.position_filter import FROZEN, GATE, LOST_M, REFUSING, STILL_M_S, TRACKING, Z99, Tracking
from monitor.core.estimator.prediction import READY_MADE_VARIANCE, TRANSPORT_S, nothing, predict
from monitor.core.estimator.sources import SLOW_PERIOD_S, Mark, Source, clock_of
from monitor.core.saved_state import number, part, words
from monitor.model.reading import RejectReason, Sample

__all__ = ["Estimate", "Estimator", "Fusion"]

SMALL_M: Final = 0.25
"""A reference that differs by less than this is taken as a better figure, not as lost counts."""
MARK_SIGMA_M: Final = 0.02
"""Where in its travel past the mark the switch changes (common practice, no source)."""
SECOND_SIGMA_M: Final = 0.03
"""Doubt of one comparison with a second source, outside what the datum knows (common practice, no source)."""
YOUNG: Final = 20
"""Readings of a source after which the shortest delay is taken as known: from then on it changes by little."""
APART_M: Final = 2.0
"""Comparisons with a second source count as new evidence this far apart."""


class Estimator:
    """Height, speed and acceleration of the block from a rig's position sensors and marks. See the top of this file."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._frame = frame = HeightFrame(rig)
        self._track = Tracking(rig, frame)
        self._against = Contradictions(rig)
        self.unheld = Unheld(rig)
        """To be told of the readings that it names."""
        self._braking_ns = 0
        self._dispute_m = 0.0
        """What a second source differs by beyond the doubt of both."""
        self._set_down_words = ""
        reference = rig.reference
        self._sources: dict[int, Source] = {}
        self._marks: dict[int, Mark] = {}
        working = frame.layers.locate(rig.mast.crown_m)[0] - frame.layers.locate(rig.mast.floor_m)[0]
        self._working = 1.2 * working
        """Turns of the drum between floor and crown, and some."""
        for index, sensor in enumerate(rig.sensors):
            if sensor.spec.role == "position":
                source = self._sources[index] = Source(sensor)
                counts = reference.counts.get(sensor.id)
                if source.drum and counts is not None and not source.wraps_within(self._working):
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
        track, frame, value, leads = self._track, self._frame, sample.value, source is self._lead
        if source.fused < YOUNG and clock is not None and clock.sooner_ns and leads and track.started:
            # A shorter delay than any before: the readings so far were taken so much sooner, and what lies between them and
            # this one is as much longer. Left as it is, the first speed of a block in motion may be twice the true one.
            track.t_ns -= clock.sooner_ns
            track.fused_ns -= clock.sooner_ns
            source.taken_ns -= clock.sooner_ns
        since = (taken - source.taken_ns) * 1e-9
        if source.drum:
            z = frame.layers.height(source.offset + track.count(source, value, since, leads) * source.per_count)
        else:
            z = value + source.offset + frame.stretch_m(value)
        if value == source.raw:
            source.run += 1
            source.free_run = 0 if track.braking else source.free_run + 1
            source.turned = False
        else:
            source.run = source.free_run = 0
            source.turned = (value - source.raw) * source.step < 0.0
            source.step = value - source.raw
        if clock is None:
            source.watch_jitter(since)
        if 0.0 < since < 60.0:
            source.interval_s += 0.05 * (since - source.interval_s)
            source.slow = source.interval_s > SLOW_PERIOD_S
        source.watch_scatter(z, since)
        source.raw = value
        source.taken_ns = taken
        source.z = z
        if track.started:
            if not leads:
                return self._compare(source, taken, z)
            reason = track.weigh(source, taken, z)
            same_s = source.run * source.interval_s
            if same_s > UNHELD_S and source.drum and source.state is TRACKING and self.unheld.seconds(taken) > UNHELD_S:
                # It has said the same all the time since nothing holds the block any more: it is stuck.
                track.freeze(source, taken, z)
            if self._against.undriven and source.drum and self._against.rise(taken, track.kin.v):
                track.doubt_m = max(track.doubt_m, LOST_M)
                source.verdict = "block rises faster and faster with the clutch out: look at encoder and clutch signal"
            return reason
        if source.referenced and not self._lead.referenced:
            self._lead = source
        if source is self._lead:
            track.start(source, taken, z)
        return None

    def load(self, t_ns: int, hook_load_n: float) -> None:
        """The hook load now, N, for the stretch of the line."""
        self._frame.load(t_ns, hook_load_n)
        if self._against.slack_changes(t_ns, hook_load_n) and self._track.started:
            x, v, _ = self._track.ahead(t_ns)
            self._against.load(t_ns, x, v)

    def braking(self, t_ns: int, braking: bool | None) -> None:
        """Whether the friction brake is on (None: not known). A block cannot stop hard with its brake off."""
        self._track.braking = braking
        self._braking_ns = t_ns

    def braked(self, acceleration_m_s2: float) -> None:
        """Acceleration that the known braking makes now, m/s2, upwards positive (NaN: not known)."""
        self._track.push(acceleration_m_s2)

    def driven(self, t_ns: int, engaged: bool | None) -> None:
        """Whether the clutch is in (None: not known). With the clutch out nothing speeds the block up on its way up."""
        self._against.driven(engaged, self._track.kin.v)

    def reference(self, t_ns: int, height_m: float) -> None:
        """The crew says that the block is at `height_m` now: the datum moves here.

        What the height read before tells on the drum: a difference that rope diameter and start wrap explain within
        what is believed of them corrects those, so that the curve fits the old datum and the new one.
        """
        track, frame = self._track, self._frame
        if not track.started:
            return
        x = height_m + frame.stretch_m(height_m)
        if self._trusted:
            now, v, variance = track.ahead(t_ns)
            _, _, by_rope, by_wraps = frame.layers.locate(now)
            sigma = math.hypot(self._rig.reference.sigma_m, sqrt(variance), TRANSPORT_S * v)
            if frame.datum.check(x - now, by_rope, by_wraps, sigma) <= 1.0:
                self._correct(frame.datum.observe(x - now, by_rope, by_wraps, sigma))
        self._renew(t_ns, x, self._rig.reference.sigma_m)
        frame.watch.restart(frame.layers)
        self._set_down_words = ""
        for source in self._order:
            source.verdict = ""

    def slip_and_cut(self, t_ns: int, turns_at_reference: float) -> None:
        """Line was cut: with the block at the reference height there are now `turns_at_reference` wraps on the drum.

        The drum turned while the block hung off, so the counts no longer mean a height: it is INVALID until the next
        `reference` or height mark (or comes from a ready-made position, where the rig has one).
        """
        self._frame.cut(turns_at_reference)
        self._set_down_words = ""
        for source in self._order:
            if source.drum:
                source.referenced = False
                source.verdict = "line cut: reference needed"
        position = next((source for source in self._order if source.referenced), None)
        if position is not None and position is not self._lead:
            self._lead = position
            self._track.started = False

    def set_down(self, t_ns: int) -> None:
        """The string was set in slips just now, which happens at much the same height each time: drift shows there."""
        if self._track.started and self._lead.referenced:
            self._set_down_words = self._frame.watch.set_down(self._track.ahead(t_ns)[0])

    # --- output ------------------------------------------------------------------------------------------------------

    def estimate(self, t_ns: int) -> Estimate:
        """The motion at `t_ns`, predicted from the last reading; the filter stays as it is."""
        if not self._track.started:
            return nothing(t_ns, self._frame, self._rig.limits.upper_m, self._lead.slow)
        return predict(t_ns, self._track, self._frame, self._lead, self._against, self._dispute_m, self._braking_ns)

    # --- across a restart --------------------------------------------------------------------------------------------

    def state(self) -> dict[str, Any]:
        """What a restart must not lose, as plain JSON values: the datum, and what each source's readings mean."""
        return {
            "drum": self._fingerprint(),
            "frame": self._frame.state(),
            "doubt_m": self._track.doubt_m,
            "lead": self._lead.sensor.id if self._lead.referenced else "",
            "sources": {source.sensor.id: source.saved() for source in self._order},
        }

    def restore(self, saved: Mapping[str, Any], gap_s: float) -> None:
        """Take up what `state` gave `gap_s` seconds ago, before the first reading.

        A counter that the block could have run over unseen in that time no longer tells a height.

        Raises:
            ValueError: it is not such a state, or the rig's drum, line, sensors or reference have changed since. The
                estimator is then to be made anew.
        """
        if saved.get("drum") != self._fingerprint():
            raise ValueError("the rig file's drum, line, position sensors or reference changed")
        doubt = number(saved, "doubt_m", 0.0, 1e4)
        lead, sources = words(saved, "lead"), part(saved, "sources")
        self._frame.restore(part(saved, "frame"))
        for source in self._order:
            span = source.modulus * abs(source.per_count) * self._frame.layers.rise_at(self._rig.mast.floor_m)
            known = not (source.drum and source.wraps_within(self._working)) or self._track.top * gap_s < 0.5 * span
            source.resume(part(sources, source.sensor.id), known)
            if source.drum and not known:
                source.verdict = "the counter may have run over while nobody watched: reference needed"
            if source.referenced and (source.sensor.id == lead or not self._lead.referenced):
                self._lead = source
        self._track.doubt_m = doubt

    def _fingerprint(self) -> list[float]:
        """All that the meaning of counts and of the datum rests on in the rig's file."""
        rig, drum, reference = self._rig, self._rig.drum, self._rig.reference
        found = [drum.core_diameter_m, float(drum.wraps_per_layer), drum.nesting, float(drum.max_layers)]
        found += [rig.line.rope_diameter_m, float(rig.line.lines), reference.height_m, reference.turns]
        for source in self._order:
            found += [source.per_count, source.modulus, float(reference.counts.get(source.sensor.id, -1.0))]
        return found

    def fusion(self, sensor: int) -> Fusion:
        """Health record of the sensor with that index in the rig's tuple; an empty one if it is neither kind."""
        source = self._sources.get(sensor)
        if source is not None:
            clock = source.clock
            refusing, words = self.judged(sensor)
            return Fusion(
                source.innovation,
                source.test_ratio,
                source.fused,
                source.rejected,
                refusing,
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

    def judged(self, sensor: int) -> tuple[bool, str]:
        """(whether its readings are being refused, what there is to say of it) of a sensor, as in `fusion`."""
        source = self._sources.get(sensor)
        if source is None:
            mark = self._marks.get(sensor)
            return (False, "") if mark is None else (mark.refused_m is not None, mark.verdict)
        words = source.verdict or ("" if source.clock is None else source.clock.verdict)
        if not words and source is self._lead:
            words = self._against.words or self._frame.watch.verdict.text or self._set_down_words
        return source.state is REFUSING or source.state is FROZEN, words

    @property
    def _trusted(self) -> bool:
        """Whether the height rests on a drum's datum that nothing speaks against."""
        return self._track.started and self._lead.drum and self._lead.referenced and self._track.doubt_m == 0.0

    # --- a second source ---------------------------------------------------------------------------------------------

    def _compare(self, source: Source, taken: int, z: float) -> RejectReason | None:
        """A source that does not lead: compared with the filter, ready to take the lead where the leader fails."""
        lead, track = self._lead, self._track
        if not source.referenced:
            self._align(source, z)
            source.referenced = lead.referenced
            return None
        if not lead.referenced:
            self._renew(taken, z, SECOND_SIGMA_M)
            self._frame.watch.restart(self._frame.layers)
            lead.verdict = ""
            return None
        x, v, variance = track.ahead(taken)
        variance += track.noise(source) + SECOND_SIGMA_M**2
        difference = z - x
        innovation = difference - source.bias_m
        source.innovation = innovation
        ratio = source.test_ratio = innovation * innovation / (variance * GATE)
        if source.run == 0 or source.anchor_m != source.anchor_m:
            if source.state is FROZEN:
                source.state = TRACKING
                source.verdict = ""
                if ratio > 1.0 and source.drum:
                    self._align(source, z)
                    source.verdict = f"counts lost while it stood still: set to agree with {lead.sensor.id}"
                    return None
            if lead.run == 0:
                source.anchor_m = z
        elif source.run >= 4 and source.state is not FROZEN and abs(x + source.bias_m - source.anchor_m) > 0.1:
            track.freeze(source, taken, z)
        if source.state is FROZEN:
            source.rejected += 1
            return RejectReason.GATE
        if (
            lead.run >= 4
            and lead.state is TRACKING
            and abs(z - source.anchor_m) > 0.05 + 5.0 * sqrt(track.noise(source))
        ):
            track.freeze(lead, lead.taken_ns, lead.z)
        failing = lead.state is FROZEN or len(lead.refused) >= 3 or taken - lead.taken_ns > 5e8 + 3e9 * lead.interval_s
        if failing and ratio <= 1.0:
            return self._take_lead(source, taken, z)
        if ratio > 1.0 and source.agreement is not None:
            # One reading far off is refused; several say that one of the two sources has moved.
            source.refused.append((taken, z))
            if len(source.refused) < 5:
                source.state = REFUSING
                source.rejected += 1
                return RejectReason.GATE
            source.agreement = None
        source.refused.clear()
        source.state = TRACKING
        source.fused += 1
        source.fused_ns = taken
        if source.agreement is None:
            source.agreement = difference
        gain = min(1.0, source.interval_s / (1.0 + source.interval_s))
        source.agreement += gain * (difference - source.agreement)
        source.bias_m = source.agreement
        self._judge(source, x, v, variance)
        if source.drum and not lead.drum and source.fused - source.joined > 100 and abs(source.agreement) < 0.05:
            self._take_lead(source, taken, z)
        return None

    def _align(self, source: Source, z: float) -> None:
        """Make a drum source that means no height, or no longer, agree with the filter."""
        layers = self._frame.layers
        source.offset += layers.locate(self._track.kin.x)[0] - layers.locate(z)[0]
        source.agreement = source.bias_m = 0.0
        source.refused.clear()

    def _judge(self, source: Source, x: float, v: float, variance: float) -> None:
        """What the agreement of a second source says about the height and, now and then, about the drum."""
        lead, frame, agreement = self._lead, self._frame, source.agreement or 0.0
        _, _, by_rope, by_wraps = frame.layers.locate(x)
        known = frame.datum.variance(by_rope, by_wraps) + READY_MADE_VARIANCE + variance
        beyond = abs(agreement) - Z99 * sqrt(known) - 2.0 * TRANSPORT_S * abs(v)
        self._dispute_m = beyond if beyond > 0.0 else 0.0
        if beyond > 0.05:
            source.verdict = f"differs from {lead.sensor.id} by {agreement:+.2f} m"
        elif source.verdict and beyond <= 0.0:
            source.verdict = ""
        if not lead.drum or source.drum or abs(v) > STILL_M_S or abs(x - source.learned_at_m) < APART_M:
            return
        source.learned_at_m = x
        frame.note(self._track.t_ns, x, x + agreement, SECOND_SIGMA_M)
        if self._trusted and frame.datum.check(agreement, by_rope, by_wraps, SECOND_SIGMA_M) <= 1.0:
            self._correct(frame.datum.observe(agreement, by_rope, by_wraps, SECOND_SIGMA_M))
            source.agreement = source.bias_m = source.z - self._track.kin.x

    def _take_lead(self, source: Source, taken: int, z: float) -> RejectReason | None:
        """The leader fails: this source goes on from the height they last agreed on."""
        old, self._lead = self._lead, source
        old.agreement = None
        old.anchor_m = nan
        old.refused.clear()
        source.refused.clear()
        old.joined = old.fused
        if old.bias_m == 0.0:
            old.bias_m = -source.bias_m
        return self._track.weigh(source, taken, z)

    # --- outside heights ---------------------------------------------------------------------------------------------

    def _pass_mark(self, mark: Mark, sample: Sample) -> RejectReason | None:
        """A height mark's reading: where it changes, the block is at its height."""
        taken = sample.t_ns
        if mark.clock is not None and sample.source_t_ns is not None:
            taken = mark.clock.taken_ns(taken, sample.source_t_ns)
        before, since = mark.value, (taken - mark.taken_ns) * 1e-9
        mark.value, mark.taken_ns = sample.value, taken
        if before != before or before == sample.value or not self._track.started or since > 3.0 / mark.sensor.rate_hz:
            return None
        track, frame, lead = self._track, self._frame, self._lead
        # It changed somewhere between two readings.
        x, v, variance = track.ahead(taken - int(5e8 * since))
        sigma = math.hypot(MARK_SIGMA_M, v * since / math.sqrt(12.0), v * TRANSPORT_S, sqrt(variance))
        target = mark.height_m + frame.stretch_m(mark.height_m)
        innovation = target - x
        mark.innovation = innovation
        _, _, by_rope, by_wraps = frame.layers.locate(x)
        ratio = mark.test_ratio = frame.datum.check(innovation, by_rope, by_wraps, sigma)
        if not lead.drum:
            mark.fused += 1
            mark.verdict = f"block position differs by {-innovation:+.2f} m here" if ratio > 1.0 else ""
            track.doubt_m = abs(innovation) if ratio > 1.0 else 0.0
            return None
        if self._trusted:
            frame.note(taken, x, target, sigma)
            if ratio <= 1.0:
                mark.fused += 1
                mark.refused_m, mark.verdict = None, ""
                self._correct(frame.datum.observe(innovation, by_rope, by_wraps, sigma))
                return None
        confirmed = mark.refused_m is not None and abs(innovation - mark.refused_m) < 0.1 + 3.0 * sigma
        if not lead.referenced or confirmed:
            mark.fused += 1
            mark.refused_m = None
            mark.verdict = f"height corrected by {innovation:+.2f} m" if confirmed else "height taken from this mark"
            lead.verdict = ""
            self._renew(track.t_ns, track.kin.x + innovation, sigma)
            return None
        # One switch alone may be wrong: it is doubted until it says the same again, and so is the height.
        mark.rejected += 1
        mark.refused_m = innovation
        mark.verdict = f"height differs by {innovation:+.2f} m at this mark"
        track.doubt_m = max(track.doubt_m, abs(innovation))
        return RejectReason.GATE

    def _correct(self, found: Correction) -> None:
        """Put a correction of the datum into effect: curve, turns of every drum source, height of the filter."""
        frame, kin = self._frame, self._track.kin
        before = frame.layers
        turns = before.locate(kin.x)[0] + found.wraps
        frame.correct(found)
        for source in self._order:
            if source.drum:
                source.offset += found.wraps
        x = frame.layers.height(turns)
        kin.v *= frame.layers.rise_at(x) / before.rise_at(kin.x)
        kin.x = x

    def _renew(self, t_ns: int, x: float, sigma_m: float) -> None:
        """The block is at unloaded height `x` at `t_ns`: the datum moves here, and every source is made to say so."""
        frame, track = self._frame, self._track
        kin, before = track.kin, frame.layers
        now = track.ahead(t_ns)[0]
        # A small difference lies in the old datum's height; after a large one (lost counts) wraps follow the height.
        turns = before.locate(now if self._trusted and abs(x - now) < SMALL_M else x)[0]
        frame.move(turns, x, sigma_m)
        after = frame.layers
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
        track.doubt_m = self._dispute_m = 0.0
