"""The unit of a back-test's work: what one set of rules says of one recorded session, and how far the block still had to go."""

import hashlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final, Self

from monitor.adapters.sessions.format import SessionError
from monitor.adapters.sessions.reader import SessionReader
from monitor.config.rig import Rig
from monitor.config.toml_file import validate
from monitor.core.engine import Core
from monitor.errors import UserError
from monitor.fleet.store import local_copy
from monitor.model.alarm import Finding
from monitor.model.snapshot import HoistState
from monitor.model.stream import SECOND_NS
from monitor.runtime.assembly import core_of
from monitor.runtime.session_feed import begin

RECORDED: Final = "recorded"
"""In place of rules: those that the session was recorded with."""
AFTER_NS: Final = 30 * SECOND_NS
"""For so long after an alarm of motion it is watched how near the block comes to the limit."""
_ROOMS: Final = {"up": "room_up", "down": "room_down"}
"""By the last word of an alarm's key: the signal of the room on that side."""


@dataclass(frozen=True, slots=True)
class Task:
    """Replay `session` under `rules`. Plain data: it goes to another process, or another machine."""

    session: str
    """A file, or an address that fsspec opens."""
    content: str
    """What tells this content from any other: a hash of the file."""
    rules: str
    """Rules as TOML text, or `RECORDED`."""
    where: str
    """Where the rules are from, for messages."""
    changes: tuple[tuple[str, Any], ...] = ()
    """Changes of the rig: field by dotted name, and its value in SI units."""

    def key(self, code: str) -> str:
        """Name of its result: the same for the same content, rules, rig and monitor, whatever the file is called."""
        digest = hashlib.sha256()
        for part in (code, self.content, self.rules, repr(self.changes)):
            digest.update(hashlib.sha256(part.encode()).digest())
        return digest.hexdigest()[:40]


@dataclass(frozen=True, slots=True)
class Raised:
    """One alarm that was raised, or one prompt that was given."""

    t_ns: int
    key: str
    severity: str
    message: str
    least_room_m: float | None
    """The least room to the limit within `AFTER_NS`, m; below zero where the block crossed it. Alarms of a side only."""
    lead_s: float | None
    """How long after the alarm the block crossed the limit, s; None where it did not."""


@dataclass(frozen=True, slots=True)
class SessionFindings:
    """What the rules say of a session, and what it is."""

    session: str
    rig: str
    mode: str
    from_ns: int
    to_ns: int
    raised: tuple[Raised, ...]

    def plain(self) -> dict[str, Any]:
        """As JSON values, without what was raised."""
        return {name: value for name, value in asdict(self).items() if name != "raised"}

    @classmethod
    def of(cls, plain: Mapping[str, Any], raised: Sequence[Raised]) -> Self:
        """Back from `plain`."""
        return cls(**plain, raised=tuple(raised))


def findings_of(task: Task) -> SessionFindings:
    """Replay the session of `task` from its start under its rules.

    Raises:
        SessionError: it cannot be read. UserError: a change names no field. ConfigError: rules or changed rig do not fit.
    """
    with local_copy(task.session) as path, SessionReader(path) as session:
        if not session.end_ns:
            raise SessionError(f"{task.session}: holds no readings")
        rig = changed_rig(session, task.changes)
        rules, where = (
            (session.rules_text, f"{task.session}: rules") if task.rules == RECORDED else (task.rules, task.where)
        )
        core = core_of(rig, rules, where, session.header)
        raised = _replayed(core, session)
        return SessionFindings(task.session, rig.name, session.mode, session.t_first_ns, session.end_ns, tuple(raised))


def changed_rig(session: SessionReader, changes: Sequence[tuple[str, Any]]) -> Rig:
    """The session's rig with `changes`.

    Raises:
        UserError: a change names no field. ConfigError: the changed rig has mistakes.
    """
    if not changes:
        return session.rig
    config = dict(session.header["config"])
    for name, value in changes:
        *tables, field = name.split(".")
        table: Any = config
        for part in tables:
            inner = table.get(part) if isinstance(table, dict) else None
            if not isinstance(inner, dict):
                raise UserError(f"{name}: the rig of {session.path} has no table {part!r}")
            table[part] = dict(inner)
            table = table[part]
        if field not in table:
            raise UserError(
                f"{name}: the rig of {session.path} has no such field; there are {', '.join(sorted(table))}"
            )
        table[field] = value
    return validate(Rig, config, f"{session.path} with {', '.join(name for name, _ in changes)} changed")


class _Rooms:
    """Watches the room to each limit after alarms of that side."""

    def __init__(self, core: Core) -> None:
        names = core.observe(self._look, tuple(_ROOMS.values()))
        self._places = {side: names.index(name) for side, name in _ROOMS.items()}
        self.watched: list[tuple[int, int, list[float]]] = []
        """Place of its side, time of the alarm in ns, [least room in m, lead in s]; those of the last `AFTER_NS`."""

    def add(self, finding: Finding) -> list[float]:
        """Watch from `finding` on; the two numbers, which fill as time goes on."""
        numbers = [math.nan, math.nan]
        place = self._places.get(finding.key.rpartition("-")[2])
        if place is not None:
            self.watched.append((place, finding.t_ns, numbers))
        return numbers

    def _look(self, t_ns: int, _hoist: HoistState, rooms: Sequence[float], _validities: Sequence[int]) -> None:
        if not self.watched:
            return
        if t_ns - self.watched[0][1] > AFTER_NS:
            self.watched = [one for one in self.watched if t_ns - one[1] <= AFTER_NS]
        for place, since_ns, numbers in self.watched:
            room = rooms[place]
            if math.isnan(room):
                continue
            numbers[0] = room if math.isnan(numbers[0]) else min(numbers[0], room)
            if room <= 0.0 and math.isnan(numbers[1]):
                numbers[1] = (t_ns - since_ns) * 1e-9


def _replayed(core: Core, session: SessionReader) -> list[Raised]:
    rooms = _Rooms(core)
    found: list[tuple[Finding, list[float]]] = []

    def take(findings: list[Finding]) -> None:
        found.extend((finding, rooms.add(finding)) for finding in findings if finding.raised or finding.prompted)

    for item in begin(core, session):
        take(core.feed(item))
    take(core.advance(session.end_ns))
    return [
        Raised(f.t_ns, f.key, f.severity.name, f.message, _known(least), _known(lead)) for f, (least, lead) in found
    ]


def _known(number: float) -> float | None:
    return None if math.isnan(number) else round(number, 3)
