"""Who comes to the page with bad intent: connections that say nothing, requests that are none, messages no page sends."""

import asyncio
import contextlib
import errno
import socket
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

import aiohttp
import pytest
from aiohttp import web

from monitor.web import LOOPBACK, server
from monitor.web.gate import Gate
from monitor.web.hub import Hub, OneRig
from tests.support.broker import Mosquitto, until
from tests.ui import sample
from tests.ui.drivers import FakeDriver
from tests.web.served import END_S, Served, knocking

HANDLES = 240
"""Limit of open files of the monitor in these tests."""


async def silent(port: int, count: int) -> list[socket.socket]:
    """So many connections that say nothing, or that never end what they say."""
    made = []
    for number in range(count):
        knocking_one = socket.socket()
        knocking_one.setblocking(False)
        knocking_one.connect_ex(("127.0.0.1", port))
        made.append(knocking_one)
        await asyncio.sleep(0.001)
        with contextlib.suppress(OSError):
            knocking_one.send((b"", b"G", b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: ")[number % 3])
    return made


def is_open(knocking_one: socket.socket) -> bool:
    try:
        return knocking_one.recv(1) != b""
    except BlockingIOError:
        return True
    except OSError:
        return False


async def taken(port: int) -> bool:
    """Whether the page still answers a stranger."""
    try:
        async with (
            knocking(timeout=aiohttp.ClientTimeout(20.0)) as asking,
            asking.get(f"http://127.0.0.1:{port}/") as answer,
        ):
            return answer.status in (200, 403)
    except (aiohttp.ClientError, TimeoutError):
        return False


async def test_idle_connections_are_closed_and_the_broker_is_reached_again(
    broker: Mosquitto, serve: Callable[..., Served]
) -> None:
    served = serve(broker.url, "--bind", "0.0.0.0", handles=HANDLES)
    await until(lambda: "Received SUBSCRIBE" in broker.text(), "the first connection")
    held = await silent(served.port, 2 * HANDLES)
    assert await taken(served.port)
    broker.stop()
    await asyncio.sleep(0.5)
    held += await silent(served.port, HANDLES)
    before = broker.text().count("Received SUBSCRIBE")
    broker.start()
    await until(lambda: broker.text().count("Received SUBSCRIBE") > before, "the broker to be reached again", 15.0)
    assert await taken(served.port)

    await until(lambda: not any(map(is_open, held)), "the end of every idle connection", server.TOKEN_S + 10.0)
    told = "".join(served.reported)
    assert len(told) < 3000, told[:3000]
    assert told.count("turned away (") == 1
    assert served.end(15) == 0


async def test_a_request_that_is_none_is_one_line_and_the_next_is_answered(
    serve: Callable[..., Served], nowhere: str
) -> None:
    served = serve(nowhere)
    base = f"http://127.0.0.1:{served.port}"
    bad = [
        b"GET /" + b"x" * 70_000 + b" HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: " + b"y" * 70_000 + b"\r\n\r\n",
        b"GET / HTTP/1.1\r\n" + b"".join(b"X%d: y\r\n" % number for number in range(5000)) + b"\r\n",
        b"\x16\x03\x01\x02\x00\x01" * 50 + b"\r\n\r\n",
        b"GET / HTTP/9.9\r\n\r\n",
        b"POST / HTTP/1.1\r\nHost: 127.0.0.1\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n",
        b"GET http://[::1 HTTP/1.1\r\nHost: [\r\n\r\n",
        b"\0" * 100_000,
    ]
    for request in bad * 3:
        _, writer = await asyncio.open_connection("127.0.0.1", served.port)
        writer.write(request)
        await asyncio.sleep(0.02)
        writer.close()
    async with knocking() as asking:
        for path in ("/" + "x" * 9000, "/download/" + "..%2f" * 500, "/static/" + "%00" * 100):
            async with asking.get(base + path) as answer:
                assert 400 <= answer.status < 500, path[:40]
        async with asking.get(base) as answer:
            assert answer.status == 200
    assert served.end(15) == 0
    told = "".join(served.reported)
    assert len(told) < 3000, told[:3000]
    assert told.count("no request for it") == 1


DEEP = 30_000
MESSAGES = {
    "brackets": "[" * DEEP,
    "stdin": '["stdin", ' + "[" * DEEP,
    "objects": '{"a":' * 10_000,
    "digits": "[" + "9" * 60_000 + "]",
    "surrogate": '["stdin", "\\ud800"]',
    "infinite": '["resize", {"width": 1e400, "height": 2}]',
    "empty": "",
    "null": "null",
    "short": '["ping"]',
}


class Shown(server.ViewerProcess):
    """A viewer without a process."""

    refuses = False

    async def start(self, width: int, height: int) -> None:
        if self.refuses:
            raise OSError(errno.EMFILE, "Too many open files")

    async def stop(self) -> None:
        pass


@asynccontextmanager
async def page(monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[str]:
    monkeypatch.setattr(server, "ViewerProcess", Shown)
    async with Hub(OneRig(FakeDriver(sample.calm()))) as hub:
        runner = web.AppRunner(await server.WebServer(hub, Gate(LOOPBACK))._make_app())
        await runner.setup()
        await web.TCPSite(runner, LOOPBACK, 0).start()
        yield f"http://{LOOPBACK}:{runner.addresses[0][1]}"
        await runner.cleanup()


async def test_a_message_that_no_page_sends_ends_that_view_only(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    async with page(monkeypatch) as base, knocking() as browser:
        for name, text in MESSAGES.items():
            async with browser.ws_connect(f"{base}/ws", origin=base) as websocket:
                await websocket.send_str(text)
                message = await websocket.receive(timeout=END_S)
                assert message.type == aiohttp.WSMsgType.CLOSE, name
                assert message.extra == "The page sent what no page of ours sends.", name
    assert not [record for record in caplog.records if record.exc_info], caplog.text


async def test_a_view_that_cannot_be_started_says_so(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    async with page(monkeypatch) as base, knocking() as browser:
        monkeypatch.setattr(Shown, "refuses", True)
        async with browser.ws_connect(f"{base}/ws", origin=base) as websocket:
            message = await websocket.receive(timeout=END_S)
            assert message.type == aiohttp.WSMsgType.CLOSE
            assert message.extra is not None
            assert "Too many open files" in message.extra
    assert not [record for record in caplog.records if record.exc_info], caplog.text
