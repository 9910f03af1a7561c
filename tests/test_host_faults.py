"""Faults of the machine the monitor runs on: each is announced, watching goes on, and what was recorded is safe.

A full disk, a folder that goes away and two monitors in one folder are in `tests/adapters`.
"""

import asyncio
import contextlib
import ctypes
import fcntl
import json
import logging
import os
import pty
import resource
import select
import signal
import sqlite3
import struct
import subprocess
import sys
import termios
import threading
import time
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from monitor.adapters import recorder as recorder_module
from monitor.adapters.address import parse_broker_url
from monitor.adapters.clock import StreamClock
from monitor.adapters.folder import LOCK, DataFolder, FolderError
from monitor.adapters.logs import JsonLines
from monitor.adapters.output import MOST_WAITING, LineWriter
from monitor.adapters.recorder import Recorder
from monitor.adapters.replay import SessionReader
from monitor.adapters.session import open_for_writing
from monitor.config import find_rig
from monitor.configfile import read_text
from monitor.core.rules import default_rules_path
from monitor.core.types import HEALTH_TOPIC, Frame
from monitor.live import LiveDriver
from monitor.ui.format import clock as clock_words
from tests.adapters.streams import HEADER, rig_stream
from tests.broker import Mosquitto, until, wait_until
from tests.test_commands import ROOT
from tests.test_service import Manager, Recording

DEADLINE_S = 60.0
NO_BROKER = "mqtt://127.0.0.1:1"


def watching(data: Path, *more: str, **options: Any) -> "subprocess.Popen[str]":
    return subprocess.Popen(
        [sys.executable, "-m", "monitor.cli", "watch", "--rig", "land", "--broker", NO_BROKER, "--data", str(data), *more],
        text=True, cwd=ROOT, **options,
    )  # fmt: skip


def recorded(data: Path) -> list[Frame]:
    """All frames of a folder's sessions, oldest first; each file must be whole and stand alone."""
    found: list[Frame] = []
    for session in sorted(data.glob("*.stopmark")):
        assert not session.with_name(session.name + "-wal").exists()
        with contextlib.closing(sqlite3.connect(session)) as base:
            assert base.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        with SessionReader(session) as reader:
            found += [item for item in reader.inputs() if isinstance(item, Frame)]
    return found


# --- the disk -----------------------------------------------------------------------------------------------------------

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


def test_a_folder_that_is_read_only_at_the_start_is_told_and_recorded_into_later(
    broker: Mosquitto, manager: Manager, tmp_path: Path
) -> None:
    (tmp_path / "data").mkdir(mode=0o555)
    service = Recording(tmp_path, broker.url, before=bound_by_rights, NOTIFY_SOCKET=str(manager.path))
    try:
        wait_until(lambda: "NOT RECORDING: no permission" in manager.status(), "the trouble", DEADLINE_S)
        assert manager.heard("READY=1") == 1
        wait_until(lambda: service.logged("Nothing is being recorded"), "the alarm", DEADLINE_S)
        assert list(service.data.iterdir()) == []
        service.data.chmod(0o755)
        wait_until(lambda: "; recording;" in manager.status(), "recording begins by itself", DEADLINE_S)
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
    service = Recording(tmp_path, broker.url, "--metrics", "0", NOTIFY_SOCKET=str(manager.path))
    pid = service.process.pid
    try:
        wait_until(lambda: "connected; recording;" in manager.status(), "the start", DEADLINE_S)
        soft, hard = resource.prlimit(pid, resource.RLIMIT_FSIZE)
        # The system refuses whatever would make any file longer than this: for who writes, a disk without room.
        resource.prlimit(pid, resource.RLIMIT_FSIZE, (100, hard))
        wait_until(lambda: "NOT RECORDING" in manager.status(), "the trouble", DEADLINE_S)
        alive = manager.heard("WATCHDOG=1")
        wait_until(lambda: "CAUTION: Nothing is being recorded" in manager.status(), "the alarm", DEADLINE_S)
        resource.prlimit(pid, resource.RLIMIT_FSIZE, (soft, hard))
        wait_until(lambda: "; recording;" in manager.status(), "recording again", DEADLINE_S)
        assert manager.heard("WATCHDOG=1") > alive
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
    """A disk whose fsync takes half a second, while `slow` is set."""

    slow = threading.Event()

    def execute(self, statement: str, *words: Any) -> sqlite3.Cursor:
        if statement == "COMMIT" and self.slow.is_set():
            threading.Event().wait(0.5)
        return super().execute(statement, *words)


