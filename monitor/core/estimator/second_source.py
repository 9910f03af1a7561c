"""A second source of the height: compared with the filter all the time, ready to take the lead where the leader fails.

Two sources that look at the same block watch each other: one that stands still while the other moves is stuck. Where they
differ slowly, the difference is learned (`offset_to_lead_m`), and beyond what both may be off by it is a doubt on the height. A
ready-made position beside a drum encoder also measures the drum's curve, at rest and every few metres.
"""

from collections import deque
from math import nan, sqrt
from typing import Final

from monitor.core.estimator.height_references import HeightReferences
from monitor.core.estimator.position_filter import GATE, STILL_M_S, PositionFilter
from monitor.core.estimator.prediction import READY_MADE_VARIANCE, TRANSPORT_S
from monitor.core.estimator.sources import FROZEN, TRACKING, TRANSITIONS, PositionSource, ReadingKind
from monitor.model.reading import Z99, RejectReason

SECOND_SIGMA_M: Final = 0.03
"""Doubt of one comparison with a second source, outside what the datum knows (common practice, no source)."""
APART_M: Final = 2.0
"""Comparisons with a second source count as new evidence this far apart."""
_MOST_AHEAD: Final = 32
"""More than a leader's silence before another takes over needs, at 50 readings a second."""
SAME_READINGS: Final = 4
"""A source that has repeated itself so often while the other moved is looked at as stuck."""
STUCK_M: Final = 0.1
"""So far a second source's readings may lag behind the block before they are stuck."""
DIFFERS: Final = "differs from"
"""Said again only where the difference has become another by half: it grows with every count that is lost."""
MOVED_APART: Final = 5
"""So many readings in a row far off say that one of the two sources has moved."""


