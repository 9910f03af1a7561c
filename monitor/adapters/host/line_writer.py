"""Writes findings to standard output without ever waiting for the reader.

A pipe whose reader sleeps fills up, and then a plain `print` waits until somebody reads: the watch would stand still. Lines go
through a bounded queue to a thread; beyond it the oldest are dropped and counted (the session has them all).
"""

import os
import sys
import threading
import time
from collections import deque
from types import TracebackType
from typing import Final, Self, TextIO

MOST_WAITING: Final = 10_000
LAST_WRITES_S: Final = 2.0
"""At the end, the rest is given up when no line gets through for so long."""


class LineWriter:
    """Writes lines to standard output. Call it from one thread."""

    def __init__(self, handle: int | None = None) -> None:
        """`handle`: the file handle to write to; None takes that of standard output, where there is one."""
        # Past Python's own buffer, whose lock a thread that hangs in a full pipe would keep until the end. Started without
        # standard output there is none in Python either, and its number may be that of any other file.
        self._handle = (sys.stdout.fileno() if sys.stdout else -1) if handle is None else handle
        self._lines: deque[bytes] = deque()
        self._wake = threading.Event()
        self._closing = False
        self._dropped = 0
        self._written = 0
        self.gone = self._handle < 0
        """Whether the pipe or terminal is closed, so that nobody reads any more."""
        self._thread = threading.Thread(target=self._run, name="output", daemon=True)
        self._thread.start()

    def __call__(self, line: str) -> None:
        """Write `line`."""
        if self.gone:
            return
        if len(self._lines) >= MOST_WAITING:
            self._lines.popleft()
            self._dropped += 1
        self._lines.append(line.encode("utf-8", "replace") + b"\n")
        self._wake.set()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def unwritten(self) -> int:
        """Lines that were dropped, or still wait."""
        return self._dropped + len(self._lines)

    def close(self, timeout_s: float = LAST_WRITES_S) -> bool:
        """Write what waits, for as long as lines get through. False when some of it could not be written."""
        self._closing = True
        self._wake.set()
        before = -1
        while self._thread.is_alive() and self._written != before:
            before = self._written
            self._thread.join(timeout_s)
        return not self._thread.is_alive() and not self.gone

    def _run(self) -> None:
        while True:
            self._wake.wait()
            self._wake.clear()
            closing = self._closing
            try:
                while self._lines:
                    self._write(self._lines.popleft())
            except IndexError:
                pass  # dropped in this very moment
            except OSError:
                self.gone = True
                self._lines.clear()
                return
            if closing:
                return

    def _write(self, data: bytes) -> None:
        while data:
            try:
                data = data[os.write(self._handle, data) :]
            except BlockingIOError:  # somebody made the pipe so that it does not wait
                time.sleep(0.01)
        self._written += 1


def last_words(words: str, stream: TextIO | None) -> None:
    """Print a line at the end of the command to standard output or error, if it takes one yet; never wait for it longer than
    `LAST_WRITES_S`."""
    if stream is None:
        return
    try:
        handle = stream.fileno()
    except OSError:  # no file: text that is kept in memory
        stream.write(f"stopmark: {words}\n")
        return
    with LineWriter(handle) as output:
        output(f"stopmark: {words}")
