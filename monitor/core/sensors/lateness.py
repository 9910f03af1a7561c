"""How late one sensor's readings come: by the time that their source wrote on them, or, where it writes none, by a pause.

Theory of operation. A reading that is late was true once. Compared with others as if it were current it makes a brake that
does not answer out of a sound one, so what is late must be known to be.

*With a source's time* the delay over that of the quickest readings is measured. Nothing distinguishes a lasting delay from a
clock that was set while nothing came; so if all that carry a time are late together for half a minute, the way is longer or
the clock was set, and the delay is learned again; one that is late alone is taken at its word for ten minutes.

*Without one* only the moment shows at which a delay begins: readings pause, and what was on its way meanwhile is not made
up for by a burst afterwards. They are then lost, or late by as much from now on: no reading tells which, and none later. So
much is said of them, for ten minutes or until a burst shows that the delay has ended. A delay that grows slowly is not seen,
nor one that all sensors share (a gateway or broker that paused). All derived here.
"""

from typing import Final

from monitor.config.sensor import Sensor

_CLOCK_STEP_NS: Final = 5_000_000_000
"""A delay that grows by more than this is a clock that was set."""
_LATE_NS: Final = 700_000_000
"""A reading that comes so much later than the quickest of late is late."""
_LATE_READINGS: Final = 2
"""So many in a row: one alone was overtaken on its way."""
_DRIFT_DIVISOR: Final = 20_000
"""The quickest delay seen is raised by 50 ppm, so that a drifting clock is followed."""
COMMON_NS: Final = 30_000_000_000
"""So long most sensors must be late together for their delay to be learned again."""
BELIEVED_NS: Final = 600_000_000_000
"""How long readings count as late that nothing else shows to be (common practice, no source)."""
_PAUSE_NS: Final = 700_000_000
_PAUSE_PERIODS: Final = 0.75
"""A pause is so much longer than the usual wait, and by so many waits."""
_OUTAGE_NS: Final = 30_000_000_000
"""Nothing on its way is late by so much: a longer pause is a sensor that was silent."""
_KNOWN_MESSAGES: Final = 16
"""So many messages tell the usual wait."""
_GAIN: Final = 1.0 / _KNOWN_MESSAGES
_VERDICT_NS: Final = 500_000_000
"""A burst comes within so long after a pause, or there is none (common practice, no source)."""
_MADE_UP: Final = 0.6
"""Share of a pause that a burst must make up for."""
_FORGET_NS: Final = 20_000_000_000
"""What a burst made up for is forgotten in such a time: uneven waits add up to nothing."""


