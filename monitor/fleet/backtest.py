"""What a change of rules, or of a rig's figures, would have said of all that was recorded, beside what was said.

Both sides are replays of today's core, so that a difference is one of rules alone. Alarms of one key that begin within
`rule_comparison.SAME_NS` of one another are the same alarm, sooner or later. An alarm counts as false where the crew said so
(ledger entries of kind ``false-alarm``); one after which the block crossed the limit was a true one, and a change that
loses it is told first.
"""

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from monitor.adapters.host.output_file import whole
from monitor.adapters.ledger.entries import FALSE_ALARM, key_called_false
from monitor.adapters.sessions.format import SessionError
from monitor.analysis.rule_comparison import pair
from monitor.fleet.engine import Failure, Place
from monitor.fleet.parts import Parts, code_mark, content_of
from monitor.fleet.session_findings import RECORDED, Raised, SessionFindings, Task, findings_of
from monitor.fleet.tables import schema_of, table_of

if TYPE_CHECKING:
    from monitor.adapters.ledger.ledger import Entry

MARK_NS: Final = 12 * 3_600_000_000_000
"""A crew calls an alarm false within a shift; the mark is of the last alarm of its key before it."""


@dataclass(frozen=True, slots=True)
class Rules:
    """One side of a back-test."""

    text: str = RECORDED
    """TOML, or `RECORDED`."""
    where: str = RECORDED
    changes: tuple[tuple[str, Any], ...] = ()
    """Changes of the rig, as in `Task`."""


@dataclass(frozen=True, slots=True)
class SessionRow:
    """What became of one session."""

    session: str
    rig: str = ""
    mode: str = ""
    from_ns: int = 0
    to_ns: int = 0
    alarms_before: int = 0
    alarms_after: int = 0
    kept: bool = False
    """Whether both results were there from an earlier back-test."""
    problem: str = ""
    """Why it could not be used; empty where it could."""


