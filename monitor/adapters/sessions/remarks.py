"""What people write beside a session afterwards: who saw what in it. A table of its own, made at the first remark.

Inputs, actions and findings of the session are never touched, so that it replays as before.
"""

import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from monitor.adapters.sessions.format import APPLICATION_ID, SessionError
from monitor.text import clean_text

_TABLE: Final = (
    "CREATE TABLE IF NOT EXISTS remark (id INTEGER PRIMARY KEY, t_ns INTEGER NOT NULL, written_ns INTEGER NOT NULL,"
    " who TEXT NOT NULL, text TEXT NOT NULL)"
)
_MOST: Final = 1_000
"""Remarks that are read of one session."""
NOTE_BYTES: Final = 16 << 10
"""Of a remark's text, or of a name: a longer one was not typed, and is left out."""


@dataclass(frozen=True, slots=True)
class Remark:
    """One remark: about `t_ns` (stream time), written at `written_ns` (wall clock) by `who`."""

    t_ns: int
    written_ns: int
    who: str
    text: str


def add_remark(path: Path, remark: Remark) -> None:
    """Write a remark beside the session at `path`.

    Raises:
        SessionError: it is no session, or cannot be written.
    """
    if not path.exists():
        raise SessionError(f"{path}: no such session")
    row = (remark.t_ns, remark.written_ns, clean_text(remark.who), clean_text(remark.text))
    try:
        with closing(sqlite3.connect(path.absolute().as_uri() + "?mode=rw", uri=True, timeout=2.0)) as base, base:
            if base.execute("PRAGMA application_id").fetchone() != (APPLICATION_ID,):
                raise SessionError(f"{path}: is not a Stopmark session")
            base.execute(_TABLE)
            base.execute("INSERT INTO remark (t_ns, written_ns, who, text) VALUES (?, ?, ?, ?)", row)
    except sqlite3.Error as error:
        raise SessionError(f"{path}: the note cannot be written ({error})") from None


def remarks_of(path: Path) -> list[Remark]:
    """The remarks beside the session at `path`, in the order of their time; none where they cannot be read. A row that is no
    remark is left out: the file may be anybody's."""
    try:
        uri = path.absolute().as_uri() + "?mode=ro"
        with closing(sqlite3.connect(uri, uri=True, timeout=2.0)) as base:
            base.execute("PRAGMA trusted_schema=OFF")
            if not base.execute("SELECT 1 FROM sqlite_master WHERE name = 'remark' AND type = 'table'").fetchone():
                return []
            short = " AND ".join(f"length(CAST({part} AS BLOB)) <= {NOTE_BYTES}" for part in ("who", "text"))
            query = f"SELECT t_ns, written_ns, who, text FROM remark WHERE {short} ORDER BY t_ns, id LIMIT {_MOST}"
            return [Remark(*row) for row in base.execute(query) if tuple(map(type, row)) == (int, int, str, str)]
    except (sqlite3.Error, UnicodeDecodeError):
        return []
