"""Hydraulics watch: how fast the brake answers, and which circuits answer at all.

Theory of operation. Small machines, each fed at every grid point, none of which takes a missing reading for evidence. Pressure
that nobody asks for (`residual_pressure`) and the accumulator (`accumulator`) have a file each.

*Response.* An application begins when the lever rises past the demand position after the brake was off, and is
answered when every circuit still counted shows 80 % of what the lever asks for (no more than the supply can give).
Both moments are interpolated between grid points. While the answer is overdue, the time that has passed is the answer
so far, so that a brake that does not come at all is noticed before it comes. `RESPONSES` is the table.

*Circuits.* Under demand for longer than lag and ramp may take, a circuit below half of the demand has failed: first
for the assured count, half a second later for the expected one. It counts again when it has shown 80 % under demand:
expected at once, assured after half a second.
"""

import math
from collections import deque
from collections.abc import Mapping
from enum import IntEnum
from typing import Any, Final

from monitor.config.rig import Rig
from monitor.core.brakes.accumulator import LeakWatch, PumpWatch
from monitor.core.brakes.residual_pressure import ResidualPressureMonitor
from monitor.core.saved_state import number, optional

_ANSWERED: Final = 0.8
"""Share of the demanded pressure that counts as the brake's answer (the usual point on a step response; common
practice)."""
_TOO_LATE_S: Final = 5.0
_FAILED: Final = 0.5
_SUSPECT_S: Final = 0.12
_CONFIRM_S: Final = 0.6


class ResponseState(IntEnum):
    """Where an application stands."""

    IDLE = 0
    """Not timed: answered already, begun from pressure, or readings were lost."""
    ARMED = 1
    """The brake is off."""
    WAITING = 2
    """Demand has begun, and the answer is not there."""


class ResponseEvent(IntEnum):
    """What one grid point says of an application."""

    LOST = 0
    """Lever or all pressures are not known."""
    RELEASED = 1
    """The lever is below half the demand, and pressure is low."""
    DRAINING = 2
    """The lever is below half the demand, and pressure is still up."""
    DEMAND = 3
    """The lever has passed the demand position."""
    ANSWERED = 4
    """80 % of demand is there."""
    TOO_LATE = 5
    HELD = 6
    """None of these."""


def _responses() -> tuple[tuple[ResponseState, ...], ...]:
    idle, armed, waiting = ResponseState
    rows = {
        # in state:              IDLE   ARMED    WAITING
        ResponseEvent.LOST:     (idle,  idle,    idle),
        ResponseEvent.RELEASED: (armed, armed,   armed),
        ResponseEvent.DRAINING: (idle,  idle,    idle),
        ResponseEvent.DEMAND:   (idle,  waiting, waiting),
        ResponseEvent.ANSWERED: (idle,  armed,   idle),
        ResponseEvent.TOO_LATE: (idle,  armed,   idle),
        ResponseEvent.HELD:     (idle,  armed,   waiting),
    }  # fmt: skip
    return tuple(rows[event] for event in ResponseEvent)


RESPONSES: Final = _responses()
"""By event, by state: the state that follows."""


class ResponseWatch:
    """Response time of the last application, s; NaN before the first."""

    __slots__ = ("_demand", "_full", "_last_lever", "_last_share", "_since", "_state", "last")

    def __init__(self, rig: Rig) -> None:
        self._demand = rig.braking.demand_lever
        self._full = rig.brake.full_pressure_pa
        self.last = math.nan
        self._state = ResponseState.IDLE
        self._last_lever = math.nan
        self._last_share = 0.0
        self._since = 0.0
        """Seconds since the lever passed demand."""

    @property
    def number(self) -> float:
        """The last answer, or the time waited where that is already longer."""
        if self._state is ResponseState.WAITING and self._since > 0.5 and not self._since <= self.last:
            return self._since
        return self.last

    def step(self, dt: float, lever: float, pressure: float, supply: float) -> None:
        """`pressure`: the slowest counted circuit's, Pa; `supply`: accumulator pressure, full pressure where not
        known."""
        asked = min(lever * self._full, supply) if lever > 0.0 else 0.0
        share = pressure / asked if asked > 0.0 else 0.0
        state = self._state
        event = self._event(lever, pressure, share)
        self._state = after = RESPONSES[event][state]
        if after is ResponseState.WAITING:
            if state is after:
                self._since += dt
            else:
                rise = lever - self._last_lever
                self._since = dt * (lever - self._demand) / rise if rise > 0.0 else 0.0
            self._last_share = share
        elif state is ResponseState.WAITING:
            if event is ResponseEvent.ANSWERED:
                rise = share - self._last_share
                missed = (share - _ANSWERED) / rise if rise > 0.0 else 0.0
                self.last = self._since + dt * (1.0 - min(1.0, missed))
            elif event is ResponseEvent.TOO_LATE:
                self.last = _TOO_LATE_S
        self._last_lever = math.nan if event is ResponseEvent.LOST else lever

    def _event(self, lever: float, pressure: float, share: float) -> ResponseEvent:
        if math.isnan(lever + pressure):
            return ResponseEvent.LOST
        if lever < 0.5 * self._demand:
            return ResponseEvent.RELEASED if pressure < 0.1 * self._full else ResponseEvent.DRAINING
        if self._state is ResponseState.WAITING:
            if share >= _ANSWERED:
                return ResponseEvent.ANSWERED
            return ResponseEvent.TOO_LATE if self._since >= _TOO_LATE_S else ResponseEvent.HELD
        return ResponseEvent.DEMAND if lever >= self._demand > self._last_lever else ResponseEvent.HELD


