"""A terminal that goes away without a signal (none was its own, or it was told to be ignored) ends the watch in order; one that
takes nothing any more (nobody reads it, or its output is stopped) does not keep it from ending."""

import os
import pty
import signal
import subprocess
import sys
import termios
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.adapters.sessions.catalogue import verify_session
from monitor.adapters.sessions.folder import session_files
from monitor.adapters.sessions.reader import SessionReader
from tests.benchmarks.screen_figures import read_until
from tests.support.broker import GRACE_S, free_port

ENDS_S = 8.0
"""Of a busy machine; an idle one takes three."""


def _watching(data: Path, *more: str) -> tuple["subprocess.Popen[bytes]", int, int]:
    """A watch on a terminal, and the terminal's two ends."""
    master, slave = pty.openpty()
    termios.tcsetwinsize(slave, (50, 200))
    words = ["watch", "--rig", "land", "--broker", f"mqtt://127.0.0.1:{free_port()}", "--data", str(data), *more]
    # In a session of its own, so that the terminal is nobody's and its end sends no signal.
    process = subprocess.Popen(
        [sys.executable, "-m", "monitor.cli", *words], stdin=slave, stdout=slave, stderr=slave,
        env=os.environ | {"TERM": "xterm-256color"}, start_new_session=True,
    )  # fmt: skip
    return process, master, slave


def _recorded_soundly(data: Path) -> None:
    (session,) = session_files(data)
    assert not session.with_name(session.name + "-wal").exists(), "it was not closed"
    assert verify_session(session) == []
    with SessionReader(session) as reader:
        assert sum(1 for _ in reader.inputs()) > 0


def _fill(terminal: int) -> None:
    """Write to it until it takes no more."""
    own = os.open(os.ttyname(terminal), os.O_WRONLY | os.O_NOCTTY | os.O_NONBLOCK)
    try:
        while True:
            os.write(own, b" " * 1024)
    except BlockingIOError:
        pass
    finally:
        os.close(own)


def _stop_output(terminal: int) -> None:
    termios.tcflow(terminal, termios.TCOOFF)


def test_the_watch_ends_in_order_when_its_terminal_goes_away_without_a_word(tmp_path: Path) -> None:
    process, master, slave = _watching(tmp_path)
    os.close(slave)
    try:
        painted = read_until(master, b"ADVISORY ONLY", GRACE_S, time.monotonic())
    finally:
        os.close(master)
    try:
        assert painted is not None
        assert process.wait(GRACE_S) == 0
    finally:
        process.kill()
        process.wait()
    _recorded_soundly(tmp_path)


def test_the_watch_ends_when_its_terminal_is_gone_before_anything_was_painted(tmp_path: Path) -> None:
    process, master, slave = _watching(tmp_path)
    os.close(slave)
    os.close(master)
    try:
        process.wait(GRACE_S)
    finally:
        process.kill()
        process.wait()


@pytest.mark.parametrize("stall", [_fill, _stop_output], ids=["nobody reads it", "its output is stopped"])
@pytest.mark.parametrize(
    ("number", "more"), [(signal.SIGTERM, ()), (signal.SIGHUP, ()), (signal.SIGTERM, ("--plain",))],
    ids=["SIGTERM", "SIGHUP", "plain"],
)  # fmt: skip
def test_a_signal_ends_the_watch_though_its_terminal_takes_nothing(
    tmp_path: Path, stall: Callable[[int], None], number: signal.Signals, more: tuple[str, ...]
) -> None:
    process, master, slave = _watching(tmp_path, *more)
    try:
        assert read_until(master, b"onnect" if more else b"ADVISORY ONLY", GRACE_S, time.monotonic()) is not None
        stall(slave)
        time.sleep(1.5)  # painting goes on meanwhile, into what there is between it and the terminal
        process.send_signal(number)
        assert process.wait(ENDS_S) == 0
        if stall is _fill and not more:
            left = read_until(master, b"\x1b[?1049l", 1.0, time.monotonic())
            assert left is not None, "the terminal is left as the screen had it"
    finally:
        process.kill()
        process.wait()
        os.close(slave)
        os.close(master)
    _recorded_soundly(tmp_path)