class SecondSource:
    """What is done with the readings of a source that does not lead."""

    def __init__(self, track: PositionFilter, references: HeightReferences) -> None:
        self._track = track
        self._references = references
        self._ahead: deque[tuple[PositionSource, int, float]] = deque(maxlen=_MOST_AHEAD)
        """Readings that fitted, of second sources, and were taken after the leader's last."""

    def compare(self, source: PositionSource, taken: int, z: float) -> RejectReason | None:
        """Compare a reading of height `z` with the filter; the reason where it was refused."""
        track = self._track
        lead, frame = track.lead, track.frame
        if not source.referenced:
            self._align(source, z)
            source.referenced = lead.referenced
            return None
        if not lead.referenced:
            self._references.renew(taken, z, SECOND_SIGMA_M)
            frame.watch.restart(frame.layers)
            lead.diagnosis = ""
            return None
        x, v, variance = track.predicted_at(taken)
        variance += track.noise(source) + SECOND_SIGMA_M**2
        difference = z - x
        innovation = difference - source.bias_m
        source.innovation = innovation
        ratio = source.test_ratio = innovation * innovation / (variance * GATE)
        changed = source.repeat_count == 0 or source.anchor_m != source.anchor_m
        if changed:
            if source.state is FROZEN and self._moves_again(source, z, ratio):
                return None
            if lead.repeat_count == 0:
                source.anchor_m = z
        self._frozen_of_pair(source, taken, x, z, changed)
        if source.state is FROZEN:
            track.disagreement_m = track.apart_m = 0.0  # what is stuck says nothing against the other
            source.rejected += 1
            return RejectReason.GATE
        if ratio <= 1.0:
            if self._lead_fails(taken):
                return self._take_lead(source, taken, z)
            if taken > lead.taken_ns:
                self._ahead.append((source, taken, z))
        if ratio > 1.0 and source.offset_to_lead_m is not None:
            # One reading far off is refused; several say that one of the two sources has moved.
            source.refused.append((taken, z))
            if len(source.refused) < MOVED_APART:
                source.state = TRANSITIONS[source.state, ReadingKind.IMPOSSIBLE]
                source.rejected += 1
                return RejectReason.GATE
            source.offset_to_lead_m = None
        if source.refused:
            source.refused.clear()
            source.odd_reading(taken)
        source.state = TRANSITIONS[source.state, ReadingKind.FITS]
        source.fused += 1
        source.fused_ns = taken
        if source.offset_to_lead_m is None:
            source.offset_to_lead_m = difference
        gain = min(1.0, source.interval_s / (1.0 + source.interval_s))
        source.offset_to_lead_m += gain * (difference - source.offset_to_lead_m)
        source.bias_m = source.offset_to_lead_m
        # Where the two part at speed the mean lags behind; the lesser of two readings in a row is no spike.
        before, source.difference_m = source.difference_m, difference
        parting = min(before, difference, key=abs) if before * difference > 0.0 else 0.0
        self._assess_offset(source, x, v, variance, parting)
        if source.drum and not lead.drum and source.fused - source.joined > 100 and abs(source.offset_to_lead_m) < 0.05:
            self._take_lead(source, taken, z)
        return None

    def _moves_again(self, source: PositionSource, z: float, ratio: float) -> bool:
        """A second source that was stuck moves again; whether it lost counts meanwhile and had to be set by the filter."""
        source.state = TRANSITIONS[source.state, ReadingKind.FITS]
        source.diagnosis = ""
        if not (ratio > 1.0 and source.drum):
            return False
        self._align(source, z)
        source.diagnosis = f"counts lost while it stood still: set to agree with {self._track.lead.sensor.id}"
        return True

    def _frozen_of_pair(self, source: PositionSource, taken: int, x: float, z: float, changed: bool) -> None:
        """Find which of the two is stuck: it repeats itself while the other has moved on. The filter is at `x`,
        the second source at `z`, which has `changed` or was not yet anchored."""
        track = self._track
        lead = track.lead
        if (
            not changed
            and source.repeat_count >= SAME_READINGS
            and source.state is not FROZEN
            and abs(x + source.bias_m - source.anchor_m) > STUCK_M
        ):
            track.mark_frozen(source, taken, z)
        if (
            source.state is not FROZEN
            and lead.repeat_count >= SAME_READINGS
            and lead.state is TRACKING
            and min(abs(z - source.anchor_m), abs(source.before[1] - source.anchor_m))
            > 0.05 + 5.0 * sqrt(track.noise(source))  # two readings in a row: one may be a spike
        ):
            track.mark_frozen(lead, lead.taken_ns, lead.z)

    def _lead_fails(self, taken: int) -> bool:
        """Whether the leader is stuck, refused or silent."""
        lead = self._track.lead
        return lead.state is FROZEN or len(lead.refused) >= 3 or taken - lead.taken_ns > 5e8 + 3e9 * lead.interval_s

    def _align(self, source: PositionSource, z: float) -> None:
        """Make a drum source that means no height, or no longer, agree with the filter."""
        layers = self._track.frame.layers
        source.offset += layers.locate(self._track.kin.x)[0] - layers.locate(z)[0]
        source.offset_to_lead_m = source.bias_m = 0.0
        source.refused.clear()

    def _assess_offset(self, source: PositionSource, x: float, v: float, variance: float, parting: float) -> None:
        """What the offset of a second source, and by how much the two are `parting` just now, say about the height and, now and
        then, about the drum."""
        track = self._track
        lead, frame, offset = track.lead, track.frame, source.offset_to_lead_m or 0.0
        _, _, by_rope, by_wraps = frame.layers.locate(x)
        known = frame.datum.variance(by_rope, by_wraps) + READY_MADE_VARIANCE + variance
        apart_m = max(abs(offset), abs(parting))
        beyond = apart_m - Z99 * sqrt(known) - 2.0 * TRANSPORT_S * abs(v)
        track.disagreement_m = beyond if beyond > 0.0 else 0.0
        track.apart_m = apart_m - track.disagreement_m
        if beyond <= 0.0 and source.drum is not lead.drum:
            track.way.known(track.t_ns)
        if beyond > 0.05:
            said = source.said_m if source.diagnosis.startswith(DIFFERS) else 0.0
            if abs(offset - said) > 0.5 * abs(said):
                source.said_m = offset
                source.diagnosis = f"{DIFFERS} {lead.sensor.id} by {offset:+.2f} m"
        elif beyond <= 0.0 and source.diagnosis and not source.lately_odd:
            source.diagnosis = ""
        if not lead.drum or source.drum or abs(v) > STILL_M_S or abs(x - source.learned_at_m) < APART_M:
            return
        source.learned_at_m = x
        frame.record_reference(track.t_ns, x, x + offset, SECOND_SIGMA_M)
        if track.trusted and frame.datum.check(offset, by_rope, by_wraps, SECOND_SIGMA_M) <= 1.0:
            self._references.correct(frame.datum.observe(offset, by_rope, by_wraps, SECOND_SIGMA_M))
            source.offset_to_lead_m = source.bias_m = source.z - track.kin.x

    def _take_lead(self, source: PositionSource, taken: int, z: float) -> RejectReason | None:
        """The leader fails: this source goes on from the height they last agreed on."""
        track = self._track
        old, track.lead = track.lead, source
        track.disagreement_m = track.apart_m = 0.0  # why they parted is known now
        old.offset_to_lead_m = None
        old.anchor_m = nan
        old.refused.clear()
        source.refused.clear()
        old.joined = old.fused
        if old.bias_m == 0.0:
            old.bias_m = -source.bias_m
        # What it has said since the leader last spoke tells the speed; one reading after a silence tells next to nothing of it.
        for other, before_ns, height in self._ahead:
            if other is source and track.t_ns < before_ns < taken:
                track.update(source, before_ns, height)
        self._ahead.clear()
        return track.update(source, taken, z)
