"""What can be done with whole sessions: list them, check them, copy them while they are written, flag them."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from monitor.adapters.host.output_file import take_name
from monitor.adapters.sessions.folder import started_ns
from monitor.adapters.sessions.format import APPLICATION_ID, SUFFIX, SessionError
from monitor.adapters.sessions.gaps import Gap, silence_of
from monitor.adapters.sessions.reader import SessionReader
from monitor.adapters.sessions.soundness import faults_of, possible, wrong_rows
from monitor.model.alarm import AlarmState, Severity
from monitor.text import clean_text

_WAITING: Final = frozenset(state for state in AlarmState if state.waiting)
FLAG: Final = "flag"
"""Kind of the note that marks a session as worth keeping."""


@dataclass(frozen=True, slots=True)
class SessionSummary:
    """One session in a list. Where it cannot be read, `problem` says why and the rest is empty."""

    path: Path
    size_bytes: int
    rig: str = ""
    mode: str = ""
    t_first_ns: int = 0
    end_ns: int = 0
    frames: int = 0
    segment: int = 1
    findings: int = 0
    worst: Severity | None = None
    """Of alarms that became active."""
    unacknowledged: tuple[str, ...] = ()
    """Alarms that nobody had acknowledged when it ended."""
    gaps: tuple[Gap, ...] = ()
    flags: tuple[str, ...] = ()
    problem: str = ""

    @property
    def duration_s(self) -> float:
        """From its first input to its end."""
        return (self.end_ns - self.t_first_ns) * 1e-9


def summarise(path: Path) -> SessionSummary:
    """The session at `path` for a list. A session that cannot be read gives a summary that says so."""
    size = sum(part.stat().st_size for part in (path, path.with_name(path.name + "-wal")) if part.exists())
    try:
        with SessionReader(path) as session:
            worst: Severity | None = None
            states: dict[str, str] = {}
            findings = session.findings()
            for finding in findings:
                if finding.kind == "alarm":
                    states[finding.key] = finding.after
                    if finding.raised and (worst is None or finding.severity > worst):
                        worst = finding.severity
            segment = session.header.get("segment", 1)
            return SessionSummary(
                path,
                size,
                str(session.header["rig"]),
                session.mode,
                session.t_first_ns,
                session.end_ns,
                session.frames,
                segment if isinstance(segment, int) else 1,
                len(findings),
                worst,
                tuple(key for key, state in states.items() if state in _WAITING),
                tuple(gaps_of(session)),
                tuple(note.text for note in session.notes() if note.kind == FLAG),
            )
    except SessionError as error:
        return SessionSummary(path, size, problem=str(error))


def list_sessions(folder: Path, rig: str | None = None) -> Iterator[SessionSummary]:
    """The sessions in `folder`, oldest first, of one rig when given; copies under names of their own, too."""
    found = [(started_ns(path), path) for path in folder.glob("*" + SUFFIX) if path.is_file()]
    for _, path in sorted((path.stat().st_mtime_ns if t_ns is None else t_ns, path) for t_ns, path in found):
        summary = summarise(path)
        if rig is None or summary.rig == rig or (summary.problem and path.name.startswith(f"{rig}-")):
            yield summary


def gaps_of(session: SessionReader) -> Iterator[Gap]:
    """Times without a frame (see `monitor.adapters.sessions.gaps`), and places where frames were lost."""
    least_ns = silence_of(session.header["config"])
    holes = {fault.to_ns: fault for fault in faults_of(session) if fault.missing}
    lost = {note.t_ns: int(note.number or 0) for note in session.notes() if note.kind == "gap"}
    before_ns: int | None = None
    for block in session.blocks():
        if not possible(block, before_ns):
            continue
        hole = holes.pop(block.t_first_ns, None)
        if hole is not None:
            yield Gap(hole.from_ns, hole.to_ns, hole.missing)
        missing = lost.pop(block.advanced_ns, 0) if block.frames == 0 else 0
        if missing:
            yield Gap(before_ns if before_ns is not None else block.t_first_ns, block.advanced_ns, missing)
        if block.frames:
            silent = before_ns is not None and block.t_first_ns - before_ns > least_ns
            if before_ns is not None and silent and not missing and hole is None:
                yield Gap(before_ns, block.t_first_ns, 0)
            before_ns = block.t_last_ns
    if before_ns is not None and session.end_ns - before_ns > least_ns:
        yield Gap(before_ns, session.end_ns, 0)
    for t_ns, count in lost.items():
        yield Gap(t_ns, t_ns, count)
    for hole in holes.values():
        yield Gap(hole.from_ns, hole.to_ns, hole.missing)


def verify_session(path: Path) -> list[str]:
    """Everything that is wrong with the session at `path`, one sentence each; empty when it is sound.

    Reads all of it: SQLite's own check of the file, every block, and that counts, order and times fit together.

    Raises:
        SessionError: it cannot be opened at all.
    """
    problems: list[str] = []
    with SessionReader(path) as session:
        problems += session.integrity()
        problems += [fault.words for fault in faults_of(session)]
        problems += wrong_rows(session)
        frames, t_ns = session.frames, 0
        try:
            for item in session.inputs(damaged="raise"):
                if item.t_ns < t_ns:
                    problems.append(f"time falls by {t_ns - item.t_ns} ns at {item.t_ns}")
                t_ns = item.t_ns
        except SessionError as error:
            problems.append(str(error))
        problems += _misplaced(session, frames)
        for part in (session.findings, session.notes, lambda: session.rig):
            try:
                part()
            except SessionError as error:
                problems.append(str(error))
    return problems


def _misplaced(session: SessionReader, frames: int) -> Iterator[str]:
    try:
        places = session.action_places()
    except SessionError as error:
        yield str(error)
        return
    if places != sorted(places) or (places and not 0 <= places[0] <= places[-1] <= frames):
        yield "actions are not in the order of the frames"


def copy_session(source: Path, target: Path) -> Path:
    """A copy of `source` as it is now, complete and alone in one file, even while it is being written. `target` may be a
    folder. Where the copy is.

    Raises:
        SessionError: `source` is no session, or `target` exists or cannot be written.
    """
    with SessionReader(source):
        pass
    if target.is_dir():
        target = target / source.name
    if target.suffix != SUFFIX:
        raise SessionError(f"{target}: the name must end in {SUFFIX}")
    if target.exists():
        raise SessionError(f"{target}: exists already; nothing was copied")
    if not target.parent.is_dir():
        raise SessionError(f"{target}: cannot be written: there is no folder {target.parent}")
    part = target.with_name(target.name + ".part")
    try:
        uri = source.absolute().as_uri() + "?mode=ro"
        with closing(sqlite3.connect(uri, uri=True, timeout=10.0)) as old, closing(sqlite3.connect(part)) as new:
            old.backup(new, pages=256, sleep=0.01)
            new.execute("PRAGMA journal_mode=DELETE")
        take_name(part, target)
        return target
    except (sqlite3.Error, OSError) as error:
        part.unlink(missing_ok=True)
        raise SessionError(f"{target}: the copy failed ({error})") from None


def settle_session(path: Path) -> bool:
    """Move into `path` what a killed recorder left beside it, so that the file can be copied alone.

    False when there was nothing to move, or it cannot be done now (somebody still has it open): it reads as well as is.
    """
    if not path.with_name(path.name + "-wal").exists():
        return False
    try:
        with SessionReader(path):
            pass
        with closing(sqlite3.connect(path.absolute().as_uri() + "?mode=rw", uri=True, timeout=0.2)) as base:
            base.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            return bool(base.execute("PRAGMA journal_mode=DELETE").fetchone() == ("delete",))
    except (sqlite3.Error, SessionError):
        return False


def flag_session(path: Path, text: str, t_ns: int) -> None:
    """Mark a session as worth keeping, and why.

    Raises:
        SessionError: it is no session, or cannot be written.
    """
    with SessionReader(path):
        pass
    try:
        with closing(sqlite3.connect(path.absolute().as_uri() + "?mode=rw", uri=True, timeout=10.0)) as base, base:
            if base.execute("PRAGMA application_id").fetchone() != (APPLICATION_ID,):
                raise SessionError(f"{path}: is not a Stopmark session")
            base.execute("INSERT INTO note (t_ns, kind, text) VALUES (?, ?, ?)", (t_ns, FLAG, clean_text(text)))
    except sqlite3.Error as error:
        raise SessionError(f"{path}: cannot be flagged ({error})") from None
