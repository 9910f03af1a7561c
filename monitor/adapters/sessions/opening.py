"""Opens a session's file for reading only: by itself, or a copy of it where its folder may not be written."""

import shutil
import sqlite3
import tempfile
from pathlib import Path

from monitor.adapters.sessions.blocks import MAX_RAW_BYTES
from monitor.adapters.sessions.format import SessionError

Copy = tempfile.TemporaryDirectory[str]


def open_read_only(path: Path) -> tuple[sqlite3.Connection, Copy | None]:
    """The session at `path`, and the copy in which it is read, to be removed when it is closed.

    Raises:
        SessionError: it cannot be opened, or is no session at all.
    """
    try:
        return _probe(path), None
    except sqlite3.OperationalError as error:
        # A folder that may not be written cannot take SQLite's index of the -wal file: read a copy instead.
        if "unable to open" not in str(error) and "readonly" not in str(error):
            raise SessionError(f"{path}: cannot be opened ({error})") from None
    except (sqlite3.DatabaseError, UnicodeDecodeError) as error:
        raise SessionError(f"{path}: is not a Stopmark session ({error})") from None
    copied: Copy | None = None
    try:
        copied = tempfile.TemporaryDirectory(prefix="stopmark-")
        copy = Path(copied.name) / "session"
        shutil.copyfile(path, copy)
        log = path.with_name(path.name + "-wal")
        if log.exists():
            shutil.copyfile(log, copy.with_name("session-wal"))
        return _probe(copy), copied
    except (OSError, sqlite3.Error, UnicodeDecodeError) as error:
        if copied is not None:
            copied.cleanup()
        raise SessionError(f"{path}: cannot be opened ({error})") from None


def _probe(path: Path) -> sqlite3.Connection:
    base = sqlite3.connect(
        path.absolute().as_uri() + "?mode=ro", uri=True, timeout=5.0, isolation_level=None, check_same_thread=False
    )
    try:
        base.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, MAX_RAW_BYTES)
        base.execute("PRAGMA trusted_schema=OFF")
        base.execute("PRAGMA cell_size_check=ON")
        base.execute("PRAGMA query_only=ON")
        base.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except BaseException:
        base.close()
        raise
    return base
