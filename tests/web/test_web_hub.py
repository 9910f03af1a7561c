"""Hub and viewers of the browser's screen: what crosses between them, who is let in, and how it ends."""

import asyncio
import os
import subprocess
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from types import MappingProxyType

import aiohttp
import pytest
from aiohttp import web

from monitor.adapters.ledger.ledger import Entry
from monitor.model.stream import Action, ActionKind, Request
from monitor.runtime.facts import LedgerState, RecordingFile, Replayed, RunFacts
from monitor.web import LOOPBACK, server
from monitor.web.gate import Gate
from monitor.web.hub import BACKLOG_BYTES, HUB_PASS, HUB_PORT, Hub, OneRig
from monitor.web.viewer import GONE, HubGone, RemoteDriver, join
from monitor.web.wire import ActionRequest, read_update, update_line
from tests.commands.test_commands import ROOT
from tests.support.broker import until
from tests.ui import sample
from tests.ui.drivers import FakeDriver

END_S = 60.0


async def test_one_browser_too_many_is_told_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server, "MAX_VIEWERS", 1)
    async with Hub(OneRig(FakeDriver(sample.calm()))) as hub:
        served = server.WebServer(hub, Gate(LOOPBACK))
        runner = web.AppRunner(await served._make_app())
        await runner.setup()
        try:
            site = web.TCPSite(runner, LOOPBACK, 0)
            await site.start()
            base = f"http://{LOOPBACK}:{runner.addresses[0][1]}"
            async with aiohttp.ClientSession() as browser, browser.ws_connect(f"{base}/ws", origin=base) as first:
                assert await first.receive_bytes(timeout=END_S)
                async with browser.ws_connect(f"{base}/ws", origin=base) as second:
                    reported = await second.receive(timeout=END_S)
                    assert reported.type == aiohttp.WSMsgType.CLOSE
                    assert reported.extra
                    assert "close one" in reported.extra
                await served.close()
                while (reported := await first.receive(timeout=END_S)).type == aiohttp.WSMsgType.BINARY:
                    pass
                assert reported.extra == "The monitor was stopped."
        finally:
            await served.close()
            await runner.cleanup()


async def test_a_viewer_whose_hub_goes_away_says_so_and_ends() -> None:
    async with Hub(OneRig(FakeDriver(sample.calm()))) as hub:
        viewer = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "monitor.web.viewer", stdin=subprocess.PIPE, stdout=subprocess.PIPE,
            stderr=subprocess.PIPE, cwd=ROOT,
            env=os.environ | hub.invitation() | {"TEXTUAL_DRIVER": "textual.drivers.web_driver:WebDriver"},
        )  # fmt: skip
        assert viewer.stdout is not None
        await asyncio.wait_for(viewer.stdout.readuntil(b"__GANGLION__\n"), 60)
        assert hub.viewers == 1
    _, err = await asyncio.wait_for(viewer.communicate(), END_S)
    assert GONE in err.decode()
    assert b"Traceback" not in err
    assert viewer.returncode == 1


def test_a_viewer_without_a_monitor_says_how_it_is_started() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "monitor.web.viewer"], capture_output=True, text=True, cwd=ROOT, timeout=60
    )
    assert done.returncode == 2
    assert "watch --web" in done.stderr


# --- hub and wire ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", sample.SAMPLES)
def test_a_snapshot_crosses_the_wire_to_the_last_bit(name: str) -> None:
    snap = sample.SAMPLES[name]()
    cut = Entry(3, 5, 6, "line-cut", "ab", "worn", MappingProxyType({"turns": 12.0}))
    facts = RunFacts(
        "mqtt://rig:1883", 14, "went on", (cut,), LedgerState("a.ledger", "", 1, 2),
        recording=RecordingFile("a.stopmark", 1_000_000, "/srv", None),
        replayed=Replayed("b.stopmark", 1, "live", 4, "rules.toml"),
    )  # fmt: skip
    back = read_update(update_line(snap, facts))
    assert repr(back.snapshot) == repr(snap)
    assert back.facts == facts
    assert back.snapshot is not None
    with pytest.raises(TypeError):
        back.snapshot.values["height"] = snap.value("speed")  # type: ignore[index]


