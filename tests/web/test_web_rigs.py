"""Several rigs in browsers: the overview, each rig's own screen behind it, who may look, and how it ends."""

import asyncio
import os
import re
import signal
from collections.abc import Callable
from pathlib import Path
from typing import cast

import aiohttp
import pytest

from monitor.adapters.sessions.reader import SessionReader
from monitor.config.fleet_file import RigPlace
from monitor.fleet.rigs.browsers import AllRigs, RigsAsked
from monitor.fleet.rigs.supervisor import Supervisor
from monitor.fleet.rigs.viewer import OverviewPage, RemoteRigs
from monitor.model.stream import Action, ActionKind
from monitor.presentation.format import Units
from monitor.web.hub import HUB_PASS, HUB_PORT, Hub
from tests.support.broker import Mosquitto, sending, until
from tests.support.slow_rigs import fleet_of, swinging
from tests.web.browser import Chromium, Page
from tests.web.served import END_S, PASSWORD, Served, command_line, knocking, of_process

NAMES = ("north", "south")
TOO_SOON = "Just came up"


def row(text: str, name: str) -> str:
    """The row of a rig in the overview, without what marks the chosen one; empty where there is none."""
    return next((line[1:] for line in text.split("\n") if line[1:].startswith(f"{name} ")), "")


async def opened(page: Page, name: str) -> str:
    """Choose a rig in the overview and open its screen; what that shows."""
    await page.focus()
    for key in ("Home", *("ArrowDown" for _ in NAMES)):
        await page.press(key)
        await asyncio.sleep(0.5)
        if f"›{name}" in await page.text():
            break
    await page.press("Enter")
    return await page.until(f"Drive · {name.title()}", "v  overview")


async def test_the_overview_and_each_rigs_own_screen(
    chromium: Chromium, broker: Mosquitto, serve: Callable[..., Served], tmp_path: Path
) -> None:
    served = serve(broker.url, fleet=fleet_of(tmp_path, NAMES))
    async with (
        sending(broker, swinging(NAMES[:1]), 0.2),  # nobody sends for the other rig, and that is an alarm
        chromium.page(served.url, 900, 560) as page,
        chromium.page(served.url, 1280, 800) as other,
    ):
        shown = await page.until("Overview · 2 rigs", "2 of 2 rigs watched", "sensors are silent", "not acknowledged")
        assert "ADVISORY ONLY" in shown.split("\n")[0]
        assert re.search(r"\d+\.\d+", row(shown, "north"))
        assert not re.search(r"\d+\.\d+", row(shown, "south"))
        await other.until("2 of 2 rigs watched")
        assert len(served.viewers) == 2

        await opened(page, "north")
        await page.turn_to("2", "Brakes · North")
        # What is typed at a screen reaches its own rig, and nobody else's.
        await page.press("v")
        await page.until("Overview · 2 rigs")
        await opened(page, "south")
        await page.turn_to("3", "Alarms · South", "sensors are silent")
        await page.press("w")
        await page.until("Your initials")
        await page.press("x", "y", "Enter")
        await page.until("Initials: XY")
        text = ""
        while "\n  acknowledged " not in text:
            await page.until_not(TOO_SOON)
            await page.press("a")
            text = await page.until_any("\n  acknowledged ", TOO_SOON)
        await page.press("v")
        await page.until("Overview · 2 rigs")

        await until(lambda: acts(served, "south") != [], "the record of it")
        # A rig whose process dies is said in every browser; the other one goes on.
        (south,) = (pid for pid in processes_below(served) if "south" in open_files(pid))
        os.kill(south, signal.SIGKILL)
        for one in (page, other):
            assert re.search(r"\d+\.\d+", row(await one.until("NOT WATCHED", "killed (SIGKILL)"), "north"))
        await page.until("2 of 2 rigs watched")

        for address in page.requested:
            assert re.match(rf"(http|ws)://127\.0\.0\.1:{served.port}/", address), address
        assert page.complaints == []
        served.end(signal.SIGTERM)
        await page.until_true("document.getElementById('notice').innerText.includes('was stopped')")
    assert acts(served, "north") == []
    assert {(act.kind, act.who) for act in acts(served, "south")} == {(ActionKind.ACKNOWLEDGE, "XY")}
    assert broker.published_by("stopmark-.*") == []
    assert broker.wills() == []


def acts(served: Served, name: str) -> list[Action]:
    """What crews did at a rig, by its record."""
    found: list[Action] = []
    for session in sorted((served.data / name).glob("*.stopmark")):
        with SessionReader(session) as reader:
            found += [item for item in reader.inputs() if isinstance(item, Action)]
    return found


