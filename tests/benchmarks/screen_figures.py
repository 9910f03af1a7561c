"""The screen in a real pseudo-terminal while readings pour in: first paint, key to response, CPU time.

Run it with ``python -m tests.benchmarks.screen_figures``. The demo runs fourteen times as fast as real, which is about 2,000
readings a second through a real broker. Keys switch between the Drive and the Brakes screen; the response is the first byte
string of the other screen's own title.
"""

import fcntl
import os
import pty
import select
import statistics
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Sequence

from tests.benchmarks.figures import Figure, show

RATE = 14
PRESSES = 30
TITLES = {b"2": b"SERVICE BRAKE", b"1": b"ROOM"}


def read_until(master: int, wanted: bytes, limit_s: float, begin: float) -> float | None:
    """Seconds since `begin` (monotonic clock) when `wanted` was painted; None when it was not in time."""
    seen = b""
    while (left := begin + limit_s - time.monotonic()) > 0:
        if select.select([master], [], [], left)[0]:
            seen = (seen + os.read(master, 65536))[-200_000:]
            if wanted in seen:
                return time.monotonic() - begin
    return None


def drain(master: int, seconds: float) -> int:
    """Read what comes for a while; how many bytes."""
    end = time.monotonic() + seconds
    count = 0
    while (left := end - time.monotonic()) > 0:
        if select.select([master], [], [], left)[0]:
            count += len(os.read(master, 65536))
    return count


def cpu_s(pid: int) -> float:
    """CPU time of a process so far (Linux)."""
    with open(f"/proc/{pid}/stat") as file:
        fields = file.read().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def main(_arguments: Sequence[str] | None = None) -> list[Figure]:
    """Print the figures."""
    figures = []
    master, slave = pty.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 120, 0, 0))
    begin = time.monotonic()
    process = subprocess.Popen(
        [sys.executable, "-m", "monitor.cli", "demo", "--rate", str(RATE), "--no-record"],
        stdin=slave, stdout=slave, stderr=slave, env=os.environ | {"TERM": "xterm-256color"}, start_new_session=True,
    )  # fmt: skip
    os.close(slave)
    try:
        painted = read_until(master, b"ADVISORY ONLY", 30.0, begin)
        # The demo starts its broker and its rig first.
        figures += show(Figure("demo: command to first paint", painted or float("nan"), "s"))
        drain(master, 5.0)
        cpu, since = cpu_s(process.pid), time.monotonic()
        drain(master, 5.0)
        share = (cpu_s(process.pid) - cpu) / (time.monotonic() - since)
        name = f"monitor and broker with screen, 120x40, {RATE} times real speed"
        figures += show(Figure(name, 100 * share, "% of a core"))
        times = []
        for i in range(PRESSES):
            key = b"2" if i % 2 == 0 else b"1"
            pressed = time.monotonic()
            os.write(master, key)
            took = read_until(master, TITLES[key], 5.0, pressed)
            if took is not None:
                times.append(took)
            drain(master, 0.3)
        times.sort()
        name = "key to response at about 2,000 readings/s"
        figures += show(
            Figure(f"{name}, median", 1e3 * statistics.median(times), "ms", "under 100"),
            Figure(f"{name}, slowest of {len(times)}", 1e3 * times[-1], "ms", "under 100"),
        )
    finally:
        process.terminate()
        process.wait(10)
    return figures


if __name__ == "__main__":
    main()
