"""A watch that gets too little: stopped for a while (SIGSTOP), beside busy loops, under a quota of processor time, or on a
terminal that reads slowly. When is it live again, and does it say so?

Run it with ``python -m tests.benchmarks starve_figures -- --seconds 1 10 60``. A reading is given and looked at every 20 ms.
"""

import argparse
import os
import pty
import signal
import subprocess
import sys
import termios
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

from tests.benchmarks.figures import Figure, show
from tests.host.host import DEADLINE_S, NO_BROKER, Child
from tests.support.broker import wait_until
from tests.support.slow_terminal import SlowTerminal

OLD_NS: Final = 500_000_000
BUSY_S: Final = 10.0
QUOTA_S: Final = 30.0
SLOW_S: Final = 60.0
_GROUPS: Final = Path("/sys/fs/cgroup/cpu")
_SAYS_LATE: Final = b"SLOW TERMINAL"


def looked_at(child: Child, seconds: float) -> tuple[float, int, bool]:
    """Feed and look for so long: when the last look was that showed the drum as stale (s), how many showed a state older than
    half a second, and whether the alarm of the late monitor was seen."""
    began_s = time.monotonic()
    stale_s, old, told = 0.0, 0, False
    while time.monotonic() - began_s < seconds:
        seen = child.ask()
        now_s = time.monotonic() - began_s
        old += seen["now_ns"] - seen["t_ns"] > OLD_NS
        stale_s = now_s if seen["stale"] else stale_s
        told = told or "monitor-late" in seen["alarms"]
        time.sleep(0.02)
    return stale_s, old, told


@contextmanager
def watching() -> Iterator[Child]:
    """A watch that has watched for two seconds."""
    with TemporaryDirectory() as folder:
        child = Child(NO_BROKER, Path(folder))
        try:
            began_ns = child.ask()["t_ns"]
            wait_until(lambda: child.ask()["t_ns"] > began_ns + 2_000_000_000, "two seconds", DEADLINE_S)
            yield child
        finally:
            child.process.kill()
            child.process.wait()


def _figures(name: str, stale_s: float, old: int) -> list[Figure]:
    return show(
        Figure(f"starved, {name}: readings shown again after", stale_s, "s", "2"),
        Figure(f"starved, {name}: looks that showed an old state", old, "", "0"),
    )


def stopped(seconds: float) -> list[Figure]:
    """By SIGSTOP, for so long."""
    name = f"stopped for {seconds:g} s"
    with watching() as child:
        child.process.send_signal(signal.SIGSTOP)
        time.sleep(seconds)
        child.process.send_signal(signal.SIGCONT)
        stale_s, old, told = looked_at(child, 5.0)
    found = _figures(name, stale_s, old)
    if seconds >= 1.0:
        found += show(Figure(f"starved, {name}: said that it was late", float(told), "(1 yes)", "1"))
    return found


def busy() -> list[Figure]:
    """Beside four busy loops for each core."""
    count = 4 * (os.cpu_count() or 1)
    with watching() as child:
        loops = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(count)]
        try:
            stale_s, old, told = looked_at(child, BUSY_S)
        finally:
            for process in loops:
                process.kill()
                process.wait()
    print(f"said that it was late: {told}")
    return _figures(f"beside {count} busy loops", stale_s, old)


def quota(percent: float) -> list[Figure]:
    """With so much of a core, in a control group of its own (version 1; needs the right to make one)."""
    group = _GROUPS / f"stopmark-starved-{os.getpid()}"
    group.mkdir()
    name = f"with {percent:g} % of a core"
    try:
        with watching() as child:
            (group / "cpu.cfs_quota_us").write_text(str(int(1000 * percent)), encoding="ascii")
            (group / "cgroup.procs").write_text(str(child.process.pid), encoding="ascii")
            _, old, told = looked_at(child, QUOTA_S)
            throttled = (group / "cpu.stat").read_text(encoding="ascii").split()[1:4:2]
            (group / "cpu.cfs_quota_us").write_text("-1", encoding="ascii")
            stale_s, old_after, _ = looked_at(child, 5.0)
        print(f"said that it was late: {told}; periods, and those in which it had to wait: {throttled}")
    finally:
        time.sleep(0.2)
        group.rmdir()
    return _figures(name, stale_s, old + old_after)


def slow_terminal(rate: float, answers: bool) -> list[Figure]:
    """On a terminal of 80 by 24 that reads so many bytes a second for a minute, a demonstration on it, then quickly again."""
    name = f"terminal of {rate:g} bytes/s{'' if answers else ' that answers nothing'}"
    master, slave = pty.openpty()
    termios.tcsetwinsize(slave, (24, 80))
    with TemporaryDirectory() as folder:
        process = subprocess.Popen(
            [sys.executable, "-m", "monitor.cli", "demo", "--data", folder], stdin=slave, stdout=slave, stderr=slave,
            env=os.environ | {"TERM": "xterm-256color"}, start_new_session=True,
        )  # fmt: skip
        os.close(slave)
        try:
            terminal = SlowTerminal(master, answers)
            terminal.read_for(DEADLINE_S, until=b"ADVISORY ONLY")
            terminal.read_for(3.0)
            mark = len(terminal.seen)
            terminal.read_for(SLOW_S, rate)
            told = _SAYS_LATE in terminal.seen[mark:]
            behind_s = terminal.backlog() / rate
            began_s, fresh_s = time.monotonic(), float("inf")
            while answers and fresh_s == float("inf") and time.monotonic() - began_s < DEADLINE_S:
                mark = len(terminal.seen)
                terminal.read_for(0.2)
                if terminal.seen[mark:].count(b"\x1b[6n") > 1 and _SAYS_LATE not in terminal.seen[mark:]:
                    fresh_s = time.monotonic() - began_s
        finally:
            process.kill()
            process.wait()
            os.close(master)
    found = show(
        Figure(f"{name}: behind after a minute", behind_s, "s"), Figure(f"{name}: said so", told, "(1 yes)", "1")
    )
    return found + (show(Figure(f"{name}: pictures of now again after", fresh_s, "s", "2")) if answers else [])


def main(arguments: Sequence[str] | None = None) -> list[Figure]:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "--seconds", type=float, nargs="*", default=[1.5, 10.0], help="how long it is stopped, one after the other"
    )
    parser.add_argument("--no-busy", action="store_true", help="leave out the busy loops")
    parser.add_argument("--quota", type=float, nargs="*", default=[], help="percent of a core that it gets")
    parser.add_argument("--terminal", type=float, nargs="*", default=[], help="bytes a second that its terminal reads")
    args = parser.parse_args(arguments)
    found = [figure for seconds in args.seconds for figure in stopped(seconds)]
    if not args.no_busy:
        found += busy()
    found += [figure for percent in args.quota for figure in quota(percent)]
    found += [figure for rate in args.terminal for answers in (True, False) for figure in slow_terminal(rate, answers)]
    return found


if __name__ == "__main__":
    main()