@asynccontextmanager
async def running(driver: LiveDriver) -> AsyncIterator["asyncio.Task[None]"]:
    task = asyncio.create_task(driver.run())
    try:
        yield task
    finally:
        driver.stop()
        await task


def live(recorder: Recorder | None = None) -> LiveDriver:
    rules = default_rules_path()
    clock = StreamClock.live()
    return LiveDriver(
        find_rig("land"), read_text(Path(rules)), str(rules), parse_broker_url(NO_BROKER, {}), clock, "LIVE", recorder
    )


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
            driver.runner.take_worst_lag_s()
            SlowDisk.slow.set()
            try:
                await until(lambda: "the disk is slow" in driver.core.snapshot().health.note, "the word", 30.0)
                assert recorder.state == "on"
                before_ns = driver.core.now_ns
                for _ in range(40):
                    driver.runner.message(driver.clock.now_ns(), "rig/land/hoist/drum", b"1", False)
                    given += 1
                    await asyncio.sleep(0.02)
                assert driver.core.now_ns - before_ns > 500_000_000
                assert driver.runner.take_worst_lag_s() < 0.45  # a commit in the loop would be half a second
            finally:
                SlowDisk.slow.clear()
            await until(lambda: "quick enough" in driver.core.snapshot().health.note, "its end", 30.0)
    assert any("the disk is slow" in record.message for record in caplog.records)
    with SessionReader(path) as reader:
        notes = [note.text for note in reader.notes() if note.kind == "disk"]
    assert len(notes) == 2
    assert sum(frame.topic == "rig/land/hoist/drum" for frame in recorded(tmp_path)) == given


def test_a_disk_that_hangs_is_told_before_it_answers(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recorder_module, "STUCK_S", 0.3)
    answer = threading.Event()
    with Recorder(tmp_path / "a.stopmark", HEADER) as recorder:
        commit = recorder._commit
        monkeypatch.setattr(recorder, "_commit", lambda: commit() if answer.wait(DEADLINE_S) else None)
        for frame in rig_stream(1.0):
            recorder.frame(frame)
        wait_until(lambda: recorder.slow, "the word")
        assert recorder.waiting_bytes > 0
        answer.set()
        wait_until(lambda: not recorder.slow, "its end")
    assert len(recorded(tmp_path)) == len(list(rig_stream(1.0)))


# --- the clock ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("step_s", [3600, -3600])
async def test_the_computer_s_clock_is_moved_by_an_hour(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture, step_s: int
) -> None:
    true = time.time_ns
    with Recorder(tmp_path / "a.stopmark", HEADER) as recorder:
        driver = live(recorder)
        async with running(driver):
            await until(lambda: driver.core.now_ns > 0, "the start")
            before_ns, began_s = driver.core.now_ns, time.monotonic()
            with monkeypatch.context() as patch:
                patch.setattr(time, "time_ns", lambda: true() + step_s * 1_000_000_000)
                words = f"clock was moved by {step_s:+.1f} s"
                await until(lambda: words in driver.core.snapshot().health.note, "the word")
            gone_s = (driver.core.now_ns - before_ns) * 1e-9
            assert 0.0 < gone_s <= time.monotonic() - began_s + 0.1
    assert sum(words in record.message for record in caplog.records) == 1
    with SessionReader(tmp_path / "a.stopmark") as reader:
        assert [round(note.number or 0.0) for note in reader.notes() if note.kind == "clock"][:1] == [step_s]
    times = [frame.t_ns for frame in recorded(tmp_path)]
    assert times == sorted(times)
    assert times[-1] - times[0] < DEADLINE_S * 1e9


