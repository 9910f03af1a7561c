"""A terminal that goes away without a signal (none was its own, or it was told to be ignored) ends the watch in order."""

import os
import pty
import subprocess
import sys
import time
from pathlib import Path

from monitor.adapters.sessions.folder import session_files
from monitor.adapters.sessions.reader import SessionReader
from tests.benchmarks.screen_figures import read_until
from tests.support.broker import GRACE_S, free_port


def _watching(data: Path) -> tuple["subprocess.Popen[bytes]", int]:
    """A watch on a terminal, and the terminal's other end."""
    master, slave = pty.openpty()
    words = ["watch", "--rig", "land", "--broker", f"mqtt://127.0.0.1:{free_port()}", "--data", str(data)]
    # In a session of its own, so that the terminal is nobody's and its end sends no signal.
    process = subprocess.Popen(
        [sys.executable, "-m", "monitor.cli", *words], stdin=slave, stdout=slave, stderr=slave,
        env=os.environ | {"TERM": "xterm-256color"}, start_new_session=True,
    )  # fmt: skip
    os.close(slave)
    return process, master


def test_the_watch_ends_in_order_when_its_terminal_goes_away_without_a_word(tmp_path: Path) -> None:
    process, master = _watching(tmp_path)
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
    (session,) = session_files(tmp_path)
    with SessionReader(session) as reader:
        assert sum(1 for _ in reader.inputs()) > 0


def test_the_watch_ends_when_its_terminal_is_gone_before_anything_was_painted(tmp_path: Path) -> None:
    process, master = _watching(tmp_path)
    os.close(master)
    try:
        process.wait(GRACE_S)
    finally:
        process.kill()
        process.wait()
