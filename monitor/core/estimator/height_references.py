"""Heights from outside: what the crew says, height marks, set-downs in slips, and the line being cut.

What an outside height differs by corrects the drum's curve (see `datum`) where that can explain it, and is a doubt on the
height where not. A new datum makes every source say the height at which it was given.
"""

import math
from math import sqrt
from typing import Final

from monitor.config.rig import Rig
from monitor.core.estimator.connections import SLOW_M_S, Connections, Place
from monitor.core.estimator.datum import Correction
from monitor.core.estimator.position_filter import PositionFilter
from monitor.core.estimator.prediction import TRANSPORT_S
from monitor.core.estimator.sources import HeightMark, PositionSource
from monitor.model.reading import RejectReason, Sample

SMALL_CORRECTION_M: Final = 0.25
"""A reference that differs by less than this is taken as a better figure, not as lost counts."""
KNOWN_SHARE: Final = 0.2
"""With less than this share of what may go unseen the height is sure: connections do not put it in doubt."""
CHECK_WORDS: Final = "height differs by {:+.2f} m from earlier connections: check it"
MARK_SIGMA_M: Final = 0.02
"""Where in its travel past the mark the switch changes (common practice, no source)."""


class HeightReferences:
    """Puts outside heights into effect on the filter, the drum's curve and every source."""

    def __init__(self, rig: Rig, track: PositionFilter, sources: tuple[PositionSource, ...]) -> None:
        self._track = track
        self._sources = sources
        self._sigma_m = rig.reference.sigma_m
        self.connections = Connections()
        self.set_down_words = ""
        """What the last set-downs in slips say against the height."""
        self._off_m = 0.0
        """Doubt on the height that a connection raised, m, the place that it lay off from, and what was said of it."""
        self._off_place: Place | None = None
        self._off_words = ""

    def crew_height(self, t_ns: int, height_m: float) -> None:
        """The crew says that the block is at `height_m` now: the datum moves here.

        What the height read before says about the drum: a difference that rope diameter and start wrap explain within
        what is believed of them corrects those, so that the curve fits the old datum and the new one.
        """
        track = self._track
        frame = track.frame
        if not track.started:
            return
        x = height_m + frame.stretch_m(height_m)
        if track.trusted:
            now, v, variance = track.predicted_at(t_ns)
            _, _, by_rope, by_wraps = frame.layers.locate(now)
            sigma = math.hypot(self._sigma_m, sqrt(variance), TRANSPORT_S * v)
            if frame.datum.check(x - now, by_rope, by_wraps, sigma) <= 1.0:
                self.correct(frame.datum.observe(x - now, by_rope, by_wraps, sigma))
        self.renew(t_ns, x, self._sigma_m)
        frame.watch.restart(frame.layers)
        self.connections.restart()
        self.set_down_words = ""
        for source in self._sources:
            source.diagnosis = ""

    def line_cut(self, turns_at_reference: float) -> None:
        """Line was cut: with the block at the reference height there are now so many wraps on the drum, and the counts no
        longer mean a height."""
        track = self._track
        track.frame.replace_line(turns_at_reference)
        self.connections.restart()
        self.set_down_words = ""
        for source in self._sources:
            if source.drum:
                source.referenced = False
                source.diagnosis = "line cut: reference needed"
        position = next((source for source in self._sources if source.referenced), None)
        if position is not None and position is not track.lead:
            track.lead = position
            track.started = False

    def set_down(self, t_ns: int) -> None:
        """The string was set in slips just now, which happens at much the same height each time: drift shows there."""
        track = self._track
        if track.started and track.lead.referenced:
            self.set_down_words = track.frame.watch.set_down(track.predicted_at(t_ns)[0])

    def connection(self, t_ns: int) -> None:
        """The string changes between slips and hook just now. Where that comes at a height as before, the counts since are
        confirmed; where it lies off, that is a doubt on the height until a connection, a mark or the crew puts it right."""
        track = self._track
        lead = track.lead
        if not (track.started and lead.drum and lead.referenced):
            return
        x, v, _ = track.predicted_at(t_ns)
        if not -SLOW_M_S < v < SLOW_M_S:
            return
        way, connections = track.way, self.connections
        if way.missed_sigma_m == 0.0:
            connections.missed.know()
        grown_m = track.frame.counting * way.unconfirmed_m
        found = connections.compare(x, way.total_m, way.unseen_share(t_ns) < KNOWN_SHARE, grown_m)
        if found is None:
            return
        way.suspected_m = connections.suspected_m
        if found.off_m == 0.0:
            way.confirmed(connections.missed.offset_m, connections.missed.sigma_m)
            if self._off_m and track.unexplained_m == self._off_m and found.place is self._off_place:
                track.unexplained_m = self._off_m = 0.0
            if self._off_words and lead.diagnosis == self._off_words and not self._off_m:
                lead.diagnosis = ""
            return
        if not found.evidence:
            return
        off_m = abs(found.off_m)
        if off_m > track.unexplained_m:
            track.unexplained_m = self._off_m = off_m
            self._off_place = found.place
        if not lead.diagnosis:
            lead.diagnosis = self._off_words = CHECK_WORDS.format(found.off_m)

    def pass_mark(self, mark: HeightMark, sample: Sample) -> RejectReason | None:
        """A height mark's reading: where it changes, the block is at its height."""
        track, taken = self._track, sample.t_ns
        if mark.clock is not None and sample.source_t_ns is not None:
            taken = mark.clock.taken_ns(taken, sample.source_t_ns)
        before, since = mark.value, (taken - mark.taken_ns) * 1e-9
        mark.value, mark.taken_ns = sample.value, taken
        if before != before or before == sample.value or not track.started or since > 3.0 / mark.sensor.rate_hz:
            return None
        frame, lead = track.frame, track.lead
        # It changed somewhere between two readings.
        x, v, variance = track.predicted_at(taken - int(5e8 * since))
        sigma = math.hypot(MARK_SIGMA_M, v * since / math.sqrt(12.0), v * TRANSPORT_S, sqrt(variance))
        target = mark.height_m + frame.stretch_m(mark.height_m)
        innovation = target - x
        mark.innovation = innovation
        _, _, by_rope, by_wraps = frame.layers.locate(x)
        ratio = mark.test_ratio = frame.datum.check(innovation, by_rope, by_wraps, sigma)
        if not lead.drum:
            mark.fused += 1
            mark.diagnosis = f"block position differs by {-innovation:+.2f} m here" if ratio > 1.0 else ""
            track.unexplained_m = abs(innovation) if ratio > 1.0 else 0.0
            return None
        if track.trusted:
            frame.record_reference(taken, x, target, sigma)
            if ratio <= 1.0:
                mark.fused += 1
                mark.refused_m, mark.diagnosis = None, ""
                self.correct(frame.datum.observe(innovation, by_rope, by_wraps, sigma))
                track.way.known(taken)
                return None
        confirmed = mark.refused_m is not None and abs(innovation - mark.refused_m) < 0.1 + 3.0 * sigma
        if not lead.referenced or confirmed:
            mark.fused += 1
            mark.refused_m = None
            mark.diagnosis = f"height corrected by {innovation:+.2f} m" if confirmed else "height taken from this mark"
            lead.diagnosis = ""
            self.renew(track.t_ns, track.kin.x + innovation, sigma)
            return None
        # One switch alone may be wrong: it is doubted until it says the same again, and so is the height.
        mark.rejected += 1
        mark.refused_m = innovation
        mark.diagnosis = f"height differs by {innovation:+.2f} m at this mark"
        track.unexplained_m = max(track.unexplained_m, abs(innovation))
        return RejectReason.GATE

    def correct(self, found: Correction) -> None:
        """Put a correction of the datum into effect: curve, turns of every drum source, height of the filter."""
        frame, kin = self._track.frame, self._track.kin
        before = frame.layers
        turns = before.locate(kin.x)[0] + found.wraps
        frame.correct(found)
        for source in self._sources:
            if source.drum:
                source.offset += found.wraps
        x = frame.layers.height(turns)
        kin.v *= frame.layers.rise_at(x) / before.rise_at(kin.x)
        kin.x = x

    def renew(self, t_ns: int, x: float, sigma_m: float) -> None:
        """The block is at unloaded height `x` at `t_ns`: the datum moves here, and every source is made to say so."""
        track = self._track
        frame = track.frame
        kin, before = track.kin, frame.layers
        now = track.predicted_at(t_ns)[0]
        # A small difference lies in the old datum's height; after a large one (lost counts) wraps follow the height.
        turns = before.locate(now if track.trusted and abs(x - now) < SMALL_CORRECTION_M else x)[0]
        frame.set_datum(turns, x, sigma_m)
        after = frame.layers
        kin.v *= after.rise_at(x) / before.rise_at(now)
        kin.x += x - now
        for source in self._sources:
            if source.last_raw != source.last_raw:
                continue
            then = x - kin.v * (t_ns - source.taken_ns) * 1e-9
            if source.drum:
                source.offset = after.locate(then)[0] - source.counts * source.per_count
                source.referenced = True
            elif source is track.lead:
                source.offset += then - source.z
            source.bias_m = 0.0
            source.offset_to_lead_m = None
        track.unexplained_m = track.disagreement_m = track.apart_m = track.may_be_off_m = 0.0
        track.way.known(t_ns)
