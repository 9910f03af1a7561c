"""What is known of one sensor: its last good reading, age and rate, what was refused and why, and faults of its readings.

Repeated and out-of-order readings are refused here, before anything downstream can be misled by them. What else is
wrong with a sensor that no filter watches is seen by what its readings say (`reading_faults`) and when they come (`lateness`).
"""

import math
from typing import Final

from monitor.config.sensor import Sensor
from monitor.core.sensors.lateness import Lateness
from monitor.core.sensors.reading_faults import ReadingFaults
from monitor.model.reading import RejectReason, Sample

_CLOCK_STEP_NS: Final = 5_000_000_000
"""A source time further back than this is a stepped clock, not a late reading."""
_MAX_GAP: Final = 100_000
_MAX_EXPECTED_LATE: Final = 64
"""Of the readings that sequence numbers show to be missing, so many of the last are remembered: they may only be late."""
_NOT_THE_SENSORS_FAULT: Final = frozenset(
    {
        RejectReason.RETAINED,
        RejectReason.DUPLICATE,
        RejectReason.TOO_OLD,
        RejectReason.HISTORICAL,
        RejectReason.BEFORE_BIRTH,
    }
)
_REFUSED: Final = 3
_SET_BACK_READINGS: Final = 3
"""So many old readings in a row, spaced as they come, without a gap before them: the source's clock was set back."""
_STANDING_READINGS: Final = 3
"""So many readings in a row with the time of the last good one are no copies of it: the source's clock stands still."""
_SAME_DELAY_NS: Final = 150_000_000


class SensorRecord:
    """What is known of one sensor. Mutable, private to the core; screens get `monitor.model.snapshot.SensorView`."""

    __slots__ = (
        "_expected_late", "_faults", "_holds", "_old_count", "_old_delay_ns", "_old_source_ns", "_same_time_count", "_stamped",
        "diagnosis", "good", "id", "last_ns", "last_reason", "last_sequence", "last_source_ns", "lateness", "missing",
        "number", "period_s", "refused_in_row", "rejected", "sensor", "source_words", "stale", "stale_ns", "suspect", "watched",
    )  # fmt: skip

    def __init__(self, sensor: Sensor, least_load_n: float = 0.0) -> None:
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
        self.source_words = ""
        """Why its source is gone, in words; empty where it is not, or nobody says so. Its readings no longer count then."""
        self.watched = sensor.role in ("plain", "load") and sensor.sigma > 0
        self.suspect = False
        """Whether `update_diagnosis` may find something new; while False, `diagnosis` stays empty."""
        self._faults = ReadingFaults(sensor, least_load_n)
        self._holds = self.watched and self._faults.holds
        self.lateness = Lateness(sensor)
        self._stamped = sensor.stamped
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
            too_late = (
                reason is None and watched and source != last and self.lateness.too_late(t_ns, self.last_ns, source)
            )
            if reason is not None or self.lateness.since_ns:
                self.suspect = True
                if self._clock_set_back(t_ns, source):
                    self.lateness.learn(t_ns - source)
                    self.last_sequence = None  # those before it came, and were refused
                    self._old_count = 0
                elif reason is not None or too_late:
                    self._late_arrival(sequence)
                    return reason or RejectReason.TOO_OLD
            else:
                self._old_count = 0
        elif self._expected_late and self._late_arrival(sequence):
            return RejectReason.TOO_OLD
        good, last_ns = self.good, self.last_ns
        if last_ns >= 0:
            if watched:
                if self._holds and self._faults.hold(t_ns, last_ns, self.number, sample.value):
                    return RejectReason.UNCONFIRMED
                if self._faults.take(t_ns, last_ns, self.number, sample.value):
                    self.suspect = True
            if source is None and self.lateness.take(t_ns, last_ns) and watched:
                self.suspect = True
            # Exponential mean of the interval, over about 16 readings: enough to show a rate, cheap to keep.
            self.period_s += ((t_ns - last_ns) * 1e-9 - self.period_s) / (16 if good > 16 else good)
        if sequence is not None and self.last_sequence is not None:
            gap = sequence - self.last_sequence - 1
            # A larger gap, or a number that went back, is a source that restarted.
            if 0 < gap <= _MAX_GAP:
                self._count_missing(sequence, gap)
            elif gap < 0:
                self._expected_late.clear()
        if self.refused_in_row >= _REFUSED and self.last_reason.startswith(RejectReason.OUT_OF_RANGE):
            self._faults.back_on_scale(t_ns)
            self.suspect = True
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
        elif source_ns < (self.last_source_ns or 0) or (
            self.lateness.count <= 1 and (t_ns - self.last_ns) * 1e-9 < 1.5 * self.period_s
        ):
            self._old_count = 1
            self._old_delay_ns = delay
        else:
            return False
        self._old_source_ns = source_ns
        return self._old_count >= _SET_BACK_READINGS

    def update_diagnosis(self, t_ns: int, paused: bool) -> None:
        """Bring `diagnosis` up to the grid point `t_ns`. `paused`: most other sensors paused as this one did."""
        late = self.lateness
        if not self._stamped:
            late.judge(t_ns, paused)
        self.diagnosis = late.words or self._faults.words(t_ns)
        self.suspect = late.open or self._faults.open

    @property
    def stepped(self) -> bool:
        """Whether a load stepped, or came back from off its scale: it may mean another thing than before."""
        return self._faults.stepped

    @property
    def may_be_stale(self) -> bool:
        """Whether its last reading may have been taken longer ago than its word is good for: late, or long the same."""
        return self._faults.seems_frozen or self.lateness.late_s * 1e9 > self.stale_ns

    def refuse(self, reason: RejectReason, detail: str = "") -> None:
        """Count a refused reading."""
        self.rejected += 1
        self.last_reason = f"{reason}: {detail}" if detail else str(reason)
        if reason not in _NOT_THE_SENSORS_FAULT:
            self.refused_in_row += 1

    @property
    def rejecting(self) -> bool:
        """Whether its recent readings are refused: at least three in a row."""
        return self.refused_in_row >= _REFUSED

    @property
    def out_of_range(self) -> bool:
        """Whether its latest readings lie outside the believable range."""
        return self.refused_in_row >= 2 and self.last_reason.startswith(RejectReason.OUT_OF_RANGE)
