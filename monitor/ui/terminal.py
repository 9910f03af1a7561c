"""The terminal as the screen writes to it: one that takes nothing holds up neither the watch nor its end.

Textual writes from a thread, and waits for that thread at the end. A write to a terminal that takes nothing (stopped by Ctrl+S,
a frozen window, a line that is down) lasts until it takes again, and so would the end. Here each write can be given up.
"""

import contextlib
import os
import select
import sys
import termios
import threading
import time
from typing import Any, Final, cast

from textual import events
from textual.drivers.linux_driver import LinuxDriver
from textual.message import Message

from monitor.ui.terminal_pace import TerminalPace

LEAVE_S: Final = 2.0
"""What waits at the end is given up when the terminal has not taken it for so long."""
_LOOK_MS: Final = 100
_AS_BEFORE: Final = (
    b"\x18\x1b[?2026l\x1b[?7h\x1b[?2004l\x1b[?1000l\x1b[?1003l\x1b[?1015l\x1b[?1006l"
    b"\x1b[<u\x1b[?1049l\x1b[?25h\x1b[?1004l"
)
"""Ends a sequence that was cut short, then leaves the terminal as Textual does."""
_PICTURE: Final = 16
"""Text that is longer paints something, in characters."""


class _Output:
    """The file that Textual's thread writes to."""

    def __init__(self, terminal: int) -> None:
        """`terminal`: a handle of it."""
        self._handle = _own_handle(terminal)
        self._given_up = threading.Event()
        self._gone = False

    def write(self, text: str) -> None:
        """Write all of it, unless the terminal is gone or was given up."""
        data = text.encode("utf-8", "replace")
        while data and not self._gone and not self._given_up.is_set():
            data = data[self._some(data) :]

    def flush(self) -> None:
        """Nothing is kept back."""

    def fileno(self) -> int:
        """The handle."""
        return self._handle

    def _some(self, data: bytes) -> int:
        """Write what the terminal takes now; how many bytes."""
        try:
            return os.write(self._handle, data)
        except BlockingIOError:
            look = select.poll()
            look.register(self._handle, select.POLLOUT)
            look.poll(_LOOK_MS)
        except OSError:
            self._gone = True
        return 0

    def give_up(self) -> None:
        """Write no more of what waits, and throw away what the terminal has not taken, to leave it as it was before."""
        self._given_up.set()
        with contextlib.suppress(OSError, termios.error):
            termios.tcflush(self._handle, termios.TCOFLUSH)
            if not os.get_blocking(self._handle):
                os.write(self._handle, _AS_BEFORE)

    def close(self) -> None:
        """Close it."""
        with contextlib.suppress(OSError):
            os.close(self._handle)


def _own_handle(terminal: int) -> int:
    """A handle of the same terminal whose writes do not wait: to change the given one would change it for the shell, too. One
    whose writes wait where the terminal cannot be opened once more (it is another user's, or in another container)."""
    try:
        handle = os.open(os.ttyname(terminal), os.O_WRONLY | os.O_NOCTTY | os.O_NONBLOCK)
    except OSError:
        return os.dup(terminal)
    if os.fstat(handle).st_rdev != os.fstat(terminal).st_rdev:
        os.close(handle)
        return os.dup(terminal)
    return handle


class TerminalDriver(LinuxDriver):
    """Textual's driver, over writes that can be given up, and with questions that tell how far the terminal is behind."""

    torn = False
    """Whether something was left out because too much waits: the screen must be painted whole."""

    def start_application_mode(self) -> None:
        """Open the terminal anew: after a pause of the program, too."""
        self._output = _Output(sys.__stderr__.fileno() if sys.__stderr__ else self.fileno)
        self._file = cast(Any, self._output)
        self.pace = TerminalPace()
        super().start_application_mode()  # type: ignore[no-untyped-call]
        self._ask()  # an answer to this one says, before the first picture, that it does answer

    def write(self, data: str) -> None:
        """Have it written. Beyond what Textual lets wait it is left out, where Textual would wait, and the watch with it."""
        if self._writer_thread is not None and self._writer_thread._queue.full():
            self.torn = True
            return
        super().write(data)
        if len(data) > _PICTURE:
            self._ask()

    def may_paint(self, now_s: float) -> bool:
        """Whether another picture would be seen soon."""
        if self.pace.may_paint(now_s):
            return True
        self._ask(picture=False)
        return False

    def _ask(self, picture: bool = True) -> None:
        question = self.pace.ask(time.monotonic(), picture)
        if question and self.input_tty and self._writer_thread is not None:
            super().write(question)

    def process_message(self, message: Message) -> None:
        """Take what came from the terminal."""
        if isinstance(message, events.CursorPosition):
            self.pace.answer(message.y + 1, message.x + 1, time.monotonic())
            return
        super().process_message(message)

    def stop_application_mode(self) -> None:
        """Leave the terminal as it was; that waits behind all the rest."""
        if self._writer_thread is not None:
            self._writer_thread._queue.maxsize = 0
        super().stop_application_mode()

    def close(self) -> None:
        """Let the terminal take what waits, or give it up."""
        writer = self._writer_thread
        if writer is None:
            return
        writer._queue.put(None)
        writer.join(LEAVE_S)
        if writer.is_alive():
            self._output.give_up()
            writer.join(2e-3 * _LOOK_MS)
        if not writer.is_alive():
            self._output.close()
