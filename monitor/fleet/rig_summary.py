"""What is recorded of many rigs, by rig: alarms against ISA-18.2, sensors that fail, tests that are overdue, line work, brakes.

Of each session only what was found when it was recorded is read: nothing is replayed. Line work and brakes are the ledgers'.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from monitor.adapters.ledger.ledger import Entry
from monitor.adapters.ledger.trend import brake_trends
from monitor.adapters.sessions.format import SessionError
from monitor.adapters.sessions.reader import SessionReader
from monitor.analysis.alarm_figures import AlarmFigures, figures, spans
from monitor.core.checks.overtravel import OVERTRAVEL
from monitor.fleet.engine import Failure, Place
from monitor.fleet.ledgers import Ledgers
from monitor.fleet.parts import content_of
from monitor.fleet.store import local_copy
from monitor.model.alarm import Finding
from monitor.model.check import CheckVerdict

HOUR_NS: Final = 3_600_000_000_000
FAILS: Final = ("sensor-silent", "sensor-refused", "sensor-range", "sensor-doubtful")
"""Rules of one sensor, by which it fails."""
_CUTS: Final = ("line-cut", "line-new")


@dataclass(frozen=True, slots=True)
class RecordedSession:
    """What one session says, as plain data."""

    session: str
    content: str
    rig: str
    title: str
    from_ns: int
    to_ns: int
    findings: tuple[Finding, ...]
    """Alarms and checks."""
    quantities: Mapping[str, str]
    """Of each sensor by its id."""
    overtravel_every_h: float | None
    """How often the overtravel device is tested by the site's file; None where the rig has none."""


@dataclass(frozen=True, slots=True)
class RigSummary:
    """One rig. What is not known is None."""

    rig: str
    title: str
    sessions: int
    hours: float
    """Recorded."""
    to_ns: int
    """The end of its latest session, UTC."""
    alarms: int
    alarms_per_hour: float
    most_in_10_min: int
    above_10_share: float
    """Share of the 10-minute intervals with more than ten alarms, 0 to 1."""
    flood_share: float
    """Share of the time in floods, 0 to 1."""
    dangers: int
    warnings: int
    chattering: str
    """Keys, with commas between."""
    most_frequent: str
    """Key of the alarm that came most often."""
    most_frequent_share: float | None
    overtravel_passed_ns: int | None
    """When the overtravel device last passed its test."""
    overtravel_every_h: float | None
    overtravel_overdue: bool | None
    """None where the rig has no such device."""
    line_work_j: float | None
    """By its ledger, within the time of its sessions; None without one."""
    line_work_since_cut_j: float | None
    last_cut_ns: int | None


@dataclass(frozen=True, slots=True)
class SensorSummary:
    """One sensor of one rig that failed."""

    rig: str
    sensor: str
    quantity: str
    failures: int
    hours: float
    """In which it failed, in all."""
    share: float
    """Of the recorded time, 0 to 1."""
    kinds: str
    """What it did, with how often: silent 3, refused 1."""


@dataclass(frozen=True, slots=True)
class BrakeSummary:
    """Where a brake figure of one rig is heading, by its ledger; SI."""

    rig: str
    figure: str
    points: int
    level: float | None
    slope_per_day: float | None
    slope_low: float | None
    slope_high: float | None
    certain: bool
    """Whether something is really changing."""


@dataclass(frozen=True, slots=True)
class UnusedSession:
    """A session that is in no figure, and why."""

    session: str
    problem: str


@dataclass(slots=True)
class FleetSummary:
    """All rigs."""

    rigs: list[RigSummary] = field(default_factory=list)
    sensors: list[SensorSummary] = field(default_factory=list)
    """Those that failed longest first."""
    brakes: list[BrakeSummary] = field(default_factory=list)
    unused: list[UnusedSession] = field(default_factory=list)
    unread: Mapping[str, str] = field(default_factory=dict)
    """Ledgers that could not be read, and why."""


def recorded_session(session: str) -> RecordedSession:
    """What a session says. The unit of work: plain data in, plain data out.

    Raises:
        SessionError: it cannot be read.
    """
    content = content_of(session)
    with local_copy(session) as path, SessionReader(path) as reader:
        if not reader.end_ns:
            raise SessionError(f"{session}: holds no readings")
        rig = reader.rig
        kept = tuple(one for one in reader.findings() if one.kind in ("alarm", "check"))
        return RecordedSession(
            session, content, rig.name, rig.title, reader.t_first_ns, reader.end_ns, kept,
            {sensor.id: sensor.quantity for sensor in rig.sensors},
            None if OVERTRAVEL.unfit(rig) else rig.checks.overtravel_every_h,
        )  # fmt: skip


def fleet_summary(sessions: Sequence[str], ledgers: Ledgers, place: Place, now_ns: int | None = None) -> FleetSummary:
    """Everything, of all rigs in `sessions`. A test is overdue as of `now_ns`, or else of the end of the rig's latest session.

    Raises:
        UserError: `place` cannot work.
    """
    summary, by_rig = FleetSummary(unread=ledgers.unread), dict[str, list[RecordedSession]]()
    seen: dict[str, str] = {}
    found: dict[str, RecordedSession] = {}
    for session, result in place.results(recorded_session, list(sessions)):
        if isinstance(result, Failure):
            summary.unused.append(UnusedSession(session, result.words))
        else:
            found[session] = result
    for session in sessions:  # in their order, whoever was ready first
        one = found.get(session)
        if one is None:
            continue
        if seen.setdefault(one.content, session) != session:
            summary.unused.append(UnusedSession(session, f"the same recording as {seen[one.content]}: counted once"))
            continue
        by_rig.setdefault(one.rig, []).append(one)
    for rig, recorded in sorted(by_rig.items()):
        recorded.sort(key=lambda one: one.from_ns)
        entries = ledgers.entries.get(rig)
        summary.rigs.append(_rig(recorded, entries, now_ns))
        summary.sensors += _sensors(recorded)
        if entries is not None:
            summary.brakes += _brakes(rig, entries)
    summary.sensors.sort(key=lambda one: (-one.hours, -one.failures, one.rig, one.sensor))
    return summary


