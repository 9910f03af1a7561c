"""When is it true that something is wrong? A threshold with hysteresis, two delays, and an honest answer to bad data.

Theory of operation
-------------------
A condition looks at one signal, at grid points only, and is in one of four states:

    FALSE      nothing wrong as far as is known
    PENDING    beyond the trip level, but not yet for as long as the on delay asks
    TRUE       beyond the trip level for long enough
    CLEARING   back behind the clear level, but not yet for as long as the off delay asks (still counts as true)

Each grid point turns the signal's value into one *reading*: BEYOND the trip level, BETWEEN trip and clear, SAFE,
UNKNOWN (invalid, or not a number), or ABSENT (the rig has no such equipment). `TRANSITIONS` says what each reading does
in each state; then, when the state's delay has run out, its ELAPSED row is applied in the same step, so that a delay of
0 acts at once. Noise inside the hysteresis band can neither start an alarm nor end one: BETWEEN breaks off a PENDING or
a CLEARING, and changes nothing else.

Three rules follow from "no data is worse than bad data":

* UNKNOWN never changes the state: what was true stays true, what was pending stays pending.
* Time without data counts toward neither delay: the interval between two grid points is counted only if the signal was
  known at both of its ends. So silence can neither confirm an alarm nor wear it out.
* A condition whose input is UNKNOWN says so (`blind`), also while it is FALSE: "not known" is never "all clear".

Hysteresis and off delay keep what has been reported from coming and going. Where it was not reported (the alarm was suppressed),
neither holds it: else an alarm could come up for what has passed, such as a word before a limit when a block that rests close
below it stirs.

ABSENT means that the rule does not apply here: the state is FALSE and it is not blind. Delays are stream time, so a
replay at any speed takes the same decisions as the live run. The levels belong to the safe side: exactly at the trip
level is not beyond it, exactly at the clear level is safe.
"""

from collections.abc import Mapping
from enum import IntEnum
from types import MappingProxyType
from typing import Final, Literal

from monitor.model.reading import ABSENT, INVALID, Value
from monitor.model.stream import SECOND_NS


class ConditionState(IntEnum):
    """State of a condition. TRUE and CLEARING count as true."""

    FALSE = 0
    PENDING = 1
    TRUE = 2
    CLEARING = 3


class Reading(IntEnum):
    """What one grid point says to a condition; ELAPSED is the delay of its present state having run out."""

    BEYOND = 0
    BETWEEN = 1
    SAFE = 2
    UNKNOWN = 3
    ABSENT = 4
    ELAPSED = 5


def _table() -> Mapping[tuple[ConditionState, Reading], ConditionState]:
    false, pending, true, clearing = ConditionState
    columns = (false, pending, true, clearing)
    rows = {
        # in state:        FALSE    PENDING  TRUE      CLEARING
        Reading.BEYOND: (pending, pending, true, true),
        Reading.BETWEEN: (false, false, true, true),
        Reading.SAFE: (false, false, clearing, clearing),
        Reading.UNKNOWN: (false, pending, true, clearing),
        Reading.ABSENT: (false, false, false, false),
        Reading.ELAPSED: (false, true, true, false),
    }
    return MappingProxyType(
        {
            (state, reading): after
            for reading, afters in rows.items()
            for state, after in zip(columns, afters, strict=True)
        }
    )


TRANSITIONS: Final = _table()
"""Every state and reading, and the state that follows."""


