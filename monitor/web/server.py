"""`stopmark watch --web`: a monitor without a screen of its own, whose screen is served to browsers.

textual-serve sends the screen to the browser. Added here are access control, one monitor for all viewers, and an end that
leaves no process behind: each viewer leads a process group, is asked to end, and is killed when it does not.
"""

import asyncio
import contextlib
import logging
import os
import signal
import socket
import sys
from collections.abc import Awaitable, Callable, Mapping
from html import escape
from importlib.resources import files
from pathlib import Path
from string import Template
from types import TracebackType
from typing import Any, Final, Self

from aiohttp import WSCloseCode, web
from aiohttp.http import HttpProcessingError
from textual_serve.app_service import AppService
from textual_serve.server import Server, to_int

from monitor.adapters.host.acceptor import BACKLOG, Acceptor, spare_connections
from monitor.adapters.host.os_errors import short_reason
from monitor.adapters.host.shutdown import Ending
from monitor.errors import UserError
from monitor.language import msgid, tr
from monitor.language.catalogue import environment_of_words
from monitor.language.words import in_force
from monitor.runtime.live import LiveDriver, run_for
from monitor.web.gate import Gate, add_headers
from monitor.web.hub import Hub, OneRig

ONE_RIG: Final = "monitor.web.viewer"
"""What a viewer's process runs where one rig is watched."""
MAX_VIEWERS: Final = 16
"""Each is a process."""
MOST_CONNECTIONS: Final = 256
MOST_PER_ADDRESS: Final = 64
"""Enough for all viewers behind one reverse proxy."""
TOKEN_S: Final = 8.0
"""A connection is closed unless it has asked for something, token and all, within this."""
IDLE_S: Final = 30.0
"""A connection of an admitted browser is closed when it asks for nothing more for so long; a websocket stays."""
LARGEST: Final = (500, 200)
"""Columns and rows of the largest screen drawn for a browser."""
FRAMES_PER_SECOND: Final = "30"
MESSAGE_BYTES: Final = 64 << 10
LEAVE_S: Final = 1.5
"""How long a viewer may take to leave when asked."""
_SCREEN_BEGINS: Final = b"__GANGLION__\n"
_CLOSE_BYTES: Final = 120
"""Room for words in the message that closes a websocket (RFC 6455)."""
_PAGE: Final = Path(str(files("monitor.web") / "page"))
_OWN_VARIABLES: Final = "STOPMARK_"
"""The monitor's own variables, the broker's password among them: no viewer gets them."""


_WORDS: Final = {
    "opening": msgid("Opening the screen…"),
    "again": msgid("Open again"),
    "old": msgid("NOT LIVE"),
    "ended": msgid("The connection to the monitor has ended."),
    "silent": msgid("Nothing has come from the monitor for {seconds} s. What was on view is old."),
}
"""What the page itself says."""


NO_MESSAGE: Final = (
    *(AssertionError, AttributeError, LookupError, OverflowError, RecursionError, TypeError, ValueError),
)
"""What textual-serve raises over a message that its page does not send."""


def _reason(words: str) -> bytes:
    """`words` for the message that closes a websocket: whole letters, as many as it takes."""
    return words.encode()[:_CLOSE_BYTES].decode(errors="ignore").encode()


class _RequestErrors(logging.Filter):
    """What is no request, or too large for one, is the sender's fault: said once in a line, then only counted."""

    def __init__(self) -> None:
        super().__init__()
        self.count = 0

    def filter(self, record: logging.LogRecord) -> bool:
        error = record.exc_info[1] if record.exc_info else None
        if not isinstance(error, HttpProcessingError | ConnectionError):
            return True
        self.count += 1
        first = (str(error).splitlines() or [""])[0][:_SHOWN]
        record.msg, record.args = f"the page: what came is no request for it ({first}); others are only counted", ()
        record.exc_info = record.exc_text = None
        return self.count == 1


_LOG: Final = logging.getLogger("stopmark.page")
_LOG.addFilter(_RequestErrors())
_SHOWN: Final = 100


