"""A load that changes at once, and stays: a string that parted or hung up, or a load sensor (range, zero, unit).

Theory of operation. A load comes on or off as the drum stretches or slackens the line, over many readings; a jerk of brake
or clutch swings it by as much from one reading to the next, but swings it back. So a step counts where the readings of the
second before and of the second after lie close about two levels, and the levels differ by that step. Whether the string or
the sensor did it no reading tells, but somebody must look. A load that went down to nothing is left to who watches for a lost
load. One that comes back from off the scale is looked at in the same way, for nobody saw where it has been. A step that comes
while the load swings, and a zero that creeps, are not seen here. All derived here.
"""

from collections import deque
from statistics import fmean, pstdev
from typing import Final

from monitor.config.sensor import Sensor

_STEP_SHARE: Final = 0.06
"""Least step, share of the believable range: the tenth of it that a wrong zero or range makes, with a third to spare."""
_WINDOW_NS: Final = 1_000_000_000
_AT_ONCE_NS: Final = 300_000_000
"""A step is between readings no further apart than this."""
_LEAST_READINGS: Final = 6
"""In each of the two seconds."""
_SCATTER: Final = 0.25
"""Share of the step by which readings may scatter about their level."""
_AGREES_LEAST: Final = 0.7
_AGREES_MOST: Final = 1.4
"""Difference of the levels over the step."""
_LASTS_NS: Final = 600_000_000_000
"""How long it is said (common practice, no source), unless the load steps back."""


class LoadStepWatch:
    """Watches the readings of one load sensor for a step. Values in N, times in ns."""

    __slots__ = (
        "_after", "_before", "_found_n", "_found_ns", "_least_n", "_recent", "_step", "_step_n", "_step_ns", "_unit", "_unit_n",
        "words",
    )  # fmt: skip

    def __init__(self, sensor: Sensor, least_n: float) -> None:
        """`least_n`: below it the load may be lost."""
        self._unit, self._unit_n = sensor.unit, abs(sensor.si.scale)
        self._step_n = _STEP_SHARE * self._unit_n * (sensor.range[1] - sensor.range[0])
        self._least_n = least_n
        self._recent: deque[tuple[int, float]] = deque()
        self._before: list[float] = []
        self._after: list[float] = []
        self._step = 0.0
        """The step that is looked into; 0 where there is none."""
        self._step_ns = 0
        self._found_n = 0.0
        """The step that was found, and stands; 0 where there is none."""
        self._found_ns = 0
        self.words = ""
        """What to say of it; empty where there is nothing to say."""

    def take(self, t_ns: int, last_ns: int, last: float, value: float) -> None:
        """Take a good reading, the one before having been `last` at `last_ns`."""
        recent = self._recent
        if self._step:
            if t_ns - self._step_ns > _WINDOW_NS:
                self._judge()
            else:
                self._after.append(value)
        elif not -self._step_n < value - last < self._step_n and t_ns - last_ns <= _AT_ONCE_NS:
            self._before = [load for _, load in recent]
            self._after = [value]
            self._step, self._step_ns = value - last, t_ns
        recent.append((t_ns, value))
        while t_ns - recent[0][0] > _WINDOW_NS:
            recent.popleft()

    def _judge(self) -> None:
        """Whether the readings before and after are two levels that lie the step apart."""
        step, before, after = self._step, self._before, self._after
        self._step = 0.0
        if min(len(before), len(after)) < _LEAST_READINGS:
            return
        scatter = _SCATTER * abs(step)
        level = fmean(after)
        if pstdev(before) > scatter or pstdev(after) > scatter:
            return
        if not _AGREES_LEAST < (level - fmean(before)) / step < _AGREES_MOST:
            return
        if self._found_n and _AGREES_LEAST < -step / self._found_n < _AGREES_MOST:
            self._found_n, self.words = 0.0, ""
        elif level >= self._least_n:
            self._found_n, self._found_ns = step, self._step_ns
            by = f"{step / self._unit_n:+.0f} {self._unit}"
            self.words = f"jumped by {by} at once: look at the string, then at the sensor"

    def back_on_scale(self, t_ns: int) -> None:
        """A good reading after some that were off the scale."""
        self._step = self._found_n = 0.0
        self._recent.clear()
        self._found_ns = t_ns
        self.words = "was off its scale: look at the sensor, its range and unit"

    def update(self, t_ns: int) -> None:
        """Bring `words` up to the grid point `t_ns`: after long enough nothing more is said."""
        if self.words and t_ns - self._found_ns > _LASTS_NS:
            self._found_n, self.words = 0.0, ""
