"""A rig in one row: what an overview shows of it. Worked out in the rig's own process, from the snapshot that its screen has."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import inf
from typing import Final

from monitor.config.rig import Rig
from monitor.model.alarm import AlarmView, Severity
from monitor.model.reading import UNKNOWN, Value
from monitor.model.snapshot import Snapshot
from monitor.presentation.believed import believed
from monitor.ui.bell import ringing_alarms
from monitor.ui.queries import data_severity, data_troubles, heading, height, motion_words, no_alarm, standing
from monitor.ui.view import without_unknown_motion

_POSITIONS: Final = ("drum_counts", "block_position")


@dataclass(frozen=True, slots=True)
class RigRow:
    """One rig at one moment. Numbers are SI."""

    title: str
    t_ns: int = 0
    """Stream time; 0 before the first input."""
    height: Value = UNKNOWN
    motion: str = ""
    """What the block does, in words."""
    heading: int = 0
    """+1 going up, -1 going down, 0 still or not known."""
    speed: Value = UNKNOWN
    room: Value = UNKNOWN
    """To the limit ahead; of a block at rest the lesser one."""
    room_way: int = 0
    """Which limit that is: +1 the upper, -1 the lower, 0 neither is known."""
    ratio: Value = UNKNOWN
    """Holding ratio of the service brake."""
    least_ratio: float = 0.0
    worst: AlarmView | None = None
    """The alarm in its banner."""
    more: int = 0
    """Alarms behind that one."""
    calm: str = ""
    """What may be said where no alarm stands."""
    calm_severity: Severity | None = None
    data_severity: Severity | None = None
    troubles: tuple[str, ...] = ()
    """What is wrong with its data, worst first."""
    age_s: float = inf
    """Age of the latest good reading of a position, which height, speed and room rest on."""
    ringing: Mapping[str, Severity] = field(default_factory=dict)
    waiting: tuple[str, ...] = ()
    """Keys of the alarms that wait to be acknowledged."""
    silenced: bool = False


def row_of(rig: Rig, snap: Snapshot | None) -> RigRow:
    """The row of `rig` at a snapshot; None before the first input."""
    if snap is None:
        return RigRow(rig.title)
    snap = believed(without_unknown_motion(snap))
    alarms = standing(snap)
    words, severity = no_alarm(snap)
    room, way = _room(snap)
    return RigRow(
        title=rig.title,
        t_ns=snap.t_ns,
        height=height(snap),
        motion=motion_words(snap),
        heading=heading(snap),
        speed=snap.value("speed"),
        room=room,
        room_way=way,
        ratio=snap.value("holding_ratio"),
        least_ratio=rig.braking.min_holding_ratio,
        worst=alarms[0] if alarms else None,
        more=max(0, len(alarms) - 1),
        calm=words[0],
        calm_severity=severity,
        data_severity=data_severity(snap),
        troubles=tuple(data_troubles(snap)),
        age_s=min((one.age_s for one in snap.sensors if one.quantity in _POSITIONS), default=inf),
        ringing=ringing_alarms(snap),
        waiting=tuple(alarm.key for alarm in snap.alarms if alarm.state.waiting),
        silenced=snap.silenced,
    )


def _room(snap: Snapshot) -> tuple[Value, int]:
    rooms = {1: snap.value("room_up"), -1: snap.value("room_down")}
    way = heading(snap)
    if not way:
        known = [side for side, room in rooms.items() if room.known]
        way = min(known, key=lambda side: rooms[side].number, default=0)
    return (rooms[way], way) if way else (UNKNOWN, 0)
