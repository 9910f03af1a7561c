"""A terminal that takes nothing must not hold up the monitor's loop, which runs beside the screen."""

import asyncio
import contextlib
import fcntl
import json
import os
import pty
import select
import struct
import subprocess
import sys
import termios
import time
from dataclasses import replace
from pathlib import Path

from monitor.model.snapshot import Snapshot
from monitor.ui.app import StopmarkApp
from tests.support.broker import GRACE_S
from tests.ui import sample
from tests.ui.drivers import FakeDriver

STALL_S = 6.0
"""Long enough for a screen that went on painting to fill every buffer between it and the terminal."""


AFTER_S = 3.0
"""How long the screen goes on when the terminal takes again."""


class Restless(FakeDriver):
    """Every look at it finds all figures changed; its loop measures how late it is called, and copies all the while, which is
    written whether or not the terminal takes it."""

    app: StopmarkApp

    def snapshot(self) -> Snapshot | None:
        snap = sample.calm()
        moved = int(time.monotonic() * 1e9)
        height = 5.0 + moved / 1e8 % 30
        values = sample.values(height=height, speed=-height / 20, room_down=height, hook_load=height * 1e5)
        return replace(snap, t_ns=snap.t_ns + moved, values=values)

    async def run(self) -> None:
        worst = 0.0
        end = time.monotonic() + STALL_S
        while (before := time.monotonic()) < end:
            await asyncio.sleep(0.02)
            worst = max(worst, time.monotonic() - before - 0.02)
            self.app.copy_to_clipboard("a row")
        report(worst)
        await asyncio.sleep(AFTER_S)


def report(worst_lag_s: float) -> None:
    """Tell the parent."""
    text = json.dumps({"worst_lag_s": worst_lag_s})
    Path(os.environ["STOPMARK_TEST_REPORT"]).write_text(text, encoding="utf-8")


def main() -> None:
    """The child: the app on the terminal it was given."""
    driver = Restless(sample.calm())
    driver.app = StopmarkApp(driver, depth="full")
    driver.app.run()


def test_a_stalled_terminal_does_not_stop_the_loop(tmp_path: Path) -> None:
    told = tmp_path / "report.json"
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 50, 200, 0, 0))
    environment = {**os.environ, "STOPMARK_TEST_REPORT": str(told), "TERM": "xterm-256color"}
    child = subprocess.Popen(
        [sys.executable, "-c", "from tests.ui.test_slow_terminal import main; main()"],
        stdin=theirs, stdout=theirs, stderr=theirs, env=environment, start_new_session=True,
        cwd=Path(__file__).parents[2],
    )  # fmt: skip
    os.close(theirs)
    try:
        end = time.monotonic() + STALL_S + GRACE_S
        while not told.exists() and time.monotonic() < end:
            # Nothing is read from `ours` all this while: to the child its terminal stands still.
            select.select([], [], [], 0.1)
        assert told.exists(), "the loop beside the screen never came to its end"
        lag_s = json.loads(told.read_text(encoding="utf-8"))["worst_lag_s"]
        # Held up by its terminal it would be so until the end, which nobody reads up to here.
        assert lag_s < STALL_S / 2, f"the loop was held up for {lag_s:.2f} s"
        painted = _read(ours, child, time.monotonic() + GRACE_S)
        assert child.poll() == 0
        assert painted.count(b"ADVISORY ONLY") > 1, "what was left out is not painted again"
    finally:
        child.kill()
        child.wait()
        os.close(ours)


def _read(ours: int, child: "subprocess.Popen[bytes]", end: float) -> bytes:
    """What the child writes until it has ended."""
    seen = b""
    with contextlib.suppress(OSError):  # it has ended
        while time.monotonic() < end:
            if select.select([ours], [], [], 0.1)[0]:
                seen += os.read(ours, 65_536)
    child.wait(GRACE_S)
    return seen
