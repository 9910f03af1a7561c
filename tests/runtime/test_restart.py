"""A monitor that ends, well or badly, and is started again: the second run goes on where the first one was."""

import asyncio
import json
import shutil
from contextlib import AbstractAsyncContextManager, AbstractContextManager
from pathlib import Path

import pytest

from monitor.adapters.host.clock import StreamClock
from monitor.adapters.mqtt.address import parse_broker_url
from monitor.adapters.sessions.chain import SessionChain
from monitor.adapters.sessions.folder import session_files
from monitor.adapters.sessions.reader import SessionReader
from monitor.adapters.sessions.segments import SegmentedRecorder
from monitor.commands.common.live_run import live_driver
from monitor.config.rig_file import find_rig
from monitor.model.alarm import AlarmState
from monitor.model.snapshot import Snapshot
from monitor.model.stream import CARRIED_TOPIC, ActionKind, Frame, Request
from monitor.runtime.live import LiveDriver
from monitor.runtime.replay import ReplayDriver
from monitor.runtime.restart import state_of_last_run
from tests.commands.test_commands import DEADLINE_S, own_rig
from tests.runtime.test_ledger_live import words
from tests.support.broker import Mosquitto, sending, until

FT_M = 0.3048


def hanging(broker: Mosquitto, height_ft: float) -> AbstractAsyncContextManager[None]:
    """The block of the hand-written rig hangs still under load."""
    height = json.dumps({"data": [{"reading": height_ft}]})
    return sending(broker, lambda _: [("wellsite/block/ft", height), ("weight", "120.0")])


async def height_near(driver: LiveDriver, height_m: float, within_m: float) -> None:
    """Wait for a second of stream in which the height is that, at every look; a machine that stalls may make it wait."""
    since_ns = 0

    def near() -> bool:
        nonlocal since_ns
        now_ns = driver.core.now_ns
        if not abs(height(driver.snapshot()) - height_m) < within_m:
            since_ns = 0
        elif not since_ns:
            since_ns = now_ns
        return 0 < since_ns <= now_ns - 1_000_000_000

    await until(near, f"a height of {height_m} m")


def driver_for(rig: Path, broker: Mosquitto, data: Path) -> AbstractContextManager[LiveDriver]:
    args = words("--rig", str(rig), "--broker", broker.url, "--data", str(data))
    return live_driver(args, find_rig(str(rig)), parse_broker_url(broker.url, {}), StreamClock.live(), "LIVE", ())


def shelved(snapshot: Snapshot | None) -> dict[str, int | None]:
    assert snapshot is not None
    return {view.key: view.shelved_until_ns for view in snapshot.alarms if view.state is AlarmState.SHELVED}


def height(snapshot: Snapshot | None) -> float:
    assert snapshot is not None
    return snapshot.values["height"].number


@pytest.mark.parametrize("killed", [False, True])
async def test_a_second_run_goes_on_where_the_first_one_was(broker: Mosquitto, tmp_path: Path, killed: bool) -> None:
    rig, data, after = own_rig(tmp_path), tmp_path / "data", tmp_path / "after"
    with driver_for(rig, broker, data) as driver:
        running = asyncio.create_task(driver.run())
        await until(lambda: driver.runner.connected is True, "the connection")
        async with hanging(broker, 60.0):
            await height_near(driver, 60.0 * FT_M, 0.1)
            driver.act(Request(ActionKind.REFERENCE_HEIGHT, number=15.0, who="ab"))
            await height_near(driver, 15.0, 0.1)
            driver.act(Request(ActionKind.SHELVE, "slack-line", number=600.0, who="ab"))
            before_m, set_aside = height(driver.snapshot()), shelved(driver.snapshot())
            assert [*set_aside] == ["slack-line"]
            if killed:
                # What a kill leaves: the files as they are on the disk now, the log of the database beside them.
                assert driver.recorder is not None
                assert driver.recorder.flush(DEADLINE_S)
                shutil.copytree(data, after, ignore=shutil.ignore_patterns("*.lock"))
            driver.stop()
            await running
    if not killed:
        shutil.copytree(data, after, ignore=shutil.ignore_patterns("*.lock"))
    await asyncio.sleep(1.1)  # sessions are named by the second
    with driver_for(rig, broker, after) as driver:
        running = asyncio.create_task(driver.run())
        await until(lambda: driver.runner.connected is True, "the connection")
        async with hanging(broker, 60.0):
            await height_near(driver, before_m, 0.02)
            assert shelved(driver.snapshot()) == set_aside
            driver.stop()
            await running
    files = list(session_files(after))
    assert len(files) == 2
    with SessionReader(files[1]) as second:
        first_input = next(iter(second.inputs()))
        assert isinstance(first_input, Frame)
        assert first_input.topic == CARRIED_TOPIC
        assert [f.after for f in second.findings() if f.key == "carried"] == ["carried"]
    with SessionChain(files) as chain:
        heard: list[object] = []
        ReplayDriver(chain, float("inf"), (heard.append,)).play_out()
        assert heard == chain.findings()


