"""The screen in a browser: a real server process, a real broker, a real browser; and the parts between them."""

import asyncio
import re
import signal
import subprocess
import sys
from collections.abc import Callable
from http.cookies import Morsel
from pathlib import Path

import aiohttp
import pytest

from monitor.adapters.host.loopback import is_loopback
from monitor.adapters.sessions.reader import SessionReader
from monitor.errors import UserError
from monitor.model.stream import Action, ActionKind
from monitor.web import listen
from monitor.web.gate import COOKIE
from tests.commands.test_commands import ROOT
from tests.support.broker import Mosquitto, until, wait_until
from tests.web.browser import Chromium
from tests.web.served import END_S, PASSWORD, Served, command_line, feeding, knocking, of_process

TOO_SOON = "Just came up"


# --- in the browser -------------------------------------------------------------------------------------------------------


async def test_a_browser_shows_the_height_and_a_key_changes_the_screen(
    chromium: Chromium, broker: Mosquitto, serve: Callable[..., Served], tmp_path: Path
) -> None:
    served = serve(broker.url)
    async with feeding(broker, 60.0, 0.0), chromium.page(served.url, 560, 460) as page:
        await page.height("60.0", 1)
        assert "Drive" in await page.until("● REC", "LIVE")
        before = await page.picture()
        shown = await page.turn_to("4", "Instruments", "block", "60.0")
        assert "Drive" not in shown
        after = await page.picture()
        assert after != before

        # The terminal holds it; that it is painted too, the size of the picture tells.
        async with chromium.page(served.url, 1280, 800) as large, chromium.page("about:blank", 1280, 800) as blank:
            await large.height("60.0", 3)
            await large.until("● RECORDING", "STILL")
            picture = await large.picture()
            assert len(picture) > 3 * len(await blank.picture())
        (tmp_path / "small.png").write_bytes(after)
        (tmp_path / "large.png").write_bytes(picture)

        for address in page.requested:
            assert re.match(rf"(http|ws)://127\.0\.0\.1:{served.port}/", address), address
        assert page.complaints == []

        # A monitor that hangs shows as such, and a live picture comes back when it goes on.
        served.process.send_signal(signal.SIGSTOP)
        await page.until_true("document.getElementById('notice').innerText.includes('What was on view is old')")
        served.process.send_signal(signal.SIGCONT)
        await page.until_true("document.getElementById('notice').hidden")

        # A stopped monitor is not mistaken for a quiet one: the page covers the picture.
        served.end(signal.SIGTERM)
        await page.until_true("document.getElementById('notice').innerText.includes('NOT LIVE')")
        assert "was stopped" in await page.evaluate("document.getElementById('notice').innerText")
    assert broker.published_by(".*stopmark-.*") == []


async def test_what_one_viewer_acknowledges_is_recorded_once_and_seen_by_the_other(
    chromium: Chromium, broker: Mosquitto, serve: Callable[..., Served]
) -> None:
    served = serve(broker.url)  # nobody sends readings, and that is an alarm
    async with chromium.page(served.url, 800, 500) as one, chromium.page(served.url, 800, 500) as other:
        for page in (one, other):
            await page.until("● REC")
            await page.turn_to("3", "Alarms", "Most sensors are silent", "\n  not acknowledged ")
        assert len(served.viewers) == 2
        await one.press("w")
        await one.until("Your initials")
        await one.press("x", "y", "Enter")
        await one.until("Initials: XY")
        shown = ""
        while "\n  acknowledged " not in shown:
            await one.until_not(TOO_SOON)
            await one.press("a")  # until the alarm has been on view long enough to count, and each time once
            shown = await one.until_any("\n  acknowledged ", TOO_SOON)
        await other.until("Most sensors are silent", "\n  acknowledged ")
    assert served.end(signal.SIGINT) == 0
    sessions = list(served.data.glob("*.stopmark"))
    assert len(sessions) == 1
    with SessionReader(sessions[0]) as session:
        (act,) = [item for item in session.inputs() if isinstance(item, Action)]
        assert (act.kind, act.who) == (ActionKind.ACKNOWLEDGE, "XY")
        # Which alarm stands at the top depends on how soon the list was opened: more come while no readings do.
        assert act.target in {found.key for found in session.findings() if found.after == "unacknowledged"}
        assert [(found.key, found.after) for found in session.findings() if found.after == "acknowledged"] == [
            (act.target, "acknowledged")
        ]
        assert session.mode == "LIVE"
    # One client at the broker for all of it, and it only listened.
    assert len(set(re.findall(r"Received CONNECT from \S+ as (stopmark-\w+)|as (stopmark-\w+)", broker.text()))) == 1
    assert broker.text().count("Received SUBSCRIBE from stopmark-") == 1
    assert broker.published_by("stopmark-.*") == []
    assert broker.wills() == []


