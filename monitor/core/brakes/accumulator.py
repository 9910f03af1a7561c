"""Whether oil leaves the accumulator, and how often the pump charges it.

Theory of operation. Neither watch takes a missing reading for evidence.

*Leak.* With the service circuits quiet (no oil moves in or out) and no recharge going on, a line is fitted to
accumulator pressure with a forgetting of half a minute. Quiet does not mean released: a brake held on draws nothing.
The slope counts after 15 s; the first seconds after a recharge are left out, because warm gas settles
(`monitor.physics.hydraulics.diagnose_leak`).

*Pump.* A recharge starts at the lowest pressure before a rise; the time from one start to the next is the cycle.
"""

import math
from typing import Final

from monitor.config.rig import Rig


class LeakWatch:
    """Leak-down of the accumulator, Pa/s, positive when falling; `rate` NaN before the first quiet quarter minute."""

    __slots__ = (
        "_candidate",
        "_candidate_s",
        "_first",
        "_last",
        "_n",
        "_noise",
        "_quiet_band",
        "_s",
        "_second",
        "_settle_s",
        "_span_s",
        "age_s",
        "rate",
    )

    SETTLE_S: Final = 6.0
    ENOUGH_S: Final = 15.0
    FORGET_S: Final = 30.0
    CONFIRM_S: Final = 4.0

    def __init__(self, rig: Rig) -> None:
        sensor = rig.sensor_of("accumulator_pressure")
        span = rig.hydraulics.max_pressure_pa - rig.hydraulics.min_pressure_pa
        self._noise = max(sensor.sigma * sensor.si.scale if sensor else 0.0, 0.001 * span)
        self._quiet_band = 0.04 * rig.brake.full_pressure_pa
        self.rate = math.nan
        self.age_s = 0.0
        """Seconds since the rate was last confirmed by a quiet spell."""
        self._first = self._second = math.nan
        self._last = math.nan
        self._settle_s = 0.0
        self._begin(0.0)

    def _begin(self, settle_s: float) -> None:
        self._settle_s = settle_s
        self._span_s = 0.0
        self._candidate, self._candidate_s = math.nan, self.CONFIRM_S
        self._n = 0.0
        self._s = (0.0, 0.0, 0.0, 0.0)  # sums of t, p, t t, t p; time counted back from now

    def step(self, dt: float, pressure: float, first: float, second: float) -> None:
        """Accumulator and circuit pressures, Pa; NaN where not known."""
        self.age_s += dt
        moved = not (abs(first - self._first) < self._quiet_band and abs(second - self._second) < self._quiet_band)
        if moved or math.isnan(pressure):  # also when a circuit's pressure is not known
            self._first, self._second = first, second
            self._begin(1.0)
            return
        if self._settle_s > 0.0:
            self._settle_s -= dt
            self._last = pressure
            return
        # Age every point by dt (t counts back from now, so t grows), forget a little, add the new one at t = 0.
        keep = 1.0 - dt / self.FORGET_S
        n, (st, sp, stt, stp) = self._n, self._s
        stt = keep * (stt + 2.0 * dt * st + dt * dt * n)
        stp = keep * (stp + dt * sp)
        st = keep * (st + dt * n)
        sp = keep * sp
        p = pressure - self._last  # small numbers keep the sums exact
        n = keep * n + 1.0
        self._n, self._s = n, (st, sp + p, stt, stp)
        self._span_s += dt
        sp += p
        spread = n * stt - st * st
        if self._span_s < 3.0 or spread <= 0.0:
            return
        falling = (n * stp - st * sp) / spread  # dp per second of age: positive when pressure falls
        here = (sp - falling * st) / n
        # Readings may be slower than the looks, so the line is worth less than its points say.
        sigma = 1.5 * self._noise * math.sqrt(n / spread)
        if p - here > 6.0 * self._noise or falling < -4.0 * sigma:
            self._begin(self.SETTLE_S)  # recharging
        elif here - p > 6.0 * self._noise:
            self._begin(1.0)  # oil was drawn for something else
        elif self._span_s >= self.ENOUGH_S:
            # What counts is the slope of a few seconds ago: the start of a recharge bends the line before it shows.
            self._candidate_s += dt
            if self._candidate_s >= self.CONFIRM_S:
                if not math.isnan(self._candidate):
                    self.rate = self._candidate
                    self.age_s = 0.0
                self._candidate, self._candidate_s = max(0.0, falling), 0.0


class PumpWatch:
    """Time between the starts of two recharges, s; NaN before the second. Grows while the next is overdue."""

    __slots__ = ("_high", "_low", "_rising", "_since_low", "_since_start", "_step", "last")

    def __init__(self, rig: Rig) -> None:
        sensor = rig.sensor_of("accumulator_pressure")
        span = rig.hydraulics.max_pressure_pa - rig.hydraulics.min_pressure_pa
        self._step = max(6.0 * sensor.sigma * sensor.si.scale if sensor else 0.0, 0.08 * span)
        """A rise or fall counts from here: beyond noise and less than a pump's hysteresis."""
        self.last = math.nan
        self._low, self._high = math.inf, -math.inf
        self._rising = False
        self._since_low = 0.0
        self._since_start = math.nan

    @property
    def number(self) -> float:
        """The last cycle, or the time since the last start where that is already longer; NaN before two starts."""
        return self._since_start if self._since_start > self.last else self.last

    def step(self, dt: float, pressure: float) -> None:
        """Accumulator pressure, Pa; NaN (not known) ends the cycle without counting it."""
        if math.isnan(pressure):
            self._since_start = math.nan
            self._low, self._high, self._rising = math.inf, -math.inf, False
            return
        self._since_start += dt
        self._since_low += dt
        if self._rising:
            self._high = max(self._high, pressure)
            if pressure < self._high - self._step:
                self._rising = False
                self._low, self._since_low = pressure, 0.0
        elif pressure < self._low:
            self._low, self._since_low = pressure, 0.0
        elif pressure > self._low + self._step:
            self._rising = True
            self._high = pressure
            if not math.isnan(self._since_start):
                self.last = self._since_start - self._since_low
            self._since_start = self._since_low
