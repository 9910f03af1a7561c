"""What watching one rig costs: CPU and memory, headless and with the screen, and the time from the command to the first paint.

Run it with ``python -m tests.benchmarks.rig_figures [headless] [screen] [start]``; it needs mosquitto. The land rig, but
with all of its 14 sensors at 20 readings a second, is simulated at real speed by a process of its own and published to
mosquitto; the figures are those of the monitor's process alone, with its recorder on. ``--minutes 10`` shows how memory goes on.
"""

import argparse
import contextlib
import fcntl
import json
import os
import pty
import re
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory, TemporaryFile

from monitor.config.rig_file import shipped_rigs
from tests.benchmarks.figures import Figure, as_installed, show
from tests.benchmarks.screen_figures import cpu_s, drain, read_until
from tests.support.broker import Mosquitto

SETTLE_S = 8.0
"""Before the measuring starts: imports, the first paint, the first readings."""
FIRST_WORDS = b"ADVISORY ONLY"
PARTS = ("headless", "screen", "start")


def memory_mb(pid: int) -> float:
    """Resident memory of a process (Linux)."""
    with open(f"/proc/{pid}/status") as file:
        return next(int(line.split()[1]) for line in file if line.startswith("VmRSS")) / 1024


def stopmark(*words: str) -> list[str]:
    """The command as its own process runs it."""
    return [sys.executable, "-m", "monitor.cli", *words]


@contextlib.contextmanager
def in_terminal(words: list[str], compiled: Path | None = None) -> Iterator[tuple[subprocess.Popen[bytes], int]]:
    """The command in a pseudo-terminal of 120x40, and the end of it that sees what is painted.

    `compiled`: where Python keeps the compiled modules, whatever the environment says about that.
    """
    master, slave = pty.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 120, 0, 0))
    terminal = (os.environ if compiled is None else as_installed(compiled)) | {"TERM": "xterm-256color"}
    process = subprocess.Popen(words, stdin=slave, stdout=slave, stderr=slave, env=terminal, start_new_session=True)
    os.close(slave)
    try:
        yield process, master
    finally:
        process.terminate()
        end = time.monotonic() + 10.0
        with contextlib.suppress(OSError):  # nobody is at the other end any more
            while process.poll() is None and time.monotonic() < end:
                drain(master, 0.05)  # it ends no sooner than its last words are read
        ended(process)
        os.close(master)


def ended(process: "subprocess.Popen[bytes]") -> None:
    """End a process, by force where it does not listen."""
    process.terminate()
    try:
        process.wait(10)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait(10)


def quick_rig(folder: Path) -> str:
    """A rig file: the land rig with every sensor at 20 readings a second."""
    text = shipped_rigs()["land"].read_text(encoding="utf-8")
    path = folder / "land.toml"
    path.write_text(re.sub(r"(?m)^rate_hz = .*$", "rate_hz = 20", text), encoding="utf-8")
    return str(path)


@contextlib.contextmanager
def simulated(broker: Mosquitto, rig: str) -> Iterator[None]:
    """The rig, publishing at real speed."""
    words = stopmark("simulate", "--broker", broker.url, "--scenario", "calm-trip", "--for", "36000", "--rig", rig)
    process = subprocess.Popen(words, stdout=subprocess.DEVNULL)
    try:
        yield
    finally:
        ended(process)


def watching(name: str, pid: int, wait: Callable[[float], object], seconds: float, goal: str) -> list[Figure]:
    """CPU share and memory of a monitor that runs; `wait` lets so many seconds pass."""
    wait(SETTLE_S)
    cpu, since, begin_mb = cpu_s(pid), time.monotonic(), memory_mb(pid)
    wait(seconds)
    share = (cpu_s(pid) - cpu) / (time.monotonic() - since)
    name = f"watch of the land rig, 14 sensors at 20 Hz, recorder on, {name}"
    print(f"over {seconds:.0f} s")
    return show(
        Figure(f"{name}: CPU", 100 * share, "% of a core", goal),
        Figure(f"{name}: memory at first", begin_mb, "MB"),
        Figure(f"{name}: memory after {seconds / 60:g} min", memory_mb(pid), "MB"),
    )


def headless(broker: Mosquitto, rig: str, folder: Path, seconds: float) -> list[Figure]:
    """Findings to a file, no screen."""
    words = stopmark("watch", "--rig", rig, "--broker", broker.url, "--data", str(folder), "--headless")
    with TemporaryFile() as out, simulated(broker, rig):
        process = subprocess.Popen(words, stdout=out)
        begin = time.monotonic()
        try:
            found = watching("headless", process.pid, time.sleep, seconds, "6 %")
        finally:
            lasted = time.monotonic() - begin
            ended(process)
        out.seek(0)
        summary = json.loads(out.read().splitlines()[-1])
        print(f"{summary['frames'] / lasted:.0f} readings a second")
    return found


def screen(broker: Mosquitto, rig: str, folder: Path, seconds: float) -> list[Figure]:
    """With the screen at 120x40."""
    words = stopmark("watch", "--rig", rig, "--broker", broker.url, "--data", str(folder))
    with simulated(broker, rig), in_terminal(words) as (process, master):
        return watching("screen 120x40", process.pid, lambda passing: drain(master, passing), seconds, "25 %")


def start(broker: Mosquitto, folder: Path, times: int) -> list[Figure]:
    """From the command to the first paint, and what of it was the process's own CPU time.

    Modules are compiled first, as an installation has them: that alone is a third of a second.
    """
    words = stopmark("watch", "--rig", "land", "--broker", broker.url, "--data", str(folder))
    walls, cpus = [], []
    for _ in range(times + 1):
        begin = time.monotonic()
        with in_terminal(words, folder.parent / "compiled") as (process, master):
            took = read_until(master, FIRST_WORDS, 20.0, begin)
            cpu = cpu_s(process.pid)
        assert took is not None, "nothing was painted within 20 s"
        walls.append(took)
        cpus.append(cpu)
    del walls[0], cpus[0]
    return show(
        Figure("`stopmark watch` to first paint, median", sorted(walls)[times // 2], "s", "0.5"),
        Figure(f"`stopmark watch` to first paint, best of {times}", min(walls), "s", "0.5"),
        Figure("`stopmark watch` to first paint, CPU of the best", min(cpus), "s"),
    )


def main(arguments: Sequence[str] | None = None) -> list[Figure]:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("parts", nargs="*", choices=[*PARTS, []], help="which figures (default: all)")
    parser.add_argument("--minutes", type=float, default=0.5, help="length of the watch")
    parser.add_argument("--times", type=int, default=10, help="how often to start")
    args = parser.parse_args(arguments)
    parts = args.parts or PARTS
    found: list[Figure] = []
    with TemporaryDirectory() as name:
        broker = Mosquitto(Path(name) / "broker", quiet=True).start()
        try:
            if "headless" in parts:
                found += headless(broker, quick_rig(Path(name)), Path(name) / "headless", 60 * args.minutes)
            if "screen" in parts:
                found += screen(broker, quick_rig(Path(name)), Path(name) / "screen", 60 * args.minutes)
            if "start" in parts:
                found += start(broker, Path(name) / "start", args.times)
        finally:
            broker.stop()
    return found


if __name__ == "__main__":
    main()