class CircuitWatch:
    """Whether one circuit builds pressure when asked. `expected` and `assured` say whether to count it."""

    __slots__ = ("_bad_s", "_good_s", "assured", "expected")

    def __init__(self) -> None:
        self.expected = self.assured = True
        self._bad_s = self._good_s = 0.0

    def step(self, dt: float, pressure: float, asked: float) -> None:
        """`asked`: pressure asked for under demand for longer than the brake may take, Pa; NaN when nothing is
        asked."""
        if math.isnan(pressure + asked):
            self._bad_s = self._good_s = 0.0
            return
        if pressure < _FAILED * asked:
            self._good_s = 0.0
            self._bad_s += dt
            # One odd reading stays on the grid for a sensor's period: wait a little longer than that.
            self.assured = self.assured and self._bad_s <= _SUSPECT_S
            self.expected = self.expected and self._bad_s <= _CONFIRM_S
        elif pressure >= _ANSWERED * asked:
            self._bad_s = 0.0
            self._good_s += dt
            self.expected = True
            self.assured = self.assured or self._good_s > _CONFIRM_S

    @property
    def suspected(self) -> bool:
        """Whether it is not counted for the assured torque, on less evidence than takes it out for good."""
        return self.expected and not self.assured and self._bad_s > 0.0

    def withdraw(self) -> None:
        """What it is suspected of has no ground any more."""
        self.assured = True
        self._bad_s = 0.0


_LOOKS: Final = 6
"""Grid points over which the circuits' balance is the best seen: while pressure rises or falls, readings of different moments
differ for up to a quarter of a second (measured on the simulated rig)."""


class Circuits:
    """Both circuits, asked through the lever or, where it says nothing, by comparison with each other."""

    __slots__ = ("_demand", "_demand_s", "_full", "_ratios", "_wait", "pair", "ratio")

    def __init__(self, rig: Rig) -> None:
        self._demand = rig.braking.demand_lever
        self._full = rig.brake.full_pressure_pa
        # Readings of lever and pressure may be a grid point apart, hence the tenth of a second.
        self._wait = (rig.braking.lag_s + rig.braking.ramp_s) * (1.0 + rig.uncertainty.lag) + 0.1
        self._demand_s = 0.0
        self._ratios: deque[float] = deque(maxlen=_LOOKS)
        self.ratio = math.nan
        """Lower over higher circuit, the best of the last looks: readings taken at different moments of a stroke
        differ, and such a dip, at every stroke, would keep an alarm that has ended. NaN where not known."""
        self.pair = (CircuitWatch(), CircuitWatch())

    def step(self, dt: float, lever: float, first: float, second: float, supply: float) -> None:
        """Readings in SI; NaN where not known."""
        if lever < self._demand and self._demand_s == 0.0:
            return  # nothing is asked, nor was it before
        if math.isnan(lever):
            # A lever that falls silent asked for the brake with an old word: two circuits that fail at once then, did not.
            if self.pair[0].suspected and self.pair[1].suspected:
                self.pair[0].withdraw()
                self.pair[1].withdraw()
            higher = max(first, second)  # NaN in either place makes a comparison impossible
            asked = higher if higher > 0.3 * self._full else math.nan
            if math.isnan(first + second):
                asked = math.nan
        else:
            asked = min(lever * self._full, supply) if lever >= self._demand else math.nan
        self._demand_s = 0.0 if math.isnan(asked) else self._demand_s + dt
        if self._demand_s < self._wait:
            asked = math.nan
        self.pair[0].step(dt, first, asked)
        self.pair[1].step(dt, second, asked)

    def compare(self, first: float, second: float) -> None:
        """Take both readings for the ratio; NaN where not known."""
        high, low = (first, second) if first > second else (second, first)
        if math.isnan(first + second):
            self._ratios.clear()
            self.ratio = math.nan
            return
        # Below a tenth of full pressure the residual pressures say nothing about balance.
        fresh = 1.0 if high <= 0.1 * self._full else low / high if low > 0.0 else 0.0
        self._ratios.append(fresh)
        self.ratio = max(self._ratios)

    def slowest(self, first: float, second: float) -> float:
        """Pressure of the slowest circuit that is counted and known; of a known one where none is counted; else NaN."""
        one, two = self.pair
        if first != first:
            return second
        if second != second or (one.expected and not two.expected):
            return first
        if two.expected and not one.expected:
            return second
        return first if first < second else second

    @property
    def counts(self) -> tuple[int, int]:
        """(expected, assured) working circuits."""
        one, two = self.pair
        return one.expected + two.expected, one.assured + two.assured