async def test_a_first_run_says_nothing_of_one_before(broker: Mosquitto, tmp_path: Path) -> None:
    rig, data = own_rig(tmp_path), tmp_path / "data"
    with driver_for(rig, broker, data) as driver:
        running = asyncio.create_task(driver.run())
        await until(lambda: driver.runner.connected is True, "the connection")
        driver.stop()
        await running
    (path,) = session_files(data)
    with SessionReader(path) as session:
        assert [f for f in session.findings() if f.key == "carried"] == []


def test_what_cannot_be_read_is_passed_over(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    assert state_of_last_run(tmp_path, "land") == {}
    (tmp_path / "land-20260101-000000.stopmark").write_bytes(b"no session at all")
    assert state_of_last_run(tmp_path, "land") == {}
    assert "what it left cannot be used" in caplog.text


def test_the_session_being_recorded_is_not_taken_for_the_run_before(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """On a full disk it is an empty file: nothing to complain about."""
    own = tmp_path / "land-20260101-000000.stopmark"
    own.write_bytes(b"")
    assert state_of_last_run(tmp_path, "land", except_for=own) == {}
    assert caplog.text == ""


def test_a_file_that_may_not_be_looked_at_is_passed_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / "land-20260101-000000.stopmark").write_bytes(b"")

    def refuse(_path: Path) -> SessionReader:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("monitor.runtime.restart.SessionReader", refuse)
    assert state_of_last_run(tmp_path, "land") == {}
    assert "Permission denied" in caplog.text


async def test_a_full_disk_at_the_start_does_not_cost_what_the_run_before_left(
    broker: Mosquitto, tmp_path: Path
) -> None:
    """Old sessions make room, but not the one that a restart goes on from."""
    rig, data = own_rig(tmp_path), tmp_path / "data"
    for retention in ([], ["--keep-free", "900TB"]):
        args = words("--rig", str(rig), "--broker", broker.url, "--data", str(data), *retention)
        url = parse_broker_url(broker.url, {})
        with live_driver(args, find_rig(str(rig)), url, StreamClock.live(), "LIVE", ()) as driver:
            assert isinstance(driver.recorder, SegmentedRecorder)
            assert driver.recorder._pruning is not None
            driver.recorder._pruning.join()  # it has made what room it can
            running = asyncio.create_task(driver.run())
            await until(lambda: driver.runner.connected is True, "the connection")
            driver.stop()
            await running
    _, second = session_files(data)
    with SessionReader(second) as session:
        assert [f.after for f in session.findings() if f.key == "carried"] == ["carried"]
        assert [note.text for note in session.notes() if note.kind == "removal"] == []


async def test_after_the_clock_was_set_back_a_restart_goes_on_from_the_run_before(
    broker: Mosquitto, tmp_path: Path
) -> None:
    """Not from the one with the latest name, which was made an hour ahead."""
    rig, data = own_rig(tmp_path), tmp_path / "data"
    carried: list[dict[str, int | None]] = []
    ahead = StreamClock(StreamClock.live().now_ns() + 3_600_000_000_000)
    for clock in (ahead, StreamClock.live(), StreamClock.live()):
        args = words("--rig", str(rig), "--broker", broker.url, "--data", str(data))
        with live_driver(args, find_rig(str(rig)), parse_broker_url(broker.url, {}), clock, "LIVE", ()) as driver:
            running = asyncio.create_task(driver.run())
            await until(lambda: driver.runner.connected is True, "the connection")
            carried.append(shelved(driver.snapshot()))
            if len(carried) == 2:
                driver.act(Request(ActionKind.SHELVE, "slack-line", number=600.0, who="ab"))
            driver.stop()
            await running
    assert [[*each] for each in carried] == [[], [], ["slack-line"]]
