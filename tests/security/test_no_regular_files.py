"""A named pipe, or a thing without end, where a file is expected: nothing waits at it, nothing reads it."""

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.adapters.host import shutdown
from monitor.adapters.ledger.ledger import ledger_path
from monitor.adapters.sessions.folder import LOCK, DataFolder, FolderError
from monitor.adapters.sessions.format import HEADER_BYTES
from monitor.adapters.sessions.reader import SessionReader
from monitor.cli import main
from monitor.config.rig_file import load_rig
from tests.adapters.sessions.test_sessions_damaged import change, session
from tests.commands.test_commands import ROOT, own_rig
from tests.runtime.test_service import Recording
from tests.support.broker import Mosquitto, wait_until

__all__ = ["session"]

NAME = "land-20260101-000000.stopmark"


def within(seconds: float, call: Callable[[], object]) -> object:
    """What `call` gives; fails when it takes longer."""
    found: list[object] = []
    thread = threading.Thread(target=lambda: found.append(call()), daemon=True)
    thread.start()
    thread.join(seconds)
    assert found, "it waits at the pipe"
    return found[0]


def test_no_command_waits_at_a_pipe_that_is_called_a_session(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pipe = tmp_path / NAME
    os.mkfifo(pipe)
    for words in (
        ["replay", str(pipe), "--headless"],
        ["sessions", "verify", str(pipe)],
        ["report", str(pipe), "-o", str(tmp_path / "out.html")],
        ["export", str(pipe), "-o", str(tmp_path / "out.csv")],
        ["import", str(pipe), "-o", str(tmp_path / "out.stopmark")],
        ["watch", "--rig", "land", "--broker", "mqtt://h", "--credentials", str(pipe), "--headless"],
    ):
        assert within(30.0, lambda words=words: main(words)) in (1, 2)  # type: ignore[misc]
        assert "is no regular file but a named pipe" in capsys.readouterr().err, words
    within(30.0, lambda: main(["sessions", "--data", str(tmp_path)]))


@pytest.mark.parametrize("beside", ["-wal", "-shm", "-journal"])
def test_nor_at_one_that_lies_beside_a_session(session: Path, beside: str, capsys: pytest.CaptureFixture[str]) -> None:
    os.mkfifo(session.with_name(session.name + beside))
    assert within(30.0, lambda: main(["replay", str(session), "--headless"])) == 2
    assert "is no regular file but a named pipe" in capsys.readouterr().err


def test_a_service_starts_in_a_folder_full_of_pipes(broker: Mosquitto, tmp_path: Path) -> None:
    data = tmp_path / "data"
    data.mkdir()
    rig = load_rig(own_rig(tmp_path)).name
    ledger = ledger_path(data, rig)
    for path in (data / f"{rig}-20260101-000000.stopmark", ledger, ledger.with_name(ledger.name + "-running")):
        os.mkfifo(path)
    recording = Recording(tmp_path, broker.url)
    try:
        wait_until(lambda: "Received SUBSCRIBE" in broker.text(), "the connection")
        wait_until(lambda: recording.logged("is no regular file but a named pipe"), "words about the ledger")
        recording.process.send_signal(signal.SIGTERM)
        assert recording.process.wait(30.0) == 0
    finally:
        recording.process.kill()


def test_a_lock_that_is_a_pipe_is_told(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / LOCK)
    with DataFolder(tmp_path, wait_for_disk=True) as folder:
        assert "is no regular file but a named pipe" in folder.problem
    with pytest.raises(FolderError, match="named pipe"):
        DataFolder(tmp_path)


HANGS = """
import sys, time
from monitor.adapters.host import shutdown
shutdown.START_S, shutdown.LEAVE_S = 0.5, 0.5
with shutdown.Ending() as ending:
    ending.step("the recordings in /srv")
    print("begun", flush=True)
    {hang}
    print("through", flush=True)
"""
PIPE = "open({path!r})"
"""Waits in a call of the system that Python does not take up again before it has come back."""
SLOW = "time.sleep(1.2)"


def test_a_start_that_hangs_says_what_it_waits_for_and_ends_by_a_signal(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    child = subprocess.Popen(
        [sys.executable, "-c", HANGS.format(hang=PIPE.format(path=str(pipe)))],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT,
    )  # fmt: skip
    assert child.stdout is not None
    assert child.stdout.readline() == "begun\n"
    time.sleep(1.0)
    child.send_signal(signal.SIGTERM)
    out, err = child.communicate(timeout=30.0)
    assert out == ""
    assert "the start still waits for the recordings in /srv" in err
    assert "SIGTERM: ended while it still waited for the recordings in /srv" in err
    assert child.returncode == 1


def test_a_slow_start_that_comes_through_is_not_ended() -> None:
    done = subprocess.run(
        [sys.executable, "-c", HANGS.format(hang=SLOW)], capture_output=True, text=True, cwd=ROOT, timeout=60
    )
    assert done.stdout == "begun\nthrough\n"
    assert "the start still waits for" in done.stderr
    assert done.returncode == 0


def test_no_thread_of_a_start_is_left_behind() -> None:
    before = threading.active_count()
    for _ in range(3):
        with shutdown.Ending():
            assert threading.active_count() == before + 1
    assert threading.active_count() == before
    assert signal.set_wakeup_fd(-1) == -1


# --- the header of a session ------------------------------------------------------------------------------------------


def test_a_header_larger_than_any_session_s_is_refused_before_it_is_read(
    session: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    change(session, ("UPDATE header SET value = ? WHERE key = 'rules'", (f'"{"#" * HEADER_BYTES}"',)))
    assert main(["replay", str(session), "--headless"]) == 2
    reported = capsys.readouterr().err
    assert "its header holds more than any session's does" in reported
    assert "rules" in reported


def test_a_header_of_too_many_fields_is_refused(session: Path, capsys: pytest.CaptureFixture[str]) -> None:
    change(session, *(f"INSERT INTO header VALUES ('x{number}', '1')" for number in range(100)))
    assert main(["sessions", "verify", str(session)]) in (1, 2)
    assert "its header holds more than any session's does" in str(capsys.readouterr())


def test_a_sound_header_is_read(session: Path) -> None:
    with SessionReader(session) as reader:
        assert reader.header["rig"]
