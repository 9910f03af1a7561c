"""What compiling gives: replay, grid point, plant and danger trial, interpreted and compiled, in turns in one run.

Run it with ``python -m tests.benchmarks compiled_figures --write``, beside the environment that `.ci/compiled` makes. Both run
the same measurements in processes of their own, one after the other and in several rounds; CPU times, the best of the rounds.
"""

import argparse
import json
import os
import shutil
import subprocess
import sys
import time
from collections import deque
from collections.abc import Mapping, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

from monitor.adapters.sessions.reader import SessionReader
from monitor.build import KIND
from monitor.config.rig_file import find_rig
from monitor.core.sensors.decoder import Decoder
from monitor.model.stream import GRID_NS, Action, Frame
from monitor.runtime.replay import ReplayDriver
from simulators.scenario.direct_feed import shipped_core
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.record import record
from simulators.scenario.scenario import find_scenario
from simulators.trial.cases import case_of
from simulators.trial.runs import run_case
from tests.benchmarks.core_figures import cpu_s, full_rate, parts_s
from tests.benchmarks.figures import Figure, show

ROOT: Final = Path(__file__).parents[2]
COMPILED: Final = ROOT / ".venv-compiled" / "bin" / "python"
SECONDS: Final = 120.0
ROUNDS: Final = 3
TRIALS: Final = 6
GOALS: Final[Mapping[str, str]] = {
    "replay, twelve sensors at 20 Hz": "1,600",
    "plant, sensors and monitor, land rig": "500",
}
"""Of the compiled one, in times real time."""


def main(arguments: Sequence[str] | None = None) -> list[Figure]:
    """Print the figures of both, and how many times faster the compiled one is."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument(
        "--compiled", type=Path, default=COMPILED, metavar="PYTHON", help="default: that of `.ci/compiled`"
    )
    parser.add_argument("--rounds", type=int, default=ROUNDS)
    parser.add_argument("--measure", action="store_true", help=argparse.SUPPRESS)
    args = parser.parse_args(arguments)
    if args.measure:
        print(json.dumps({"kind": KIND} | measured()))
        return []
    if not args.compiled.exists():
        parser.error(f"{args.compiled} is not there: .ci/compiled makes that environment, or name another")
    pure, fast = in_turns(args.compiled, args.rounds)
    figures: list[Figure] = []
    for name, (unit, more) in UNITS.items():
        a, b = pure[name], fast[name]
        figures += show(
            Figure(f"{name}, interpreted", a, unit),
            Figure(f"{name}, compiled", b, unit, GOALS.get(name, "")),
            Figure(f"{name}: compiled is faster", b / a if more else a / b, "times"),
        )
    return figures


UNITS: Final[Mapping[str, tuple[str, bool]]] = {
    "replay, twelve sensors at 20 Hz": ("times real time", True),
    "one grid point": ("us", False),
    "one sample": ("us", False),
    "reading a session, for a second of it": ("ms", False),
    "plant, operator and sensors, land rig": ("times real time", True),
    "plant, sensors and monitor, land rig": ("times real time", True),
    "danger trial, runs a second of CPU": ("runs/s", True),
    "danger trial": ("times real time", True),
}
"""What is measured: its unit, and whether more is better."""


def in_turns(python: Path, rounds: int) -> tuple[dict[str, float], dict[str, float]]:
    """The best of each measurement, interpreted (the sources of this tree) and compiled (what `python` has installed)."""
    best: tuple[dict[str, float], dict[str, float]] = ({}, {})
    with TemporaryDirectory() as folder:
        for part in ("tests", "config"):  # apart from the sources, which Python would take
            shutil.copytree(ROOT / part, Path(folder) / part)
        for turn in range(rounds):
            for found, interpreter, place in zip(
                best, (sys.executable, str(python)), (ROOT, Path(folder)), strict=True
            ):
                said = _measured_by(interpreter, place)
                kind = said.pop("kind")
                if kind != ("pure Python" if found is best[0] else "compiled"):
                    raise SystemExit(f"{interpreter} runs Stopmark {kind}")
                print(
                    f"round {turn + 1}, {kind}: " + ", ".join(f"{name} {n:.4g}" for name, n in said.items()), flush=True
                )
                for name, number in said.items():
                    better = max if UNITS[name][1] else min
                    found[name] = better(found.get(name, number), number)
    return best


def _measured_by(interpreter: str, place: Path) -> dict[str, float]:
    command = [interpreter, "-m", "tests.benchmarks.compiled_figures", "--measure"]
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}
    done = subprocess.run(command, cwd=place, env=environment, capture_output=True, text=True, check=True)
    found: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return found


def measured() -> dict[str, float]:
    """The measurements by this interpreter."""
    rig, scenario = find_rig("land"), find_scenario("calm-trip")
    full = full_rate(rig)
    found: dict[str, float] = {}
    with TemporaryDirectory() as folder:
        path = Path(folder) / "figures.stopmark"
        record(PlantSource(full, scenario, 1, duration_s=SECONDS), path)
        with SessionReader(path) as session:
            found["replay, twelve sensors at 20 Hz"] = SECONDS / cpu_s(ReplayDriver(session, float("inf")).play_out)
            decoder = Decoder(full)
            found["reading a session, for a second of it"] = (
                1e3 * cpu_s(lambda: deque(session.readings(decoder), maxlen=0)) / SECONDS
            )
            items = [*session.readings(decoder)]
    evaluating, sampling = parts_s(full, items)
    found["one grid point"] = 1e6 * evaluating * GRID_NS / (SECONDS * 1e9)
    found["one sample"] = 1e6 * sampling / len(items)
    sent: list[Frame | Action] = []
    plant_s = cpu_s(lambda: sent.extend(PlantSource(rig, scenario, 1, duration_s=SECONDS).items()))
    core = shipped_core(rig)
    core_s = cpu_s(lambda: [core.feed(item) for item in sent])
    found["plant, operator and sensors, land rig"] = SECONDS / plant_s
    found["plant, sensors and monitor, land rig"] = SECONDS / (plant_s + core_s)
    begin = time.process_time()
    stream_s = sum(run_case(case_of("danger", 3, index))["stream_s"] for index in range(TRIALS))
    took_s = time.process_time() - begin
    found["danger trial, runs a second of CPU"] = TRIALS / took_s
    found["danger trial"] = stream_s / took_s
    return found


if __name__ == "__main__":
    main()
