"""The session file: inputs, the crew's actions and the findings of a run, as plain tables in one SQLite file.

Tables (all times ns of stream time, all numbers SI)
    header   key, value (JSON): ``rig`` (its name), ``config`` (the whole rig), ``rules`` (text), ``version``,
             ``created``, ``mode``, ``aside`` (which table of `monitor.core.alarms.crew_actions` says what the crew
             may set aside; none: the first), ``grid`` (`monitor.core.pace.GridLaw`; none: every grid point is evaluated);
             ``dictionary`` is the blocks' own (hexadecimal)
    block    raw frames, about one second each: first and last time, how far time had advanced, index of the first
             frame, number of frames, and the frames themselves, packed as `monitor.adapters.sessions.blocks` says
    action   what the crew did; ``before`` is the number of frames of this file that came before it
    finding  what the monitor found
    note     what happened to the recording itself: a gap, a step of the wall clock
    checkpoint  (since version 2) about once a minute what the core knew (`Core.state`, JSON, deflated), and after how
             many frames and actions of this file that was: a replay that seeks, and a restart, begin there

The inputs of a session are its frames and actions in exact order: action *a* comes right before frame number
``a.before``. A block and the actions and findings of its second are committed together, or not at all.
"""

import json
import sqlite3
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from monitor.errors import UserError
from monitor.model.alarm import Finding, Severity
from monitor.model.stream import Action, ActionKind
from monitor.text import clean_text

APPLICATION_ID: Final = 0x53544D4B
"""Marks an SQLite file as one of ours ("STMK")."""
VERSION: Final = 2
"""Version of the tables, in SQLite's ``user_version``."""
SUFFIX: Final = ".stopmark"

SCHEMA: Final = (
    "CREATE TABLE header (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID",
    "CREATE TABLE block (id INTEGER PRIMARY KEY, t_first_ns INTEGER NOT NULL, t_last_ns INTEGER NOT NULL,"
    " advanced_ns INTEGER NOT NULL, first_frame INTEGER NOT NULL, frames INTEGER NOT NULL, data BLOB NOT NULL)",
    "CREATE TABLE action (id INTEGER PRIMARY KEY, before INTEGER NOT NULL, t_ns INTEGER NOT NULL, kind TEXT NOT NULL,"
    " target TEXT NOT NULL, number, text TEXT NOT NULL, who TEXT NOT NULL)",
    "CREATE TABLE finding (id INTEGER PRIMARY KEY, t_ns INTEGER NOT NULL, kind TEXT NOT NULL, key TEXT NOT NULL,"
    " severity TEXT NOT NULL, before TEXT NOT NULL, after TEXT NOT NULL, message TEXT NOT NULL,"
    " guidance TEXT NOT NULL, number, threshold)",
    "CREATE TABLE note (id INTEGER PRIMARY KEY, t_ns INTEGER NOT NULL, kind TEXT NOT NULL, text TEXT NOT NULL, number)",
    "CREATE TABLE checkpoint (id INTEGER PRIMARY KEY, before INTEGER NOT NULL, actions INTEGER NOT NULL,"
    " t_ns INTEGER NOT NULL, state BLOB NOT NULL)",
    "CREATE INDEX action_by_place ON action (before)",
    "CREATE INDEX checkpoint_by_time ON checkpoint (t_ns)",
)
_TABLES_1: Final = ("header", "block", "action", "finding", "note")
TABLES: Final[Mapping[int, tuple[str, ...]]] = {1: _TABLES_1, 2: (*_TABLES_1, "checkpoint")}
"""Tables of each version."""
HEADER_FIELDS: Final = 64
HEADER_BYTES: Final = 1 << 20
"""Of one field of the header. Rules of a tenth of that are the longest known; parsing takes two hundred times as much memory."""
HEADER_SIZES: Final = f"SELECT key, coalesce(length(CAST(value AS BLOB)), 0) FROM header LIMIT {HEADER_FIELDS + 1}"
_STATE_BYTES: Final = 4 << 20


@dataclass(frozen=True, slots=True)
class Note:
    """What the recorder wrote about the recording itself. `kind` is one word: "gap", "clock", "flag"."""

    t_ns: int
    kind: str
    text: str
    number: float | None = None


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """What the core knew at one moment of a session, after `frames` frames and `actions` actions of its file."""

    path: Path
    t_ns: int
    frames: int
    actions: int
    state: Mapping[str, Any]


class SessionError(UserError):
    """A session that cannot be used; the message says which file, what is wrong, and what to do."""


