"""Signals that ask the monitor to end: all end it in order, with everything recorded on the disk.

Held by `Ending` from before the start until after the files are closed: a terminal that goes away may send its signal
twice, and the second one must not cut the closing short.
"""

import asyncio
import contextlib
import signal
from collections.abc import Callable
from types import FrameType, TracebackType
from typing import Any, Final, Self

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

    def attach(self, stop: Callable[[], None], hangup: Callable[[], None] | None = None) -> None:
        """In the running event loop: have `stop` called there at the first signal, at once if one came already; and `hangup`
        at a SIGHUP that is no end."""
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
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
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
