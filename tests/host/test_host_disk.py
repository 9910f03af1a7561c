"""Faults of the disk: each is announced, watching goes on, and what was recorded is safe.

A folder that goes away and a disk that stays full are in `tests/adapters/sessions/test_recorder.py`.
"""

import asyncio
import ctypes
import json
import os
import resource
import sqlite3
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any, ClassVar

import pytest

from monitor.adapters.sessions import recorder as recorder_module
from monitor.adapters.sessions.folder import LOCK, DataFolder, FolderError
from monitor.adapters.sessions.format import open_for_writing
from monitor.adapters.sessions.reader import SessionReader
from monitor.adapters.sessions.recorder import Recorder
from monitor.model.stream import HEALTH_TOPIC, Frame
from tests.adapters.sessions.streams import HEADER, rig_stream
from tests.host.host import DEADLINE_S, NO_BROKER, live, recorded, running
from tests.runtime.test_service import Manager, Recording, figures
from tests.support.broker import Mosquitto, free_port, until, wait_until

CAPABILITY_DROP, OVERRIDE_RIGHTS, SEARCH_ANYWHERE = 24, 1, 2


def bound_by_rights() -> None:
    """In a child, before it starts: let the rights of files hold for the administrator as well."""
    if os.geteuid() == 0:
        libc = ctypes.CDLL(None, use_errno=True)
        for capability in (OVERRIDE_RIGHTS, SEARCH_ANYWHERE):
            if libc.prctl(CAPABILITY_DROP, capability, 0, 0, 0) != 0:
                raise OSError(ctypes.get_errno(), "a capability cannot be dropped")


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[Manager]:
    made = Manager(tmp_path)
    yield made
    made.close()


def goes_on(manager: Manager) -> None:
    """Wait for two more signs of life: half a second between them, in which the stream is told how the recorder fares."""
    heard = manager.heard("WATCHDOG=1")
    wait_until(lambda: manager.heard("WATCHDOG=1") >= heard + 2, "signs of life", DEADLINE_S)


def test_a_folder_that_is_read_only_at_the_start_is_told_and_recorded_into_later(
    broker: Mosquitto, manager: Manager, tmp_path: Path
) -> None:
    (tmp_path / "data").mkdir(mode=0o555)
    service = Recording(tmp_path, broker.url, before=bound_by_rights, NOTIFY_SOCKET=str(manager.path))
    try:
        wait_until(lambda: "NOT RECORDING: no permission" in manager.status(), "the trouble", DEADLINE_S)
        wait_until(lambda: manager.heard("READY=1") == 1, "readiness", DEADLINE_S)
        wait_until(lambda: service.logged("Nothing is being recorded"), "the alarm", DEADLINE_S)
        assert list(service.data.iterdir()) == []
        service.data.chmod(0o755)
        wait_until(lambda: "; recording;" in manager.status(), "recording begins by itself", DEADLINE_S)
        goes_on(manager)
        assert (service.data / LOCK).exists()
        with pytest.raises(FolderError, match="another monitor is recording here"):
            DataFolder(service.data)
        service.end()
    finally:
        service.kill()
    started = next(line for line in service.lines() if line["message"] == "started")
    assert started["fields"]["folder"] == str(service.data)
    healths = [json.loads(frame.payload) for frame in recorded(service.data) if frame.topic == HEALTH_TOPIC]
    assert healths[0]["recording"] == "failed"  # from the very first input on
    assert healths[-1]["recording"] == "on"


def test_a_full_disk_is_told_and_recording_goes_on_when_there_is_room(
    broker: Mosquitto, manager: Manager, tmp_path: Path
) -> None:
    """Session and log lie on the same disk: neither may end the watch, and what was not logged is counted."""
    port = free_port()
    service = Recording(tmp_path, broker.url, "--metrics", str(port), NOTIFY_SOCKET=str(manager.path))
    pid = service.process.pid
    try:
        wait_until(lambda: "connected; recording;" in manager.status(), "the start", DEADLINE_S)
        soft, hard = resource.prlimit(pid, resource.RLIMIT_FSIZE)
        # The system refuses whatever would make any file longer than this: for who writes, a disk without room.
        resource.prlimit(pid, resource.RLIMIT_FSIZE, (100, hard))
        wait_until(lambda: "NOT RECORDING" in manager.status(), "the trouble", DEADLINE_S)
        alive = manager.heard("WATCHDOG=1")
        reported = figures(port)
        assert (reported["stopmark_recorder_failed"], reported["stopmark_recording"], reported["stopmark_up"]) == (
            1.0,
            0.0,
            1.0,
        )
        wait_until(lambda: figures(port)["stopmark_log_lines_lost_total"] > 0, "a line that was not logged", DEADLINE_S)
        resource.prlimit(pid, resource.RLIMIT_FSIZE, (soft, hard))
        wait_until(lambda: "; recording;" in manager.status(), "recording again", DEADLINE_S)
        assert manager.heard("WATCHDOG=1") > alive
        goes_on(manager)
        service.end()
    finally:
        service.kill()
    assert service.logged("lines of this log could not be written")
    assert service.logged("recording goes on in")
    healths = [json.loads(frame.payload) for frame in recorded(service.data) if frame.topic == HEALTH_TOPIC]
    states = [health["recording"] for health in healths]
    assert states[0] == states[-1] == "on"
    assert "failed" in states  # what happened meanwhile was kept in memory, and is all there


