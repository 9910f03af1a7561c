"""Days of work and hundreds of faults in one process: memory, handles, latency by the hour, and what came of each fault.

Run it with ``python -m tests.benchmarks.soak_figures --hours 72 --faults 200``; without options it runs one hour with three
faults. It goes as fast as the machine lets it (about 100 times real speed), and prints a line per hour of the stream, then
the faults that were not recovered and a summary. With ``-o soak.csv`` the hours go into that file and the faults into
``soak-faults.csv`` beside it. ``--minutes`` ends it after so much real time at the next full hour; Ctrl-C ends it at once and
tells what was reached. `tests.benchmarks.soak` says how a fault is judged.

The second soak has viewers that come and go (``--viewers``), and days on which clocks do odd things: ``--start
2026-10-25T00:30 --zone Europe/Paris`` is an hour of which people there have two, ``--start 2016-12-31T23:30`` has a leap second.
"""

import argparse
import contextlib
import csv
import gc
import os
import random
import sys
import threading
import time
import tracemalloc
from collections import Counter
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from monitor.adapters.sessions.catalogue import verify_session
from monitor.adapters.sessions.folder import session_files
from simulators.scenario.plant_source import DEFAULT_ORIGIN_NS
from tests.benchmarks.figures import Figure
from tests.benchmarks.soak import PARTS, Soak
from tests.benchmarks.soak_faults import deck
from tests.benchmarks.soak_viewers import Viewers

HOUR_S = 3600.0
GROWTH_MB = 5.0


