"""A viewer: the process behind one browser. It shows what the hub sends and passes on what the crew does; it has no core, no
broker and no recorder.

It ends when its browser leaves, when the crew quits it, and always when the monitor ends: the hub disconnects it, and should
the screen hang on a pipe that nobody reads, a timer ends the process. On Linux the kernel does so too.
"""

import asyncio
import contextlib
import ctypes
import os
import signal
import socket
import sys
import threading
import time
from collections.abc import Callable, Coroutine
from typing import Final, TypeVar

from pydantic import BaseModel

from monitor.config.rig import Rig
from monitor.errors import UserError
from monitor.language import msgid
from monitor.language.catalogue import choose_from
from monitor.model.snapshot import Snapshot
from monitor.model.stream import Request
from monitor.runtime.driver import Mode
from monitor.runtime.facts import RunFacts
from monitor.text import harmless
from monitor.ui.app import StopmarkApp
from monitor.ui.canvas_app import CanvasApp
from monitor.web.hub import HUB_PASS, HUB_PORT
from monitor.web.wire import UPDATE_BYTES, ActionRequest, Welcome, read_update

WELCOME_S: Final = 10.0
PULSE_S: Final = 0.5
FRESH_S: Final = 1.5
"""The page gets a pulse only while the last update is younger than this."""
LAST_WRITES_S: Final = 2.0
M = TypeVar("M", bound=BaseModel)
_PR_SET_PDEATHSIG: Final = 1  # from linux/prctl.h
GONE: Final = "the monitor has ended or can no longer be reached, so this view ends: nothing here is live any more"


class HubGone(UserError):
    """The monitor at the other end is not there."""


class RemoteDriver:
    """The screen's driver at the far end of a hub."""

    replay = None

    def __init__(
        self,
        reader: asyncio.StreamReader,
        writer: asyncio.StreamWriter,
        welcome: Welcome,
        at_end: Callable[[], None] = lambda: None,
    ) -> None:
        """`at_end` is called when `run` ends, however it does."""
        self._at_end = at_end
        self.rig: Rig = welcome.rig
        self.mode: Mode = welcome.mode
        self._reader, self._writer = reader, writer
        self._snapshot: Snapshot | None = None
        self._facts = RunFacts()
        self._updated_s = float("-inf")

    @property
    def fresh(self) -> bool:
        """Whether an update came a moment ago."""
        return time.monotonic() - self._updated_s < FRESH_S

    def snapshot(self) -> Snapshot | None:
        """The last one received."""
        return self._snapshot

    def facts(self) -> RunFacts:
        """What the monitor tells of its run."""
        return self._facts

    def act(self, request: Request) -> None:
        """Pass it on. The monitor records it, and the answer comes with the next snapshot."""
        self._writer.write(ActionRequest.of(request).line())

    def close(self) -> None:
        """Leave the hub."""
        self._writer.close()

    async def run(self) -> None:
        """Take updates until the hub disconnects.

        Raises:
            HubGone: at that moment.
        """
        try:
            while line := await self._reader.readline():
                update = read_update(line)
                self._snapshot, self._facts = update.snapshot, update.facts
                self._updated_s = time.monotonic()
        except (ConnectionError, ValueError) as error:
            raise HubGone(GONE) from error
        finally:
            self._at_end()
        raise HubGone(GONE)


LEAVE_VIEW: Final = msgid("Press q again to close this view (the monitor goes on watching and recording).")


class Pulsing(CanvasApp):
    """A screen in a browser. `fresh` is whether what it shows came a moment ago."""

    fresh: Callable[[], bool]

    def on_mount(self) -> None:
        """Start the pulse."""
        self.set_interval(PULSE_S, self.pulse)

    def pulse(self) -> None:
        """Let the page know that the whole chain to the core stands: an empty message, while updates are fresh."""
        if self.fresh() and self._driver is not None:
            self._driver.write("")


class Viewer(Pulsing, StopmarkApp):
    """The screen, for one of possibly many that look at the same monitor."""

    leave_words = LEAVE_VIEW

    def __init__(self, driver: RemoteDriver) -> None:
        super().__init__(driver)
        self.fresh = lambda: driver.fresh


async def join(port: int, word: str, at_end: Callable[[], None] = lambda: None) -> RemoteDriver:
    """Connect to the hub at a loopback port and show the pass.

    Raises:
        HubGone: nobody is there, or the pass is not good.
    """
    reader, writer, welcome = await knock(port, word, Welcome)
    return RemoteDriver(reader, writer, welcome, at_end)


async def knock(port: int, word: str, kind: type[M]) -> tuple[asyncio.StreamReader, asyncio.StreamWriter, M]:
    """Connect to a hub at a loopback port and show the pass: the line both ways, and the hub's first words.

    Raises:
        HubGone: nobody is there, or the pass is not good.
    """
    try:
        async with asyncio.timeout(WELCOME_S):
            reader, writer = await asyncio.open_connection("127.0.0.1", port, limit=UPDATE_BYTES)
            sock = writer.get_extra_info("socket")
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            writer.write(word.encode() + b"\n")
            return reader, writer, kind.model_validate_json(await reader.readline())
    except (OSError, TimeoutError, ValueError) as error:
        raise HubGone(GONE) from error


async def _show(port: int, word: str) -> str:
    """Run the screen; the sentence to end with, empty when it was closed in order."""
    try:
        app = Viewer(await join(port, word, end_soon))
    except HubGone as gone:
        return str(gone)
    await app.run_async()
    return app.error


def end_soon() -> None:
    """End the process shortly, whatever state the screen is in: its last writes may find nobody to read them."""
    timer = threading.Timer(LAST_WRITES_S, os._exit, (1,))
    timer.daemon = True
    timer.start()


def _die_with_parent() -> None:
    """Have the kernel end this process with the one that started it (Linux only)."""
    if sys.platform == "linux":
        with contextlib.suppress(OSError, AttributeError):
            ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)


def main(show: Callable[[int, str], Coroutine[object, object, str]] = _show) -> int:
    """Show the monitor whose hub the environment names; the exit code. `show` gets the hub's port and the pass, and gives the
    sentence to end with."""
    port, word = os.environ.pop(HUB_PORT, ""), os.environ.pop(HUB_PASS, "")
    if not port.isdecimal():
        print("stopmark: a viewer is started by: stopmark watch --web", file=sys.stderr)
        return 2
    _die_with_parent()
    choose_from(os.environ)
    sentence = asyncio.run(show(int(port), word))
    if sentence:
        print(f"stopmark: {harmless(sentence)}", file=sys.stderr)
    return 1 if sentence else 0


if __name__ == "__main__":
    sys.exit(main())
