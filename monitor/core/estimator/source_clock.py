"""The time at which a reading was taken, from the time that its source wrote on it.

A message is never early, so the smallest difference ever seen between arrival and source time is the clock offset plus the
shortest transport; all above that is delay. A delay that grows opens a gap between arrivals while source times stay evenly
spaced; a clock that is set does the opposite. That distinguishes the two at the first reading, without waiting for a pattern.
No reading is overtaken by seconds: one that lies further back than `OVERTAKEN_NS` shows a clock that was set, and its time is
told by its arrival, less the delay that was usual before.
"""

from typing import Final

MISMATCH_NS: Final = 250_000_000
"""Arrival and source spacing must differ by more than this to be looked at as a step (common practice, no source)."""
OVERTAKEN_NS: Final = 5_000_000_000
"""A reading this much before the last one was not overtaken on its way (common practice, no source)."""
DIAGNOSIS_NS: Final = 60_000_000_000
"""How long a diagnosis of the clock lasts after its cause has ended."""
_DAY_S: Final = 86_400.0
DRIFT_DIVISOR: Final = 5000
"""Greatest believed drift of a source clock: 1 part in 5000, 200 ppm (ordinary quartz is within 100)."""
FROZEN_STAMPS: Final = 3
OFFSET_MARGIN_NS: Final = 500_000
"""By so much the offset that is used lies below the smallest difference seen; at 2 m/s that is a millimetre."""
SMOOTH_LIMIT_NS: Final = 5_000_000
"""Beyond this it does not follow slowly but at once."""


class SourceClock:
    """Offset of one source's clock, tracked as the running minimum of (arrival - source) with bounded drift."""

    __slots__ = (
        "_arrival_ns", "_diagnosis_ns", "_offset_ns", "_pending_step_ns", "_period_ns", "_same_count", "_smooth_offset_ns",
        "_source_ns", "diagnosis", "latency_s", "offset_drop_ns", "spread_s", "steps",
    )  # fmt: skip

    def __init__(self, rate_hz: float) -> None:
        """`rate_hz` is the expected rate of readings, which says what spacing is ordinary."""
        self._period_ns = int(1e9 / rate_hz)
        self._offset_ns: int | None = None
        self._smooth_offset_ns = 0
        self._arrival_ns = 0
        self._source_ns = 0
        self._same_count = 0
        self._pending_step_ns = 0
        self._diagnosis_ns = 0
        self.steps = 0
        self.offset_drop_ns = 0
        """By how much the last reading's delay was below the shortest known before."""
        self.latency_s = 0.0
        """Delay of the last reading over the shortest seen, s."""
        self.spread_s = 0.2
        """Upper running mean of that delay. Where delays scatter so much, the shortest one hides about as much again;
        at first nothing is known of them."""
        self.diagnosis = ""

    def taken_ns(self, arrival_ns: int, source_ns: int) -> int:
        """Stream time at which a reading was taken; never after its arrival."""
        offset = self._offset_ns
        seen = arrival_ns - source_ns
        if offset is None:
            self._offset_ns = self._smooth_offset_ns = seen
            self._arrival_ns, self._source_ns = arrival_ns, source_ns
            return arrival_ns
        waited = arrival_ns - self._arrival_ns
        spaced = source_ns - self._source_ns
        self._arrival_ns, self._source_ns = arrival_ns, source_ns
        if spaced == 0 and waited > 0:
            self._same_count += 1
            if 2 * waited > self._period_ns or self._same_count >= FROZEN_STAMPS:
                return self._without_source_time(arrival_ns, source_ns)
        elif self._same_count:
            if self._same_count >= FROZEN_STAMPS:
                self.diagnosis = ""
                offset = seen - self._usual_delay_ns()
                waited = spaced
            self._same_count = 0
        if self.diagnosis and arrival_ns - self._diagnosis_ns > DIAGNOSIS_NS:
            self.diagnosis = ""
        mismatch = waited - spaced
        held, self._pending_step_ns = self._pending_step_ns, 0
        if held or mismatch > MISMATCH_NS or mismatch < -MISMATCH_NS:
            offset += self._step(arrival_ns, seen - offset, waited, spaced, held)
        drift = (waited if waited > 0 else 0) // DRIFT_DIVISOR
        offset += drift
        if seen < offset:
            offset = seen
        self._offset_ns = offset
        self._follow(offset, seen, drift)
        self.latency_s = late = (seen - offset) * 1e-9
        if not self._pending_step_ns:
            self.spread_s += (0.2 if late > self.spread_s else 0.02) * ((late if late < 1.0 else 1.0) - self.spread_s)
        return source_ns + self._smooth_offset_ns

    def _without_source_time(self, arrival_ns: int, source_ns: int) -> int:
        """The source's time stands still: the arrival tells when the reading was taken, less the delay that is usual."""
        if self._same_count >= FROZEN_STAMPS:
            self.diagnosis, self._diagnosis_ns = "source time stands still: arrival times are used", arrival_ns
        taken_ns = arrival_ns - self._usual_delay_ns()
        self._offset_ns = self._smooth_offset_ns = taken_ns - source_ns
        return taken_ns

    def _usual_delay_ns(self) -> int:
        """The last delay that was seen, but no more than what is usual."""
        return int(1e9 * min(self.latency_s, self.spread_s))

    def _follow(self, offset: int, seen: int, drift: int) -> None:
        """Bring the offset that is used after the running minimum `offset`.

        The running minimum is a saw: it drifts up and is pulled down. At speed each of its teeth would be a jerk; so what
        is used follows it a little below, where few readings reach, no faster than it drifts (derived here).
        """
        smooth = self._smooth_offset_ns
        off = offset - OFFSET_MARGIN_NS - smooth
        if -SMOOTH_LIMIT_NS < off < SMOOTH_LIMIT_NS:
            smooth += drift if off > drift else -drift if off < -drift else off
        else:
            smooth += off
        if smooth > seen:
            smooth = seen
        self.offset_drop_ns = max(0, self._smooth_offset_ns - smooth - drift)
        self._smooth_offset_ns = smooth

    def _step(self, arrival_ns: int, delay: int, waited: int, spaced: int, held: int) -> int:
        """By how much the source's clock was set, ns, where arrivals and source times are spaced differently."""
        mismatch = waited - spaced
        if held:
            # The reading before lay back in time. If this one follows it, the clock was set; else that was overtaken.
            if abs(mismatch) > MISMATCH_NS:
                return 0
            mismatch = held
        elif -OVERTAKEN_NS < spaced < 0:
            self._pending_step_ns = mismatch
            return 0
        elif spaced > 0 and abs(waited - self._period_ns) >= abs(spaced - self._period_ns):
            return 0  # A gap between arrivals of evenly spaced readings: delay.
        elif mismatch < 0 and delay > -MISMATCH_NS:
            return 0  # Delay that has ended.
        # Arrivals kept their pace and source times did not. The delay stays what it was.
        self.steps += 1
        self.diagnosis, self._diagnosis_ns = (
            f"source clock stepped by {_step_words(-mismatch / 1e9)}: learned again",
            arrival_ns,
        )
        return mismatch


def _step_words(step_s: float) -> str:
    """A step of a clock as a person reads it: seconds, or days where it is one at least."""
    if abs(step_s) < _DAY_S:
        return f"{step_s:+.1f} s"
    return f"{step_s / _DAY_S:+.1f} days"