class Condition:
    """One threshold with hysteresis and delays; see the theory of operation above.

    Args:
        compare: side of `trip` that is wrong.
        trip: level beyond which it is wrong, in the signal's SI unit.
        clear: level at which it is right again; on the safe side of `trip`, or equal to it.
        on_delay_s: how long it must be wrong before it counts, s of stream time.
        off_delay_s: how long it must be right before it stops counting, s of stream time.

    Raises:
        ValueError: `clear` is on the wrong side of `trip`, or a delay is negative.
    """

    __slots__ = (
        "_above",
        "_clear",
        "_counting",
        "_elapsed_ns",
        "_last_ns",
        "_off_ns",
        "_on_ns",
        "_trip",
        "blind",
        "state",
    )

    def __init__(
        self, compare: Literal["above", "below"], trip: float, clear: float, on_delay_s: float, off_delay_s: float
    ) -> None:
        self._above = compare == "above"
        if (clear > trip) if self._above else (clear < trip):
            raise ValueError(f"clear ({clear:g}) must not be beyond trip ({trip:g}) when comparing {compare!r}")
        if on_delay_s < 0 or off_delay_s < 0:
            raise ValueError("delays must not be negative")
        self._trip = trip
        self._clear = clear
        self._on_ns = round(on_delay_s * SECOND_NS)
        self._off_ns = round(off_delay_s * SECOND_NS)
        self._elapsed_ns = 0
        self._last_ns = 0
        self._counting = False
        self.state = ConditionState.FALSE
        self.blind = False
        """Whether the input was unknown at the last grid point."""

    @property
    def true(self) -> bool:
        """Whether it counts as true now (TRUE or CLEARING)."""
        return self.state >= ConditionState.TRUE

    def read(self, number: float, validity: int) -> Reading:
        """What a signal's `number` and `validity` say to this condition."""
        if validity == ABSENT:
            return Reading.ABSENT
        if validity == INVALID or number != number:
            return Reading.UNKNOWN
        if self._above:
            if number > self._trip:
                return Reading.BEYOND
            return Reading.SAFE if number <= self._clear else Reading.BETWEEN
        if number < self._trip:
            return Reading.BEYOND
        return Reading.SAFE if number >= self._clear else Reading.BETWEEN

    def step(self, t_ns: int, value: Value) -> bool:
        """Take the signal's value at grid point `t_ns`. Returns whether `true` changed."""
        return self.step_raw(t_ns, value.number, value.validity)

    def step_raw(self, t_ns: int, number: float, validity: int, unreported: bool = False) -> bool:
        """As `step`, from the bare number and validity: the engine's loop has no `Value` at hand. `unreported`: nobody
        knows that it is true, so that neither the off delay nor the clear level keeps it so."""
        reading = self.read(number, validity)
        if unreported and reading is Reading.BETWEEN:
            reading = Reading.SAFE
        before = self.state
        state = TRANSITIONS[before, reading]
        known = reading is not Reading.UNKNOWN
        if state is not before:
            self._elapsed_ns = 0
        elif known and self._counting:
            self._elapsed_ns += t_ns - self._last_ns
        self._last_ns = t_ns
        self._counting = known
        self.blind = not known
        if known and state in DELAYED:
            delay_ns = self._on_ns if state is ConditionState.PENDING else 0 if unreported else self._off_ns
            if self._elapsed_ns >= delay_ns:
                state = TRANSITIONS[state, Reading.ELAPSED]
                self._elapsed_ns = 0
        self.state = state
        return (state >= ConditionState.TRUE) is not (before >= ConditionState.TRUE)

    def saved_state(self) -> tuple[int, int]:
        """State and elapsed nanoseconds, enough to go on after a restart."""
        return int(self.state), self._elapsed_ns

    def restore(self, state: int, elapsed_ns: int) -> None:
        """Go on from what `saved_state` gave. The time between does not count toward a delay.

        Raises:
            ValueError: there is no such state, or the time is negative.
        """
        if elapsed_ns < 0:
            raise ValueError(f"elapsed time of a condition cannot be negative ({elapsed_ns})")
        self.state = ConditionState(state)
        self._elapsed_ns = elapsed_ns
        self._counting = False


DELAYED: Final = frozenset({ConditionState.PENDING, ConditionState.CLEARING})


def condition_diagram() -> str:
    """`TRANSITIONS` as a Mermaid state diagram; readings that change nothing are left out."""
    lines = ["stateDiagram-v2", "    [*] --> FALSE"]
    arrows: dict[tuple[ConditionState, ConditionState], list[str]] = {}
    for (before, reading), after in TRANSITIONS.items():
        if before is not after:
            arrows.setdefault((before, after), []).append(reading.name.lower())
    lines += [
        f"    {before.name} --> {after.name}: {', '.join(why)}" for (before, after), why in sorted(arrows.items())
    ]
    return "\n".join(lines) + "\n"