def _rig(recorded: Sequence[RecordedSession], entries: Sequence[Entry] | None, now_ns: int | None) -> RigSummary:
    last = recorded[-1]
    # Of each session by itself: what lies between two says nothing about alarms.
    parts = [figures(one.findings, one.from_ns, one.to_ns) for one in recorded]
    seconds = sum(part.seconds for part in parts)
    alarms = sum(part.raised for part in parts)
    counts = Counter[str]()
    for part in parts:
        counts.update(dict(part.by_key))
    most = counts.most_common(1)
    intervals = sum(part.intervals for part in parts)
    passed_ns = _passed_ns(recorded, entries or ())
    cut_ns = max((entry.t_ns for entry in entries or () if entry.kind in _CUTS), default=None)
    every_h = last.overtravel_every_h
    as_of_ns = max(one.to_ns for one in recorded) if now_ns is None else now_ns
    return RigSummary(
        rig=last.rig,
        title=last.title,
        sessions=len(recorded),
        hours=seconds / 3600.0,
        to_ns=max(one.to_ns for one in recorded),
        alarms=alarms,
        alarms_per_hour=alarms / seconds * 3600.0,
        most_in_10_min=max(part.most_in_10_min for part in parts),
        above_10_share=sum(part.intervals_above_10 for part in parts) / intervals,
        flood_share=sum(part.flood_share * part.seconds for part in parts) / seconds,
        dangers=_of_severity(parts, "DANGER"),
        warnings=_of_severity(parts, "WARNING"),
        chattering=", ".join(sorted({key for part in parts for key in part.chattering})),
        most_frequent=most[0][0] if most else "",
        most_frequent_share=most[0][1] / alarms if most else None,
        overtravel_passed_ns=passed_ns,
        overtravel_every_h=every_h,
        overtravel_overdue=None if every_h is None else _overdue(passed_ns, cut_ns, every_h, as_of_ns),
        line_work_j=_work_j(entries, recorded[0].from_ns, as_of_ns),
        line_work_since_cut_j=_work_j(entries, cut_ns or 0, as_of_ns),
        last_cut_ns=cut_ns,
    )


def _of_severity(parts: Iterable[AlarmFigures], name: str) -> int:
    return sum(count for part in parts for severity, count in part.by_severity.items() if severity.name == name)


def _passed_ns(recorded: Iterable[RecordedSession], entries: Iterable[Entry]) -> int | None:
    """When the overtravel device last passed its test, by sessions and ledger."""
    times = [
        one.t_ns
        for session in recorded
        for one in session.findings
        if one.kind == "check" and one.key == OVERTRAVEL.id and one.after == CheckVerdict.PASS
    ]
    times += [
        entry.t_ns
        for entry in entries
        if entry.kind == "check" and entry.text.startswith(OVERTRAVEL.title) and entry.numbers.get("passed") == 1.0
    ]
    return max(times, default=None)


def _overdue(passed_ns: int | None, cut_ns: int | None, every_h: float, as_of_ns: int) -> bool:
    """As the guided check says it: never passed, passed too long ago, or before the last cut and slip."""
    return passed_ns is None or as_of_ns - passed_ns > every_h * HOUR_NS or (cut_ns is not None and passed_ns < cut_ns)


def _work_j(entries: Sequence[Entry] | None, from_ns: int, to_ns: int) -> float | None:
    if entries is None:
        return None
    return sum(
        entry.numbers.get("work_j", 0.0)
        for entry in entries
        if entry.kind == "line-work" and from_ns < entry.t_ns <= to_ns
    )  # fmt: skip


def _sensors(recorded: Sequence[RecordedSession]) -> list[SensorSummary]:
    recorded_ns = sum(one.to_ns - one.from_ns for one in recorded)
    kinds: dict[str, Counter[str]] = {}
    failed_ns: Counter[str] = Counter()
    quantities: dict[str, str] = {}
    for session in recorded:
        quantities |= session.quantities
        until: dict[str, int] = {}
        for one in spans([finding for finding in session.findings if finding.kind == "alarm"], session.to_ns):
            rule, _, sensor = one.key.partition(":")
            if rule not in FAILS or not sensor:
                continue
            kinds.setdefault(sensor, Counter())[rule.removeprefix("sensor-")] += 1
            # What is silent is soon in doubt as well: time counts once.
            from_ns = max(one.from_ns, until.get(sensor, 0))
            failed_ns[sensor] += max(0, one.to_ns - from_ns)
            until[sensor] = max(one.to_ns, until.get(sensor, 0))
    return [
        SensorSummary(
            recorded[-1].rig, sensor, quantities.get(sensor, ""), sum(counts.values()), failed_ns[sensor] / HOUR_NS,
            failed_ns[sensor] / recorded_ns, ", ".join(f"{kind} {count}" for kind, count in counts.most_common()),
        )
        for sensor, counts in kinds.items()
    ]  # fmt: skip


def _brakes(rig: str, entries: Sequence[Entry]) -> list[BrakeSummary]:
    rows = []
    for one in brake_trends(entries):
        if not one.points:
            continue
        found = one.found
        rows.append(
            BrakeSummary(rig, one.name, one.points, None, None, None, None, False)
            if found is None
            else BrakeSummary(
                rig, one.name, one.points, found.level, found.slope, found.slope_low, found.slope_high, found.certain
            )
        )
    return rows
