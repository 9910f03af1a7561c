"""A watch that gets no processor: stopped for a while (SIGSTOP), or beside busy loops. When is it live again, and does it say so?

Run it with ``python -m tests.benchmarks starve_figures -- --seconds 1 10 60``. A reading is given and looked at every 20 ms.
"""

import argparse
import os
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.benchmarks.figures import Figure, show
from tests.host.host import DEADLINE_S, NO_BROKER, Child
from tests.support.broker import wait_until

OLD_NS = 500_000_000
BUSY_S = 10.0


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


def start(child: Child) -> None:
    """Wait until it has watched for two seconds."""
    began_ns = child.ask()["t_ns"]
    wait_until(lambda: child.ask()["t_ns"] > began_ns + 2_000_000_000, "two seconds", DEADLINE_S)


def main(arguments: Sequence[str] | None = None) -> list[Figure]:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "--seconds", type=float, nargs="*", default=[1.5, 10.0], help="how long it is stopped, one after the other"
    )
    args = parser.parse_args(arguments)
    found: list[Figure] = []
    for stopped_s in [*args.seconds, 0.0]:
        busy = []
        with TemporaryDirectory() as folder:
            child = Child(NO_BROKER, Path(folder))
            try:
                start(child)
                if stopped_s:
                    name = f"stopped for {stopped_s:g} s"
                    child.process.send_signal(signal.SIGSTOP)
                    time.sleep(stopped_s)
                    child.process.send_signal(signal.SIGCONT)
                    stale_s, old, told = looked_at(child, 5.0)
                else:
                    name = f"beside {4 * (os.cpu_count() or 1)} busy loops"
                    busy = [
                        subprocess.Popen([sys.executable, "-c", "while True: pass"])
                        for _ in range(4 * (os.cpu_count() or 1))
                    ]
                    stale_s, old, told = looked_at(child, BUSY_S)
            finally:
                for process in (*busy, child.process):
                    process.kill()
                    process.wait()
        found += show(
            Figure(f"starved, {name}: readings shown again after", stale_s, "s", "2"),
            Figure(f"starved, {name}: looks that showed an old state", old, "", "0"),
        )
        if stopped_s >= 1.0:
            found += show(Figure(f"starved, {name}: said that it was late", float(told), "(1 yes)", "1"))
        else:
            print(f"said that it was late: {told}")
    return found


if __name__ == "__main__":
    main()
