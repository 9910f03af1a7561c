"""What one sample and one evaluation of all signals and rules cost.

Run it with ``python -m tests.benchmarks.core_figures``. A calm trip of the land rig is simulated first; then its frames are fed
to a core with the clock of the process (CPU time, so that a busy machine tells nearly the same). Evaluations are timed by
advancing an otherwise idle core from grid point to grid point; a sample's cost is what remains of the whole.
"""

import time

from monitor.config import find_rig
from monitor.core.types import GRID_NS, Frame
from simulators.feed import shipped_core
from simulators.scenario import find_scenario
from simulators.session import PlantSource

SECONDS = 120.0


def main() -> None:
    """Print the figures."""
    rig = find_rig("land")
    start = time.process_time()
    frames = list(PlantSource(rig, find_scenario("calm-trip"), 1, duration_s=SECONDS).items())
    plant_s = time.process_time() - start
    core = shipped_core(rig)
    evaluating = 0.0
    whole = time.process_time()
    for item in frames:
        item = core.admit(item)
        # The grid points that this frame makes due are run on their own first: what `ingest` then does is the sample.
        begin = time.process_time()
        core.advance(item.t_ns)
        evaluating += time.process_time() - begin
        if isinstance(item, Frame):
            core.ingest(item)
    whole = time.process_time() - whole
    points = SECONDS * 1e9 / GRID_NS
    clock = _clock_cost()
    evaluating -= clock * len(frames)
    sampling = whole - evaluating - 2 * clock * len(frames)
    print(f"one evaluation of all signals and rules   {1e6 * evaluating / points:7.1f} us  (goal: under 150)")
    print(f"one sample, from bytes into the estimator {1e6 * sampling / len(frames):7.2f} us  (goal: under 8)")
    print(f"plant, operator and sensors               {SECONDS / plant_s:7.0f} times real time")
    print(f"monitor                                   {SECONDS / whole:7.0f} times real time")
    print(f"both                                      {SECONDS / (plant_s + whole):7.0f} times real time (goal: 200)")


def _clock_cost() -> float:
    begin = time.process_time()
    for _ in range(100_000):
        time.process_time()
    return (time.process_time() - begin) / 100_000


if __name__ == "__main__":
    main()