# --- who may look ---------------------------------------------------------------------------------------------------------


async def refused(web: aiohttp.ClientSession, url: str, **headers: str) -> int:
    async with web.get(url, headers=headers) as answer:
        return answer.status


HANDSHAKE = {
    "Connection": "Upgrade", "Upgrade": "websocket", "Sec-WebSocket-Version": "13",
    "Sec-WebSocket-Key": "AAAAAAAAAAAAAAAAAAAAAA==",
}  # fmt: skip


async def test_another_address_opens_with_its_token_only(serve: Callable[..., Served], nowhere: str) -> None:
    served = serve(nowhere, "--bind", "0.0.0.0")
    wait_until(lambda: "not encrypted" in "".join(served.reported), "the warning")
    assert len(served.urls) == 1
    token = served.url.partition("?token=")[2]
    assert len(token) > 40
    place = f"127.0.0.1:{served.port}"
    base = f"http://{place}"
    jar = aiohttp.CookieJar(unsafe=True)  # this one keeps cookies of a bare address, as browsers do
    async with knocking(cookie_jar=jar) as web:
        for path in ("/", "/ws", "/download/x", "/static/js/textual.js", "/page/page.js", "/nothing",
                     "/?token=", f"/?token={token[:-1]}", "/?token=%C3%A9", f"/ws?token={token}"):  # fmt: skip
            assert await refused(web, base + path, Origin=base) == 403, path
        assert await refused(web, base, Cookie=f"{COOKIE}={token}") == 403
        assert not served.viewers

        async with web.get(f"{base}/?token={token}") as answer:
            assert answer.status == 200
            cookie: Morsel[str] = answer.cookies[COOKIE]
            assert cookie["httponly"]
            assert cookie["samesite"] == "Strict"
            assert cookie.value != token
        for path in ("/", "/static/js/textual.js", "/page/page.js"):
            assert await refused(web, base + path) == 200, path
        assert await refused(web, f"{base}/download/x") == 404
        assert await refused(web, f"{base}/ws", Origin="http://elsewhere.example", **HANDSHAKE) == 403
        assert await refused(web, f"{base}/ws", **HANDSHAKE) == 403
        async with web.ws_connect(f"{base}/ws", origin=base) as websocket:
            assert await websocket.receive_bytes(timeout=END_S)
            assert token not in command_line(served.process.pid) + command_line(*served.viewers)
    assert served.end(signal.SIGTERM) == 0


async def test_the_loopback_answers_no_page_from_elsewhere(serve: Callable[..., Served], nowhere: str) -> None:
    served = serve(nowhere)
    base = f"http://127.0.0.1:{served.port}"
    assert served.url == base + "/"
    async with knocking() as web:
        async with web.get(base) as answer:
            assert answer.status == 200
            page = await answer.text()
            assert "frame-ancestors 'none'" in answer.headers["Content-Security-Policy"]
        assert not re.search(r"https?:", page)
        assert await refused(web, base, Host=f"elsewhere.example:{served.port}") == 403
        assert await refused(web, f"{base}/ws", Origin="http://elsewhere.example", **HANDSHAKE) == 403
        assert await refused(web, f"{base}/ws", Origin=f"http://127.0.0.1:{served.port + 1}", **HANDSHAKE) == 403
        assert await refused(web, f"{base}/ws", Origin="null", **HANDSHAKE) == 403
        assert await refused(web, f"{base}/static/../../server.py") in (403, 404)
        assert not served.viewers
        async with web.ws_connect(f"{base}/ws", origin=base) as websocket:
            await websocket.send_str('["resize", {"width": "wide"}]')
            while (message := await websocket.receive(timeout=END_S)).type == aiohttp.WSMsgType.BINARY:
                pass
            assert message.type == aiohttp.WSMsgType.CLOSE
        await until(lambda: not served.viewers, "the end of the viewer")


