"""The log of a service: one JSON object per line, into a file that is rotated by size, or to standard error.

Each line has ``time`` (UTC, ISO 8601), ``level``, ``logger``, ``message`` and, where there are some, ``fields``. A caller
never waits: lines go through a bounded queue to a thread of their own. A log that cannot be written (disk full, no handle left,
nobody reads standard error) costs lines, which are counted and reported in the next line that gets through; it never costs a
reading.
"""

import contextlib
import json
import logging
import os
import queue
import sys
import threading
from collections.abc import Sequence
from datetime import UTC, datetime
from logging.handlers import QueueHandler, RotatingFileHandler
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

from monitor.errors import UserError
from monitor.files import check_regular

MOST_WAITING: Final = 10_000
"""Lines that may wait for the disk."""
LAST_WRITES_S: Final = 2.0
"""How long the last lines may take at the end."""
_STDERR: Final = 2
_REOPEN: Final = logging.makeLogRecord({})
"""In the queue: open the file again here."""
_REDACTED: Final = "***"
_SHORTEST_SECRET: Final = 4
"""Shorter secrets are not removed from the text: they would also match words that have nothing to do with them."""
_STANDARD: Final = frozenset(logging.makeLogRecord({}).__dict__) | {"message", "asctime", "taskName"}
_PRIORITIES: Final = {logging.DEBUG: 7, logging.INFO: 6, logging.WARNING: 4, logging.ERROR: 3, logging.CRITICAL: 2}
"""Levels of syslog."""


class JsonLines(logging.Formatter):
    """A record as one line of JSON. What was given as ``extra`` becomes ``fields``; `secrets` are struck out."""

    def __init__(self, secrets: Sequence[str] = (), journal: bool = False) -> None:
        """With `journal` each line begins with its level as the system's journal takes it (``<4>``)."""
        super().__init__()
        self._secrets = tuple(secret for secret in secrets if len(secret) >= _SHORTEST_SECRET)
        self._journal = journal

    def format(self, record: logging.LogRecord) -> str:
        """The line."""
        line: dict[str, Any] = {
            "time": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": self._clean(record.getMessage()),
        }
        fields = {name: self._plain(value) for name, value in record.__dict__.items() if name not in _STANDARD}
        if fields:
            line["fields"] = fields
        if record.exc_info:
            line["error"] = self._clean(self.formatException(record.exc_info))
        text = json.dumps(line)
        return f"<{_PRIORITIES.get(record.levelno, 6)}>{text}" if self._journal else text

    def _plain(self, value: object) -> object:
        if value is None or isinstance(value, bool | int):
            return value
        if isinstance(value, float):
            return value if abs(value) < 1e300 else None
        return self._clean(str(value))

    def _clean(self, text: str) -> str:
        for secret in self._secrets:
            text = text.replace(secret, _REDACTED)
        return text


class _Intake(QueueHandler):
    """Puts records into a bounded queue, and counts those that find no room."""

    def __init__(self, lines: "queue.Queue[logging.LogRecord | None]") -> None:
        super().__init__(lines)
        self.lost = 0

    def prepare(self, record: logging.LogRecord) -> logging.LogRecord:
        """Put the message together now, while its arguments are as they were."""
        record.msg, record.args = record.getMessage(), None
        return record

    def handleError(self, record: logging.LogRecord) -> None:
        """The queue is full."""
        self.lost += 1


class _Counting(logging.Handler):
    """Counts lines that cannot be written, in place of a traceback on standard error."""

    lost = 0

    def handleError(self, record: logging.LogRecord) -> None:
        """A line could not be written."""
        self.lost += 1


class _ToFile(_Counting, RotatingFileHandler):
    def reopen(self) -> None:
        """Go on in a new file of the same name: somebody has moved the old one. In the thread that writes."""
        if self.stream is not None:
            stream, self.stream = self.stream, None
            with contextlib.suppress(OSError):
                stream.close()


class _ToStderr(_Counting):
    """Writes past Python's own buffer, whose lock a thread that hangs in a full pipe would keep until the end."""

    def emit(self, record: logging.LogRecord) -> None:
        """One line."""
        try:
            if sys.stderr is None:  # started without: its number may be that of any other file
                raise OSError("there is no standard error")
            data = (self.format(record) + "\n").encode()
            while data:
                data = data[os.write(_STDERR, data) :]
        except OSError:
            self.handleError(record)


class ServiceLog:
    """The whole process's log, for as long as the context lasts."""

    def __init__(self, file: Path | None, max_bytes: int, keep: int, secrets: Sequence[str] = ()) -> None:
        """Into `file`, a new one whenever it reaches `max_bytes`, `keep` old ones kept; without one to standard error.

        Raises:
            UserError: the file cannot be written.
        """
        self._handler: _ToFile | _ToStderr
        if file is None:
            self._handler = _ToStderr()
        else:
            try:
                check_regular(file, may_lack=True)
                self._handler = _ToFile(file, maxBytes=max_bytes, backupCount=keep, encoding="utf-8")
            except OSError as error:
                raise UserError(
                    f"{file}: the log cannot be written there ({error.strerror}); give another --log"
                ) from None
        self._handler.setFormatter(JsonLines(secrets, journal=file is None and _is_journal()))
        self._lines: queue.Queue[logging.LogRecord | None] = queue.Queue(MOST_WAITING)
        self._intake = _Intake(self._lines)
        self._lost_reported = 0
        self._thread = threading.Thread(target=self._write, name="log", daemon=True)
        self._before: tuple[list[logging.Handler], int] = ([], logging.WARNING)

    @property
    def lost(self) -> int:
        """Lines that could not be written."""
        return self._intake.lost + self._handler.lost

    def reopen(self) -> bool:
        """Have the file opened again, after what was logged before. False where there is no file. Never waits for the disk."""
        if isinstance(self._handler, _ToFile):
            with contextlib.suppress(queue.Full):  # lines are being lost: nobody will miss this
                self._lines.put_nowait(_REOPEN)
            return True
        return False

    def __enter__(self) -> Self:
        root = logging.getLogger()
        self._before = root.handlers[:], root.level
        root.handlers[:] = [self._intake]
        root.setLevel(logging.INFO)
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        root = logging.getLogger()
        root.handlers[:] = self._before[0]
        root.setLevel(self._before[1])
        try:
            self._lines.put(None, timeout=LAST_WRITES_S)
        except queue.Full:
            return  # nobody reads it; the thread ends with the process
        self._thread.join(LAST_WRITES_S)
        if not self._thread.is_alive():
            self._handler.close()

    def _write(self) -> None:
        while (record := self._lines.get()) is not None:
            if record is _REOPEN and isinstance(self._handler, _ToFile):
                self._handler.reopen()
                continue
            before = self._handler.lost
            self._handler.handle(record)
            lost = self.lost
            if self._handler.lost == before and lost > self._lost_reported:
                words = f"{lost - self._lost_reported} lines of this log could not be written"
                self._lost_reported = lost
                self._handler.handle(logging.makeLogRecord({"name": __name__, "levelno": logging.WARNING,
                                                            "levelname": "WARNING", "msg": words}))  # fmt: skip


def _is_journal() -> bool:
    """Whether standard error is the system's journal (JOURNAL_STREAM names its device and inode)."""
    try:
        found = os.fstat(_STDERR)
    except OSError:
        return False
    return os.environ.get("JOURNAL_STREAM", "") == f"{found.st_dev}:{found.st_ino}"