SUMMER_ENDS_NS = 1_792_890_000_000_000_000
"""25 October 2026, 01:00 UTC: clocks in the middle of Europe go back from 3 to 2."""


@pytest.mark.parametrize("zone", ["UTC", "Europe/Paris", "America/Chicago", "Australia/Lord_Howe"])
def test_summer_time_moves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, zone: str) -> None:
    monkeypatch.setenv("TZ", zone)
    time.tzset()
    try:
        told = [clock_words(SUMMER_ENDS_NS + s * 1_000_000_000, date=True) for s in (-1, 0, 3600)]
        assert told == ["2026-10-25 00:59:59", "2026-10-25 01:00:00", "2026-10-25 02:00:00"]
        with DataFolder(tmp_path) as folder:
            names = [folder.session_path("land", SUMMER_ENDS_NS + s * 1_000_000_000).name for s in (0, 3600)]
        assert names == ["land-20261025-010000.stopmark", "land-20261025-020000.stopmark"]
        record = logging.makeLogRecord({"msg": "x", "created": SUMMER_ENDS_NS / 1e9})
        assert json.loads(JsonLines().format(record))["time"] == "2026-10-25T01:00:00.000+00:00"
    finally:
        monkeypatch.undo()
        time.tzset()


# --- the end ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
def test_a_signal_ends_a_headless_watch_in_order(tmp_path: Path, number: signal.Signals) -> None:
    process = watching(tmp_path, "--headless", stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    try:
        assert process.stdout is not None
        assert json.loads(process.stdout.readline())["key"] == "disconnected"
        process.send_signal(number)
        process.send_signal(number)  # some shells pass a second one on; it must not cut the closing short
        out, err = process.communicate(timeout=DEADLINE_S)
    finally:
        process.kill()
        process.wait()
    assert process.returncode == 0, err
    assert json.loads(out.splitlines()[-1])["summary"] == "live"
    assert "Traceback" not in err
    assert len(recorded(tmp_path)) >= 2


def test_a_terminal_that_closes_ends_the_watch_with_everything_recorded(tmp_path: Path) -> None:
    terminal, inside = pty.openpty()
    fcntl.ioctl(inside, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 120, 0, 0))

    def take_terminal() -> None:
        os.setsid()
        fcntl.ioctl(0, termios.TIOCSCTTY, 0)

    process = watching(
        tmp_path, stdin=inside, stdout=inside, stderr=inside, preexec_fn=take_terminal,
        env=os.environ | {"TERM": "xterm-256color"},
    )  # fmt: skip
    os.close(inside)
    painted = b""
    try:
        end_s = time.monotonic() + DEADLINE_S
        while b"connection" not in painted.lower():
            assert time.monotonic() < end_s, painted[-2000:]
            if select.select([terminal], [], [], 1.0)[0]:
                painted += os.read(terminal, 65536)
        os.close(terminal)
        process.wait(DEADLINE_S)
    finally:
        process.kill()
        process.wait()
    assert process.returncode == 0
    assert len(recorded(tmp_path)) >= 2


# --- standard output ----------------------------------------------------------------------------------------------------


def test_output_that_nobody_reads_holds_nothing_up(tmp_path: Path) -> None:
    out, into = os.pipe()
    try:
        with LineWriter(into) as writer:
            began_s = time.monotonic()
            count = 3 * MOST_WAITING
            for number in range(count):
                writer(f"{number:08d}")
            assert time.monotonic() - began_s < 10.0
            assert writer.dropped > 0
            assert not writer.close(0.05)
            data = b""
            while not data.endswith(f"{count - 1:08d}\n".encode()):
                data += os.read(out, 1 << 16)
            wait_until(writer.close, "the end")
        numbers = [int(line) for line in data.split()]
        assert numbers == sorted(numbers)
        assert len(numbers) + writer.dropped == count
    finally:
        os.close(out)
        os.close(into)


