"""What one sample and one evaluation of all signals and rules cost, and how fast a session replays.

Run it with ``python -m tests.benchmarks.core_figures``. Trips of the land rig are simulated first; then their frames are fed to a
core with the clock of the process (CPU time, so that a busy machine tells nearly the same).

*Replay at max* takes a session of the land rig with twelve sensors at 20 Hz through `ReplayDriver.play_out`, the headless replay:
reading blocks, every sample, every rule. Its three parts are measured once more on their own.
"""

import argparse
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from itertools import groupby
from pathlib import Path
from tempfile import TemporaryDirectory

from monitor.adapters.sessions.reader import SessionReader
from monitor.config.rig import Rig
from monitor.config.rig_file import find_rig
from monitor.core.sensors.decoder import Decoder
from monitor.model.reading import Sample
from monitor.model.stream import GRID_NS, Action, Frame
from monitor.runtime.replay import ReplayDriver
from simulators.scenario.direct_feed import shipped_core
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.record import record
from simulators.scenario.scenario import find_scenario
from tests.benchmarks.figures import Figure, show

SECONDS = 120.0
REPLAY_SECONDS = 300.0
FULL_RATE = 20.0
"""Hz, of so many sensors:"""
FULL_RATE_SENSORS = 12
TIMES_REAL = "times real time"


def main(arguments: Sequence[str] | None = None) -> list[Figure]:
    """Print the figures."""
    parser = argparse.ArgumentParser(description="Cost of a sample and of an evaluation; speed of a replay.")
    parser.add_argument("--seconds", type=float, default=REPLAY_SECONDS, help="length of the session that is replayed")
    args = parser.parse_args(arguments)
    with TemporaryDirectory() as folder:
        return [*both(), *replaying(Path(folder) / "figures.stopmark", args.seconds), *batched()]


def both() -> list[Figure]:
    """Cost per sample and per evaluation with the sensors' own rates, and the monitor beside its plant."""
    rig = find_rig("land")
    frames: list[Frame | Action] = []
    plant_s = cpu_s(lambda: frames.extend(PlantSource(rig, find_scenario("calm-trip"), 1, duration_s=SECONDS).items()))
    evaluating, sampling = parts_s(rig, frames)
    whole = evaluating + sampling
    points = SECONDS * 1e9 / GRID_NS
    return show(
        Figure("one evaluation of all signals and rules", 1e6 * evaluating / points, "us", "under 75"),
        Figure("one sample, from bytes into the estimator", 1e6 * sampling / len(frames), "us", "under 8"),
        Figure("plant, operator and sensors", SECONDS / plant_s, TIMES_REAL),
        Figure("full monitor, land rig", SECONDS / whole, TIMES_REAL),
        Figure("plant and full monitor, land rig at 20 Hz", SECONDS / (plant_s + whole), TIMES_REAL, "200"),
    )


def replaying(path: Path, seconds: float) -> list[Figure]:
    """Speed of a headless replay, and where its time goes."""
    rig = full_rate(find_rig("land"))
    record(PlantSource(rig, find_scenario("calm-trip"), 1, duration_s=seconds), path)
    with SessionReader(path) as session:
        whole = cpu_s(ReplayDriver(session, float("inf")).play_out)
        decoder = Decoder(rig)
        reading = cpu_s(lambda: deque(session.readings(decoder), maxlen=0))
        items = [*session.readings(decoder)]
    evaluating, sampling = parts_s(rig, items)
    points = seconds * 1e9 / GRID_NS
    found = show(Figure("replay at max, land rig, twelve sensors at 20 Hz", seconds / whole, TIMES_REAL, "500"))
    for name, part, count in (
        ("reading", reading, len(items)), ("samples", sampling, len(items)), ("grid", evaluating, points),
    ):  # fmt: skip
        found += show(Figure(f"of it {name}, for a second of the stream", 1e3 * part / seconds, "ms"))
        print(f"  {1e6 * part / count:.2f} us each")
    return found


def batched(size: int = 20) -> list[Figure]:
    """Cost of a sample that comes with others in one message."""
    rig = find_rig("land")
    scenario = find_scenario("batched")
    carry = scenario.transport.model_copy(update={"batch": size})
    source = PlantSource(rig, scenario.model_copy(update={"transport": carry}), 1, duration_s=SECONDS)
    frames = list(source.items())
    _, sampling = parts_s(rig, frames)
    each_us = 1e6 * sampling / (len(frames) * size)
    return show(Figure(f"one sample of {size} in a message, core only", each_us, "us", "under 4"))


def full_rate(rig: Rig) -> Rig:
    """`rig` with its first twelve sensors at 20 Hz."""
    sensors = [
        sensor.model_copy(update={"rate_hz": FULL_RATE}) if place < FULL_RATE_SENSORS else sensor
        for place, sensor in enumerate(rig.sensors)
    ]
    return rig.model_copy(update={"sensors": tuple(sensors)})


def parts_s(rig: Rig, items: Sequence[Frame | Sample | Action]) -> tuple[float, float]:
    """CPU time of a fresh core in (grid points, everything else) while it is fed `items`."""
    core = shipped_core(rig)
    evaluating = sampling = 0.0
    clock = time.process_time
    for group in between_grid_points(items):
        begin = clock()
        # The grid points that this group makes due are run on their own first: what `ingest` then does is the samples.
        core.advance(group[0].t_ns)
        middle = clock()
        for item in group:
            core.feed(item)
        evaluating += middle - begin
        sampling += clock() - middle
    return evaluating, sampling


def between_grid_points(items: Sequence[Frame | Sample | Action]) -> Iterator[list[Frame | Sample | Action]]:
    """`items` in order, those between two grid points together."""
    for _, group in groupby(items, key=lambda item: item.t_ns // GRID_NS):
        yield list(group)


def cpu_s(work: Callable[[], object]) -> float:
    """CPU time that `work` takes."""
    begin = time.process_time()
    work()
    return time.process_time() - begin


if __name__ == "__main__":
    main()
