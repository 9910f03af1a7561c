"""What a screen is given to draw: the snapshot and everything around it that is not the core's."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

from monitor.config.rig import Rig
from monitor.model.alarm import AlarmState, AlarmView, Severity
from monitor.model.reading import UNKNOWN, Validity, Value
from monitor.model.snapshot import HoistState, Snapshot
from monitor.presentation.format import SI, Units
from monitor.runtime.driver import Mode
from monitor.ui.history import History

OUT_OF_SIGHT = frozenset({AlarmState.NORMAL, AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE})
"""States that are listed but never take the banner."""


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


@dataclass(frozen=True, slots=True)
class Look:
    """A screen's own state."""

    chosen: str = ""
    """Id of the row the cursor stands on. An id and not a number: lists reorder under the crew's hands."""
    page: int = 0
    """Which of the screen's pages is shown (signal groups, list or history)."""
    span_s: float = 300.0
    """How far back the trends go."""
    back_s: float = 0.0
    """How far before now the trends' cursor stands."""


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
    frozen_s: float = 0.0
    """How long the snapshot has not moved although it should: above `FROZEN_S` the figures are old."""
    message: str = ""
    """The app's answer to the last key, shown for a few seconds in the footer."""
    look: Look = Look()
    facts: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    """What the driver tells about the session: file, size on disk, broker."""

    def value(self, name: str) -> Value:
        """A signal of the snapshot."""
        return self.snap.value(name)


FROZEN_S = 1.5
_OF_MOTION = ("speed", "acceleration", "speed_excess")


def as_known(snap: Snapshot) -> Snapshot:
    """`snap` without the figures of a motion that is not known.

    Before the first reading, or long after the last one, the estimate is a nought with a bound wider than any hoist is
    fast. A large "0" would read as a block at rest.
    """
    if snap.hoist is not HoistState.UNKNOWN or not snap.value("speed").known:
        return snap
    return replace(snap, values=MappingProxyType({**snap.values, **dict.fromkeys(_OF_MOTION, UNKNOWN)}))


def standing(snap: Snapshot) -> list[AlarmView]:
    """Alarms that may take the banner, worst first as the core ordered them."""
    return [alarm for alarm in snap.alarms if alarm.state not in OUT_OF_SIGHT]


def put_aside(snap: Snapshot) -> list[AlarmView]:
    """Alarms that the crew took from the banner."""
    return [alarm for alarm in snap.alarms if alarm.state in (AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE)]


def gone(alarm: AlarmView) -> bool:
    """Whether its cause is over and it only waits to be acknowledged: nothing to act on, so it never looks like one that
    stands."""
    return alarm.state is AlarmState.RETURNED and not alarm.active


def heading(snap: Snapshot) -> int:
    """+1 going up, -1 going down, 0 still or not known."""
    if snap.hoist is HoistState.HOISTING:
        return 1
    if snap.hoist is HoistState.LOWERING:
        return -1
    return 0


def height(snap: Snapshot) -> Value:
    """The block's height."""
    return snap.value("height")


def stale_sensors(snap: Snapshot) -> list[str]:
    """Sensors without a fresh, accepted reading."""
    return [sensor.id for sensor in snap.sensors if sensor.stale]


def bad_sensors(snap: Snapshot) -> list[str]:
    """Sensors that speak, but are refused or out of range."""
    return [sensor.id for sensor in snap.sensors if not sensor.stale and (sensor.rejecting or sensor.out_of_range)]


def data_severity(snap: Snapshot) -> Severity | None:
    """How bad the state of the data is; None when nothing is wrong with it."""
    if snap.health.connected is False or height(snap).validity >= Validity.INVALID:
        return Severity.DANGER
    if stale_sensors(snap):
        return Severity.WARNING
    if bad_sensors(snap) or height(snap).validity is Validity.DEGRADED:
        return Severity.CAUTION
    return None
