"""Faults that one sensor's readings show by themselves: they stand still, they jump away and back, they jump and stay.

Theory of operation. A reading that always has some noise and suddenly repeats exactly is frozen. One that jumps away and
straight back is a spike; three within a minute are a fault. Tons of steel and water warm and cool by a few kelvins a second at
most: one jump of a temperature is a fault, whether it stays or not. A load may swing hard, and step for good (`load_step`).

Jumps of temperatures and loads are held back until the next reading confirms them, so that a spike touches nothing
downstream; levers and pressures are not, for they do jump and must not wait. All derived here.
"""

import math
from collections import deque
from typing import Final

from monitor.config.sensor import Sensor
from monitor.core.sensors.load_step import LoadStepWatch

_FROZEN_READINGS: Final = 20
_FROZEN_NS: Final = 2_500_000_000
"""So many equal readings, over so long, from a sensor of which most readings differed before: it is frozen."""
_NOISY_SHARE: Final = 0.6
_LEARNING: Final = 0.02
_REMEMBERED: Final = 200
_EVEN_SIGMAS: Final = 4.0
"""Two readings of one level differ by no more than so many of the noise's standard deviations."""
_RARE: Final = 20.7
"""-ln of the chance, one in a thousand million, of a run that has another cause than a freeze."""
_FROZEN_WORDS: Final = "readings repeat exactly: look at the sensor and its cable"
_SPIKES_WORDS: Final = "readings jump away and back: look at the cable and for interference"
_HEAT_WORDS: Final = "readings jump as no heat can: look at the sensor and its cable"
_SPIKE_SHARE: Final = 0.12
"""Share of the believable range: a block that bounces on its line swings the load by less from reading to reading."""
_RETURN_LEAST: Final = 0.75
_RETURN_MOST: Final = 1.33
"""Way back of a spike over its way there: where it came from, but for noise. What a hand does goes on from where it is."""
_SPIKE_COUNT: Final = 3
_SPIKE_WINDOW_NS: Final = 60_000_000_000
_AT_ONCE_NS: Final = 300_000_000
"""A jump of the load is between readings no further apart than this (common practice, no source)."""
_HEAT_NS: Final = 10_000_000_000
"""Within such a time a temperature does not change by that much (common practice, no source)."""


class ReadingFaults:
    """What is wrong with one sensor's readings, by their values alone. Values in SI, times in ns."""

    __slots__ = (
        "_at_once_ns", "_change_share", "_count", "_even", "_held", "_jump", "_load_step", "_repeat_count", "_repeat_since_ns",
        "_spike_times_ns", "_step", "_words", "holds", "seems_frozen",
    )  # fmt: skip

    def __init__(self, sensor: Sensor, least_load_n: float = 0.0) -> None:
        """`least_load_n`: reading of a load sensor below which the load may be lost."""
        heat, load = sensor.dimension == "temperature", sensor.role == "load"
        self._step = _SPIKE_SHARE * abs(sensor.si.scale) * (sensor.range[1] - sensor.range[0])
        self._load_step = LoadStepWatch(sensor, least_load_n) if load else None
        self._at_once_ns = _HEAT_NS if heat else _AT_ONCE_NS
        self.holds = heat or load
        """Whether a jump waits for the next reading to confirm it."""
        self._even = _EVEN_SIGMAS * abs(sensor.si.scale) * sensor.sigma
        self._words = _HEAT_WORDS if heat else _SPIKES_WORDS
        self._count = 1 if heat else _SPIKE_COUNT
        self._change_share = 0.0
        self._repeat_count = 0
        self._repeat_since_ns = 0
        self.seems_frozen = False
        """Whether its readings repeat more often in a row than they ever would: sooner than `frozen`, which is what is said."""
        self._jump = 0.0
        """The last step, if it was as large as a spike's; where jumps are held back, 0."""
        self._held: float | None = None
        """A reading that waits for the next one."""
        self._spike_times_ns: deque[int] = deque(maxlen=self._count)

    def hold(self, t_ns: int, last_ns: int, last: float, value: float) -> bool:
        """Whether to hold this reading back, `last` being the last good one; never two in a row. Only where `holds`."""
        held, self._held = self._held, None
        at_once = t_ns - last_ns <= self._at_once_ns
        if held is None:
            if at_once and not -self._step <= value - last <= self._step:
                self._held = value
            return self._held is not None
        # Back where it came from; or, where heat cannot jump, anywhere else.
        if at_once and (self._count == 1 or _RETURN_LEAST < (held - value) / (held - last) < _RETURN_MOST):
            self._spike_times_ns.append(t_ns)
        return False

    def take(self, t_ns: int, last_ns: int, last: float, value: float) -> bool:
        """Take a good reading, the one before having been `last` at `last_ns`; whether `words` may have something to say."""
        step = value - last
        if self._load_step is not None:
            self._load_step.take(t_ns, last_ns, last, value)
        if step == 0.0:
            if self._repeat_count == 0:
                self._repeat_since_ns = last_ns
            self._repeat_count += 1
            self.seems_frozen = self._repeat_count * -math.log(1.0 - min(self._change_share, 0.98)) > _RARE
        else:
            # How many of its readings at an even level differ, over about 50. A run that may prove to be a freeze counts when
            # it has ended; a hand that moves, or a stroke of the brake, says nothing of the noise.
            if self._repeat_count:
                self._change_share *= (1.0 - _LEARNING) ** min(self._repeat_count, _REMEMBERED)
                self._repeat_count = 0
                self.seems_frozen = False
            if -self._even <= step <= self._even:
                self._change_share += (1.0 - self._change_share) * _LEARNING
        # Away, and as far back with the next reading: no hand on a lever does that.
        away = self._jump
        if away and _RETURN_LEAST < -step / away < _RETURN_MOST:
            self._spike_times_ns.append(t_ns)
            self._jump = 0.0
        elif not self.holds:
            self._jump = step if step > self._step or step < -self._step else 0.0
        # As `open`, which most readings end with here: each costs a call less.
        return (
            self._repeat_count >= _FROZEN_READINGS
            or len(self._spike_times_ns) == self._count
            or (self._load_step is not None and self._load_step.words != "")
        )

    @property
    def open(self) -> bool:
        """Whether `words` may have something to say."""
        return self._repeat_count >= _FROZEN_READINGS or len(self._spike_times_ns) == self._count or self.stepped

    def frozen(self, t_ns: int) -> bool:
        """Whether its readings repeat exactly although most used to differ."""
        return (
            self._repeat_count >= _FROZEN_READINGS
            and self._change_share > _NOISY_SHARE
            and t_ns - self._repeat_since_ns > _FROZEN_NS
        )

    @property
    def stepped(self) -> bool:
        """Whether its load stepped: what it says now may be another thing than before."""
        return self._load_step is not None and self._load_step.words != ""

    def back_on_scale(self, t_ns: int) -> None:
        """A good reading comes after some that were off the scale."""
        if self._load_step is not None:
            self._load_step.back_on_scale(t_ns)

    def words(self, t_ns: int) -> str:
        """What is wrong at the grid point `t_ns`; empty when nothing is."""
        if self.frozen(t_ns):
            return _FROZEN_WORDS
        if len(self._spike_times_ns) == self._count and t_ns - self._spike_times_ns[0] < _SPIKE_WINDOW_NS:
            return self._words
        if self._load_step is None:
            return ""
        self._load_step.update(t_ns)
        return self._load_step.words
