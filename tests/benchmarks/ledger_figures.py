"""Figures of the ledger that a live run keeps: what it costs the watch, how soon an entry is on the disk, and what a kill
leaves behind.

Run it with ``python -m tests.benchmarks.ledger_figures``; ``--kills 200`` also kills a writer that often.
"""

import argparse
import time
from collections.abc import Sequence
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory

from monitor.adapters.ledger.ledger import Ledger
from monitor.adapters.ledger.writer import LedgerWriter
from monitor.config.rig_file import find_rig
from monitor.model.alarm import Finding, Severity
from monitor.runtime.assembly import core_of
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.scenario import find_scenario
from tests.adapters.ledger.writer_child import note
from tests.adapters.sessions.killing import killed_ledger
from tests.benchmarks.figures import Figure, show
from tests.support.broker import wait_until
from tests.support.recorded import rules

NOTES = 2_000
ONE_BY_ONE = 50


def cpu_us(count: int, since_s: float) -> float:
    """Microseconds of this thread's CPU time for one of `count`."""
    return (time.thread_time() - since_s) / count * 1e6


def cost(folder: Path) -> list[Figure]:
    """CPU time of the loop's thread, and time from a finding to the disk."""
    scenario = find_scenario("calm-trip")
    rig = find_rig(scenario.rig)
    source = PlantSource(rig, scenario, seed=1, duration_s=30.0)
    core = core_of(rig, rules(), "rules")
    for frame in source:
        core.feed(frame)
    writer = LedgerWriter(folder / "cost.ledger", lambda t_ns, kind, text: None, 1)
    writer.start(core.snapshot)
    began_s = time.thread_time()
    for _ in range(200):
        writer.look()
    look_us = cpu_us(200, began_s)
    alarm = Finding(1, "alarm", "ease-up", Severity.NOTICE, "normal", "unacknowledged", "x")
    began_s = time.thread_time()
    for _ in range(NOTES):
        writer.finding(alarm)
    finding_us = cpu_us(NOTES, began_s)
    took_ms = []
    for t_ns in range(2, 2 + ONE_BY_ONE):
        action, finding = note(t_ns)
        writer.action(action)
        began = time.perf_counter()
        writer.finding(finding)
        wait_until(lambda count=t_ns - 1: writer.written >= count, "the entry")  # type: ignore[misc]
        took_ms.append((time.perf_counter() - began) * 1e3)
    writer.stop()
    writer.close()
    return show(
        Figure("ledger: a look, every 5 s", look_us, "us"),
        Figure("ledger: a finding that is not for it", finding_us, "us"),
        Figure("ledger: from a finding to the disk, median", median(took_ms), "ms"),
        Figure(f"ledger: from a finding to the disk, slowest of {ONE_BY_ONE}", max(took_ms), "ms"),
    )


def kills(folder: Path, count: int) -> list[Figure]:
    """How many ledgers stay sound, and how many written entries are lost or doubled, over so many kills."""
    sound = lost = doubled = entries = 0
    for seed in range(count):
        path, reported = killed_ledger(folder, seed)
        with Ledger(path) as ledger:
            sound += not ledger.verify()
            kept = [entry.t_ns for entry in ledger.entries()]
        entries += len(reported)
        lost += len(set(reported) - set(kept))
        doubled += len(kept) - len(set(kept))
    name = f"ledger under kill -9, {count} random moments"
    return show(
        Figure(f"{name}: sound", sound, f"of {count}", str(count)),
        Figure(f"{name}: written entries lost", lost, f"of {entries:,}", "0"),
        Figure(f"{name}: entries doubled", doubled, "", "0"),
    )


def main(arguments: Sequence[str] | None = None) -> list[Figure]:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=0, metavar="N", help="kill a writer so many times")
    args = parser.parse_args(arguments)
    with TemporaryDirectory() as folder:
        return cost(Path(folder)) + (kills(Path(folder), args.kills) if args.kills else [])


if __name__ == "__main__":
    main()
