"""The data folder: where sessions lie, under which names, and the lock that keeps a second monitor out of it.

The lock's file says who holds it, and which session was begun last: their names do not tell after a computer's clock was
set back.
"""

import contextlib
import logging
import os
import re
import socket
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, Final, Self

from monitor.adapters.sessions.format import SUFFIX
from monitor.errors import UserError
from monitor.files import check_regular, read_bounded

LOG = logging.getLogger(__name__)

LOCK: Final = ".stopmark-lock"
LOCK_BYTES: Final = 4096
RIG_NAME: Final = re.compile(r"[a-z0-9][a-z0-9_-]{0,39}")
"""What a rig may be called: a name that leads into no other folder."""
_NAME: Final = re.compile(r"^([a-z0-9][a-z0-9_-]{0,39})-(\d{8}-\d{6})(?:-(\d+))?\.stopmark$")


class FolderError(UserError):
    """A data folder that cannot be used, or that another monitor is writing to."""


class DataFolder:
    """A data folder, held for writing by this process. Use it in a ``with`` statement.

    The lock is the operating system's own: it ends with the process, however that ends.
    """

    def __init__(self, path: Path, wait_for_disk: bool = False) -> None:
        """Make the folder when it is not there, and lock it.

        With `wait_for_disk`, a disk that refuses (read-only, full, not there yet) is no error: `problem` then says so, and
        `hold` is to be tried again before anything is written.

        Raises:
            FolderError: it cannot be used and `wait_for_disk` is not set, it is a file, or another monitor holds it.
        """
        self.path = Path(path)
        self.problem = ""
        """Why the folder is not held yet, in words; empty when it is."""
        self._lock: IO[str] | None = None
        self._begun = _last_begun(self.path)
        try:
            self.hold()
        except FileExistsError:
            raise FolderError(f"{self.path}: is a file; give a folder for the recordings") from None
        except BlockingIOError as error:
            raise FolderError(str(error)) from None
        except OSError as error:
            reason = error.strerror or error
            self.problem = f"{self.path}: recordings cannot be kept there ({reason})"
            if not wait_for_disk:
                raise FolderError(f"{self.problem}; give another folder, or do not record") from None
            LOG.warning("%s; watching goes on, and recording begins by itself once they can", self.problem)

    def hold(self) -> None:
        """Lock the folder, if that has not been done yet. From any thread.

        Raises:
            BlockingIOError: another monitor holds it.
            OSError: it cannot be made or written to.
        """
        if self._lock is not None:
            return
        self.path.mkdir(parents=True, exist_ok=True)
        check_regular(self.path / LOCK, may_lack=True)
        handle = open(self.path / LOCK, "a+", encoding="utf-8")  # noqa: SIM115 (held as long as the folder)
        try:
            _lock(handle)
        except OSError:
            handle.seek(0)
            holder = handle.readline().strip() or "unknown"
            handle.close()
            raise BlockingIOError(
                f"{self.path}: another monitor is recording here ({holder}); stop it, or use another folder"
            ) from None
        self._lock = handle
        self.problem = ""
        self._write()

    def begin(self, path: Path) -> None:
        """Note that the session at `path` is the last one begun. From any thread; waits for the disk."""
        self._begun = path.name
        self._write(sync=True)

    def last(self, rig: str) -> Path | None:
        """The session of `rig` that was begun last, as far as can be told; None when there is none."""
        match = _NAME.match(self._begun)
        if match and match[1] == rig and os.path.isfile(self.path / self._begun):
            return self.path / self._begun
        return next(reversed([*session_files(self.path, rig)]), None)

    def _write(self, sync: bool = False) -> None:
        handle = self._lock
        with contextlib.suppress(
            OSError, ValueError
        ):  # a full disk, or just closed: the lock holds without words in it
            if handle is not None:
                handle.truncate(0)
                handle.write(f"process {os.getpid()} on {socket.gethostname()}\n{self._begun}\n")
                handle.flush()
                if sync:
                    os.fsync(handle.fileno())

    def session_path(self, rig: str, t_ns: int) -> Path:
        """A name that is free for a session of `rig` that starts at `t_ns`: ``<rig>-<YYYYmmdd-HHMMSS>.stopmark``, UTC.

        Raises:
            FolderError: `rig` is no plain name (it must not lead out of the folder).
        """
        if not RIG_NAME.fullmatch(rig):
            raise FolderError(f"{rig!r}: a rig's name holds only a-z, 0-9, - and _")
        stem = f"{rig}-{datetime.fromtimestamp(t_ns // 1_000_000_000, UTC):%Y%m%d-%H%M%S}"
        path, count = self.path / (stem + SUFFIX), 1
        while os.path.exists(path):  # not Path.exists, which raises where the folder cannot be looked into
            count += 1
            path = self.path / f"{stem}-{count}{SUFFIX}"
        return path

    def close(self) -> None:
        """Release the folder."""
        if self._lock is not None:
            self._lock.close()
            self._lock = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _last_begun(folder: Path) -> str:
    """Name of the session that was begun last in `folder`, from the lock's file; empty when it does not say."""
    try:
        lines = read_bounded(folder / LOCK, LOCK_BYTES).decode("utf-8", "replace").splitlines()
    except OSError:
        return ""
    return lines[1] if len(lines) > 1 else ""


def _lock(handle: IO[str]) -> None:
    """Take the lock on `handle`, or raise OSError at once."""
    if sys.platform == "win32":
        import msvcrt

        handle.seek(1 << 20)  # beyond the text, which others must be able to read
        msvcrt.locking(handle.fileno(), msvcrt.LK_NBLCK, 1)
        handle.seek(0)
    else:
        import fcntl

        fcntl.flock(handle.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)


def data_folder(given: str | None) -> Path:
    """Where sessions go: the given folder, else the user's data folder (XDG base directories)."""
    if given:
        return Path(given)
    base = os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share"
    return Path(base) / "stopmark"


def session_files(folder: Path, rig: str | None = None) -> Iterator[Path]:
    """Sessions in `folder` by their names, oldest first; of one rig when given. Other files are skipped, and what is none."""
    found = []
    for path in folder.glob("*" + SUFFIX):
        match = _NAME.match(path.name)
        if match and (rig is None or match[1] == rig) and os.path.isfile(path):
            found.append((match[2], int(match[3] or 1), path.name, path))
    yield from (path for *_, path in sorted(found))


def started_ns(path: Path) -> int | None:
    """When the session at `path` was started, ns, by its name; None when the name says nothing."""
    match = _NAME.match(path.name)
    if match is None:
        return None
    try:
        start = datetime.strptime(match[2], "%Y%m%d-%H%M%S").replace(tzinfo=UTC)
    except ValueError:
        return None
    return int(start.timestamp()) * 1_000_000_000