def test_a_second_recorder_in_one_folder_ends_with_a_mistake_that_is_not_tried_again(tmp_path: Path) -> None:
    with DataFolder(tmp_path / "data"):
        service = Recording(tmp_path, NO_BROKER)
        _, err = service.process.communicate(timeout=DEADLINE_S)
    assert service.process.returncode == 2  # RestartPreventExitStatus of the sample unit
    assert f"another monitor is recording here (process {os.getpid()} on" in err


def test_a_disk_that_becomes_read_only_is_told_and_nothing_is_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recorder_module, "RETRY_S", 0.05)
    monkeypatch.setattr(recorder_module, "PERIOD_S", 0.05)
    read_only = threading.Event()

    def opened(*words: Any) -> sqlite3.Connection:
        base = open_for_writing(*words)
        base.execute(f"PRAGMA query_only={int(read_only.is_set())}")
        return base

    monkeypatch.setattr(recorder_module, "open_for_writing", opened)
    path = tmp_path / "a.stopmark"
    frames = list(rig_stream(3.0))
    third = len(frames) // 3
    with Recorder(path, HEADER) as recorder:
        for frame in frames[:third]:
            recorder.frame(frame)
        assert recorder.flush()
        read_only.set()
        assert recorder._base is not None
        recorder._base.execute("PRAGMA query_only=1")
        for frame in frames[third : 2 * third]:
            recorder.frame(frame)
        wait_until(lambda: recorder.state == "failed", "the failure")
        assert recorder.problem.startswith("no permission to write in")
        for frame in frames[2 * third :]:
            recorder.frame(frame)
        read_only.clear()
        wait_until(lambda: recorder.state == "on", "recording goes on")
    assert recorder.lost == 0
    assert recorded(tmp_path) == frames


class SlowDisk(sqlite3.Connection):
    """A disk whose fsync takes half a second, while `slow` is set; who waited for it is noted."""

    slow = threading.Event()
    waited: ClassVar[set[int]] = set()

    def execute(self, statement: str, *words: Any) -> sqlite3.Cursor:
        if statement == "COMMIT" and self.slow.is_set():
            self.waited.add(threading.get_ident())
            threading.Event().wait(0.5)
        return super().execute(statement, *words)


async def test_a_slow_disk_is_told_and_does_not_slow_the_watch(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    connect = sqlite3.connect
    monkeypatch.setattr(sqlite3, "connect", lambda *words, **more: connect(*words, factory=SlowDisk, **more))
    path = tmp_path / "a.stopmark"
    driver = None
    given = 0
    with Recorder(path, HEADER) as recorder:
        driver = live(recorder)
        async with running(driver):
            await until(lambda: driver.core.now_ns > 0, "the start")
            SlowDisk.slow.set()
            try:
                await until(lambda: "the disk is slow" in driver.runner.note, "the word", DEADLINE_S)
                assert recorder.state == "on"
                before_ns = driver.core.now_ns
                for _ in range(40):
                    driver.runner.message(Frame(driver.clock.now_ns(), "rig/land/hoist/drum", b"1"))
                    given += 1
                    await asyncio.sleep(0.02)
                await until(lambda: driver.core.now_ns - before_ns > 500_000_000, "the watch goes on")
                assert SlowDisk.waited
                assert threading.get_ident() not in SlowDisk.waited  # the loop never waits for the disk
            finally:
                SlowDisk.slow.clear()
            await until(lambda: "quick enough" in driver.runner.note, "its end", DEADLINE_S)
    assert any("the disk is slow" in record.message for record in caplog.records)
    with SessionReader(path) as reader:
        notes = [note.text for note in reader.notes() if note.kind == "disk"]
    assert "the disk is slow" in notes[0]
    assert any("quick enough" in note for note in notes)
    assert sum(frame.topic == "rig/land/hoist/drum" for frame in recorded(tmp_path)) == given


def test_a_disk_that_hangs_is_told_before_it_answers(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recorder_module, "STUCK_S", 0.3)
    asked, answer = threading.Event(), threading.Event()
    with Recorder(tmp_path / "a.stopmark", HEADER) as recorder:
        commit = recorder._commit

        def hanging() -> None:
            asked.set()
            assert answer.wait(DEADLINE_S)
            commit()

        monkeypatch.setattr(recorder, "_commit", hanging)
        for frame in rig_stream(1.0):
            recorder.frame(frame)
        assert asked.wait(DEADLINE_S)
        wait_until(lambda: recorder.slow, "the word")
        assert recorder.waiting_bytes > 1000
        answer.set()
        wait_until(lambda: not recorder.slow, "its end")
    assert len(recorded(tmp_path)) == len(list(rig_stream(1.0)))