class ViewerProcess(AppService):
    """The process behind one browser."""

    def __init__(
        self, websocket: web.WebSocketResponse, invitation: Mapping[str, str], downloads: Any, module: str = ONE_RIG
    ) -> None:
        """`module` is what the process runs."""

        async def close() -> None:
            await websocket.close(message=_reason(tr("This view has ended.")))

        super().__init__(
            "",
            write_bytes=websocket.send_bytes,
            write_str=websocket.send_str,
            close=close,
            download_manager=downloads,
        )
        self._invitation, self._module = invitation, module

    def _build_environment(self, width: int = 80, height: int = 24) -> dict[str, str]:
        environment = {
            name: value
            for name, value in super()._build_environment(width, height).items()
            if not name.startswith(_OWN_VARIABLES)
        }
        return environment | {"TEXTUAL_FPS": FRAMES_PER_SECOND, **environment_of_words(), **self._invitation}

    async def _open_app_process(self, width: int = 80, height: int = 24) -> asyncio.subprocess.Process:
        self._process = await asyncio.create_subprocess_exec(
            sys.executable,
            "-m",
            self._module,
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            env=self._build_environment(*_limited((width, height))),
            start_new_session=True,
        )
        self._stdin = self._process.stdin
        return self._process

    async def set_terminal_size(self, width: int, height: int) -> None:
        """Take a new size of the browser's window."""
        await super().set_terminal_size(*_limited((width, height)))

    async def run(self) -> None:
        """Send the screen to the browser until either side ends; then close the browser's connection."""
        assert self._process is not None
        stdout = self._process.stdout
        assert stdout is not None
        handlers = {b"D": self.on_data, b"M": self.on_meta, b"P": self.on_packed}
        try:
            # Whatever comes before this line is no screen yet.
            while await stdout.readuntil() != _SCREEN_BEGINS:
                pass
            while True:
                kind = await stdout.readexactly(1)
                if kind == _SCREEN_BEGINS[:1]:  # another one, in the place of the first
                    await stdout.readuntil()
                    continue
                payload = await stdout.readexactly(int.from_bytes(await stdout.readexactly(4), "big"))
                await handlers[kind](payload)
        except (asyncio.IncompleteReadError, asyncio.LimitOverrunError, ConnectionError, KeyError, RuntimeError):
            pass  # the viewer has ended, or the browser has gone
        finally:
            await self.remote_close()

    async def stop(self) -> None:
        """Ask the process to end, kill it when it does not, and wait until it has ended."""
        process, task = self._process, self._task
        if process is None or task is None:
            return
        self._task = None
        await self._download_manager.cancel_app_downloads(app_service_id=self.app_service_id)
        try:
            async with asyncio.timeout(LEAVE_S):
                await self.send_meta({"type": "quit"})
                await process.wait()
        except TimeoutError:
            pass
        finally:
            _kill_group(process)
            task.cancel()
            await asyncio.gather(task, process.wait(), return_exceptions=True)


class WebServer(Server):
    """textual-serve's server with our page, our gate, and viewers that share one hub."""

    acceptor: Acceptor | None = None
    """Takes the connections, where the page is served at a port of its own."""

    def __init__(self, hub: Hub, gate: Gate, module: str = ONE_RIG) -> None:
        super().__init__("stopmark", title="Stopmark")
        self._hub, self._gate, self._module = hub, gate, module
        self._viewers: dict[ViewerProcess, web.WebSocketResponse] = {}
        self._closing = False

    async def _make_app(self) -> web.Application:
        app = web.Application(middlewares=[self._gate.middleware(self._welcome)])
        app.add_routes(
            [
                web.get("/", self.page),
                web.get("/ws", self.handle_websocket),
                web.get("/download/{key}", self.handle_download),
                web.static("/static", self.statics_path),
                web.static("/page", _PAGE),
            ]
        )
        app.on_response_prepare.append(add_headers)
        return app

    def _welcome(self, request: web.Request) -> None:
        if self.acceptor is not None:
            self.acceptor.admit(request.transport, None if request.path == "/ws" else 2 * IDLE_S)

    async def page(self, _request: web.Request) -> web.Response:
        """Serve the page."""
        words = {name: escape(tr(text)) for name, text in _WORDS.items()}
        page = Template((_PAGE / "index.html").read_text(encoding="utf-8")).substitute(words, lang=in_force())
        return web.Response(text=page, content_type="text/html")

    async def handle_websocket(self, request: web.Request) -> web.WebSocketResponse:
        """Serve one browser: run a viewer process for as long as the connection stands."""
        websocket = web.WebSocketResponse(heartbeat=15, max_msg_size=MESSAGE_BYTES, timeout=1.0)
        await websocket.prepare(request)
        if self._closing or len(self._viewers) >= MAX_VIEWERS:
            words = tr("{count} browsers are looking already: close one, then try again.", count=MAX_VIEWERS)
            await websocket.close(code=WSCloseCode.TRY_AGAIN_LATER, message=_reason(words))
            return websocket
        invitation = self._hub.invitation()
        viewer = ViewerProcess(websocket, invitation, self.download_manager, self._module)
        self._viewers[viewer] = websocket
        size = to_int(request.query.get("width", "80"), 80), to_int(request.query.get("height", "24"), 24)
        try:
            await viewer.start(*size)
            await self._process_messages(websocket, viewer)
        except OSError as error:
            why = short_reason(error)
            words = tr("This view cannot be shown now ({why}): close another, then try again.", why=why)
            await websocket.close(code=WSCloseCode.TRY_AGAIN_LATER, message=_reason(words))
        except NO_MESSAGE:
            await websocket.close(
                code=WSCloseCode.UNSUPPORTED_DATA, message=b"The page sent what no page of ours sends."
            )
        finally:
            self._hub.withdraw(invitation)
            await viewer.stop()
            del self._viewers[viewer]
        return websocket

    async def close(self) -> None:
        """Close the connection of every browser and end its viewer."""
        self._closing = True
        close_messages = [
            websocket.close(code=WSCloseCode.GOING_AWAY, message=_reason(tr("The monitor was stopped.")))
            for websocket in self._viewers.values()
        ]
        endings = [viewer.stop() for viewer in self._viewers]
        await asyncio.gather(*close_messages, *endings, return_exceptions=True)


