"""What comes in: frames from topics and actions of the crew, each at a stream time.

Times are stream time: nanoseconds of the Unix epoch, counted by a clock that never steps (see `monitor.adapters.host.clock`).
"""

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final, Literal, NamedTuple, Protocol

SECOND_NS: Final = 1_000_000_000
GRID_NS: Final = 50_000_000
"""Conditions are evaluated at multiples of this many nanoseconds of stream time."""

RESERVED: Final = "$stopmark/"
"""Topics that start so carry the monitor's own health. No broker's message is ever taken under such a name."""

HEALTH_TOPIC: Final = RESERVED + "health"

CARRIED_TOPIC: Final = RESERVED + "carried"
"""First frame of a live run: what the run before left behind, as `Core.state` gave it (``{}``: nothing)."""


class Clock(Protocol):
    """Where stream time comes from in a live run."""

    @property
    def rate(self) -> float:
        """Stream seconds per real second."""

    def now_ns(self) -> int:
        """Stream time now."""


class ActionKind(StrEnum):
    """What the crew, or who imports a log, can tell the monitor. None of these reaches the rig."""

    ACKNOWLEDGE = "acknowledge"  # target: alarm key, or "" for all
    SHELVE = "shelve"  # target: alarm key; number: seconds
    UNSHELVE = "unshelve"  # target: alarm key
    RESET = "reset"  # target: alarm key of a latched alarm
    OUT_OF_SERVICE = "out of service"  # target: alarm key
    IN_SERVICE = "in service"  # target: alarm key
    SILENCE = "silence"
    REFERENCE_HEIGHT = "reference height"  # number: the block's height now, m
    SLIP_AND_CUT = "slip and cut"  # number: turns on the drum at the reference height after the cut
    DOUBT_HEIGHT = "doubt height"  # number: what the position moved by where no block can, m; an import says so
    BOUND_HEIGHT = "bound height"  # number: what the position may be off by, m, 0 for no longer; an import says so
    CHECK_START = "check start"  # target: id of the procedure
    CHECK_STEP = "check step"  # target: id of the procedure
    CHECK_ABORT = "check abort"  # target: id of the procedure
    FALSE_ALARM = "false alarm"  # target: alarm key; text: why
    NOTE = "note"  # text
    HAND_OVER = "hand-over"  # text: what was handed over; who: the oncoming driller, who signs


class Frame(NamedTuple):
    """One message as it came: bytes of a topic at a stream time. What a session stores and a replay feeds."""

    t_ns: int
    topic: str
    payload: bytes
    retained: bool = False

    def moved_to(self, t_ns: int) -> "Frame":
        """The same message at another stream time."""
        return Frame(t_ns, self.topic, self.payload, self.retained)


@dataclass(frozen=True, slots=True)
class Request:
    """What somebody of the crew asks for: an `Action` that has no time yet."""

    kind: ActionKind
    target: str = ""
    number: float | None = None
    text: str = ""
    who: str = ""
    """Initials, as the crew typed them."""

    def at(self, t_ns: int) -> "Action":
        """The action at a stream time."""
        return Action(t_ns, self.kind, self.target, self.number, self.text, self.who)


@dataclass(frozen=True, slots=True)
class Action:
    """One thing the crew did. Recorded like a frame, because it changes what comes after."""

    t_ns: int
    kind: ActionKind
    target: str = ""
    number: float | None = None
    text: str = ""
    who: str = ""
    """Initials, as the crew typed them."""

    def moved_to(self, t_ns: int) -> "Action":
        """The same act at another stream time."""
        return replace(self, t_ns=t_ns)


@dataclass(frozen=True, slots=True)
class Health:
    """The monitor's own state, as told to the core by recorded health frames."""

    recording: Literal["on", "off", "failed"] = "off"
    connected: bool | None = None
    """None where there is no broker (replay, simulation)."""
    dropped: int = 0
    lag_s: float = 0.0
    note: str = ""