@pytest.mark.parametrize(
    ("address", "expected"),
    [("127.0.0.1", True), ("127.9.9.9", True), ("::1", True), ("localhost", True), ("0.0.0.0", False), ("::", False),
     ("192.0.2.7", False), ("rig.example", False), ("localhost.example", False)],
)  # fmt: skip
def test_only_this_machine_is_loopback(address: str, expected: bool) -> None:
    assert is_loopback(address) is expected


# --- the end --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGKILL])
async def test_no_viewer_outlives_the_server(number: int, serve: Callable[..., Served], nowhere: str) -> None:
    served = serve(nowhere)
    base = f"http://127.0.0.1:{served.port}"
    async with knocking() as web, web.ws_connect(f"{base}/ws", origin=base) as websocket:
        assert await websocket.receive_bytes(timeout=END_S)
        (viewer,) = served.viewers
        # What every process on the machine may read holds no secret; the viewer's own variables hold no password.
        assert command_line(viewer).split()[1:] == ["-m", "monitor.web.viewer"]
        assert PASSWORD not in of_process(viewer, "environ")
        code = await asyncio.to_thread(served.end, number)
        assert code == (-signal.SIGKILL if number == signal.SIGKILL else 0)
        await until(lambda: command_line(viewer) == "", "the end of the viewer")
    (session,) = served.data.glob("*.stopmark")
    with SessionReader(session) as reader:
        # Killed outright it may lose its last second, which here is all there was.
        assert number == signal.SIGKILL or reader.end_ns > reader.t_first_ns


async def test_a_browser_that_leaves_takes_its_viewer_along(serve: Callable[..., Served], nowhere: str) -> None:
    served = serve(nowhere)
    base = f"http://127.0.0.1:{served.port}"
    async with knocking() as web:
        async with web.ws_connect(f"{base}/ws", origin=base) as websocket:
            assert await websocket.receive_bytes(timeout=END_S)
            assert len(served.viewers) == 1
        await until(lambda: not served.viewers, "the end of the viewer")
    assert served.process.poll() is None


# --- mistakes -------------------------------------------------------------------------------------------------------------


def test_a_missing_extra_is_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in [name for name in sys.modules if name.split(".")[0] == "textual_serve"]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.delitem(sys.modules, "monitor.web.server", raising=False)
    monkeypatch.setitem(sys.modules, "textual_serve", None)
    with pytest.raises(UserError, match=r'pip install "stopmark\[web\]"'):
        listen(None, None)


def test_a_port_that_is_taken_is_one_sentence() -> None:
    with listen("127.0.0.1", 0) as page, pytest.raises(UserError, match=f"port {page.port} .*--port"):
        listen("127.0.0.1", page.port)


def test_an_address_of_another_machine_is_one_sentence() -> None:
    with pytest.raises(UserError, match=r"192\.0\.2\.1.*--bind"):
        listen("192.0.2.1", 0)


@pytest.mark.parametrize("words", [("--bind", "0.0.0.0"), ("--port", "8000")])
def test_where_to_serve_needs_something_to_serve(words: tuple[str, ...], nowhere: str) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "monitor.cli", "watch", "--rig", "land", "--broker", nowhere, "--headless", *words],
        capture_output=True, text=True, cwd=ROOT, timeout=60,
    )  # fmt: skip
    assert done.returncode == 2
    assert "--web" in done.stderr