@asynccontextmanager
async def joined(hub: Hub) -> AsyncIterator[RemoteDriver]:
    invitation = hub.invitation()
    remote = await join(int(invitation[HUB_PORT]), invitation[HUB_PASS])
    listening = asyncio.create_task(remote.run())
    try:
        yield remote
    finally:
        listening.cancel()
        await asyncio.gather(listening, return_exceptions=True)


async def test_viewers_see_the_same_and_what_one_does_arrives_once() -> None:
    driver = FakeDriver(sample.warning())
    async with Hub(OneRig(driver)) as hub, joined(hub) as one, joined(hub) as other:
        assert one.rig == driver.rig
        await until(lambda: one.fresh and other.fresh, "the first update")
        assert one.snapshot() == other.snapshot()
        one.act(Request(ActionKind.SHELVE, "brake-now-down", 600.0, "late crew", "AB"))
        await until(lambda: bool(driver.acts), "the action")
        acknowledged = replace(sample.warning(), t_ns=sample.T0_NS + 1, alarms=())
        driver.held = acknowledged
        await until(lambda: repr(other.snapshot()) == repr(acknowledged), "the update")
    assert driver.acts == [Action(0, ActionKind.SHELVE, "brake-now-down", 600.0, "late crew", "AB")]


async def test_initials_are_taken_as_they_are_typed() -> None:
    driver = FakeDriver(sample.warning())
    async with Hub(OneRig(driver)) as hub, joined(hub) as one, joined(hub) as other:
        for place, viewer in enumerate((one, other), 1):
            viewer.act(Request(ActionKind.ACKNOWLEDGE, "brake-now-down", None, "", "AB"))
            await until(lambda place=place: len(driver.acts) == place, "the action")  # type: ignore[misc]
    assert [action.who for action in driver.acts] == ["AB", "AB"]


async def test_a_pass_is_good_once_and_a_wrong_one_never() -> None:
    async with Hub(OneRig(FakeDriver(sample.calm()))) as hub, joined(hub):
        invitation = hub.invitation()
        port = int(invitation[HUB_PORT])
        with pytest.raises(HubGone):
            await join(port, "guessed")
        with pytest.raises(HubGone):
            await join(port, "")
        await join(port, invitation[HUB_PASS])
        with pytest.raises(HubGone):
            await join(port, invitation[HUB_PASS])
        late = hub.invitation()
        hub.withdraw(late)
        with pytest.raises(HubGone):
            await join(port, late[HUB_PASS])


@pytest.mark.parametrize(
    "line",
    [b"{}\n", b"\xff\xfe\n", b'{"kind": "start the pumps"}\n', b'{"kind": "note", "number": NaN}\n', b"x" * 20_000 + b"\n",
     b'{"kind": "note", "who": "ABCDEFGHIJKLMNOP"}\n', b'{"kind": "note", "t_ns": 5}\n'],
)  # fmt: skip
async def test_what_is_no_action_is_hung_up_on(line: bytes) -> None:
    driver = FakeDriver(sample.calm())
    async with Hub(OneRig(driver)) as hub:
        invitation = hub.invitation()
        reader, writer = await asyncio.open_connection("127.0.0.1", int(invitation[HUB_PORT]), limit=1 << 20)
        writer.write(invitation[HUB_PASS].encode() + b"\n")
        assert await reader.readline()
        writer.write(line)
        await until(lambda: hub.viewers == 0, "the end of the connection")
        writer.close()
    assert driver.acts == []


async def test_a_viewer_that_does_not_read_never_piles_up_in_the_monitor() -> None:
    async with Hub(OneRig(FakeDriver(sample.flood()))) as hub:
        invitation = hub.invitation()
        _, deaf = await asyncio.open_connection("127.0.0.1", int(invitation[HUB_PORT]), limit=64)
        deaf.write(invitation[HUB_PASS].encode() + b"\n")
        await until(lambda: hub.viewers == 1, "the viewer")
        line = len(update_line(sample.flood(), RunFacts()))
        for _ in range(2000):  # 40 MB, were all of it sent
            hub._send()
        (waiting,) = [writer.transport.get_write_buffer_size() for writer in hub._viewers]
        assert BACKLOG_BYTES <= waiting <= BACKLOG_BYTES + line
        deaf.close()


def test_a_request_holds_no_more_than_an_action() -> None:
    request = ActionRequest(kind=ActionKind.NOTE, text="mud pump two is down", who="AB")
    assert ActionRequest.model_validate_json(request.line()) == request