def resident_mb() -> float:
    """Memory of this process that is in use now, MB."""
    with open("/proc/self/statm", encoding="ascii") as file:
        return int(file.read().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6


def containers_of(root: object) -> dict[str, int]:
    """Sizes of every list, dict, deque and set that the monitor's own objects under `root` hold, by the way to it."""
    found: dict[str, int] = {}
    seen: set[int] = set()
    waiting: list[tuple[str, object]] = [("core", root)]
    while waiting:
        way, thing = waiting.pop()
        if id(thing) in seen or isinstance(thing, (str, bytes, int, float, type)) or thing is None:
            continue
        seen.add(id(thing))
        if hasattr(thing, "__len__") and not isinstance(thing, tuple):
            found[way] = len(thing)
        if isinstance(thing, dict):
            waiting += [(f"{way}.{key}", value) for key, value in thing.items()]
        elif isinstance(thing, (list, tuple, set, frozenset)) or type(thing).__name__ == "deque":
            waiting += [(f"{way}[]", value) for value in list(thing)]  # type: ignore[call-overload]
        elif type(thing).__module__.startswith("monitor"):
            names = [name for cls in type(thing).__mro__ for name in getattr(cls, "__slots__", ())]
            names += list(getattr(thing, "__dict__", {}))
            waiting += [(f"{way}.{name}", getattr(thing, name, None)) for name in names]
    totals: Counter[str] = Counter()
    for way, size in found.items():
        totals[way] += size
    return dict(totals)


def hour_row(soak: Soak, t_s: float, started: tuple[float, float]) -> dict[str, Any]:
    """Figures of the hour that ends at `t_s`."""
    soak.recorder.flush(30.0)
    gc.collect()
    # `blocks` counts what is alive in Python's own memory: resident memory keeps what a burst once needed.
    cpu, wall = soak.cpu.take(), soak.wall.take()
    done = [case for case in soak.cases if case.outcome]
    return {
        "hour": round(t_s / HOUR_S, 2),
        "rss_mb": round(resident_mb(), 2),
        "handles": len(os.listdir("/proc/self/fd")) - 1,
        "threads": threading.active_count(),
        "blocks": sys.getallocatedblocks(),
        "objects": len(gc.get_objects()),
        "core_entries": sum(containers_of(soak.core).values()),
        "advance_p50_us": round(cpu["p50_us"]),
        "advance_p99_us": round(cpu["p99_us"]),
        "advance_max_us": round(cpu["max_us"]),
        "advance_p99_wall_us": round(wall["p99_us"]),
        "advance_max_wall_us": round(wall["max_us"]),
        "frames": soak.runner.frames,
        "findings": soak.lines.count,
        "actions": soak.actions,
        "lost": soak.recorder.lost,
        "faults": len(soak.cases),
        "recovered": sum(case.outcome == "recovered" for case in done),
        "failed": sum(case.outcome != "recovered" for case in done),
        "wall_s": round(time.monotonic() - started[0]),
        "cpu_s": round(time.process_time() - started[1]),
    }


def main(arguments: Sequence[str] | None = None) -> list[Figure]:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hours", type=float, default=1.0)
    parser.add_argument("--faults", type=int, default=3)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--minutes", type=float, help="of real time after which it ends at the next hour")
    parser.add_argument("-o", dest="output", type=Path, help="CSV file for the hours; the faults go beside it")
    parser.add_argument("--trace", action="store_true", help="say where memory grew (half as fast)")
    parser.add_argument("--viewers", action="store_true", help="browsers come and go meanwhile")
    parser.add_argument("--start", type=datetime.fromisoformat, help="UTC time at which the stream begins")
    parser.add_argument("--zone", help="time zone of the computer")
    given = parser.parse_args(arguments)
    if given.zone:
        os.environ["TZ"] = given.zone
        time.tzset()
    origin_ns = DEFAULT_ORIGIN_NS
    if given.start:
        origin_ns = int(given.start.replace(tzinfo=UTC).timestamp()) * 1_000_000_000
    with TemporaryDirectory(prefix="soak-") as folder, open(os.devnull, "w", encoding="utf-8") as findings:
        draw = random.Random(f"deck:{given.seed}")
        probe = Soak([], 0.1, given.seed, Path(folder, "probe"), findings)
        probe.close()
        mishaps = deck(probe.rig, given.faults, given.hours, draw)
        soak = Soak(mishaps, given.hours, given.seed, Path(folder, "sessions"), findings, origin_ns=origin_ns)
        viewers = None
        if given.viewers:
            viewers = Viewers(soak.rig, soak.core.snapshot, random.Random(f"viewers:{given.seed}"))
        rows = _run(soak, given, viewers)
        kept = list(session_files(soak.folder))
        unsound = [problem for path in kept for problem in verify_session(path)]
        _print_summary(soak, rows, len(kept), unsound)
    done = [case for case in soak.cases if case.outcome]
    hours = f"{rows[-1]['hour']:g} h" if rows else "under an hour"
    calm = soak.calm
    name = "second soak" if given.viewers else "soak"
    return [
        Figure(
            f"{name}: faults recovered from",
            sum(case.outcome == "recovered" for case in done),
            f"of {len(done)}",
            "all",
        ),
        Figure(f"{name}: memory after the first hour", _growth_mb(rows), f"MB more, {hours}", f"under {GROWTH_MB:g}"),
        Figure(f"{name}: frames lost", soak.recorder.lost, f"of {soak.runner.frames:,}", "0"),
        Figure(f"{name}: sessions unsound", len({*unsound}), f"of {len(kept)} kept", "0"),
        Figure(f"{name}: VALID between faults", 100 * calm["valid"] / max(1, calm["looked"]), "% of looks"),
    ]


def _run(soak: Soak, given: argparse.Namespace, viewers: Viewers | None) -> list[dict[str, Any]]:
    started = (time.monotonic(), time.process_time())
    rows: list[dict[str, Any]] = []
    first: dict[str, int] = {}
    before: tracemalloc.Snapshot | None = None
    next_s = HOUR_S
    with contextlib.suppress(KeyboardInterrupt):  # what was reached is told all the same
        for t_s in soak.seconds():
            if viewers is not None:
                viewers.look()
            if t_s < next_s - 0.5 or soak.recorder.state != "on":
                continue
            next_s += HOUR_S
            rows.append(hour_row(soak, t_s, started))
            print("  ".join(f"{name} {value}" for name, value in rows[-1].items()), flush=True)
            if given.output:
                _write(given.output, rows)
                _write(given.output.with_name(given.output.stem + "-faults.csv"), [case.row() for case in soak.cases])
            first = first or containers_of(soak.core)
            if given.trace and not tracemalloc.is_tracing():
                tracemalloc.start(8)
                before = tracemalloc.take_snapshot()
            if given.minutes and time.monotonic() - started[0] > 60 * given.minutes:
                break
    if viewers is not None:
        viewers.close()
        print(f"viewers that came {viewers.came}, left {viewers.left}; pictures sent {viewers.pictures:,}")
    soak.recorder.flush(60.0)
    soak.close()
    grown = {way: size - first.get(way, 0) for way, size in containers_of(soak.core).items()} if first else {}
    for way, more in sorted(grown.items(), key=lambda item: -item[1])[:8]:
        if more > 0:
            print(f"grew by {more:6d}: {way}")
    if before is not None:
        for line in tracemalloc.take_snapshot().compare_to(before, "lineno")[:15]:
            print(line)
    if given.output:
        _write(given.output.with_name(given.output.stem + "-faults.csv"), [case.row() for case in soak.cases])
    return rows


def _write(path: Path, rows: list[dict[str, Any]]) -> None:
    if not rows:
        return
    with open(path, "w", encoding="utf-8", newline="") as file:
        table = csv.DictWriter(file, list(rows[0]))
        table.writeheader()
        table.writerows(rows)


def _growth_mb(rows: list[dict[str, Any]]) -> float:
    """From the first hour's end to the last's."""
    return float(rows[-1]["rss_mb"] - rows[0]["rss_mb"]) if rows else 0.0


def _print_summary(soak: Soak, rows: list[dict[str, Any]], kept: int, unsound: list[str]) -> None:
    done = [case for case in soak.cases if case.outcome]
    well = [case for case in done if case.outcome == "recovered"]
    print(f"\nfaults {len(soak.cases)}, judged {len(done)}, recovered {len(well)}")
    for case in soak.cases:
        if case.outcome != "recovered":
            m = case.mishap
            place = f"{case.number:4d} at {m.start_s / HOUR_S:6.2f} h for {m.length_s:4.0f} s"
            print(f"  {place}  {m.words}: {case.outcome or 'still open'}")
    for part in PARTS:
        times = sorted(case.done_s[part] for case in done if part in case.done_s)
        if times:
            middle, most = times[len(times) // 2], times[int(0.9 * len(times))]
            print(f"{part + ' back after':22} median {middle:5.0f} s, 90 % {most:5.0f} s, longest {times[-1]:5.0f} s")
    asked = Counter(case.referenced for case in done)
    print(f"the crew gave the height after {asked['always']} faults that move the datum and {asked['needed']} others")
    beyond = [case for case in done if case.worst_m > 0.01]
    print(f"a VALID height beyond its bound by over 1 cm during {len(beyond)} of {len(done)} faults: "
          f"{dict(Counter(case.mishap.kind for case in beyond).most_common(6))}")  # fmt: skip
    calm = soak.calm
    if calm["valid"]:
        print(f"between faults: {calm['looked']} looks, VALID {calm['valid'] / calm['looked']:.2%}, beyond the bound "
              f"{calm['wrong'] / calm['valid']:.3%} of these (worst by {calm['worst_m']:.3f} m); "
              f"{calm['unasked']} references asked for, "
              f"{calm['stuck']} times work began afresh, {calm['parted']} new lines")  # fmt: skip
    print(
        f"frames {soak.runner.frames}, findings {soak.lines.count}, crew actions {soak.actions}, frames lost {soak.recorder.lost}"
    )
    print(f"alarms raised {soak.tally.raised}")
    print(f"sessions kept {kept}, of them unsound: {unsound or 'none'}")
    if rows:
        last = rows[-1]
        print(f"memory {rows[0]['rss_mb']} MB after the first hour, {last['rss_mb']} MB at {last['hour']} h: "
              f"{_growth_mb(rows):+.2f} MB (goal: under {GROWTH_MB:g})")  # fmt: skip
        for name in ("blocks", "core_entries", "handles", "threads"):
            print(f"{name} {rows[0][name]} after the first hour, {last[name]} at the end")
        print(f"speed {HOUR_S * last['hour'] / max(1, last['wall_s']):.0f} times real time, "
              f"{HOUR_S * last['hour'] / max(1, last['cpu_s']):.0f} of CPU time")  # fmt: skip


if __name__ == "__main__":
    main()
