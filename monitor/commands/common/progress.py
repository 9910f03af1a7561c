"""Progress of a command that takes long: one line on the terminal, removed when the work is done."""

import sys
import threading
from collections.abc import Callable
from types import TracebackType
from typing import Final, Self, TextIO

from monitor.text import harmless

FIRST_S: Final = 2.0
"""What takes less needs no sign."""
EVERY_S: Final = 1.0


class Progress:
    """Use it in a ``with`` statement around the work. Says `words` and the seconds so far on standard error, where that is a
    terminal; a pipe or a log gets nothing. `done` tells the rows (or other `things`) so far, and the share of the work that is
    done; where that is known (no NaN), the time left is said, too."""

    def __init__(
        self,
        words: str,
        stream: TextIO | None = None,
        first_s: float = FIRST_S,
        every_s: float = EVERY_S,
        done: Callable[[], tuple[int, float]] | None = None,
        things: str = "rows",
    ) -> None:
        self._things = things
        self._work_done = done
        self._words = harmless(words)
        self._stream = sys.stderr if stream is None else stream
        self._first_s, self._every_s = first_s, every_s
        self._done = threading.Event()
        self._thread: threading.Thread | None = None

    def __enter__(self) -> Self:
        if self._stream.isatty():
            self._thread = threading.Thread(target=self._say, name="progress", daemon=True)
            self._thread.start()
        return self

    def _say(self) -> None:
        waited_s, pause_s, said = 0.0, self._first_s, 0
        while not self._done.wait(pause_s):
            waited_s, pause_s = waited_s + pause_s, self._every_s
            line = f"{self._words}: {self._so_far(waited_s)}"
            self._stream.write("\r" + line.ljust(said))
            self._stream.flush()
            said = len(line)
        if said:
            self._stream.write("\r" + " " * said + "\r")
            self._stream.flush()

    def _so_far(self, waited_s: float) -> str:
        words = f"{waited_s:.0f} s so far"
        if self._work_done is None:
            return words
        rows, share = self._work_done()
        words = f"{rows:,} {self._things}, {words}"
        if not 0.0 < share <= 1.0:
            return words
        left_s = waited_s * (1.0 - share) / share
        left = f"{left_s:.0f} s" if left_s < 90.0 else f"{left_s / 60.0:.0f} min"
        return f"{words}, {100.0 * share:.0f} %, about {left} left"

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._done.set()
        if self._thread is not None:
            self._thread.join()


class SoFar:
    """How far long work over the time from `from_ns` to `to_ns` is, as `on_progress` heard it; for `done` of a Progress."""

    def __init__(self, from_ns: int, to_ns: int) -> None:
        self._from_ns, self._long_ns = from_ns, max(1, to_ns - from_ns)
        self._rows, self._t_ns = 0, from_ns

    def on_progress(self, rows: int, t_ns: int) -> None:
        """So many rows, and the stream time reached, ns."""
        self._rows, self._t_ns = rows, t_ns

    def __call__(self) -> tuple[int, float]:
        """Rows so far, and the share of the time."""
        return self._rows, min(1.0, (self._t_ns - self._from_ns) / self._long_ns)


def replaying(seconds: float, rig: str, so_far: SoFar | None = None) -> Progress:
    """The sign while so much of a recording is replayed."""
    from monitor.presentation.format import span

    return Progress(f"replaying {span(seconds)} of {rig}", done=so_far, things="messages")
