"""The monitor gets no processor for a while: it says that it ran late, shows no old height as one of now, and loses nothing."""

import signal
import time
from pathlib import Path

import pytest

from tests.host.host import DEADLINE_S, NO_BROKER, Child, recorded
from tests.support.broker import wait_until


@pytest.mark.parametrize("stopped_s", [1.5, 4.0])
def test_a_stopped_monitor_says_that_it_was_late(tmp_path: Path, stopped_s: float) -> None:
    child = Child(NO_BROKER, tmp_path)
    try:
        began_ns = child.ask()["t_ns"]
        running = lambda seen: seen["t_ns"] > began_ns + 1_000_000_000 and not seen["stale"]  # noqa: E731
        wait_until(lambda: running(child.ask()), "a second of readings", DEADLINE_S)
        assert "monitor-late" not in child.ask("peek")["alarms"]
        child.process.send_signal(signal.SIGSTOP)
        time.sleep(stopped_s)
        child.process.send_signal(signal.SIGCONT)
        after = child.ask("peek")
        assert after["now_ns"] - after["t_ns"] < 500_000_000, "it shows the state of before the stop"
        assert after["stale"]
        assert after["height"] != "VALID"
        wait_until(lambda: "monitor-late" in child.ask("peek")["alarms"], "the word", DEADLINE_S)
        wait_until(lambda: not child.ask()["stale"], "readings are shown again", DEADLINE_S)
        frames = child.ask()["frames"]
        child.process.communicate(timeout=DEADLINE_S)
    finally:
        child.process.kill()
        child.process.wait()
    assert child.process.returncode == 0
    assert len(recorded(tmp_path)) >= frames
