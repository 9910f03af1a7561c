"""Signals that ask the monitor to end: all end it in order, with everything recorded on the disk.

Held by `Ending` from before the start until after the files are closed: a terminal that goes away may send its signal
twice, and the second one must not cut the closing short.

A start may hang where no signal of Python's gets through (a disk or a network file system that does not answer). A thread says
after a while what the start waits for, and ends the process when a signal asked for that and the start does not go on.
"""

import asyncio
import contextlib
import logging
import os
import signal
import socket
import sys
import threading
from collections.abc import Callable
from types import FrameType, TracebackType
from typing import Any, Final, Self

LOG = logging.getLogger(__name__)

START_S: Final = 20.0
"""A start that takes longer says what it waits for, and again each time that has passed."""
LEAVE_S: Final = 5.0
"""How long a start may take to end in order when asked to."""
_ENDING: Final = ("SIGINT", "SIGTERM", "SIGHUP")
_FORCED_AFTER: Final = 3
"""After so many times Ctrl+C the process ends without waiting for the disk."""


class Ending:
    """Handles the signals while the context lasts; `by` names the first that came."""

    def __init__(self, hangup_ends: bool = True) -> None:
        """Without `hangup_ends` SIGHUP is no end (see `attach`)."""
        self.by = ""
        self._hangup_ends = hangup_ends
        self._hangup: Callable[[], None] | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._stop: Callable[[], None] | None = None
        self._before: dict[int, Any] = {}
        self._interrupts = 0
        self._start: _StartWatch | None = None

    def step(self, words: str) -> None:
        """Say what the start does next, as in "the recordings in /srv"."""
        if self._start is not None:
            self._start.step = words

    def attach(self, stop: Callable[[], None], hangup: Callable[[], None] | None = None) -> None:
        """In the running event loop: have `stop` called there at the first signal, at once if one came already; and `hangup`
        at a SIGHUP that is no end."""
        if self._start is not None:
            self._start.end()
        self._loop, self._stop, self._hangup = asyncio.get_running_loop(), stop, hangup
        if self.by:
            stop()

    def __enter__(self) -> Self:
        for name in _ENDING:
            number = getattr(signal, name, None)
            # What the caller had ignored (nohup) stays ignored. Only the main thread takes signals.
            if number is not None and (name == "SIGINT" or signal.getsignal(number) != signal.SIG_IGN):
                with contextlib.suppress(ValueError):
                    self._before[number] = signal.signal(number, self._take)
        if self._before:
            self._start = _StartWatch(self._ending_numbers())
        return self

    def _ending_numbers(self) -> frozenset[int]:
        return frozenset(
            number for number in self._before if self._hangup_ends or signal.Signals(number).name != "SIGHUP"
        )

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._start is not None:
            self._start.end()
        for number, handler in self._before.items():
            signal.signal(number, handler if handler is not None else signal.SIG_DFL)

    def _take(self, number: int, _frame: FrameType | None) -> None:
        name = signal.Signals(number).name
        call = self._stop
        if name == "SIGHUP" and not self._hangup_ends:
            call = self._hangup
        else:
            self.by = self.by or name
            self._interrupts += name == "SIGINT"
            if self._interrupts >= _FORCED_AFTER:
                raise KeyboardInterrupt
        if call is not None and self._loop is not None:
            with contextlib.suppress(RuntimeError):  # the loop has ended: so will the rest
                self._loop.call_soon_threadsafe(call)


class _StartWatch:
    """Looks after a start from a thread of its own, which hears of signals from the kernel's side even while the main thread
    hangs in a call of the system."""

    def __init__(self, ending: frozenset[int]) -> None:
        self.step = ""
        """What the start waits for, as far as it said."""
        self._ending = ending
        self._ours, self._theirs = socket.socketpair()
        self._theirs.setblocking(False)
        self._before = signal.set_wakeup_fd(self._theirs.fileno(), warn_on_full_buffer=False)
        self._thread = threading.Thread(target=self._watch, name="start", daemon=True)
        self._thread.start()

    def end(self) -> None:
        """The start is over."""
        if self._theirs.fileno() < 0:
            return
        signal.set_wakeup_fd(self._before)
        self._theirs.close()  # what wakes the thread
        self._thread.join(1.0)
        self._ours.close()

    def _watch(self) -> None:
        self._ours.settimeout(START_S)
        asked = ""
        while True:
            try:
                heard = self._ours.recv(1)
            except TimeoutError:
                if asked:
                    self._say(f"{asked}: ended while it still waited for {self._waits_for()}")
                    os._exit(1)
                self._say(f"the start still waits for {self._waits_for()}; SIGTERM or Ctrl+C ends it")
                continue
            except OSError:
                return
            if not heard:
                return
            if heard[0] in self._ending and not asked:
                asked = signal.Signals(heard[0]).name
                self._ours.settimeout(LEAVE_S)

    def _waits_for(self) -> str:
        return self.step or "the machine"

    def _say(self, words: str) -> None:
        LOG.error("%s", words)
        with contextlib.suppress(OSError):
            os.write(sys.stderr.fileno() if sys.stderr is not None else 2, f"stopmark: {words}\n".encode())
