"""Targets: what a stranger's browser sends to the page, the map of a log, and notes beside a session.

Oracles: no request passes the gate but by its name or its cookie, and a message or a line does nothing or breaks in a way that
ends its view only; a map is sound or refused in words; a note is short text with whole numbers, or left out.
"""

import asyncio
import re
import sqlite3
from contextlib import closing, suppress
from functools import lru_cache
from typing import Any, Final, cast
from unittest.mock import patch

from aiohttp import WSMessage, WSMsgType, web
from aiohttp.test_utils import make_mocked_request

from monitor.adapters.sessions.remarks import NOTE_BYTES, add_remark, remarks_of
from monitor.adapters.sessions.remarks import Remark as Note
from monitor.adapters.tables import field_map
from monitor.adapters.tables.field_map import load_map
from monitor.errors import UserError
from monitor.model.stream import Request
from monitor.web.gate import COOKIE, Gate
from monitor.web.hub import Hub
from monitor.web.server import NO_MESSAGE, ViewerProcess, WebServer
from monitor.web.wire import ActionRequest
from tests.fuzz.draws import TEXTS, Draws, edited
from tests.fuzz.sessions import cell_of, sound_session
from tests.fuzz.texts import find_rig_of_map, folder, in_words, mangled_map

_HOSTS: Final = (
    *(
        "127.0.0.1",
        "localhost:8080",
        "[::1]:80",
        "LOCALHOST",
        "evil.example",
        "127.0.0.1.evil.example",
        "localhost.",
        "",
    ),
    *("[", "[::1", "0x7f.1", "127.0.0.1:x", "127.0.0.1, evil.example", "evil.example:127.0.0.1", "\u2139ocalhost"),
)
_OURS: Final = re.compile(r"(localhost|127\.0\.0\.1|\[::1\])(:[0-9]*)?", re.IGNORECASE)
_PATHS: Final = (
    "/",
    "/ws",
    "/page/index.html",
    "/?token=",
    "/?token=%ff",
    "/download/x",
    "//evil.example/ws",
    "/%00",
    "/ws?width=x",
)
_MESSAGES: Final = (
    *(b'["stdin", "q"]', b'["resize", {"width": 80, "height": 24}]', b'["ping", 5]', b'["blur"]', b'["focus"]', b"[]"),
    *(b"[" * 2000, b'{"a":' * 2000, b"[" + b"9" * 6000 + b"]", b'["resize", {"width": 1e999, "height": -1}]', b"null"),
)
_LINE: Final = b'{"kind": "acknowledge", "target": "ease-up", "number": 1.5, "text": "x", "who": "AB"}'
_TOKENS: Final = (
    *(b'"', b"[", b"]", b"{", b"}", b",", b":", b"null", b"NaN", b"1e999", b"9" * 400, b"\\ud800", b"\xff", b"\0"),
    *(b'"stdin"', b'"resize"', b'"width"', b"x" * 1200, b"true", b"-1", b'"kind"', b'"reference height"'),
)


class _Browser:
    """The websocket of a browser that sends one message."""

    def __init__(self, text: str) -> None:
        self.left = [WSMessage(WSMsgType.TEXT, text, None)]

    def __aiter__(self) -> "_Browser":
        return self

    async def __anext__(self) -> WSMessage:
        if not self.left:
            raise StopAsyncIteration
        return self.left.pop()

    async def send_json(self, data: Any) -> None:
        pass

    async def send_bytes(self, data: bytes) -> None:
        pass

    async def send_str(self, data: str) -> None:
        pass


class _Pipe:
    """What a viewer's process reads."""

    def write(self, data: bytes) -> None:
        assert data[:1] in (b"D", b"M")

    async def drain(self) -> None:
        pass


@lru_cache(maxsize=1)
def _loop() -> asyncio.AbstractEventLoop:
    return asyncio.new_event_loop()


@lru_cache(maxsize=2)
def _gate(address: str) -> Gate:
    return Gate(address)


async def _passed(request: web.Request) -> web.Response:
    return web.Response(status=299)