def processes_below(served: Served) -> list[int]:
    """Numbers of all processes below the monitor's."""
    found, waiting = [], [served.process.pid]
    while waiting:
        pid = waiting.pop()
        threads = [path.name for path in Path(f"/proc/{pid}/task").glob("*")]
        children = [int(child) for thread in threads for child in of_process(pid, f"task/{thread}/children").split()]
        found += children
        waiting += children
    return found


def open_files(pid: int) -> str:
    """Names of the files that it has open."""
    try:
        return " ".join(os.readlink(entry) for entry in Path(f"/proc/{pid}/fd").iterdir())
    except OSError:
        return ""


async def test_another_address_opens_with_its_token_only(
    serve: Callable[..., Served], nowhere: str, tmp_path: Path
) -> None:
    served = serve(nowhere, "--bind", "0.0.0.0", fleet=fleet_of(tmp_path, NAMES))
    token = served.url.partition("?token=")[2]
    base = f"http://127.0.0.1:{served.port}"
    async with knocking(cookie_jar=aiohttp.CookieJar(unsafe=True)) as web:
        for path in ("/", "/ws", f"/?token={token[:-1]}"):
            async with web.get(base + path, headers={"Origin": base}) as answer:
                assert answer.status == 403, path
        async with web.get(f"{base}/?token={token}") as answer:
            assert answer.status == 200
        with pytest.raises(aiohttp.WSServerHandshakeError):
            await web.ws_connect(f"{base}/ws", origin="http://elsewhere.example")
        async with web.ws_connect(f"{base}/ws", origin=base) as websocket:
            assert await websocket.receive_bytes(timeout=END_S)
            (viewer,) = served.viewers
            assert token not in command_line(viewer)
            assert PASSWORD not in of_process(viewer, "environ")
    assert served.end(signal.SIGTERM) == 0


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGKILL])
async def test_neither_viewer_nor_rig_outlives_the_server(
    number: int, serve: Callable[..., Served], nowhere: str, tmp_path: Path
) -> None:
    served = serve(nowhere, fleet=fleet_of(tmp_path, NAMES))
    base = f"http://127.0.0.1:{served.port}"
    async with knocking() as web, web.ws_connect(f"{base}/ws", origin=base) as websocket:
        assert await websocket.receive_bytes(timeout=END_S)
        await until(lambda: all((served.data / name).exists() for name in NAMES), "both records")
        below = processes_below(served)
        assert len(served.viewers) == 1
        await asyncio.to_thread(served.end, number)
        await until(lambda: not any(command_line(pid) for pid in below), "the end of all", END_S)


# --- hub and viewer -------------------------------------------------------------------------------------------------------


async def test_a_viewer_is_told_of_rigs_and_gets_nothing_else() -> None:
    supervisor = Supervisor([RigPlace("land")], ["land"], lambda wire, rig, place: None)
    supervisor.rigs[0].problem = "its process was killed"
    async with Hub(AllRigs(supervisor, "LIVE", "field"), 0.05) as hub:
        way = hub.invitation()
        reader, writer = await asyncio.open_connection("127.0.0.1", int(way[HUB_PORT]))
        writer.write(way[HUB_PASS].encode() + b"\n")
        assert b'"field"' in await reader.readline()
        rigs = RemoteRigs(reader, writer)
        listening = asyncio.create_task(rigs.run())
        await rigs.known.wait()
        (told,) = rigs.shown()
        assert (told.name, told.again) == ("land", True)
        assert "its process was killed" in told.problem
        with pytest.raises(Exception, match="land is not watched now"):
            await rigs.open("land")
        rigs.again("land")
        await until(supervisor.rigs[0].retry.is_set, "the word to start it again")
        writer.write(RigsAsked(open="x" * 200).line() + b'{"act": {"kind": "note"}}\n')
        await until(lambda: hub.viewers == 0, "the end of the connection")
        await listening


async def test_a_page_tells_that_leaving_ends_a_view_only() -> None:
    rigs = RemoteRigs(asyncio.StreamReader(), cast(asyncio.StreamWriter, None))
    app = OverviewPage(rigs, "LIVE", Units("si"), sound=False)
    app.fresh = lambda: True
    async with app.run_test(size=(100, 30)) as pilot:
        await pilot.press("q")
        assert "goes on watching" in app.message
        await pilot.press("question_mark")
        lines = str(app.screen.query_one("Static").render()).splitlines()
        assert any(line.startswith("  q         close this view") for line in lines)
        assert max(map(len, lines)) <= 76
