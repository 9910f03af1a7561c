"""Pressure that nobody asks for: a reading of the service brake that is no measure of what the pads do.

Theory of operation. With the lever off for longer than the oil needs to go back, one circuit that still reads pressure
while the other reads none has a sensor that is off its zero (or stuck, or late), or a valve that holds oil back. Which it
is, no reading tells; but a reading that the lever does not explain is no measure of what the pads do. Until it has been
near zero with the lever off again it counts as not known, for everything but the alarm that says so. Where both circuits
read pressure, something else may have set the brake (an overtravel device, an automatic driller), and both count.
"""

from typing import Final

from monitor.config.rig import Rig

_LEVER_OFF: Final = 0.03
"""Lever position below which nobody asks for pressure (common practice, no source)."""
_RESIDUAL_SHARE: Final = 0.10
"""Share of full pressure that is more than pads in contact, a gauge's zero or a hand that rests on the lever explain."""
_RENEWAL_S: Final = 2.5
"""Longest wait for a new reading (common practice, no source)."""
_GOOD_S: Final = 0.6
"""So long it must read near zero with the lever off to be believed again."""


class ResidualPressureMonitor:
    """Which circuit's reading is not to be believed, because it shows pressure that the lever does not ask for."""

    __slots__ = ("_good_s", "_level", "_off_s", "_renewed", "_seen", "_wait", "pressure_pa", "suspect")

    def __init__(self, rig: Rig) -> None:
        sensors = (rig.sensor_of("service_pressure_1"), rig.sensor_of("service_pressure_2"))
        noise = max(sensor.sigma * sensor.si.scale if sensor else 0.0 for sensor in sensors)
        self._level = max(_RESIDUAL_SHARE * rig.brake.full_pressure_pa, 6.0 * noise)
        self._wait = (rig.braking.lag_s + rig.braking.ramp_s) * (1.0 + rig.uncertainty.lag) + 0.1
        self._off_s = 0.0
        self._seen: tuple[float, float, float] | None = None
        """Readings when the oil had had its time."""
        self._renewed = False
        """Whether another has come since."""
        self._good_s = [0.0, 0.0]
        self.suspect = [False, False]
        self.pressure_pa = 0.0
        """What a suspect reading last showed with the lever off, Pa; 0 where none is suspect."""

    def step(self, dt: float, lever: float, first: float, second: float) -> None:
        """Readings in SI; NaN where not known, which changes nothing."""
        if not lever < _LEVER_OFF:
            self._off_s = 0.0
            self._seen, self._renewed = None, False
            return
        self._off_s += dt
        level = self._level
        if self._off_s < self._wait or (first < level and second < level and not (self.suspect[0] or self.suspect[1])):
            return
        if self._seen is None:
            self._seen = (lever, first, second)
        # What came in one batch with the lever's last move is as old as that: wait for news, or for long enough.
        self._renewed = self._renewed or self._seen != (lever, first, second) or self._off_s >= self._wait + _RENEWAL_S
        if not self._renewed:
            return
        self._update_suspect(0, dt, first, second)
        self._update_suspect(1, dt, second, first)
        if not (self.suspect[0] or self.suspect[1]):
            self.pressure_pa = 0.0

    def _update_suspect(self, place: int, dt: float, reading: float, other: float) -> None:
        if reading > self._level and other < 0.5 * self._level:
            self.suspect[place] = True
            self.pressure_pa = reading
            self._good_s[place] = 0.0
        elif reading < 0.5 * self._level and self.suspect[place]:
            self._good_s[place] += dt
            self.suspect[place] = self._good_s[place] < _GOOD_S
