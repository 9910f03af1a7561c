"""Brake stop test: which stops count, what the verdict is, and that such stops show what lowering alone does not."""

import pytest

from monitor.core.estimator.estimator import Estimator
from monitor.model.check import CheckVerdict
from tests.benchmarks.brake_figures import MASSES_KG, draw, work
from tests.core.brakes.brakehealth_truth import Bench as Hoist
from tests.core.checks.check_bench import Bench, rig_with

PASS, FAIL, NOT_JUDGED = CheckVerdict
STOPS = "brake-stops"
OFF = {"clutch_engaged": 0.0, "service_pressure_1": 0.0, "service_pressure_2": 0.0, "hook_load": 1.2e6}
ON = {"service_pressure_1": 6.0e6, "service_pressure_2": 6.0e6}


def begun(found: tuple[float, float, int] = (0.97, 0.04, 0)) -> Bench:
    """The bench in the second step, with what the brake watch has found (value, sigma, validity)."""
    bench = Bench()
    health = bench.evaluation.brake_health
    health._effect = found
    health.effectiveness = (found[0], found[2])
    bench.readings |= OFF
    bench.start(STOPS)
    bench.step(STOPS)
    return bench


def stop(bench: Bench, way: float, roll_s: float = 1.5, clutch: float = 0.0) -> None:
    """Drive (upwards), roll, brake to rest."""
    if way > 0.0:
        bench.run(1.0, 0.8, **OFF | {"clutch_engaged": 1.0})
    bench.run(roll_s, 0.6 * way, **OFF | {"clutch_engaged": clutch})
    bench.run(0.3, 0.3 * way, **ON)
    bench.run(1.5, 0.0)


@pytest.mark.parametrize(
    ("found", "verdict"),
    [
        ((0.97, 0.04, 0), PASS),
        ((0.70, 0.05, 0), FAIL),
        ((0.87, 0.05, 0), NOT_JUDGED),
        ((float("nan"), float("nan"), 2), NOT_JUDGED),
    ],
)
def test_two_stops_each_way_and_the_verdict(found: tuple[float, float, int], verdict: CheckVerdict) -> None:
    bench = begun(found)
    for way in (1.0, -1.0, 1.0):
        stop(bench, way)
        assert bench.view(STOPS).running
    stop(bench, -1.0)
    result = bench.result(STOPS)
    assert result.verdict is verdict, result.reason


@pytest.mark.parametrize(
    ("roll_s", "clutch", "readings"),
    [
        (0.8, 0.0, {}),
        (1.5, 1.0, {}),
        (1.5, 0.0, {"hook_load": 3.0e5}),
        (1.5, 0.0, {"service_pressure_2": None}),
    ],
)
def test_a_stop_without_its_roll_does_not_count(
    roll_s: float, clutch: float, readings: dict[str, float | None]
) -> None:
    bench = begun()
    bench.run(roll_s, -0.6, **OFF | {"clutch_engaged": clutch} | readings)
    bench.run(0.3, -0.3, **ON | readings)
    bench.run(1.5, 0.0)
    assert bench.view(STOPS).progress == 0.0
    assert not bench.view(STOPS).hint.startswith("stops wanted: 2 up and 1")


def test_a_rig_that_does_not_tell_of_its_drive_cannot_run_it() -> None:
    bench = Bench(rig_with(without=("clutch_engaged",)))
    assert "drive" in bench.view(STOPS).unfit


def test_nothing_makes_it_due() -> None:
    bench = Bench()
    bench.skip(1e6)
    view = bench.view(STOPS)
    assert not view.due
    assert view.due_words == "whenever the crew wants to know"


@pytest.mark.parametrize("seed", [20_009, 20_010, 20_011, 20_012, 20_013, 20_014])
def test_stops_both_ways_after_a_roll_show_the_brake_itself(seed: int) -> None:
    """Machines that differ from their file in friction, inertia, sheaves, lag and rope; five stops of lowering, then the test."""
    hoist = Hoist("land", draw(seed), MASSES_KG[seed % 4], seed)
    work(hoist, "lllll")
    for _ in range(2):
        hoist.height_m = 12.0
        hoist.estimator = Estimator(hoist.rig)
        hoist.run(1.0)
        hoist.hoist_and_stop(1.0, 0.4, coast_s=1.5)
        hoist.lower_and_stop(1.0, 0.35 + hoist.mass_kg / 800_000.0)
    assert hoist.health.number("effectiveness")[0] == pytest.approx(hoist.torque_ratio(), rel=0.05)
