"""Reading files that others wrote: regular files only, and never more than is expected of them.

A named pipe in the place of a file holds up whoever opens it for ever; a device has no end. Both are refused before a byte is
read, and what a file may hold is bounded before it is in memory.
"""

import errno
import os
import stat
from pathlib import Path
from typing import Final

_KINDS: Final = (
    (stat.S_ISFIFO, "a named pipe"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
    (stat.S_ISSOCK, "a socket"),
)


def check_regular(path: Path, may_lack: bool = False) -> None:
    """Make sure that `path` is a regular file; with `may_lack` it may be missing, too.

    Raises:
        OSError: it is none, or (FileNotFoundError) missing; `strerror` says what it is.
    """
    try:
        mode = os.stat(path).st_mode
    except FileNotFoundError:
        if may_lack:
            return
        raise
    _check(mode, path)


def check_database(path: Path) -> None:
    """Make sure that an SQLite file, and what SQLite opens beside it, are regular files where they exist: it would wait for
    ever at a pipe.

    Raises:
        OSError: one is none; `filename` says which.
    """
    for beside in ("", "-wal", "-shm", "-journal"):
        check_regular(path.with_name(path.name + beside), may_lack=True)


def read_bounded(path: Path, most: int) -> bytes:
    """The bytes of the regular file at `path`, at most `most` of them.

    Raises:
        OSError: it cannot be read, is no regular file, or holds more; `strerror` says which.
    """
    # Without waiting: opening a pipe that nobody writes to would.
    handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    with os.fdopen(handle, "rb") as file:
        _check(os.fstat(handle).st_mode, path)
        data = file.read(most + 1)
    if len(data) > most:
        raise OSError(errno.EFBIG, f"is larger than {most >> 10:,} kB, which no such file is", str(path))
    return data


def _check(mode: int, path: Path) -> None:
    if stat.S_ISDIR(mode):
        raise IsADirectoryError(errno.EISDIR, "is a folder, not a file", str(path))
    if not stat.S_ISREG(mode):
        kind = next((words for test, words in _KINDS if test(mode)), "something else")
        raise OSError(errno.EINVAL, f"is no regular file but {kind}", str(path))
