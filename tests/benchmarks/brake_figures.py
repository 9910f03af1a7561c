"""Figures of the brake-health watch, printed: `python -m tests.benchmarks.brake_figures [runs] [first seed]`.

Machines drawn at random about the land rig's file (rope -2 to 0 %, sheave factor 1.02 to 1.04, inertia +-20 %, friction
+-15 %, lag +-30 %) work the synthetic hoist of `tests.core.brakes.brakehealth_truth`: drum counts at 20 Hz through the estimator,
pressures with noise. Printed: error of effectiveness
after five stops (trip work, and lowering only) and after a brake stop test (lowering before it), how often the truth lies
within the stated sigma, how soon a 20 % loss of friction is seen, whether the assured scale stays below the truth, and the
cost of one update.
"""

import random
import statistics
import sys
import time
from collections.abc import Sequence

from monitor.core.brakes.health import BrakeHealth
from monitor.core.brakes.model import BrakeModel
from monitor.core.estimator.estimator import Estimator
from monitor.core.sensors.register import SensorRegister
from monitor.model.snapshot import HoistState
from tests.benchmarks.figures import Figure, show
from tests.core.brakes.brakehealth_truth import Bench, Machine
from tests.support.changed import changed

BRAKING = {"service_pressure_1": 3e6, "service_pressure_2": 3e6, "emergency_release_pressure": 2e7, "brake_lever": 0.2}
"""Readings of a brake that drags."""
MASSES_KG = (60_000.0, 100_000.0, 150_000.0, 200_000.0)


def draw(seed: int) -> Machine:
    """A machine that differs from its file as far as the file admits."""
    pick = random.Random(seed).uniform
    return Machine(
        friction=pick(0.85, 1.15),
        inertia=pick(0.8, 1.2),
        sheave_factor=pick(1.02, 1.04),
        lag=pick(0.7, 1.3),
        rope=pick(0.98, 1.0),
    )


def work(bench: Bench, ways: str) -> None:
    """Stops by letter: l lowering, h hoisting; speed, lever and place vary from stop to stop."""
    for way in ways:
        low, high = (18.0, 30.0) if way == "l" else (8.0, 20.0)
        if not low <= bench.height_m <= high:
            bench.height_m = bench.random.uniform(low, high)
            bench.estimator = Estimator(bench.rig)
            bench.run(1.0)
        speed = bench.random.uniform(0.8, 1.3)
        # Harder on the lever with more load, as a driller would.
        lever = min(0.95, bench.random.uniform(0.35, 0.5) + bench.mass_kg / 800_000.0)
        if way == "l":
            bench.lower_and_stop(speed, lever)
        else:
            bench.hoist_and_stop(speed, lever)


def percentile(values: list[float], share: float) -> float:
    """The value that `share` of `values` do not exceed."""
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, round(share * (len(ordered) - 1)))]


def accuracy(runs: int, first: int, ways: str, words: str) -> list[Figure]:
    """Error after the stops of `ways` (named `words`), its sigma, and what is seen of a fifth less friction after two more."""
    errors: list[float] = []
    shares: list[float] = []
    after_one: list[float] = []
    after_two: list[float] = []
    in_two = above = 0
    for seed in range(first, first + runs):
        bench = Bench("land", draw(seed), MASSES_KG[seed % len(MASSES_KG)], seed)
        work(bench, ways)
        truth = bench.torque_ratio()
        value, _ = bench.health.number("effectiveness")
        sigma, _ = bench.health.number("effectiveness_sigma")
        errors.append(abs(value / truth - 1.0))
        shares.append((value - truth) / sigma)
        in_two += abs(value - truth) <= 2.0 * sigma
        above += bench.health.friction_scales(-1)[1] > truth
        bench.machine.friction *= 0.8
        for found in (after_one, after_two):
            work(bench, "l")
            found.append(1.0 - bench.health.number("effectiveness")[0] / value)
    print(
        f"stops {ways}, {runs} machines: error of effectiveness median {100 * statistics.median(errors):.1f} %, "
        f"95 % within {100 * percentile(errors, 0.95):.1f} %, within 5 %: {100 * sum(e <= 0.05 for e in errors) / runs:.0f} %; "
        f"truth within two sigma {100 * in_two / runs:.0f} %, "
        f"error over sigma {statistics.pstdev(shares, 0.0):.2f}; assured above truth {100 * above / runs:.1f} %"
    )
    for stops, found in (("one stop", after_one), ("two stops", after_two)):
        print(
            f"  20 % of friction lost, seen after {stops}: median {100 * statistics.median(found):.1f} %, "
            f"least {100 * min(found):.1f} %"
        )
    name = f"effectiveness error after five stops, {words}"
    return show(
        Figure(f"{name}: median", 100 * statistics.median(errors), "%"),
        Figure(f"{name}: 95 % of machines within", 100 * percentile(errors, 0.95), "%", "5"),
        Figure(f"20 % fade, seen after two stops, {words}: median", 100 * statistics.median(after_two), "%", "20"),
        Figure(f"20 % fade, seen after two stops, {words}: least", 100 * min(after_two), "%", "15"),
    )


