"""Where the site's supervision reads the metrics: a page on a port, or a file that is replaced as a whole.

The page is plain HTTP for one reader at a time: no path but ``/metrics``, nothing to change, no name of a file in sight. By
default only this machine reaches it. The connection of a request that is slow, large or one of too many is closed.
"""

import asyncio
import contextlib
import logging
import os
import socket
from collections.abc import Callable
from pathlib import Path
from typing import Final

from monitor.adapters.host.acceptor import Acceptor, spare_connections
from monitor.adapters.host.loopback import is_loopback
from monitor.adapters.host.metrics import CONTENT_TYPE
from monitor.adapters.host.os_errors import short_reason
from monitor.errors import UserError

LOG = logging.getLogger(__name__)

PATH: Final = "/metrics"
DEFAULT_HOST: Final = "127.0.0.1"
REQUEST_S: Final = 5.0
REQUEST_BYTES: Final = 8 << 10
MOST_READERS: Final = 16
FRESH_S: Final = 0.5
"""A page younger than this is sent again, so that frequent requests cost the monitor little."""


def parse_place(text: str) -> tuple[str, int]:
    """Address and port out of ``ADDR:PORT``, ``[ADDR]:PORT``, ``:PORT`` or ``PORT``; without an address the loopback.

    Raises:
        ValueError: it is none of these.
    """
    host, _, port = text.rpartition(":")
    if not (port.isascii() and port.isdecimal() and int(port) <= 65535):
        raise ValueError(f"{text!r} is no ADDRESS:PORT")
    if host.startswith("[") and host.endswith("]"):
        host = host[1:-1]
    elif ":" in host:
        raise ValueError(f"{text!r} is no ADDRESS:PORT; an IPv6 address stands in brackets")
    return host or DEFAULT_HOST, int(port)


class Endpoint:
    """An open port. `start` begins to answer, in the running event loop; `close` frees the port."""

    def __init__(self, host: str, port: int, page: Callable[[], str]) -> None:
        """Open `port` at `host`; 0 takes any free port. `page` makes the answer.

        Raises:
            UserError: the port cannot be opened.
        """
        self.host = host
        self._page = page
        self._made: tuple[float, bytes] | None = None
        self._acceptor: Acceptor | None = None
        try:
            family, _, _, _, place = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
            self._socket = socket.create_server(place[:2], family=family, backlog=MOST_READERS)
        except OSError as error:
            reason = short_reason(error).partition(" (")[0]
            raise UserError(
                f"the figures cannot be served at {host}, port {port} ({reason}): give another address or port"
            ) from None
        self.port: int = self._socket.getsockname()[1]

    @property
    def url(self) -> str:
        """The address to read."""
        return f"http://{f'[{self.host}]' if ':' in self.host else self.host}:{self.port}{PATH}"

    async def start(self) -> None:
        """Begin to answer."""
        self._acceptor = Acceptor(
            self._socket,
            lambda: asyncio.StreamReaderProtocol(asyncio.StreamReader(REQUEST_BYTES), self._answer),
            what="the figures",
            most=spare_connections(MOST_READERS),
            deadline_s=REQUEST_S,
        )
        self._acceptor.start()

    async def close(self) -> None:
        """Stop answering, and free the port."""
        if self._acceptor is not None:
            await self._acceptor.close()
        self._socket.close()

    async def _answer(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            request = await reader.readuntil(b"\r\n\r\n")
            writer.write(self._response(request))
            await writer.drain()
        except (OSError, asyncio.IncompleteReadError, asyncio.LimitOverrunError):
            pass  # whoever asked is gone, slow, or sent what is no request
        finally:
            with contextlib.suppress(OSError):
                writer.close()

    def _response(self, request: bytes) -> bytes:
        words = request.partition(b"\r\n")[0].split()
        if len(words) != 3 or not words[2].startswith(b"HTTP/1."):
            return _reply("400 Bad Request", b"this is no HTTP request\n")
        method, target, _ = words
        if method not in (b"GET", b"HEAD"):
            return _reply("405 Method Not Allowed", b"there is nothing here to change\n", "Allow: GET, HEAD\r\n")
        if is_loopback(self.host) and not _for_this_machine(request):
            return _reply("403 Forbidden", b"this page is for this machine only\n")
        if target.partition(b"?")[0] != PATH.encode():
            return _reply("404 Not Found", f"the figures are at {PATH}\n".encode(), head=method == b"HEAD")
        return _reply("200 OK", self._body(), head=method == b"HEAD", kind=CONTENT_TYPE)

    def _body(self) -> bytes:
        now_s = asyncio.get_running_loop().time()
        if self._made is None or now_s - self._made[0] > FRESH_S:
            self._made = now_s, self._page().encode()
        return self._made[1]


def _for_this_machine(request: bytes) -> bool:
    """Whether the request is addressed to the loopback. A web page elsewhere whose name leads here (DNS rebinding) is not."""
    for line in request.split(b"\r\n")[1:]:
        name, _, value = line.partition(b":")
        if name.strip().lower() == b"host":
            host = value.strip().decode("latin-1")
            host = host[1:].partition("]")[0] if host.startswith("[") else host.partition(":")[0]
            return is_loopback(host)
    return True  # HTTP 1.0 need not say; no browser leaves it out


def _reply(
    status: str, body: bytes, more: str = "", head: bool = False, kind: str = "text/plain; charset=utf-8"
) -> bytes:
    top = f"HTTP/1.1 {status}\r\nContent-Type: {kind}\r\nContent-Length: {len(body)}\r\nConnection: close\r\n"
    top += f"Cache-Control: no-store\r\nX-Content-Type-Options: nosniff\r\n{more}\r\n"
    return top.encode("latin-1") + (b"" if head else body)


class HealthFile:
    """A file with the same page, replaced as a whole: a reader finds the old one or the new one, never half."""

    def __init__(self, path: Path) -> None:
        """Raises UserError when its folder is not there."""
        self.path = path
        self.problem = ""
        """Why it could not be written last time; empty when it could."""
        if path.is_dir() or not path.parent.is_dir():
            raise UserError(f"{path}: the health file cannot be written there; give a file in a folder that exists")

    def write(self, text: str) -> None:
        """Replace the file. Waits for the disk; failures are logged when they begin and when they end."""
        draft = self.path.with_name(f".{self.path.name}.{os.getpid()}")
        try:
            draft.write_text(text, encoding="utf-8")
            draft.chmod(0o644)  # whoever collects it is another user
            draft.replace(self.path)
        except OSError as error:
            with contextlib.suppress(OSError):
                draft.unlink()
            words = f"{self.path}: the health file cannot be written ({error.strerror})"
            if words != self.problem:
                LOG.warning("%s", words)
            self.problem = words
            return
        if self.problem:
            LOG.info("%s: the health file is written again", self.path)
            self.problem = ""
