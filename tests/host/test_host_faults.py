"""Faults of the machine the monitor runs on: each is announced, watching goes on, and what was recorded is safe.

Those of the disk are in `tests/host/test_host_disk.py`.
"""

import fcntl
import json
import logging
import os
import pty
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from pathlib import Path
from typing import Any

import pytest

from monitor.adapters.host.line_writer import MOST_WAITING, LineWriter
from monitor.adapters.host.logs import JsonLines
from monitor.adapters.sessions.folder import DataFolder
from monitor.adapters.sessions.reader import SessionReader
from monitor.adapters.sessions.recorder import Recorder
from monitor.presentation.format import clock as clock_words
from tests.adapters.sessions.streams import HEADER
from tests.commands.test_commands import ROOT
from tests.host.host import DEADLINE_S, NO_BROKER, Child, live, recorded, running
from tests.support.broker import Mosquitto, until, wait_until


def watching(data: Path, *more: str, **options: Any) -> "subprocess.Popen[str]":
    return subprocess.Popen(
        [sys.executable, "-m", "monitor.cli", "watch", "--rig", "land", "--broker", NO_BROKER, "--data", str(data), *more],
        text=True, cwd=ROOT, **options,
    )  # fmt: skip


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
            began_ns = driver.clock.now_ns()
            with monkeypatch.context() as patch:
                patch.setattr(time, "time_ns", lambda: true() + step_s * 1_000_000_000)
                words = f"clock was moved by {step_s:+.1f} s"
                await until(lambda: words in driver.runner.note, "the word")
            await until(lambda: driver.core.now_ns > began_ns, "stream time goes on")
            assert driver.core.now_ns <= driver.clock.now_ns()
            assert abs(driver.clock.now_ns() - true()) < DEADLINE_S * 1e9 < abs(step_s) * 1e9
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
        reported = [clock_words(SUMMER_ENDS_NS + s * 1_000_000_000, date=True) for s in (-1, 0, 3600)]
        assert reported == ["2026-10-25 00:59:59", "2026-10-25 01:00:00", "2026-10-25 02:00:00"]
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
        while json.loads(process.stdout.readline())["key"] != "disconnected":
            pass  # on a busy machine it may first say that it runs late
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
            assert writer.unwritten > MOST_WAITING
            assert not writer.close(0.05)
            data = b""
            while not data.endswith(f"{count - 1:08d}\n".encode()):
                data += os.read(out, 1 << 16)
            wait_until(writer.close, "the end")
        numbers = [int(line) for line in data.split()]
        assert numbers == sorted(numbers)
        assert len(numbers) + writer.unwritten == count
    finally:
        os.close(out)
        os.close(into)


def test_a_reader_that_goes_away_does_not_end_the_recording(tmp_path: Path) -> None:
    process = watching(tmp_path, "--headless", stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    try:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        reported = ""
        while "recording goes on" not in reported:
            reported = process.stderr.readline()
            assert reported, "it ended"
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


def test_no_file_handles_left(broker: Mosquitto, tmp_path: Path) -> None:
    """A new segment and a new connection both need handles; without any the watch goes on, and then both come by themselves."""
    child = Child(broker.url.replace("127.0.0.1", "localhost"), tmp_path / "data")
    try:
        wait_until(lambda: child.ask()["connected"], "the connection", DEADLINE_S)
        before = child.ask("starve")
        wait_until(lambda: child.ask()["state"] == "failed", "the recorder's trouble", DEADLINE_S)
        assert child.ask()["problem"].startswith("no file handles are left")
        broker.stop()
        broker.start()
        wait_until(lambda: "no file handles" in child.ask()["note"], "the connection's trouble in words", DEADLINE_S)
        starved = child.ask()
        assert starved["t_ns"] > before["t_ns"]
        wait_until(lambda: "recorder-failed" in child.ask()["alarms"], "the alarm", DEADLINE_S)
        child.ask("feed")
        wait_until(lambda: child.ask()["connected"], "the connection again", DEADLINE_S)
        wait_until(lambda: child.ask()["state"] == "on", "recording again", DEADLINE_S)
        reported = child.ask()
        assert reported["lost"] == 0
        child.process.communicate(timeout=DEADLINE_S)
    finally:
        child.process.kill()
        child.process.wait()
    assert child.process.returncode == 0
    assert len(recorded(tmp_path / "data")) >= reported["frames"]
