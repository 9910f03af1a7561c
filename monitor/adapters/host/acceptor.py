"""Takes connections from outside, never more than the process can spare.

Whatever knocks, the broker's connection and the recording keep their file handles: connections are bounded in all and for each
address, out of the limit of open files less a reserve. Each has a deadline, until its owner is known to be welcome (`admit`);
where there is no room, the oldest that is not admitted gives way. What was turned away is counted, and said once.
"""

import asyncio
import contextlib
import logging
import socket
import sys
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

LOG = logging.getLogger(__name__)

RESERVED_HANDLES: Final = 128
"""File handles that connections from outside never take: broker, recording, ledger, viewers' pipes, logs."""
FEWEST: Final = 8
BACKLOG: Final = 512
"""Connections that the system holds until they are taken. Beyond these, even one that is welcome must knock again."""
AT_A_TIME: Final = 16
PAUSE_S: Final = 0.02
"""After so many connections taken, so that the rest of the monitor goes on whatever knocks."""
NO_HANDLES_PAUSE_S: Final = 1.0
SWEEP_S: Final = 0.25
"""Between two looks for connections whose deadline has passed."""


def spare_connections(most: int) -> int:
    """How many connections this process can have from outside, at most `most`, by its limit of open files."""
    if sys.platform == "win32":
        return most
    import resource

    limit, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    if limit == resource.RLIM_INFINITY:
        return most
    return max(FEWEST, min(most, (limit - RESERVED_HANDLES) // 2))


@dataclass(slots=True)
class _Guest:
    address: str
    deadline_s: float | None
    """On the loop's clock; None: it stays as long as it likes."""
    admitted: bool = False


class Acceptor:
    """Accepts at a listening socket and gives each connection a protocol of its own."""

    def __init__(
        self,
        listening: socket.socket,
        protocol: Callable[[], asyncio.BaseProtocol],
        *,
        what: str,
        most: int,
        most_per_address: int | None = None,
        deadline_s: float,
    ) -> None:
        """`what` is served there, in words. At most `most` connections at a time, `most_per_address` of them from one address;
        those that are not admitted within `deadline_s` are closed."""
        self._socket = listening
        self._protocol = protocol
        self._what = what
        self._most = most
        self._most_per_address = most_per_address or most
        self._deadline_s = deadline_s
        self._guests: dict[asyncio.Transport, _Guest] = {}
        self._tasks: list[asyncio.Task[None]] = []
        self._said: set[str] = set()
        self.turned_away = 0
        """Connections closed by the acceptor, before or after a word was heard."""
        self.failures = 0
        """Times that the system refused to hand a connection over."""

    def __len__(self) -> int:
        """Connections that hold a file handle now."""
        self._forget_closed()
        return len(self._guests)

    def start(self) -> None:
        """Begin to accept, in the running event loop."""
        self._socket.setblocking(False)
        self._tasks = [asyncio.create_task(self._accept()), asyncio.create_task(self._sweep())]

    async def close(self) -> None:
        """Stop accepting and drop every connection. The listening socket is its owner's to close."""
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        self._tasks = []
        for transport in self._guests:
            transport.abort()
        if self.turned_away:
            LOG.info("%s: %d connections were turned away in all", self._what, self.turned_away)

    def admit(self, transport: asyncio.BaseTransport | None, seconds: float | None = None) -> None:
        """Let a connection stay, for so many seconds from now; None: until it ends by itself."""
        guest = self._guests.get(transport) if isinstance(transport, asyncio.Transport) else None
        if guest is not None:
            guest.admitted = True
            guest.deadline_s = None if seconds is None else asyncio.get_running_loop().time() + seconds

    async def _accept(self) -> None:
        loop = asyncio.get_running_loop()
        taken = 0
        while True:
            try:
                connection, address = await loop.sock_accept(self._socket)
            except OSError as error:
                self.failures += 1
                self._say_once("connections cannot be taken", error.strerror or str(error))
                await asyncio.sleep(NO_HANDLES_PAUSE_S)
                continue
            place = str(address[0]) if isinstance(address, tuple) and address else ""
            if self._has_room(place):
                try:
                    transport, _ = await loop.connect_accepted_socket(self._protocol, connection)
                except OSError:
                    connection.close()  # gone already
                else:
                    self._guests[transport] = _Guest(place, loop.time() + self._deadline_s)
            else:
                self._turn_away()
                connection.close()
            taken += 1
            await asyncio.sleep(0.0 if taken % AT_A_TIME else PAUSE_S)

    def _has_room(self, address: str) -> bool:
        """Whether one more may come from `address`; the oldest that is not admitted gives way to it."""
        self._forget_closed()
        same = [transport for transport, guest in self._guests.items() if guest.address == address]
        if len(same) >= self._most_per_address:
            return self._give_way(same)
        return len(self._guests) < self._most or self._give_way([*self._guests])

    def _give_way(self, transports: list[asyncio.Transport]) -> bool:
        for transport in transports:
            if not self._guests[transport].admitted:
                self._drop(transport)
                return True
        return False

    async def _sweep(self) -> None:
        loop = asyncio.get_running_loop()
        while True:
            await asyncio.sleep(SWEEP_S)
            self._forget_closed()
            now_s = loop.time()
            for transport, guest in [*self._guests.items()]:
                if guest.deadline_s is not None and now_s > guest.deadline_s:
                    self._drop(transport)

    def _drop(self, transport: asyncio.Transport) -> None:
        del self._guests[transport]
        transport.abort()
        self._turn_away()

    def _forget_closed(self) -> None:
        for transport in [*self._guests]:
            handle = transport.get_extra_info("socket")
            if handle is None or handle.fileno() < 0:
                del self._guests[transport]

    def _turn_away(self) -> None:
        self.turned_away += 1
        self._say_once("connections are turned away", "too many, or too slow to say what they want")

    def _say_once(self, words: str, why: str) -> None:
        if words not in self._said:
            self._said.add(words)
            with contextlib.suppress(OSError, ValueError):
                LOG.warning("%s: %s (%s); from now on they are only counted", self._what, words, why)
