"""Starts a process for each rig, takes what it says, and starts it again when it ends or says nothing.

Each rig has a task of its own here, so that what happens to one waits for no other. A rig's file is read anew at each start: one
with mistakes is a rig that is not watched, and is as soon as they are mended.
"""

import asyncio
import contextlib
import logging
import multiprocessing
import signal
import socket
import sys
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from multiprocessing.context import BaseContext
from multiprocessing.process import BaseProcess
from typing import Any, Final, Self

from monitor.adapters.host.metrics import Family
from monitor.config.fleet_file import RigPlace
from monitor.config.rig import Rig
from monitor.errors import UserError, sentence_of
from monitor.fleet.rigs.row import RigRow
from monitor.fleet.rigs.wire import REPORT_BYTES, Invitation, Logged, Order, Report
from monitor.model.alarm import Finding
from monitor.model.stream import Request
from monitor.web.viewer import RemoteDriver, join
from monitor.web.wire import ActionRequest

LOG = logging.getLogger(__name__)

QUIET_S: Final = 3.0
"""A rig whose process has said nothing for so long is shown as not watched."""
SILENT_S: Final = 30.0
"""One that has said nothing for so long is killed, and started again."""
FIRST_PAUSE_S: Final = 1.0
LONGEST_PAUSE_S: Final = 60.0
"""Real time before a rig is started again: twice as long after each failure."""
STEADY_S: Final = 60.0
"""After so long a failure is a first one again."""
AT_ONCE: Final = 4
"""Rigs that start at the same time: a start takes a processor for a while."""
STARTED_S: Final = 5.0
"""A start is over at the first row, or after this."""
END_S: Final = 15.0
"""How long all rigs together may take to end in order; then they are killed."""
_OPEN_S: Final = 5.0

Target = Callable[[socket.socket, Rig, RigPlace], None]
"""Runs in the rig's process; picklable."""


@dataclass(slots=True)
class Watched:
    """One rig as the supervisor knows it. `name` stays what it was at the start."""

    place: RigPlace
    name: str
    row: RigRow | None = None
    row_s: float = float("-inf")
    """When that came, by the monotonic clock."""
    problem: str = ""
    """Why it is not watched; empty while it is, or starts."""
    again_s: float = 0.0
    """When it is started again, by the same clock."""
    ended: bool = False
    """In order, as it was asked for."""
    starts: int = 0
    pid: int | None = None
    families: list[Family] = field(default_factory=list)
    summary: dict[str, Any] | None = None
    writer: asyncio.StreamWriter | None = None
    invited: deque["asyncio.Future[Invitation]"] = field(default_factory=deque)
    retry: asyncio.Event = field(default_factory=asyncio.Event)