def _asked(draws: Draws) -> None:
    """One request of a stranger, at the gate of this machine's page or of another address's."""
    gate = _gate(draws.pick(("127.0.0.1", "10.1.2.3")))
    host = (
        draws.pick(_HOSTS) if draws.flag() else edited(draws, draws.pick(_HOSTS).encode(), _TOKENS, 2).decode("latin-1")
    )
    headers = {"Host": host, "Origin": draws.pick((f"http://{host}", "http://[", "null", "", "http://evil.example"))}
    headers["Cookie"] = f"{COOKIE}={draws.pick(TEXTS).encode(errors='replace').decode()}"
    request = make_mocked_request("GET", draws.pick(_PATHS), headers=headers)
    answer = _loop().run_until_complete(gate.middleware()(request, _passed))
    if answer.status == 299:
        assert gate.token is None
        assert _OURS.fullmatch(host), host
    else:
        assert answer.status == 403


def _said(text: str) -> None:
    """One message of a page to its view."""
    server = WebServer(cast(Hub, None), _gate("127.0.0.1"))
    viewer = ViewerProcess(cast(Any, _Browser("")), {}, None)
    viewer._stdin = cast(Any, _Pipe())
    with suppress(NO_MESSAGE):
        _loop().run_until_complete(server._process_messages(cast(Any, _Browser(text)), viewer))


def browser(data: bytes) -> None:
    """A request, a message of a page, or a line of a viewer."""
    draws = Draws(data)
    kind = draws.below(3)
    if kind == 0:
        _asked(draws)
    elif kind == 1:
        raw = draws.pick(_MESSAGES)
        _said((edited(draws, raw, _TOKENS) if draws.flag() else raw).decode("utf-8", "replace"))
    else:
        try:
            request = ActionRequest.model_validate_json(edited(draws, _LINE, _TOKENS)).request()
        except ValueError:
            return
        assert isinstance(request, Request)


def log_map(data: bytes) -> None:
    """The map of a log, edited."""
    path = folder() / "map.toml"
    path.write_text("\n".join(mangled_map(Draws(data))), encoding="utf-8", errors="surrogatepass")
    try:
        # To parse a shipped rig anew for each input would take most of the time.
        with patch.object(field_map, "find_rig", find_rig_of_map):
            found = load_map(path)
    except UserError as error:
        in_words(error)
        return
    assert found.columns


def notes(data: bytes) -> None:
    """Notes beside a session, in a table that anybody may have written."""
    draws = Draws(data)
    path = folder() / "noted.stopmark"
    path.write_bytes(sound_session())
    if draws.flag():
        add_remark(path, Note(draws.below(1000), 1, draws.text(), draws.text()))
    with closing(sqlite3.connect(path, isolation_level=None)) as base:
        base.execute("PRAGMA journal_mode=DELETE")
        base.execute("PRAGMA synchronous=OFF")
        if draws.flag(8):
            base.execute("DROP TABLE IF EXISTS remark")
            base.execute(
                draws.pick(("CREATE VIEW remark AS SELECT 1", "CREATE TABLE remark (a)", "CREATE TABLE x (a)"))
            )
        else:
            base.execute("CREATE TABLE IF NOT EXISTS remark (id INTEGER PRIMARY KEY, t_ns, written_ns, who, text)")
            for _ in range(1 + draws.below(3)):
                row: list[Any] = [cell_of(draws) for _ in range(4)]
                if draws.flag(8):
                    row[3] = draws.pick(("x", "\0", "é")) * (NOTE_BYTES + draws.below(3) - 1)
                with suppress(sqlite3.IntegrityError):  # the table of a sound note takes no empty cell
                    base.execute("INSERT INTO remark (t_ns, written_ns, who, text) VALUES (?, ?, ?, ?)", row)
    for note in remarks_of(path):
        assert type(note.t_ns) is int
        assert type(note.written_ns) is int
        assert len(note.who.encode("utf-8", "surrogatepass")) <= NOTE_BYTES
        assert len(note.text.encode("utf-8", "surrogatepass")) <= NOTE_BYTES
