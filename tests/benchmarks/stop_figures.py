"""Is the assured stop mark kept, and what does the assurance cost? Full-brake stops of the simulated rig, seen by the monitor.

Run it with ``python -m tests.benchmarks.stop_figures [--runs N] [--seed S] [--jobs J]``. Each run is one machine that differs
from its file (see `simulators.machine.truth`: rope, sheave factor, inertia, friction, lag), with its own load and speed
and place in the mast, moved by the simulated operator and stopped with a full brake. The mark is taken from the monitor one
reaction time before the brake lever moves, which is what the mark promises: "if braking is called for now".
"""

import argparse
import math
import multiprocessing
import random
import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from monitor.config.rig_file import find_rig
from monitor.model.stream import Frame
from simulators.scenario.direct_feed import shipped_core
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.scenario import Scenario, Work
from tests.benchmarks.figures import Figure, show

RUN_S = 40.0
FULL_LEVER = 0.5


@dataclass(frozen=True)
class Stop:
    """One stop: distances in m, positive where the truth stayed inside."""

    direction: int
    speed_m_s: float
    load_kg: float
    inside_m: float
    """Assured mark less truth, along the motion: below 0 the truth went past it."""
    expected_error_m: float


def one(seed: int) -> Stop | None:
    """Drive one run; None where the mark was not known or the block did not come to rest in time."""
    draw = random.Random(f"stops:{seed}")
    rig = find_rig("land")
    down = draw.random() < 0.65
    string = draw.uniform(0.05e6, 2.2e6) if down else draw.choice([0.0, draw.uniform(0.0, 0.4e6)])
    speed = draw.uniform(0.3, 1.3)
    if draw.random() < 0.2 and down:
        string, speed = 150_000 * 9.80665 - rig.block.mass_kg * 9.80665, 1.0
    settings = {"string_n": string, "lower_m_s": speed, "hoist_m_s": speed}
    start = draw.uniform(22.0, 34.0) if down else draw.uniform(2.0, 12.0)
    settings["brake_at_m"] = start - draw.uniform(9.0, 14.0) if down else start + draw.uniform(9.0, 14.0)
    work = Work(program="run-to-floor" if down else "run-to-crown", start_m=start, settings=settings)
    scenario = Scenario(description="full-brake stop", work=work, duration_s=RUN_S)
    source = PlantSource(rig, scenario, seed)
    core = shipped_core(rig)
    marks: list[tuple[float, float, float, float]] = []
    called_s = math.nan
    way = -1 if down else 1
    far, moved = -math.inf, False
    last_grid = 0
    for item in source.items():
        if isinstance(item, Frame):
            core.feed(item)
        plant = source.plant
        t = plant.t_s
        if core.now_ns // 50_000_000 != last_grid:
            last_grid = core.now_ns // 50_000_000
            mark = core.snapshot().marks
            marks.append((t, mark.assured_down_m if down else mark.assured_up_m, mark.expected_m, plant.speed_m_s))
        moved = moved or abs(plant.speed_m_s) > 0.2
        if moved and math.isnan(called_s) and plant.levers.brake >= FULL_LEVER and t > 3.0:
            called_s = t
        if not math.isnan(called_s):
            far = max(far, way * plant.height_m)
            if t > called_s + 0.5 and abs(plant.speed_m_s) < 1e-3:
                break
    else:
        return None
    before = [mark for mark in marks if mark[0] <= called_s - rig.limits.reaction_s]
    if math.isnan(called_s) or not before or math.isnan(before[-1][1]):
        return None
    _, assured, expected, at_speed = before[-1]
    return Stop(way, abs(at_speed), rig.block.mass_kg + string / 9.80665, way * assured - far, way * expected - far)


def main(arguments: Sequence[str] | None = None) -> list[Figure]:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--runs", type=int, default=400)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=multiprocessing.cpu_count())
    args = parser.parse_args(arguments)
    seeds = range(args.seed * 1_000_000, args.seed * 1_000_000 + args.runs)
    with multiprocessing.Pool(args.jobs) as pool:
        found = pool.map(one, seeds, chunksize=8)
    stops = [stop for stop in found if stop is not None]
    kept = sum(stop.inside_m >= 0 for stop in stops)
    print(f"assured mark kept in {kept} of {len(stops)} stops; {args.runs} runs, seed {args.seed}")
    for seed, stop in zip(seeds, found, strict=True):
        if stop is not None and stop.inside_m < 0:
            print(f"  passed by {-stop.inside_m:.3f} m: seed {seed}, {stop}")
    for name, way in (("lowering", -1), ("hoisting", 1)):
        some = [stop for stop in stops if stop.direction == way]
        if some:
            print(f"{name}: median room given away       {statistics.median(s.inside_m for s in some):.3f} m")
            print(
                f"{name}: median |expected - truth|    {statistics.median(abs(s.expected_error_m) for s in some):.3f} m"
            )
    alike = [s for s in stops if s.direction < 0 and 0.9 <= s.speed_m_s <= 1.1 and 130e3 <= s.load_kg <= 170e3]
    figures = [
        Figure("full-brake stops looked at", len(stops), f"of {args.runs} runs, seed {args.seed}"),
        Figure("assured stop mark kept in full-brake stops", 100 * kept / len(stops), "%", "99.9"),
    ]
    if alike:
        given_away_m = statistics.median(s.inside_m for s in alike)
        figures.append(Figure("room given away at 1 m/s with 150 t, median", given_away_m, "m", "0.5"))
    return show(*figures)


if __name__ == "__main__":
    main()