class Supervisor:
    """Several rigs. An async context: they are watched while it lasts, and have ended in order after it."""

    def __init__(
        self,
        places: Sequence[RigPlace],
        names: Sequence[str],
        target: Target,
        preload: Sequence[str] = (),
        on_finding: Callable[[str, Finding], None] = lambda name, finding: None,
    ) -> None:
        """`target` runs in the process of each rig; `preload` are the modules that it needs, imported once for all."""
        self.rigs = [Watched(place, name) for place, name in zip(places, names, strict=True)]
        self._target, self._on_finding = target, on_finding
        self._context = _context(preload)
        self._tasks: list[asyncio.Task[None]] = []
        self._starting = asyncio.Semaphore(AT_ONCE)
        self._stopping = False

    async def __aenter__(self) -> Self:
        self._tasks = [asyncio.create_task(self._watch(rig), name=rig.name) for rig in self.rigs]
        return self

    async def __aexit__(self, *_: object) -> None:
        self.stop()
        await asyncio.wait(self._tasks, timeout=END_S)
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    def stop(self) -> None:
        """Ask every rig to end in order."""
        self._stopping = True
        for rig in self.rigs:
            _order(rig, Order(stop=True))
            rig.retry.set()

    @property
    def finished(self) -> bool:
        """Whether every rig that could be watched has ended by itself, its time being up."""
        return any(rig.ended for rig in self.rigs) and all(rig.ended or rig.pid is None for rig in self.rigs)

    def rig(self, name: str) -> Watched | None:
        """The rig of that name."""
        return next((rig for rig in self.rigs if rig.name == name), None)

    def act(self, name: str, request: Request) -> bool:
        """Pass on what the crew asks for at one rig; False where nobody takes it."""
        rig = self.rig(name)
        return rig is not None and _order(rig, Order(act=ActionRequest.of(request)))

    def again(self, name: str) -> None:
        """Start a rig again that waits for it."""
        rig = self.rig(name)
        if rig is not None:
            rig.retry.set()

    async def open(self, name: str) -> RemoteDriver:
        """The driver of one rig's own screen.

        Raises:
            UserError: it is not watched, or does not answer.
        """
        way = await self.invitation(name)
        return await join(way.port, way.word)

    async def invitation(self, name: str) -> Invitation:
        """A way into the hub of one rig's process.

        Raises:
            UserError: it is not watched, or does not answer.
        """
        rig = self.rig(name)
        if rig is None or not _order(rig, Order(invite=True)):
            raise UserError(f"{name} is not watched now")
        answer: asyncio.Future[Invitation] = asyncio.get_running_loop().create_future()
        rig.invited.append(answer)
        try:
            async with asyncio.timeout(_OPEN_S):
                return await answer
        except TimeoutError:
            raise UserError(f"the process of {name} does not answer") from None

    # --- one rig ------------------------------------------------------------------------------------------------------

    async def _watch(self, rig: Watched) -> None:
        pause_s = FIRST_PAUSE_S
        while not self._stopping:
            began_s = time.monotonic()
            try:
                problem = "; ".join((await self._run(rig)).splitlines())
            except Exception as error:  # whatever it is, it is this rig's own
                problem = f"internal error ({type(error).__name__}: {sentence_of(error)})"
            rig.writer = rig.pid = None
            rig.row, rig.families = None, []
            if self._stopping or rig.ended:
                break
            now_s = time.monotonic()
            if now_s - began_s > STEADY_S:
                pause_s = FIRST_PAUSE_S
            if problem != rig.problem:
                LOG.error("%s is not watched: %s", rig.name, problem)
            rig.problem, rig.again_s = problem, now_s + pause_s
            rig.retry.clear()
            await happens(rig.retry, pause_s)
            pause_s = min(2 * pause_s, LONGEST_PAUSE_S)

    async def _run(self, rig: Watched) -> str:
        """Run the rig's process to its end; why it ended."""
        process: BaseProcess | None = None
        async with contextlib.AsyncExitStack() as stack:
            await stack.enter_async_context(self._starting)
            if self._stopping:
                return ""
            ours, theirs = socket.socketpair()
            try:
                config = await asyncio.to_thread(rig.place.rig)
                if any(other.name == config.name for other in self.rigs if other is not rig):
                    raise UserError(f"{rig.place.file}: another rig is called {config.name!r}, too")
                process = self._context.Process(  # type: ignore[attr-defined]
                    target=self._target, args=(theirs, config, rig.place), name=rig.name, daemon=True
                )
                await asyncio.to_thread(_start, process)
            except (UserError, OSError, EOFError) as error:
                ours.close()
                return str(error)
            finally:
                theirs.close()
            rig.starts, rig.pid = rig.starts + 1, process.pid
            reader, rig.writer = await asyncio.open_connection(sock=ours, limit=REPORT_BYTES)
            reason = ""
            try:
                # Others may start once this one is through with it.
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(STARTED_S):
                        while rig.row is None and (line := await reader.readline()):
                            reason = self._take(rig, line) or reason
                await stack.aclose()
                if self._stopping:
                    _order(rig, Order(stop=True))
                return await self._listen(rig, reader, process, reason)
            except ValueError as error:
                return f"its process said what could not be read ({str(error).splitlines()[0]}) and was killed"
            finally:
                rig.writer.close()
                await _end(process)

    async def _listen(self, rig: Watched, reader: asyncio.StreamReader, process: BaseProcess, reason: str) -> str:
        """Take what the process says until it ends; why it did."""
        try:
            while True:
                async with asyncio.timeout(SILENT_S):
                    line = await reader.readline()
                if not line:
                    break
                reason = self._take(rig, line) or reason
        except TimeoutError:
            return f"its process said nothing for {SILENT_S:.0f} s and was killed"
        except ConnectionError:
            pass
        await asyncio.to_thread(process.join, END_S)
        code = process.exitcode
        if code is not None and code < 0:
            return f"its process was killed ({signal.Signals(-code).name})"
        return reason or f"its process ended (exit code {code})"

    def _take(self, rig: Watched, line: bytes) -> str:
        """Take one line; the problem that it tells, if any.

        Raises:
            ValueError: it is no report.
        """
        report = Report.model_validate_json(line)
        if report.row is not None:
            if rig.problem and report.row.t_ns:
                LOG.info("%s is watched again", rig.name)
            rig.row, rig.row_s = report.row, time.monotonic()
            if report.row.t_ns:
                rig.problem = ""
        if report.finding is not None:
            self._on_finding(rig.name, report.finding)
        if report.families is not None:
            rig.families = [Family(one.name, one.kind, one.help, one.samples) for one in report.families]
        if report.log is not None:
            _log(rig.name, report.log)
        if report.invitation is not None and rig.invited:
            answer = rig.invited.popleft()
            if not answer.done():
                answer.set_result(report.invitation)
        if report.summary is not None:
            rig.summary, rig.ended = report.summary, True
        return report.problem or ""


async def happens(event: asyncio.Event, within_s: float) -> bool:
    """Wait for it, but no longer than that."""
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(within_s):
            return await event.wait()
    return False


def _context(preload: Sequence[str]) -> BaseContext:
    """How processes are made: copies of one that has imported everything already, where the system can do that."""
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(list(preload))
    return context


def _order(rig: Watched, order: Order) -> bool:
    if rig.writer is None or rig.writer.is_closing():
        return False
    rig.writer.write(order.line().encode() + b"\n")
    return True


def _log(name: str, line: Logged) -> None:
    logging.getLogger(line.logger).log(line.level, "%s: %s", name, line.words, extra={**line.fields, "rig": name})


def _start(process: BaseProcess) -> None:
    """Start it with the real standard error in place: a screen has put one of its own there, which no process can inherit."""
    with contextlib.redirect_stderr(sys.__stderr__):
        process.start()


async def _end(process: BaseProcess) -> None:
    """See to it that the process has ended."""
    if process.is_alive():
        process.kill()
    await asyncio.to_thread(process.join, END_S)
    with contextlib.suppress(ValueError):
        process.close()