@dataclass(frozen=True, slots=True)
class AlarmRow:
    """One alarm, before and after. What one side did not raise is None there."""

    rig: str
    session: str
    key: str
    t_ns: int
    """When either side raised it first, UTC."""
    severity_before: str | None
    severity_after: str | None
    later_s: float | None
    """How much later the new rules raise it, s."""
    lead_before_s: float | None
    """How long after it the block crossed the limit, s; None where it did not."""
    lead_after_s: float | None
    least_room_m: float | None
    """The least room within half a minute after it, m."""
    called_false: bool
    """Whether the crew called it false."""

    @property
    def month(self) -> str:
        """Its month: ``2026-03``."""
        return datetime.fromtimestamp(self.t_ns // 1_000_000_000, UTC).strftime("%Y-%m")

    @property
    def change(self) -> str:
        """What the new rules change about it, in a word."""
        if self.severity_after is None:
            return "gone"
        if self.severity_before is None:
            return "new"
        return "same" if not self.later_s and self.severity_before == self.severity_after else "moved"


@dataclass(slots=True)
class Tally:
    """Alarms of one rule, rig or month, counted."""

    before: int = 0
    after: int = 0
    gone: int = 0
    new: int = 0
    moved: int = 0
    false_before: int = 0
    false_after: int = 0
    true_lost: int = 0
    """Alarms that are gone, though the block crossed the limit after them."""
    leads_before: list[float] = field(default_factory=list)
    leads_after: list[float] = field(default_factory=list)

    def add(self, row: AlarmRow) -> None:
        """Count one alarm."""
        before, after = row.severity_before is not None, row.severity_after is not None
        self.before += before
        self.after += after
        self.gone += row.change == "gone"
        self.new += row.change == "new"
        self.moved += row.change == "moved"
        self.false_before += before and row.called_false
        self.false_after += after and row.called_false
        self.true_lost += row.change == "gone" and row.lead_before_s is not None
        if row.lead_before_s is not None:
            self.leads_before.append(row.lead_before_s)
        if row.lead_after_s is not None:
            self.leads_after.append(row.lead_after_s)


@dataclass(slots=True)
class Outcome:
    """All of a back-test but the rows of the alarms themselves."""

    sessions: list[SessionRow] = field(default_factory=list)
    all: Tally = field(default_factory=Tally)
    by: dict[str, dict[str, Tally]] = field(default_factory=lambda: {"rule": {}, "rig": {}, "month": {}})

    def add(self, row: AlarmRow) -> None:
        """Count one alarm under its rule, rig and month."""
        self.all.add(row)
        for name, group in (("rule", row.key.partition(":")[0]), ("rig", row.rig), ("month", row.month)):
            self.by[name].setdefault(group, Tally()).add(row)

    @property
    def hours(self) -> float:
        """Recorded time of the sessions that could be used, h."""
        return sum(row.to_ns - row.from_ns for row in self.sessions if not row.problem) / 3.6e12


def backtest(
    sessions: Sequence[str],
    sides: tuple[Rules, Rules],
    parts: Parts,
    place: Place,
    marks: Mapping[str, Sequence["Entry"]],
    write: Callable[[Sequence[AlarmRow]], None],
    on_progress: Callable[[int, int], None] = lambda done, total: None,
) -> Outcome:
    """Replay `sessions` under both sides, and compare. Rows of the alarms go to `write`, session by session.

    `marks` are each rig's ledger entries. Ended early, what was worked out stays in `parts`.

    Raises:
        UserError: parts cannot be written, or `place` cannot work.
    """
    outcome = Outcome()
    tasks, problems = _tasks(sessions, sides)
    kept = _worked_out(tasks, parts, place, problems, on_progress)
    for session in sessions:
        if session in problems:
            outcome.sessions.append(SessionRow(session, problem=problems[session]))
            continue
        before, after = (parts.get(task.key(code_mark())) for task in tasks[session])
        if before is None or after is None:
            outcome.sessions.append(SessionRow(session, problem=f"its result in {parts.folder} cannot be read"))
            continue
        rows = list(alarm_rows(session, before, after, marks.get(before.rig, ())))
        for row in rows:
            outcome.add(row)
        write(rows)
        outcome.sessions.append(
            SessionRow(
                session, before.rig, before.mode, before.from_ns, before.to_ns,
                len(before.raised), len(after.raised), session in kept,
            )
        )  # fmt: skip
    return outcome


def _tasks(sessions: Iterable[str], sides: tuple[Rules, Rules]) -> tuple[dict[str, tuple[Task, Task]], dict[str, str]]:
    """The two tasks of each session, and why some have none."""
    tasks, problems, seen = {}, {}, dict[str, str]()
    for session in sessions:
        try:
            content = content_of(session)
        except SessionError as error:
            problems[session] = str(error)
            continue
        if seen.setdefault(content, session) != session:
            problems[session] = f"the same recording as {seen[content]}: counted once"
            continue
        before, after = (Task(session, content, side.text, side.where, side.changes) for side in sides)
        tasks[session] = before, after
    return tasks, problems


def _worked_out(
    tasks: Mapping[str, tuple[Task, Task]],
    parts: Parts,
    place: Place,
    problems: dict[str, str],
    on_progress: Callable[[int, int], None],
) -> set[str]:
    """Have every task's result in `parts`. Returns the sessions of which nothing was missing; adds to `problems` those that
    gave none."""
    mark = code_mark()
    missing = {
        task.key(mark): task for pair_of in tasks.values() for task in pair_of if parts.get(task.key(mark)) is None
    }
    begun = {task.session for task in missing.values()}
    total = sum(len(set(pair_of)) for pair_of in tasks.values())
    done = total - len(missing)
    on_progress(done, total)
    for task, result in place.results(findings_of, list(missing.values())):
        done += 1
        if isinstance(result, Failure):
            problems.setdefault(task.session, result.words)
        else:
            parts.put(task.key(mark), result)
        on_progress(done, total)
    return set(tasks) - begun


def alarm_rows(
    session: str, before: SessionFindings, after: SessionFindings, marks: Sequence["Entry"]
) -> Iterator[AlarmRow]:
    """The alarms of one session under both sides, paired, in the order of time."""
    false = called_false(before.raised, marks)  # of what the new rules alone raise the crew knows nothing
    for found in pair(before.raised, after.raised):
        one, other = found.first, found.second
        rooms = [
            raised.least_room_m for raised in (one, other) if raised is not None and raised.least_room_m is not None
        ]
        yield AlarmRow(
            rig=before.rig,
            session=session,
            key=found.key,
            t_ns=found.t_ns,
            severity_before=None if one is None else one.severity,
            severity_after=None if other is None else other.severity,
            later_s=found.later_s,
            lead_before_s=None if one is None else one.lead_s,
            lead_after_s=None if other is None else other.lead_s,
            least_room_m=min(rooms, default=None),
            called_false=one is not None and (one.key, one.t_ns) in false,
        )


def called_false(raised: Iterable[Raised], marks: Iterable["Entry"]) -> set[tuple[str, int]]:
    """Key and time of the alarms that the crew called false: for each mark the last alarm of its key before it."""
    times: dict[str, list[int]] = {}
    for one in raised:
        times.setdefault(one.key, []).append(one.t_ns)
    false = set()
    for mark in marks:
        if mark.kind != FALSE_ALARM:
            continue
        key = key_called_false(mark.text)
        t_ns = max((t for t in times.get(key, ()) if mark.t_ns - MARK_NS <= t <= mark.t_ns), default=None)
        if t_ns is not None:
            false.add((key, t_ns))
    return false


def most_changed(groups: Mapping[str, Tally]) -> list[tuple[str, Tally]]:
    """Groups in the order in which they deserve a look: true alarms lost, then alarms gone or new, then their number."""
    return sorted(
        groups.items(), key=lambda item: (-item[1].true_lost, -item[1].gone - item[1].new, -item[1].before, item[0])
    )


def changes_of(words: Iterable[str]) -> tuple[tuple[str, Any], ...]:
    """``limits.reaction_s=0.8`` as changes of a rig; values as in a rig file, SI units.

    Raises:
        ValueError: one is none; its text is the message.
    """
    import tomllib

    changes: Counter[str] = Counter()
    found = []
    for word in words:
        name, equals, text = word.partition("=")
        name = name.strip()
        if not equals or not all(part.isidentifier() for part in name.split(".")):
            raise ValueError(word)
        try:
            value = tomllib.loads(f"value = {text}")["value"]
        except tomllib.TOMLDecodeError:
            raise ValueError(word) from None
        changes[name] += 1
        if changes[name] > 1:
            raise ValueError(word)
        found.append((name, value))
    return tuple(found)


@contextmanager
def alarm_table(path: Path) -> Iterator[Callable[[Sequence[AlarmRow]], None]]:
    """What writes rows of alarms to a Parquet file as they come; the file stands at `path` when the block has ended.

    Raises:
        UserError: it cannot be written.
    """
    import pyarrow.parquet as pq

    with whole(path) as part, pq.ParquetWriter(part, schema_of(AlarmRow)) as file:
        yield lambda rows: file.write_table(table_of(AlarmRow, rows)) if rows else None
