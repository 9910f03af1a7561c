"""Figures of floods and of broker faults.

Run it with ``python -m tests.benchmarks.flood_figures``; it prints one line per flood (30 s each) and per fault. With
``--only NAME …`` only those; ``--seconds`` and ``--rate`` make it shorter or milder; ``--cycles 200`` restarts a broker that
often under one monitor. A flood needs the sender, the monitor and the broker to run at once: on a machine with two busy
cores what is really offered is less than asked for, and is printed.
"""

import argparse
import asyncio
import gc
import logging
import os
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.adapters.mqtt.faults_of_broker import BROKER_FAULTS, outcome_of
from tests.adapters.mqtt.test_source import Listener, listening
from tests.benchmarks.figures import Figure, show
from tests.support.broker import Mosquitto, until
from tests.support.flooded_child import memory_bytes
from tests.support.flooding import Course, flooded

FLOODS = {
    "flood": "all sensors, straight",
    "mosquitto": "all sensors, mosquitto",
    "one": "one sensor gone mad",
    "storm": "topics nobody asked for",
    "giant": "payloads of 256 MB",
    "batches": "batches of 100,000",
    "full": "batches of 10,000 (readings/s)",
    "drip": "byte by byte",
}
COLUMNS = (
    ("offered/s", 10), ("offered", 10), ("taken", 9), ("dropped", 9), ("foreign", 9), ("memory MB", 9), ("CPU", 5),
    ("rules late ms", 13), ("loop CPU ms", 11), ("age ms", 9), ("screen ms", 9), ("back s", 6), ("connections", 11),
)  # fmt: skip


def head() -> None:
    """The table's first line."""
    print(f"{'':<32}" + " ".join(f"{name:>{width}}" for name, width in COLUMNS), flush=True)


def row(name: str, course: Course) -> list[Figure]:
    """One flood. Late, age and screen: median of the worst in each tenth of a second, and worst of all."""
    offered = course.offered
    cpu = (course.during[-1]["cpu"] - course.before[-1]["cpu"]) / (course.during[-1]["at"] - course.before[-1]["at"])
    cells = (
        f"{offered['rate']:,.0f}", f"{offered['sent']:,}", f"{course.gain('received'):,.0f}",
        f"{course.gain('dropped'):,.0f}", f"{course.gain('foreign'):,.0f}", f"{course.memory_mb:.1f}", f"{cpu:.0%}",
        _pair(course, "rules_late_s"), _pair(course, "rules_cpu_s"), _pair(course, "age_most_s"), _pair(course, "screen_gap_s"),
        f"{course.recovery_s:.1f}", f"{course.gain('connections'):.0f} more",
    )  # fmt: skip
    text = " ".join(f"{cell:>{width}}" for cell, (_, width) in zip(cells, COLUMNS, strict=True))
    print(f"{name:<32}{text}", flush=True)
    flood = f"flood, {name}"
    figures = [
        Figure(f"{flood}: offered", offered["rate"], "messages/s"),
        Figure(f"{flood}: memory", course.memory_mb, "MB more", "bounded"),
        Figure(f"{flood}: rules late, median", course.median("rules_late_s") * 1e3, "ms", "50"),
        Figure(f"{flood}: rules late, worst", course.most("rules_late_s") * 1e3, "ms", "100"),
        Figure(
            f"{flood}: the loop's own work between two turns of the rules, worst",
            course.most("rules_cpu_s") * 1e3,
            "ms CPU",
            "50",
        ),
        Figure(f"{flood}: as usual again after", course.recovery_s, "s", "2"),
    ]
    if course.most("screen_gap_s") > 0:
        figures.append(Figure(f"{flood}: picture late, worst", course.most("screen_gap_s") * 1e3, "ms"))
    return figures


def _pair(course: Course, name: str) -> str:
    return f"{course.median(name) * 1e3:.0f}/{course.most(name) * 1e3:.0f}"


async def cycles(count: int) -> list[Figure]:
    """Restart a broker `count` times under one monitor; print what has grown after the first tenth."""
    with TemporaryDirectory() as folder:
        broker = Mosquitto(Path(folder), quiet=True).start()
        start = 0
        slowest_s = 0.0
        loop = asyncio.get_running_loop()
        try:
            async with listening(Listener(broker.url, ["rig/a"])) as heard:
                await until(lambda: heard.connected, "a connection")
                for number in range(count):
                    if number == count // 10:
                        gc.collect()
                        start, handles = memory_bytes(), len(os.listdir("/proc/self/fd"))
                    broker.stop()
                    await until(lambda: "nothing answers" in heard.words, "words")
                    broker.start()
                    up_s = loop.time()
                    await until(lambda: heard.connected, "the return", 10.0)
                    slowest_s = max(slowest_s, loop.time() - up_s)
                    heard.states[:] = heard.states[-1:]
                gc.collect()
                grown = (memory_bytes() - start) / 1e6
                more = len(os.listdir("/proc/self/fd")) - handles
        finally:
            broker.stop()
    name = f"{count} broker restarts under one source"
    return show(
        Figure(f"{name}: memory", grown, "MB more", "no growth"),
        Figure(f"{name}: file handles", more, "more", "0"),
        Figure(f"{name}: slowest return", slowest_s, "s", "2"),
    )


def main(arguments: Sequence[str] | None = None) -> list[Figure]:
    """Print all figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    names = (*FLOODS, "faults")
    parser.add_argument("--only", nargs="+", choices=names, default=names)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--rate", type=float, default=100_000.0)
    parser.add_argument("--screen", action="store_true", help="the monitor draws its screen as well")
    parser.add_argument("--cycles", type=int, default=0, help="how often to restart a broker under one monitor")
    args = parser.parse_args(arguments)
    logging.disable(logging.WARNING)
    if args.cycles:
        return asyncio.run(cycles(args.cycles))
    figures: list[Figure] = []
    if set(args.only) & FLOODS.keys():
        head()
    for mode, name in FLOODS.items():
        if mode in args.only:
            with (
                TemporaryDirectory() as folder,
                flooded(mode, Path(folder), args.rate, args.seconds, args.screen) as play,
            ):
                figures += row(name, play())
    if "faults" in args.only:
        print(f"{'':<32}{'announced s':>11} {'back s':>7} {'twice':>6}  words")
        outcomes = []
        for fault in BROKER_FAULTS:
            outcome = asyncio.run(outcome_of(fault))
            outcomes.append(outcome)
            print(
                f"{fault:<32}{outcome.announced_s:>11.2f} {outcome.back_s:>7.2f} {outcome.twice:>6}  {outcome.words}",
                flush=True,
            )
        name = f"{len(outcomes)} broker faults"
        figures += [
            Figure(f"{name}: announced after, worst", max(o.announced_s for o in outcomes), "s", "1 (stale time)"),
            Figure(f"{name}: back after, worst", max(o.back_s for o in outcomes), "s", "2"),
            Figure(f"{name}: counted twice", sum(o.twice for o in outcomes), "", "0"),
        ]
    return figures


if __name__ == "__main__":
    main()
