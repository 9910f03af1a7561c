"""Asks the record for what a screen wants to draw and nobody remembers; see `monitor.runtime.past`."""

import asyncio
import contextlib
from asyncio.subprocess import DEVNULL, PIPE, Process
from collections.abc import Callable
from typing import Final

from monitor.runtime.past import Piece, Request, command
from monitor.runtime.record import Record
from monitor.ui.history import History

SETTLE_S: Final = 0.3
"""Who holds a key down wants the place where it ends, not each on the way."""
LONGEST_LINE: Final = 16 << 20


class PastReader:
    """One question at a time: a new one ends the child that answers the one before."""

    def __init__(self, history: Callable[[], History]) -> None:
        self._memory = history
        self._task: asyncio.Task[None] | None = None

    @property
    def _history(self) -> History:
        return self._memory()

    def fill(self, record: Record | None, names: tuple[str, ...], since_ns: int, until_ns: int) -> None:
        """Have the record read where it is needed to show that time. From the event loop."""
        wanted = self._history.past_wanted(since_ns, until_ns) if record is not None else None
        if record is not None and wanted is not None:
            self._ask(Request(record, names, *wanted))

    def _ask(self, request: Request) -> None:
        if self._task is not None:
            self._task.cancel()
        self._history.request = request
        self._task = asyncio.get_running_loop().create_task(self._answer(request))

    async def stop(self) -> None:
        """Ask nothing any more; returns when the child has ended."""
        if self._task is not None:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)

    async def _answer(self, request: Request) -> None:
        try:
            await asyncio.sleep(SETTLE_S)
            self._history.reads_past = True
            await self._read(request)
        except (OSError, ValueError, KeyError, TypeError):
            return  # the screen shows what it has seen itself
        finally:
            if self._history.request is request:
                self._history.reads_past = False

    async def _read(self, request: Request) -> None:
        child = await asyncio.create_subprocess_exec(
            *command(), stdin=PIPE, stdout=PIPE, stderr=DEVNULL, limit=LONGEST_LINE
        )
        try:
            assert child.stdin is not None
            assert child.stdout is not None
            child.stdin.write(request.line())
            await child.stdin.drain()
            while line := await child.stdout.readline():
                self._history.take_past(Piece.of(line))
        finally:
            await _end(child)


async def _end(child: Process) -> None:
    with contextlib.suppress(ProcessLookupError):
        child.kill()
    await child.wait()
