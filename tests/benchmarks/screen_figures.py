"""The screen in a real pseudo-terminal while readings pour in: first paint, key to response, CPU time.

Run it with ``python -m tests.benchmarks.screen_figures``. The demo runs fourteen times as fast as real, which is about 2,000
readings a second through a real broker. Keys switch between the Drive and the Brakes screen; the response is the first byte
string of the other screen's own title. With ``-- cost`` only what needs no broker: CPU time of a frame, of `--help` and up to the
first paint, and the bytes of three hours of trends. These are CPU times, which a busy machine changes little.
"""

import fcntl
import math
import os
import pty
import re
import select
import statistics
import struct
import subprocess
import sys
import termios
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from importlib import import_module
from pathlib import Path
from tempfile import TemporaryDirectory

from monitor.ui.drawing.canvas_widget import strip
from monitor.ui.drawing.theme import palette
from monitor.ui.history import History
from monitor.ui.page import draw_page
from monitor.ui.screens import SCREENS, ScreenSpec
from monitor.ui.view import View
from tests.benchmarks.figures import Figure, as_installed, show
from tests.ui import sample

RATE = 14
PRESSES = 30
LARGE = (200, 60)
FRAMES = 40
RUNS = 11
CALLS = 40
IMPORTS = 16
"""Packages in the table of imports."""
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


