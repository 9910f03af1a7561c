"""The monitor gets no processor or no memory for a while: it says so, shows no old height as one of now, and loses nothing."""

import resource
import signal
import time
from pathlib import Path

import pytest

from monitor.adapters.sessions.catalogue import verify_session
from monitor.adapters.sessions.folder import session_files
from tests.host.host import DEADLINE_S, NO_BROKER, Child, recorded
from tests.support.broker import wait_until
from tests.support.power_cuts import frames_of


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


def test_without_any_memory_to_be_had_what_was_recorded_stays_sound(tmp_path: Path) -> None:
    """The watch may go on, end or hang, and a service's watchdog then starts it again; what it has recorded is as it was."""
    child = Child(NO_BROKER, tmp_path)
    try:
        began_ns = child.ask()["t_ns"]
        wait_until(lambda: child.ask()["t_ns"] > began_ns + 2_000_000_000, "two seconds of readings", DEADLINE_S)
        used = int(Path(f"/proc/{child.process.pid}/statm").read_text(encoding="ascii").split()[0])
        _, hard = resource.prlimit(child.process.pid, resource.RLIMIT_AS)
        resource.prlimit(child.process.pid, resource.RLIMIT_AS, (used * resource.getpagesize(), hard))
        time.sleep(3.0)  # its segments are two seconds long: it needs more meanwhile
    finally:
        child.process.kill()
        child.process.wait()
    sessions = list(session_files(tmp_path))
    kept = [path for path in sessions if frames_of(path)]
    assert kept
    for path in kept:
        assert verify_session(path) == []
    assert sum(len(frames_of(path)) for path in kept) > 2