class Lateness:
    """How late the readings of one sensor are. Times in ns."""

    __slots__ = (
        "_delay_ns",
        "_made_up_ns",
        "_messages",
        "_paused_ns",
        "_per_reading_ns",
        "_stale_ns",
        "count",
        "late_s",
        "pause_ns",
        "since_ns",
        "wait_ns",
        "words",
    )  # fmt: skip

    def __init__(self, sensor: Sensor) -> None:
        self._stale_ns = round(sensor.stale_after_s * 1e9)
        self.late_s = 0.0
        """By how much its readings are late, s; 0 where nothing says that they are."""
        self.since_ns = 0
        """Since when; 0 where they are not."""
        self.words = ""
        """The same in words that stay the same while it lasts; empty where nothing is late."""
        # With a source's time.
        self._delay_ns: int | None = None
        """Delay of the quickest readings, with the difference of the clocks."""
        self.count = 0
        """Late readings in a row."""
        # Without one.
        self._messages = 0
        self.wait_ns = self._per_reading_ns = 1e9 / sensor.rate_hz
        """Usual wait between messages, and per reading: one message may bring many."""
        self._paused_ns = 0.0
        """Length of the pause of which it is not known yet whether a burst makes up for it; 0 where there is none."""
        self.pause_ns = 0
        """When the last pause ended; 0 where there was none."""
        self._made_up_ns = 0.0

    # --- with a source's time ------------------------------------------------------------------------------------------

    def too_late(self, t_ns: int, last_ns: int, source_ns: int) -> bool:
        """Take a reading by its source's time, the last good one having come at `last_ns`; whether it is too old to use: later
        than the time after which the sensor's word is stale."""
        delay = t_ns - source_ns
        usual = self._delay_ns
        if usual is None or delay < usual or delay > usual + _CLOCK_STEP_NS:
            self.learn(delay)
            return False
        late = delay - usual
        if late <= _LATE_NS:
            drift = (t_ns - last_ns) // _DRIFT_DIVISOR
            self._delay_ns = delay if delay < usual + drift else usual + drift
            if self.since_ns:
                self._end()
            return False
        if not self.since_ns:
            self.since_ns = t_ns
        elif t_ns - self.since_ns > BELIEVED_NS:
            self.learn(delay)
            return False
        self.count += 1
        if self.count >= _LATE_READINGS:
            self.late_s = late * 1e-9
            self.words = self.words or f"readings come {self.late_s:.1f} s late: look at gateway, network and clock"
        return late > self._stale_ns

    def learn(self, delay_ns: int) -> None:
        """Take a delay for the usual one; nothing is late."""
        self._delay_ns = delay_ns
        if self.since_ns:
            self._end()

    def learn_again(self) -> None:
        """Take the delay that readings have now for the usual one: it is not this sensor's alone."""
        if self._delay_ns is not None:
            self.learn(self._delay_ns + int(self.late_s * 1e9))

    # --- without one ---------------------------------------------------------------------------------------------------

    def take(self, t_ns: int, last_ns: int) -> bool:
        """Take a reading without a source's time, the last good one having come at `last_ns`; whether `judge` is to be asked."""
        wait = t_ns - last_ns
        usual = self.wait_ns
        if self._messages == _KNOWN_MESSAGES and 0 < wait < usual + _PAUSE_NS and not (self._paused_ns or self.late_s):
            # Nearly every reading.
            self.wait_ns = usual + (wait - usual) * _GAIN
            self._per_reading_ns += (wait - self._per_reading_ns) * (0.25 * _GAIN)
            return False
        paused = self._messages >= _KNOWN_MESSAGES and self.notices(wait - usual)
        if paused and wait < _OUTAGE_NS:
            self._paused_ns = wait - usual
            self.pause_ns = t_ns
            self._made_up_ns = 0.0
        elif self._paused_ns or self.late_s:
            self._made_up_ns += self._per_reading_ns - wait - self._made_up_ns * min(1.0, wait / _FORGET_NS)
        if wait < _OUTAGE_NS:
            if wait > 0:
                if self._messages < _KNOWN_MESSAGES:
                    self._messages += 1
                self.wait_ns += (wait - usual) / self._messages
            if not (paused or self.open):  # else a pause, or what makes up for it, would be taken for the usual
                self._per_reading_ns += (wait - self._per_reading_ns) * (0.25 * _GAIN)
        return self.open

    def notices(self, pause_ns: float) -> bool:
        """Whether a pause of that length, over the usual wait, is one."""
        return pause_ns > _PAUSE_NS and pause_ns > _PAUSE_PERIODS * self.wait_ns

    @property
    def open(self) -> bool:
        """Whether `judge` may find something."""
        return self._paused_ns > 0.0 or self.late_s > 0.0

    @property
    def pending_ns(self) -> float:
        """Length of the pause on which there is no verdict yet; 0 where there is none."""
        return self._paused_ns

    def judge(self, t_ns: int, common: bool) -> None:
        """Come to a verdict at a grid point where it is time to. `common`: most of the other sensors paused as well."""
        if self._paused_ns and t_ns - self.pause_ns >= _VERDICT_NS:
            if not common and self._made_up_ns < _MADE_UP * self._paused_ns:
                self.late_s = min(self.late_s + self._paused_ns * 1e-9, _OUTAGE_NS * 1e-9)
                self.since_ns = t_ns
                self.words = f"paused, nothing made up for: readings lost, or {self.late_s:.1f} s late since"
            self._paused_ns = self._made_up_ns = 0.0
        if self.late_s and (self._made_up_ns > _MADE_UP * self.late_s * 1e9 or t_ns - self.since_ns > BELIEVED_NS):
            self._end()

    def _end(self) -> None:
        """Nothing is late any more."""
        self.late_s = self._made_up_ns = 0.0
        self.since_ns = self.count = 0
        self.words = ""