def frame_ms(spec: ScreenSpec, size: tuple[int, int]) -> float:
    """CPU time of a frame of a screen whose snapshot is new each time, drawn and turned into the terminal's lines, ms: the median
    of `FRAMES`."""
    base, history, colours = sample.warning(), sample.history(), palette("day")
    times = []
    for number in range(FRAMES):
        snap = replace(base, t_ns=base.t_ns + number * sample.SECOND // 10)
        history.feed(snap)
        begin = time.process_time()
        canvas = draw_page(View(snap, sample.rig(), "LIVE", history=history), spec, *size)
        for y in range(canvas.height):
            strip(canvas, y, colours)
        times.append(time.process_time() - begin)
    return 1e3 * statistics.median(times)


def child_cpu_ms(environment: dict[str, str], *command: str) -> float:
    """CPU time of a command, ms: the mean of `CALLS`, for the clock of a process ticks in 10 ms."""
    subprocess.run(command, stdout=subprocess.DEVNULL, check=True, env=environment)
    before = os.times()
    for _ in range(CALLS):
        subprocess.run(command, stdout=subprocess.DEVNULL, check=True, env=environment)
    after = os.times()
    spent = after.children_user + after.children_system - before.children_user - before.children_system
    return 1e3 * spent / CALLS


def first_paint(environment: dict[str, str], imports: Path | None = None) -> tuple[float, float]:
    """`watch` without a broker in a terminal of 120x40, up to its first paint: wall time and CPU time, s. Into `imports` go the
    times of all imports on the way, which cost time themselves."""
    master, slave = pty.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 120, 0, 0))
    begin = time.monotonic()
    errors = slave if imports is None else os.open(imports, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    timed = [] if imports is None else ["-X", "importtime"]
    process = subprocess.Popen(
        [sys.executable, *timed, "-m", "monitor.cli", "watch", "--rig", "land", "--broker", "mqtt://127.0.0.1:1", "--no-record"],
        stdin=slave, stdout=slave, stderr=errors, env=environment | {"TERM": "xterm-256color"}, start_new_session=True,
    )  # fmt: skip
    os.close(slave)
    try:
        painted = read_until(master, b"ADVISORY ONLY", 60.0, begin)
        return painted or float("nan"), cpu_s(process.pid)
    finally:
        process.kill()  # it may wait for the terminal, which nobody reads any more
        process.wait()
        os.close(master)


def print_imports(environment: dict[str, str], path: Path) -> None:
    """Print the own time of the imports up to the first paint by package, ms: the least of three starts of each module."""
    least: dict[str, float] = {}
    for _ in range(3):
        first_paint(environment, path)
        for line in path.read_text(errors="replace").splitlines():
            found = re.match(r"import time:\s+(\d+) \|\s+\d+ \| +(\S+)", line)
            if found:
                least[found[2]] = min(float(found[1]) / 1000, least.get(found[2], math.inf))
    packages: Counter[str] = Counter()
    for name, own_ms in least.items():
        parts = name.split(".")
        packages[".".join(parts[:2]) if parts[0] == "monitor" else parts[0]] += own_ms  # type: ignore[assignment]
    print(f"imports up to the first paint, own time: {len(least)} modules, {sum(least.values()):.0f} ms")
    for name, own_ms in packages.most_common(IMPORTS):
        print(f"    {name:<32} {own_ms:6.1f} ms")


def trend_bytes(hours: float = 3.0) -> int:
    """Bytes of the numbers that a screen remembers after so long."""
    history, base = History(), sample.calm()
    for second in range(round(3600 * hours)):
        history.feed(replace(base, t_ns=base.t_ns + second * sample.SECOND))
    return history.bytes


def watched_mb(hours: float = 3.0) -> tuple[float, float]:
    """Memory of a process with all that a live run with a screen imports, its trends fed ten times a second and each of its
    screens drawn now and then, MB (what is used alone, with a part of what is shared): after a minute, and after `hours`."""
    words = f"from tests.benchmarks.screen_figures import print_memory; print_memory({hours})"
    done = subprocess.run([sys.executable, "-c", words], capture_output=True, text=True, check=True)
    first, last = map(float, done.stdout.split())
    return first, last


def print_memory(hours: float) -> None:
    """The child of `watched_mb`."""
    for module in ("monitor.ui.app", "monitor.runtime.live", "monitor.adapters.mqtt.source", "monitor.commands.watch"):
        import_module(module)
    history, base, rig, colours = History(), sample.calm(), sample.rig(), palette("day")
    for tenth in range(round(36_000 * hours)):
        snap = replace(base, t_ns=base.t_ns + tenth * sample.SECOND // 10)
        history.feed(snap)
        if tenth % 600 == 0:
            for spec in SCREENS:
                canvas = draw_page(View(snap, rig, "LIVE", history=history), spec, *LARGE)
                for y in range(canvas.height):
                    strip(canvas, y, colours)
        if tenth in (600, round(36_000 * hours) - 1):
            rollup = Path("/proc/self/smaps_rollup").read_text()
            print(next(int(line.split()[1]) for line in rollup.splitlines() if line.startswith("Pss:")) / 1024)


def cost() -> list[Figure]:
    """What the screen costs, by CPU time."""
    by_screen = {spec.name: frame_ms(spec, LARGE) for spec in SCREENS}
    worst = max(by_screen, key=lambda name: by_screen[name])
    with TemporaryDirectory() as folder:
        environment = as_installed(Path(folder))
        python = child_cpu_ms(environment, sys.executable, "-c", "pass")
        words = child_cpu_ms(environment, sys.executable, "-m", "monitor.cli", "--help")
        print_imports(environment, Path(folder) / "imports.txt")
        paints = [first_paint(environment) for _ in range(RUNS + 1)][1:]
    first_mb, last_mb = watched_mb()
    wall, cpu = (statistics.median(paint[side] for paint in paints) for side in (0, 1))
    return show(
        Figure(f"a frame at {LARGE[0]}x{LARGE[1]}, Drive: CPU", by_screen["Drive"], "ms", "under 20"),
        Figure(
            f"a frame at {LARGE[0]}x{LARGE[1]}, the dearest screen ({worst}): CPU", by_screen[worst], "ms", "under 20"
        ),
        Figure("`--help`: CPU above Python's own start", words - python, "ms", "under 60"),
        Figure("watch: CPU up to the first paint, median", cpu, "s"),
        Figure("watch: command to first paint, median", wall, "s", "0.35"),
        Figure(f"watch: command to first paint, best of {RUNS}", min(paint[0] for paint in paints), "s", "0.35"),
        Figure("three hours of trends: numbers kept", trend_bytes() / 1e6, "MB"),
        Figure("screen, memory after a minute (PSS)", first_mb, "MB"),
        Figure("screen, memory after three hours of trends (PSS)", last_mb, "MB", "60"),
    )


def main(arguments: Sequence[str] | None = None) -> list[Figure]:
    """Print the figures."""
    figures = cost()
    if arguments and "cost" in arguments:
        return figures
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
