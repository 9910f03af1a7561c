"""The input of a screen: the snapshot, and everything around it that is not the core's."""

from dataclasses import dataclass, field, replace
from types import MappingProxyType

from monitor.config.rig import Rig
from monitor.model.reading import UNKNOWN, Value
from monitor.model.snapshot import HoistState, Snapshot
from monitor.presentation.format import SI, Units
from monitor.runtime.driver import Mode, ReplayControl
from monitor.runtime.facts import RunFacts
from monitor.ui.history import History

KeyRow = tuple[tuple[str, str], ...]
"""Keys and what they do."""


@dataclass(frozen=True, slots=True)
class ReplayView:
    """Where a replay stands."""

    start_ns: int
    end_ns: int
    position_ns: int
    speed: float
    paused: bool
    skips_still: bool = False

    @classmethod
    def of(cls, replay: ReplayControl) -> "ReplayView":
        """As it is now."""
        return cls(replay.start_ns, replay.end_ns, replay.position_ns, replay.speed, replay.paused, replay.skips_still)


@dataclass(frozen=True, slots=True)
class ScreenState:
    """A screen's own state."""

    chosen: str = ""
    """Id of the row the cursor stands on. An id and not a number: lists reorder under the crew's hands."""
    page: int = 0
    """Which of the screen's pages is shown (signal groups, list or history)."""
    span_s: float = 300.0
    """How far back the trends go."""
    until_ns: int = 0
    """Where the trends end; 0 follows what comes."""
    cursor_ns: int = 0
    """Where the trends' cursor stands; 0 at the newest."""
    search: str = ""
    """Words that the rows of a list must have."""
    least: int = 0
    """Step of a list's filter by severity; see `monitor.ui.widgets.listing`."""
    column: int = 0
    """Column that a list is sorted by, from 1; 0 leaves its own order."""


@dataclass(frozen=True, slots=True)
class View:
    """All inputs of a drawing."""

    snap: Snapshot
    rig: Rig
    mode: Mode
    units: Units = SI
    keys: tuple[KeyRow, ...] = ()
    """Footer: rows of (key, what it does), the fullest row first; the last two of each are the other screens and help."""
    history: History = field(default_factory=History)
    replay: ReplayView | None = None
    who: str = ""
    crew: tuple[str, ...] = ()
    """Everybody of this tour who gave initials."""
    frozen_s: float = 0.0
    """How long the snapshot has not moved although it should: above `FROZEN_S` the figures are old."""
    message: str = ""
    """The app's answer to the last key, shown for a few seconds in the footer."""
    screen_state: ScreenState = ScreenState()
    facts: RunFacts = field(default_factory=RunFacts)
    """What the driver tells about the run: broker, recording, ledger, what is replayed."""

    def value(self, name: str) -> Value:
        """A signal of the snapshot."""
        return self.snap.value(name)


FROZEN_S = 1.5
_OF_MOTION = ("speed", "acceleration", "speed_excess")


def without_unknown_motion(snap: Snapshot) -> Snapshot:
    """`snap` without the figures of a motion that is not known.

    Before the first reading, or long after the last one, the estimated speed is 0 with a bound wider than any hoist is fast. A
    large "0" would read as a block at rest.
    """
    if snap.hoist is not HoistState.UNKNOWN or not snap.value("speed").known:
        return snap
    return replace(snap, values=MappingProxyType({**snap.values, **dict.fromkeys(_OF_MOTION, UNKNOWN)}))
