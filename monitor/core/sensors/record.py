"""What is known of one sensor: its last good reading, age and rate, what was refused and why, and faults of its readings.

Repeated and out-of-order readings are refused here, before anything downstream can be misled by them. Three more faults are
seen here, for sensors that no filter watches: a reading that always has some noise and suddenly repeats exactly is frozen; a
reading that jumps away and straight back is a spike; a reading whose own time lies far behind the usual delay is late, and is
refused as too old.
"""

import math
from collections import deque
from typing import Final

from monitor.config.rig import Sensor
from monitor.model.reading import RejectReason, Sample

_CLOCK_STEP_NS: Final = 5_000_000_000
"""A source time further back than this is a stepped clock, not a late reading."""
_MAX_GAP: Final = 100_000
_MAX_EXPECTED_LATE: Final = 64
"""Of the readings that sequence numbers show to be missing, so many of the last are remembered: they may only be late."""
_NOT_THE_SENSORS_FAULT: Final = frozenset({RejectReason.RETAINED, RejectReason.DUPLICATE, RejectReason.TOO_OLD})
_FROZEN_READINGS: Final = 20
_FROZEN_NS: Final = 2_500_000_000
"""So many equal readings, over so long, from a sensor of which most readings differed before: it is frozen."""
_FROZEN_WORDS: Final = "readings repeat exactly: look at the sensor and its cable"
_SPIKES_WORDS: Final = "readings jump away and back: look at the cable and for interference"
_SPIKE_SHARE: Final = 0.12
"""Share of the believable range: a block that bounces on its line swings the load by less from reading to reading."""
_RETURN_RATIO: Final = (0.75, 1.33)
"""Way back of a spike over its way there: where it came from, but for noise. What a hand does goes on from where it is."""
_SPIKE_COUNT: Final = 3
_SPIKE_WINDOW_NS: Final = 60_000_000_000
_LATE_NS: Final = 700_000_000
"""A reading that comes so much later than the quickest of late is late."""
_LATE_LIMIT_NS: Final = 30_000_000_000
"""If all readings are late for so long, their clock was set or their way is longer now: the delay is learned again."""
_SET_BACK_READINGS: Final = 3
"""So many old readings in a row, spaced as they come, without a gap before them: the source's clock was set back."""
_STANDING_READINGS: Final = 3
"""So many readings in a row with the time of the last good one are no copies of it: the source's clock stands still."""
_SAME_DELAY_NS: Final = 150_000_000