def after_stop_test(runs: int, first: int) -> list[Figure]:
    """Error after five stops of lowering and the brake stop test: two stops each way, each after a roll."""
    errors: list[float] = []
    for seed in range(first, first + runs):
        bench = Bench("land", draw(seed), MASSES_KG[seed % len(MASSES_KG)], seed)
        work(bench, "lllll")
        for _ in range(2):
            bench.height_m = 12.0
            bench.estimator = Estimator(bench.rig)
            bench.run(1.0)
            bench.hoist_and_stop(1.0, 0.4, coast_s=1.5)
            bench.lower_and_stop(1.0, 0.35 + bench.mass_kg / 800_000.0)
        errors.append(abs(bench.health.number("effectiveness")[0] / bench.torque_ratio() - 1.0))
    name = "effectiveness error after lowering and a brake stop test"
    return show(
        Figure(f"{name}: median", 100 * statistics.median(errors), "%"),
        Figure(f"{name}: 95 % of machines within", 100 * percentile(errors, 0.95), "%", "5"),
    )


def cost(rig: str) -> list[Figure]:
    """Time of one `update` with the real sensor register, moving with the brake dragging, and at rest."""
    bench = Bench(rig, Machine(), 60_000.0)
    bench.lower_and_stop(0.5, 0.4, 2.0)
    bench.lever = 0.0
    bench.run(3.0)
    register = SensorRegister(bench.rig)
    for record in register.records:
        record.number = BRAKING.get(record.sensor.quantity, 0.0)
        record.last_ns, record.stale_ns = bench.t_ns, 10**18
    moving = bench.estimator.estimate(bench.t_ns)
    health = BrakeHealth(bench.rig, BrakeModel(bench.rig))
    t_ns = bench.t_ns
    found = []
    for name, state in (("moving", HoistState.LOWERING), ("still", HoistState.STILL)):
        best = float("inf")
        estimate = moving if state is HoistState.LOWERING else changed(moving, speed_m_s=0.0, acceleration_m_s2=0.0)
        for _ in range(5):
            begin = time.process_time()
            for _ in range(4000):
                t_ns += 50_000_000
                health.update(t_ns, estimate, state, -1, 6e5, 0, lambda quantity: register.number(quantity, bench.t_ns))
            best = min(best, (time.process_time() - begin) / 4000)
        found += show(Figure(f"one update of the brake watch, {rig} rig, {name}", best * 1e6, "us"))
    return found


def main(arguments: Sequence[str] | None = None) -> list[Figure]:
    """Print all figures."""
    options = sys.argv[1:] if arguments is None else arguments
    runs = int(options[0]) if options else 200
    first = int(options[1]) if len(options) > 1 else 0
    found = accuracy(runs, first, "lhlhl", "lowering and hoisting") + accuracy(runs, first, "lllll", "lowering only")
    found += after_stop_test(runs, first)
    for rig in ("land", "light", "deep"):
        found += cost(rig)
    return found


if __name__ == "__main__":
    main()