class WebPage:
    """A port for the page. `serve` runs the monitor behind it; the end of the context frees the port."""

    def __init__(self, address: str, port: int) -> None:
        """Open `port` at `address`; 0 takes any free port.

        Raises:
            UserError: the port cannot be opened.
        """
        self.address = address
        self.gate = Gate(address)
        try:
            found = socket.getaddrinfo(address, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)
            family, _, _, _, place = found[0]
            self._socket = socket.create_server(place[:2], family=family, backlog=BACKLOG)
        except OSError as error:
            reason = short_reason(error).partition(" (")[0]
            raise UserError(
                f"cannot serve at {address}, port {port} ({reason}): choose another --port, or an address of this machine"
                " with --bind"
            ) from None
        self.port: int = self._socket.getsockname()[1]

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._socket.close()

    @property
    def url(self) -> str:
        """The address to open, token included where there is one."""
        name = socket.gethostname() if self.address in ("0.0.0.0", "::") else self.address
        host = f"[{name}]" if ":" in name else name
        return f"http://{host}:{self.port}/" + (f"?token={self.gate.token}" if self.gate.token else "")

    def serve(self, driver: LiveDriver, seconds: float | None, ending: Ending) -> None:
        """Monitor one rig and serve until a signal comes, or for `seconds` of stream time."""
        asyncio.run(self.show(Hub(OneRig(driver)), lambda stop: run_for(driver, seconds, stop.is_set), ending))

    async def show(
        self, hub: Hub, run: Callable[[asyncio.Event], Awaitable[None]], ending: Ending, module: str = ONE_RIG
    ) -> None:
        """Serve what `hub` tells while `run` lasts, which is to end when the event given to it is set. Viewers run `module`."""
        stop = asyncio.Event()
        ending.attach(stop.set)
        async with hub:
            server = WebServer(hub, self.gate, module)
            runner = web.AppRunner(
                await server._make_app(),
                access_log=None,
                shutdown_timeout=LEAVE_S,
                keepalive_timeout=IDLE_S,
                logger=_LOG,
            )
            await runner.setup()
            assert runner.server is not None
            server.acceptor = Acceptor(
                self._socket,
                runner.server,
                what="the page",
                most=spare_connections(MOST_CONNECTIONS),
                most_per_address=MOST_PER_ADDRESS,
                deadline_s=TOKEN_S,
            )
            try:
                server.acceptor.start()
                self._announce()
                await run(stop)
            finally:
                await server.close()
                await server.acceptor.close()
                await runner.cleanup()

    def _announce(self) -> None:
        say(f"Stopmark is watching. Its screen is at {self.url}  (Ctrl+C ends watching and recording)")
        if self.gate.token is not None:
            say(
                "WARNING: this address can be reached from other machines, and what goes over the network is not encrypted:"
                " whoever listens there can read the screen and the token. Put it behind the site's own reverse proxy with"
                " TLS. Whoever has the address above can acknowledge alarms; it is shown this once and ends with this run."
            )


def say(words: str) -> None:
    """Print a line for the person at the terminal, if there still is one."""
    with contextlib.suppress(OSError, ValueError):
        print(words, file=sys.stderr, flush=True)


def _kill_group(process: asyncio.subprocess.Process) -> None:
    """Kill a viewer that still runs, and anything it started."""
    if process.returncode is not None:
        return
    with contextlib.suppress(ProcessLookupError, PermissionError):
        if hasattr(os, "killpg"):
            os.killpg(process.pid, signal.SIGKILL)
        else:
            process.kill()


def _limited(size: tuple[int, int]) -> tuple[int, int]:
    """A browser's size, within what makes sense."""
    return max(1, min(LARGEST[0], int(size[0]))), max(1, min(LARGEST[1], int(size[1])))
