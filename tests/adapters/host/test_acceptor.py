"""The acceptor: how many connections from outside there may be, and for how long."""

import asyncio
import errno
import logging
import resource
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest

from monitor.adapters.host import acceptor
from monitor.adapters.host.acceptor import Acceptor
from tests.support.broker import until


class Echo(asyncio.Protocol):
    """Answers each piece with itself; its connections are kept for the test."""

    made: list[asyncio.BaseTransport]

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = transport
        self.made.append(transport)

    def data_received(self, data: bytes) -> None:
        assert isinstance(self.transport, asyncio.Transport)
        self.transport.write(data)


class Bench:
    def __init__(self, **bounds: float) -> None:
        class Kept(Echo):
            made: list[asyncio.BaseTransport] = []  # noqa: RUF012 (one for each bench)

        self.taken = Kept.made
        self.socket = socket.create_server(("127.0.0.1", 0), backlog=64)
        self.acceptor = Acceptor(self.socket, Kept, what="the bench", **bounds)  # type: ignore[arg-type]

    async def knock(self) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        return await asyncio.open_connection(*self.socket.getsockname())

    async def ended(self, reader: asyncio.StreamReader) -> bool:
        try:
            return await asyncio.wait_for(reader.read(1), 0.5) == b""
        except ConnectionError:
            return True
        except TimeoutError:
            return False


@asynccontextmanager
async def bench(**bounds: float) -> AsyncIterator[Bench]:
    made = Bench(**bounds)
    made.acceptor.start()
    try:
        yield made
    finally:
        await made.acceptor.close()
        made.socket.close()


async def test_the_oldest_that_is_not_admitted_gives_way(caplog: pytest.LogCaptureFixture) -> None:
    async with bench(most=3, deadline_s=60.0) as made:
        first = await made.knock()
        await until(lambda: len(made.taken) == 1, "the first connection")
        made.acceptor.admit(made.taken[0])
        others = [await made.knock() for _ in range(20)]
        await until(lambda: len(made.taken) == 21, "all of them")
        assert len(made.acceptor) == 3
        assert [await made.ended(reader) for reader, _ in others] == [True] * 18 + [False] * 2
        first[1].write(b"x")
        assert await first[0].readexactly(1) == b"x"
        assert made.acceptor.turned_away == 18
    told = [
        record for record in caplog.records if "turned away" in record.message and record.levelno == logging.WARNING
    ]
    assert len(told) == 1


async def test_where_all_are_admitted_a_newcomer_is_turned_away() -> None:
    async with bench(most=2, deadline_s=60.0) as made:
        stay = [await made.knock() for _ in range(2)]
        await until(lambda: len(made.taken) == 2, "both")
        for transport in made.taken:
            made.acceptor.admit(transport)
        late = await made.knock()
        assert await made.ended(late[0])
        assert [await made.ended(reader) for reader, _ in stay] == [False, False]
        stay[0][1].close()
        await until(lambda: len(made.acceptor) == 1, "the end of one")
        again = await made.knock()
        assert not await made.ended(again[0])


async def test_one_address_cannot_take_all_places() -> None:
    async with bench(most=8, most_per_address=3, deadline_s=60.0) as made:
        knocked = [await made.knock() for _ in range(6)]
        await until(lambda: len(made.taken) == 6, "all of them")
        assert len(made.acceptor) == 3
        for _, writer in knocked:
            writer.close()


async def test_a_deadline_ends_what_is_not_admitted_and_what_was_admitted_for_a_time() -> None:
    async with bench(most=8, deadline_s=0.3) as made:
        silent, welcome, short = [await made.knock() for _ in range(3)]
        await until(lambda: len(made.taken) == 3, "all of them")
        made.acceptor.admit(made.taken[1])
        made.acceptor.admit(made.taken[2], 0.5)
        silent[1].write(b"a word does not help")
        await until(lambda: len(made.acceptor) == 1, "the deadlines", 5.0)
        assert await short[0].read() == b""
        assert await silent[0].readexactly(1)
        assert not await made.ended(welcome[0])


async def test_no_handle_left_is_said_once_and_tried_again(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(acceptor, "NO_HANDLES_PAUSE_S", 0.05)
    loop = asyncio.get_running_loop()
    accept, refusals = loop.sock_accept, iter(range(5))

    async def refusing(sock: socket.socket) -> object:
        if next(refusals, None) is not None:
            raise OSError(errno.EMFILE, "Too many open files")
        return await accept(sock)

    monkeypatch.setattr(loop, "sock_accept", refusing)
    async with bench(most=8, deadline_s=60.0) as made:
        reader, writer = await made.knock()
        writer.write(b"x")
        assert await asyncio.wait_for(reader.readexactly(1), 10.0) == b"x"
        assert made.acceptor.failures == 5
    (told,) = [record for record in caplog.records if "cannot be taken" in record.message]
    assert "Too many open files" in told.message
    assert told.exc_info is None


def test_the_bound_leaves_a_reserve_of_the_handle_limit(monkeypatch: pytest.MonkeyPatch) -> None:
    for limit, expected in ((1024, 256), (256, 64), (140, acceptor.FEWEST), (resource.RLIM_INFINITY, 256)):
        monkeypatch.setattr(resource, "getrlimit", lambda _, limit=limit: (limit, limit))
        assert acceptor.spare_connections(256) == expected