def test_a_reader_that_goes_away_does_not_end_the_recording(tmp_path: Path) -> None:
    process = watching(tmp_path, "--headless", stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    try:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        told = ""
        while "recording goes on" not in told:
            told = process.stderr.readline()
            assert told, "it ended"
        process.send_signal(signal.SIGTERM)
        process.stdout = None
        _, rest = process.communicate(timeout=DEADLINE_S)
    finally:
        process.kill()
        process.wait()
    assert process.returncode == 0
    assert "Traceback" not in rest
    assert len(recorded(tmp_path)) >= 2


@pytest.mark.parametrize("words", [["--no-record"], ["--no-record", "--for", "2"]])
def test_with_nothing_to_record_it_ends_when_nobody_reads(tmp_path: Path, words: list[str]) -> None:
    process = watching(tmp_path, "--headless", *words, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    assert process.stdout is not None
    process.stdout.close()
    process.stdout = None
    _, err = process.communicate(timeout=DEADLINE_S)
    assert process.returncode == 0
    assert "nobody reads the findings any more" in err
    assert "Traceback" not in err


def test_started_without_standard_output_it_records(tmp_path: Path) -> None:
    """Its number may then be that of a file of ours: nothing may be written to it."""
    process = watching(tmp_path, "--headless", "--for", "2", preexec_fn=lambda: os.closerange(1, 3))
    assert process.wait(DEADLINE_S) == 0
    assert len(recorded(tmp_path)) >= 2


def test_the_demo_ends_without_complaint_when_nobody_reads(tmp_path: Path) -> None:
    process = subprocess.Popen(
        [sys.executable, "-m", "monitor.cli", "demo", "--headless", "--for", "300", "--rate", "10", "--seed", "1",
         "--scenario", "late-brake-floor", "--data", str(tmp_path)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT,
    )  # fmt: skip
    assert process.stdout is not None
    assert json.loads(process.stdout.readline())["key"]
    process.stdout.close()
    process.stdout = None
    _, err = process.communicate(timeout=DEADLINE_S)
    assert (process.returncode, err) == (0, "")
    assert len(recorded(tmp_path)) > 2


# --- file handles -------------------------------------------------------------------------------------------------------


class Child:
    """`tests.host_child`, and what it says."""

    def __init__(self, broker: Mosquitto, data: Path) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "tests.host_child", broker.url, str(data)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=ROOT,
        )  # fmt: skip

    def ask(self, word: str = "look") -> dict[str, Any]:
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write(word + "\n")
        self.process.stdin.flush()
        told: dict[str, Any] = json.loads(self.process.stdout.readline())
        assert told["alive"]
        return told


def test_no_file_handles_left(broker: Mosquitto, tmp_path: Path) -> None:
    """A new segment and a new connection both need handles; without any the watch goes on, and then both come by themselves."""
    child = Child(broker, tmp_path / "data")
    try:
        wait_until(lambda: child.ask()["connected"], "the connection", DEADLINE_S)
        before = child.ask("starve")
        wait_until(lambda: child.ask()["state"] == "failed", "the recorder's trouble", DEADLINE_S)
        assert child.ask()["problem"].startswith("no file handles are left")
        broker.stop()
        broker.start()
        wait_until(lambda: "open files" in child.ask()["note"], "the connection's trouble in words", DEADLINE_S)
        starved = child.ask()
        assert starved["t_ns"] > before["t_ns"]
        wait_until(lambda: "recorder-failed" in child.ask()["alarms"], "the alarm", DEADLINE_S)
        child.ask("feed")
        wait_until(lambda: child.ask()["connected"], "the connection again", DEADLINE_S)
        wait_until(lambda: child.ask()["state"] == "on", "recording again", DEADLINE_S)
        told = child.ask()
        assert told["lost"] == 0
        child.process.communicate(timeout=DEADLINE_S)
    finally:
        child.process.kill()
        child.process.wait()
    assert child.process.returncode == 0
    assert len(recorded(tmp_path / "data")) >= told["frames"]