class HydraulicsWatch:
    """The five together."""

    def __init__(self, rig: Rig) -> None:
        self._full = rig.brake.full_pressure_pa
        self.residual = ResidualPressureMonitor(rig)
        self.first = self.second = math.nan
        """Both circuits' pressures, Pa, as far as they are believed; NaN where not known."""
        self.response = ResponseWatch(rig)
        self.circuits = Circuits(rig)
        self.leak = LeakWatch(rig)
        self.pump = PumpWatch(rig)
        self._waited_s = 0.0

    def step(
        self, dt: float, lever: float, first: float, second: float, accumulator: float, timed: bool = True
    ) -> None:
        """One grid point. SI; NaN where not known. `timed`: readings come often enough to see an application build up; where
        they do not, no answer is timed and no circuit found lost, for a reading may lie in the middle of one."""
        supply = self._full if math.isnan(accumulator) else max(0.0, accumulator)
        self.circuits.compare(first, second)
        self.residual.step(dt, lever, first, second)
        bad1, bad2 = self.residual.suspect
        self.first = one = math.nan if bad1 else first
        self.second = two = math.nan if bad2 else second
        if timed:
            self.circuits.step(dt, lever, one, two, supply)
            self.response.step(dt, lever, self.circuits.slowest(one, two), supply)
        # Leak and pump are slow matters: five looks a second are plenty.
        self._waited_s += dt
        if self._waited_s > 0.19:
            self.leak.step(self._waited_s, accumulator, first, second)
            self.pump.step(self._waited_s, accumulator)
            self._waited_s = 0.0

    def state(self) -> dict[str, Any]:
        """What a restart needs, JSON-able."""

        def plain(value: float) -> float | None:
            return value if math.isfinite(value) else None

        return {
            "response_s": plain(self.response.last),
            "leak_pa_s": plain(self.leak.rate),
            "leak_age_s": self.leak.age_s,
            "pump_s": plain(self.pump.last),
            "circuits": [[watch.expected, watch.assured] for watch in self.circuits.pair],
            "unasked": self.residual.pressure_pa,
            "suspect": list(self.residual.suspect),
        }

    def restore(self, saved: Mapping[str, Any], idle_s: float) -> None:
        """Take up `saved` from `state`, `idle_s` seconds later.

        Raises:
            ValueError: it is not such a state.
        """
        try:
            found = [optional(saved, key) for key in ("response_s", "leak_pa_s", "pump_s")]
            response, leak, pump = (math.nan if value is None else value for value in found)
            age = number(saved, "leak_age_s", 0.0) + max(0.0, idle_s)
            flags = [(bool(expected), bool(assured)) for expected, assured in saved["circuits"]]
            # A state of an earlier version has none.
            residual, suspect = float(saved.get("unasked", 0.0)), [bool(flag) for flag in saved.get("suspect", (0, 0))]
        except (KeyError, TypeError, ValueError, OverflowError) as error:
            raise ValueError(f"hydraulics watch cannot be restored: {error!r}") from None
        if len(flags) != 2 or len(suspect) != 2 or not math.isfinite(residual):
            raise ValueError("hydraulics watch cannot be restored: two circuits are needed")
        self.response.last, self.leak.rate, self.leak.age_s, self.pump.last = response, leak, age, pump
        self.residual.pressure_pa, self.residual.suspect = residual, suspect
        for watch, (expected, assured) in zip(self.circuits.pair, flags, strict=True):
            watch.expected, watch.assured = expected, assured
