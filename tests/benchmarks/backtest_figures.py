"""What a back-test costs: in this process, on one and on two Dask workers, and from what was kept.

Run it with ``python -m tests.benchmarks.backtest_figures``. Sessions of a simulated trip, each of another seed, are replayed
under the recorded rules and under changed ones; the page is left out. Wall time of one run, start of the workers apart. What a
year of many rigs would take is by calculation: hours recorded, times the cost of one, both sides.
"""

import argparse
import time
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory

from monitor.config.rig_file import find_rig
from monitor.fleet.backtest import AlarmRow, Rules, backtest
from monitor.fleet.engine import Place
from monitor.fleet.parts import Parts
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.record import record
from simulators.scenario.scenario import find_scenario
from tests.benchmarks.figures import Figure, show
from tests.support.recorded import changed, rules

YEAR_H = 8766.0
RIGS = 1000


def main(arguments: Sequence[str] | None = None) -> list[Figure]:
    """Print the figures."""
    parser = argparse.ArgumentParser(description="Cost of a back-test.")
    parser.add_argument("--sessions", type=int, default=12, help="sessions")
    parser.add_argument("--minutes", type=float, default=10.0, help="length of each")
    args = parser.parse_args(arguments)
    hours = args.sessions * args.minutes / 60.0
    sides = Rules(), Rules(changed(rules(), "brake-now-up", on_delay_s=0.6), "changed")
    with TemporaryDirectory() as name:
        folder = Path(name)
        sessions = [str(_session(folder, seed, 60.0 * args.minutes)) for seed in range(args.sessions)]
        megabytes = sum(Path(path).stat().st_size for path in sessions) / 1e6
        rows: list[AlarmRow] = []
        took = {}
        for words, place in (("here", Place()), ("one", Place(workers=1)), ("two", Place(workers=2))):
            _all(place)  # imports, and what else is done once
            start_s = _timed(partial(_all, place)) if place.workers else 0.0
            took[words] = (
                _timed(partial(backtest, sessions, sides, Parts(folder / words), place, {}, rows.extend)) - start_s
            )
        kept_s = _timed(lambda: backtest(sessions, sides, Parts(folder / "two"), Place(), {}, rows.extend))
        tasks = 2000
        empty_s = _timed(partial(_all, Place(workers=2), tasks))
        part_kb = sum(path.stat().st_size for path in (folder / "two").iterdir()) / 1e3 / (2 * len(sessions))
    core_s = took["here"] / hours
    year_h = RIGS * YEAR_H * core_s / 3600.0
    return show(
        Figure("both sides of an hour recorded, in this process", core_s, "s"),
        Figure("two workers against one", took["one"] / took["two"], "times", "1.8"),
        Figure("one worker against this process", took["one"] / took["here"], "times"),
        Figure("the same again, from what was kept", kept_s / len(sessions) * 1e3, "ms a session"),
        Figure("a task that does nothing, two workers, with their start", empty_s / tasks * 1e3, "ms"),
        Figure("kept of a session and side", part_kb, "kB"),
        Figure(f"{RIGS} rigs, a year, on one core (by calculation)", year_h, "h"),
        Figure(f"{RIGS} rigs, a year, recordings (by calculation)", RIGS * YEAR_H * megabytes / hours / 1e6, "TB"),
    )


def _all(place: Place, tasks: int = 1) -> list[object]:
    """So many tasks that do nothing."""
    return list(place.results(abs, range(tasks)))


def _session(folder: Path, seed: int, seconds: float) -> Path:
    plan = find_scenario("calm-trip")
    path = folder / f"{seed}.stopmark"
    record(PlantSource(find_rig(plan.rig), plan, seed=seed, duration_s=seconds), path)
    return path


def _timed(work: Callable[[], object]) -> float:
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


if __name__ == "__main__":
    main()
