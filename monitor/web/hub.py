"""The hub: sends what a monitor shows to the viewers, and passes the crew's actions at any viewer to the one monitor.

What is shown is a `Source`: one rig's snapshots here, or all rigs of a fleet. The hub listens on the loopback only, and admits a
viewer by a pass, made for one viewer and good once. A viewer that does not keep up misses pictures; it never makes the monitor
wait.
"""

import asyncio
import contextlib
import secrets
import socket
from collections.abc import Mapping
from typing import Final, Protocol, Self

from monitor.adapters.host.acceptor import BACKLOG, Acceptor, spare_connections
from monitor.runtime.driver import Driver
from monitor.web.wire import REQUEST_BYTES, ActionRequest, Welcome, update_line

PERIOD_S: Final = 0.1
PASS_S: Final = 5.0
"""A viewer shows its pass within this."""
BACKLOG_BYTES: Final = 256 << 10
"""A viewer with more than this unread gets no further updates until it has read."""
MOST_CONNECTIONS: Final = 32
"""At a time: all viewers, and some that have not shown their pass."""
HUB_PORT: Final = "STOPMARK_HUB_PORT"
HUB_PASS: Final = "STOPMARK_HUB_PASS"
"""Variables of a viewer's environment: where the hub is, and the way in. Never on a command line, which all can read."""


class Source(Protocol):
    """What viewers are told, and what they ask for; lines of bytes, each with its end."""

    def welcome(self) -> bytes:
        """The first line for a viewer."""

    def update(self) -> bytes:
        """The present state."""

    async def take(self, line: bytes) -> bytes:
        """Take what a viewer asks for; the answer for that viewer alone, empty where there is none.

        Raises:
            ValueError: no viewer of ours asks so.
        """


class OneRig:
    """One rig's snapshots, and its crew's actions."""

    def __init__(self, driver: Driver) -> None:
        self._driver = driver

    def welcome(self) -> bytes:
        """Rig and mode."""
        return Welcome(rig=self._driver.rig, mode=self._driver.mode).line()

    def update(self) -> bytes:
        """The core's snapshot and what is known of the run."""
        return update_line(self._driver.snapshot(), self._driver.facts())

    async def take(self, line: bytes) -> bytes:
        """Pass an action on to the core."""
        self._driver.act(ActionRequest.model_validate_json(line).request())
        return b""


class Hub:
    """An async context: open while the monitor serves viewers. All of it runs in the monitor's loop."""

    def __init__(self, source: Source, period_s: float = PERIOD_S) -> None:
        """Tell viewers of `source` every `period_s`."""
        self._source, self._period_s = source, period_s
        self._passes: set[bytes] = set()
        self._viewers: set[asyncio.StreamWriter] = set()
        self._connections: set[asyncio.Task[None]] = set()
        self._socket: socket.socket | None = None
        self._acceptor: Acceptor | None = None
        self._sending: asyncio.Task[None] | None = None

    async def __aenter__(self) -> Self:
        """Open, on a free port."""
        self._socket = socket.create_server(("127.0.0.1", 0), backlog=BACKLOG)
        self._acceptor = Acceptor(
            self._socket,
            self._protocol,
            what="the viewers' port",
            most=spare_connections(MOST_CONNECTIONS),
            deadline_s=PASS_S,
        )
        self._acceptor.start()
        self._sending = asyncio.create_task(self._send_regularly())
        return self

    async def __aexit__(self, *_: object) -> None:
        """Close, and disconnect every viewer."""
        assert self._socket is not None
        assert self._acceptor is not None
        assert self._sending is not None
        await self._acceptor.close()
        self._socket.close()
        ending = (self._sending, *self._connections)
        for task in ending:
            task.cancel()
        await asyncio.gather(*ending, return_exceptions=True)

    @property
    def viewers(self) -> int:
        """How many viewers are connected."""
        return len(self._viewers)

    def invitation(self) -> dict[str, str]:
        """What one viewer needs in its environment."""
        assert self._socket is not None
        word = secrets.token_urlsafe(32)
        self._passes.add(word.encode())
        return {HUB_PORT: str(self._socket.getsockname()[1]), HUB_PASS: word}

    def withdraw(self, invitation: Mapping[str, str]) -> None:
        """Make an invitation that nobody used worthless."""
        self._passes.discard(invitation[HUB_PASS].encode())

    def _protocol(self) -> asyncio.StreamReaderProtocol:
        return asyncio.StreamReaderProtocol(asyncio.StreamReader(REQUEST_BYTES), self._admit)

    async def _admit(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._connections.add(task)
        try:
            assert self._acceptor is not None
            shown = (await reader.readline()).strip()
            if self._use_pass(shown):
                self._acceptor.admit(writer.transport)
                writer.write(self._source.welcome())
                self._viewers.add(writer)
                await self._listen(reader, writer)
        except (ConnectionError, ValueError):
            pass  # no pass, a line too long, or no request: the viewer is disconnected
        except asyncio.CancelledError:
            pass  # the hub closes; the stream's own callback would report it as an error
        finally:
            self._connections.discard(task)
            self._viewers.discard(writer)
            writer.transport.abort()

    def _use_pass(self, shown: bytes) -> bool:
        known = [word for word in self._passes if secrets.compare_digest(word, shown)]
        self._passes.difference_update(known)
        return bool(known)

    async def _listen(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while line := await reader.readline():
            writer.write(await self._source.take(line))
            self._send()

    def _send(self) -> None:
        """Send the present state to every viewer that keeps up."""
        ready = [writer for writer in self._viewers if writer.transport.get_write_buffer_size() < BACKLOG_BYTES]
        if ready:
            line = self._source.update()
            for writer in ready:
                with contextlib.suppress(ConnectionError):
                    writer.write(line)

    async def _send_regularly(self) -> None:
        while True:
            self._send()
            await asyncio.sleep(self._period_s)