class SensorRecord:
    """What is known of one sensor. Mutable, private to the core; screens get `monitor.model.snapshot.SensorView`."""

    __slots__ = (
        "_change_share", "_delay_ns", "_expected_late", "_jump", "_late_since_ns", "_old_count", "_old_delay_ns",
        "_old_source_ns", "_repeat_count", "_repeat_since_ns", "_same_time_count", "_spike_step", "_spike_times_ns", "diagnosis",
        "good", "id",
        "last_ns", "last_reason", "last_sequence", "last_source_ns", "missing", "number", "period_s", "refused_in_row",
        "rejected", "sensor", "stale", "stale_ns", "suspect", "watched",
    )  # fmt: skip

    def __init__(self, sensor: Sensor) -> None:
        self.sensor = sensor
        self.id = sensor.id
        self.stale_ns = round(sensor.stale_after_s * 1e9)
        self.number = math.nan
        self.last_ns = -1
        self.last_source_ns: int | None = None
        self.last_sequence: int | None = None
        self.period_s = 0.0
        self.good = 0
        self.missing = 0
        """Readings that sequence numbers show to be lost; one that comes late after all is not."""
        self.rejected = 0
        self.refused_in_row = 0
        self.stale = False
        """Whether nothing good had come for too long at the last grid point."""
        self.last_reason = ""
        self.diagnosis = ""
        """What is abnormal about its readings, in words."""
        self.watched = sensor.role in ("plain", "load") and sensor.sigma > 0
        self.suspect = False
        """Whether `update_diagnosis` may find something; while False, `diagnosis` stays empty."""
        self._spike_step = _SPIKE_SHARE * abs(sensor.si.scale) * (sensor.range[1] - sensor.range[0])
        self._change_share = 0.0
        self._repeat_count = 0
        self._repeat_since_ns = 0
        self._jump = 0.0
        self._spike_times_ns: deque[int] = deque(maxlen=_SPIKE_COUNT)
        self._delay_ns: int | None = None
        self._late_since_ns = 0
        self._old_count = 0
        self._same_time_count = 0
        self._old_delay_ns = 0
        self._old_source_ns = 0
        self._expected_late: dict[int, None] = {}
        """Sequence numbers of missing readings, in their order."""

    def accept(self, sample: Sample) -> RejectReason | None:
        """Take a decoded reading; the reason when it repeats or precedes one already taken."""
        t_ns, source, sequence = sample.t_ns, sample.source_t_ns, sample.sequence
        last, watched = self.last_source_ns, self.watched
        if sequence is not None and sequence == self.last_sequence and source == last:
            return RejectReason.DUPLICATE
        if source is not None:
            reason = None
            if source != last:
                self._same_time_count = 0
            if last is not None and source <= last:
                if source == last:
                    self._same_time_count += 1
                    if sequence is None and self._same_time_count < _STANDING_READINGS:
                        reason = RejectReason.DUPLICATE
                elif source > last - _CLOCK_STEP_NS:
                    reason = RejectReason.TOO_OLD
            if reason is None and watched and source != last and self._is_late(t_ns, source):
                reason = RejectReason.TOO_OLD
            if reason is not None:
                if not self._clock_set_back(t_ns, source):
                    self._late_arrival(sequence)
                    return reason
                self._delay_ns = t_ns - source
                self._late_since_ns = 0
                self.last_sequence = None  # those before it came, and were refused
            self._old_count = 0
        elif self._expected_late and self._late_arrival(sequence):
            return RejectReason.TOO_OLD
        good, last_ns = self.good, self.last_ns
        if last_ns >= 0:
            if watched:
                self._detect_faults(t_ns, sample.value)
            # Exponential mean of the interval, over about 16 readings: enough to show a rate, cheap to keep.
            self.period_s += ((t_ns - last_ns) * 1e-9 - self.period_s) / (16 if good > 16 else good)
        if sequence is not None and self.last_sequence is not None:
            gap = sequence - self.last_sequence - 1
            # A larger gap, or a number that went back, is a source that restarted.
            if 0 < gap <= _MAX_GAP:
                self._count_missing(sequence, gap)
            elif gap < 0:
                self._expected_late.clear()
        self.number = sample.value
        self.last_ns = t_ns
        self.last_source_ns = source
        self.last_sequence = sequence
        self.good = good + 1
        self.refused_in_row = 0
        return None

    def _count_missing(self, sequence: int, gap: int) -> None:
        """Count the `gap` readings before `sequence` as lost, until they come."""
        self.missing += gap
        waited = self._expected_late
        waited.update(dict.fromkeys(range(sequence - min(gap, _MAX_EXPECTED_LATE), sequence)))
        while len(waited) > _MAX_EXPECTED_LATE:
            del waited[next(iter(waited))]

    def _late_arrival(self, sequence: int | None) -> bool:
        """Whether the reading is one that was counted as lost, and was only overtaken on its way."""
        if sequence not in self._expected_late:
            return False
        del self._expected_late[sequence]
        self.missing -= 1
        return True

    def _clock_set_back(self, t_ns: int, source_ns: int) -> bool:
        """Whether a reading that would be refused shows, with those before it, that the source's clock was set back.

        Real delay shows as a gap between arrivals, and one overtaken reading is followed by newer ones. Here readings come
        as usual while their times began again from further back.
        """
        delay = t_ns - source_ns
        if self._old_count and source_ns > self._old_source_ns and abs(delay - self._old_delay_ns) < _SAME_DELAY_NS:
            self._old_count += 1
        elif source_ns < (self.last_source_ns or 0) or (t_ns - self.last_ns) * 1e-9 < 1.5 * self.period_s:
            self._old_count = 1
            self._old_delay_ns = delay
        else:
            return False
        self._old_source_ns = source_ns
        return self._old_count >= _SET_BACK_READINGS

    def _is_late(self, t_ns: int, source_ns: int) -> bool:
        """Whether a reading comes far later than its source's usual delay, which is learned from the quickest readings."""
        delay = t_ns - source_ns
        usual = self._delay_ns
        if usual is None or delay < usual or delay > usual + _CLOCK_STEP_NS:
            self._delay_ns = delay
            self._late_since_ns = 0
            return False
        if delay <= usual + _LATE_NS:
            # The quickest seen, raised slowly (50 ppm) so that a drifting clock is followed.
            drift = (t_ns - self.last_ns) // 20_000
            self._delay_ns = delay if delay < usual + drift else usual + drift
            self._late_since_ns = 0
            return False
        if not self._late_since_ns:
            self._late_since_ns = t_ns
        elif t_ns - self._late_since_ns > _LATE_LIMIT_NS:
            self._delay_ns = delay
            self._late_since_ns = 0
            return False
        return True

    def _detect_faults(self, t_ns: int, value: float) -> None:
        """Notice a reading that stands still against its habit, and one that jumps away and back."""
        step = value - self.number
        if step == 0.0:
            if self._repeat_count == 0:
                self._repeat_since_ns = self.last_ns
            self._repeat_count += 1
            if self._repeat_count < _FROZEN_READINGS:
                return
            self.suspect = True
        else:
            self._repeat_count = 0
        # Away, and as far back with the next reading: neither a load that is set down nor a hand on a lever does that.
        away = self._jump
        if away and _RETURN_RATIO[0] < -step / away < _RETURN_RATIO[1]:
            self._spike_times_ns.append(t_ns)
            self._jump = 0.0
            self.suspect = True
        else:
            self._jump = step if step > self._spike_step or step < -self._spike_step else 0.0
        # How many of its readings differ, over about 50; a run that may yet prove to be a freeze does not count.
        if step:
            self._change_share += (1.0 - self._change_share) * 0.02

    def update_diagnosis(self, t_ns: int) -> None:
        """Set `diagnosis` from `frozen` and `spiking`."""
        self.diagnosis = _FROZEN_WORDS if self.frozen(t_ns) else _SPIKES_WORDS if self.spiking(t_ns) else ""
        self.suspect = self._repeat_count >= _FROZEN_READINGS or len(self._spike_times_ns) == _SPIKE_COUNT

    def frozen(self, t_ns: int) -> bool:
        """Whether its readings repeat exactly although most used to differ."""
        return (
            self._repeat_count >= _FROZEN_READINGS
            and self._change_share > 0.6
            and t_ns - self._repeat_since_ns > _FROZEN_NS
        )

    def spiking(self, t_ns: int) -> bool:
        """Whether it jumped away and back several times within the last minute."""
        return len(self._spike_times_ns) == _SPIKE_COUNT and t_ns - self._spike_times_ns[0] < _SPIKE_WINDOW_NS

    def refuse(self, reason: RejectReason, detail: str = "") -> None:
        """Count a refused reading."""
        self.rejected += 1
        self.last_reason = f"{reason}: {detail}" if detail else str(reason)
        if reason not in _NOT_THE_SENSORS_FAULT:
            self.refused_in_row += 1

    @property
    def rejecting(self) -> bool:
        """Whether its recent readings are refused: at least three in a row."""
        return self.refused_in_row >= 3

    @property
    def out_of_range(self) -> bool:
        """Whether its latest readings lie outside the believable range."""
        return self.refused_in_row >= 2 and self.last_reason.startswith(RejectReason.OUT_OF_RANGE)