def open_for_writing(path: Path, header: Mapping[str, str], max_pages: int | None = None) -> sqlite3.Connection:
    """The session at `path`, made when it does not exist. `header` holds JSON texts. `max_pages` caps the file (tests).

    Raises:
        sqlite3.Error, OSError: the file cannot be made or written.
    """
    base = sqlite3.connect(path, timeout=2.0, isolation_level=None, check_same_thread=False)
    try:
        if max_pages is not None:
            base.execute(f"PRAGMA max_page_count={int(max_pages)}")
        base.execute("PRAGMA page_size=8192")
        base.execute("PRAGMA journal_mode=WAL")
        base.execute("PRAGMA synchronous=FULL")
        base.execute("PRAGMA journal_size_limit=4194304")
        if base.execute("SELECT count(*) FROM sqlite_master").fetchone()[0] == 0:
            base.execute("BEGIN IMMEDIATE")
            base.execute(f"PRAGMA application_id={APPLICATION_ID}")
            base.execute(f"PRAGMA user_version={VERSION}")
            for statement in SCHEMA:
                base.execute(statement)
            base.executemany("INSERT INTO header VALUES (?, ?)", sorted(header.items()))
            base.execute("COMMIT")
    except BaseException:
        base.close()
        raise
    return base


def check_header(sizes: Sequence[tuple[Any, ...]], path: Path) -> None:
    """Look at the rows of `HEADER_SIZES`, before any of the header is read.

    Raises:
        SessionError: there are more fields, or longer ones, than a session has.
    """
    for place, (key, size) in enumerate(sizes):
        if size is None:
            raise SessionError(f"{path}: is damaged: its header {str(key)[:40]!r} cannot be read")
        if place == HEADER_FIELDS or size > HEADER_BYTES:
            raise SessionError(
                f"{path}: is damaged: its header holds more than any session's does ({str(key)[:40]!r}: {size >> 10:,} kB)"
            )


def pack_state(state: Mapping[str, Any]) -> bytes:
    """A core's state as it is kept.

    Raises:
        ValueError: it holds what is no JSON.
    """
    return zlib.compress(json.dumps(state, allow_nan=False, separators=(",", ":")).encode())


def unpack_state(data: object) -> Mapping[str, Any]:
    """The state in a column.

    Raises:
        ValueError: there is none in it.
    """
    if not isinstance(data, bytes):
        raise ValueError("a state is no bytes")
    engine = zlib.decompressobj()
    try:
        text = engine.decompress(data, _STATE_BYTES)
        state = json.loads(text)
    except (zlib.error, RecursionError) as error:
        raise ValueError(f"a state cannot be unpacked ({error})") from None
    if engine.unconsumed_tail or not isinstance(state, dict):
        raise ValueError("a state is too large, or none")
    return state


def _plain(number: float | None) -> float | str | None:
    """SQLite keeps no NaN (it stores NULL), so NaN is kept as a word."""
    return "nan" if number is not None and number != number else number


def _number(value: Any) -> float | None:
    return None if value is None else float(value)


def action_row(action: Action, before: int) -> tuple[Any, ...]:
    """Row of ``action`` without its id."""
    words = (clean_text(action.target), _plain(action.number), clean_text(action.text), clean_text(action.who))
    return (before, action.t_ns, action.kind.value, *words)


def action_of(row: Sequence[Any]) -> Action:
    """The action in a row (t_ns, kind, target, number, text, who).

    Raises:
        ValueError, TypeError: the row holds something else.
    """
    t_ns, kind, target, number, text, who = row
    if not (isinstance(t_ns, int) and isinstance(target, str) and isinstance(text, str) and isinstance(who, str)):
        raise TypeError("a column holds the wrong type")
    return Action(t_ns, ActionKind(kind), target, _number(number), text, who)


def finding_row(finding: Finding) -> tuple[Any, ...]:
    """Row of ``finding`` without its id."""
    f = finding
    words = [clean_text(word) for word in (f.before, f.after, f.message, f.guidance)]
    return (f.t_ns, f.kind, clean_text(f.key), f.severity.name, *words, _plain(f.number), _plain(f.threshold))


_KINDS = ("alarm", "prompt", "instrument", "action", "hoist", "check", "health")


def finding_of(row: Sequence[Any]) -> Finding:
    """The finding in a row (t_ns, kind, key, severity, before, after, message, guidance, number, threshold).

    Raises:
        ValueError, TypeError, KeyError: the row holds something else.
    """
    t_ns, kind, key, severity, before, after, message, guidance, number, threshold = row
    if not isinstance(t_ns, int) or not all(isinstance(word, str) for word in (key, before, after, message, guidance)):
        raise TypeError("a column holds the wrong type")
    if kind not in _KINDS:
        raise ValueError(f"unknown kind {kind!r}")
    level = Severity[severity]
    return Finding(t_ns, kind, key, level, before, after, message, guidance, _number(number), _number(threshold))
