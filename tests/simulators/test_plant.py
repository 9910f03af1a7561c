"""The plant against closed forms, against an independent integrator, and against its own account of energy."""

import math
from dataclasses import replace
from typing import Any

import pytest
from scipy.integrate import solve_ivp

from monitor.config.rig_file import find_rig, shipped_rigs
from simulators.crew.programs import operator_of
from simulators.machine.plant import Plant
from simulators.machine.spool import TAU, Spool
from simulators.machine.truth import GRAVITY_M_S2, Truth
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.scenario import find_scenario, shipped_scenarios
from tests.simulators.rigs import imbalance, set_moving, textbook_plant

G = GRAVITY_M_S2


@pytest.mark.parametrize(
    ("mass_kg", "inertia", "expected"),
    [(150e3, 1600.0, 0.830), (150e3, 6000.0, 0.236), (20e3, 1600.0, 0.119), (20e3, 6000.0, 0.032)],
)
def test_free_fall_is_far_below_g(mass_kg: float, inertia: float, expected: float) -> None:
    """Brake released: a = g el m / (el m + J N^2/r^2), derived here from the tackle's and the drum's equations."""
    plant = textbook_plant(mass_kg, inertia, 0.43, lambda t: 0.0)
    plant.z = -1.0
    for _ in range(100):  # past the first swing of the line
        plant.tick()
    start = plant.omega
    for _ in range(200):
        plant.tick()
    seen = (start - plant.omega) / 2.0 * 0.43 / 12
    assert seen == pytest.approx(expected, rel=0.01, abs=6e-4)


@pytest.mark.parametrize(("inertia", "expected"), [(1600.0, 0.848), (6000.0, 1.067)])
def test_stop_while_lowering(inertia: float, expected: float) -> None:
    """150 t at 1 m/s, half a second of lag, then 240 kN.m (derived here; the closed form gives 0.848 and 1.067 m)."""
    plant = textbook_plant(150e3, inertia, 0.43, lambda t: 240e3 if t > 0.5 else 0.0)
    set_moving(plant, -1.0)
    start = plant.hang_m
    while plant.omega < 0:
        plant.tick()
    assert start - plant.hang_m == pytest.approx(expected, rel=0.006)


@pytest.mark.parametrize(("inertia", "expected"), [(1600.0, 1.205), (6000.0, 1.777)])
def test_stop_while_hoisting(inertia: float, expected: float) -> None:
    """20 t block at 1.5 m/s: 0.2 s at full speed, 0.5 s coasting, then 240 kN.m (derived here: 1.205 and 1.777 m)."""
    plant = textbook_plant(20e3, inertia, 0.43, lambda t: 240e3 if t > 0.5 else 0.0)
    set_moving(plant, 1.5)
    start = plant.hang_m
    while plant.omega > 0:
        plant.tick()
    assert 0.2 * 1.5 + plant.hang_m - start == pytest.approx(expected, rel=0.01)


def test_block_coasts_up_when_the_drum_stops_faster_than_gravity() -> None:
    """A drum stopped almost at once: slack line, and the block flies v^2/2g further (0.115 m at 1.5 m/s)."""
    plant = textbook_plant(20e3, 1600.0, 0.43, lambda t: 5e8, stiff=1.0)
    set_moving(plant, 1.5)
    y = top = plant.height_m
    slack = False
    for _ in range(200):
        plant.tick()
        slack = slack or plant.force_n == 0.0
        top = max(top, plant.height_m)
    assert slack
    # What the line was stretched by is given back as well.
    assert top - y == pytest.approx(0.1147, abs=0.015)


@pytest.mark.parametrize("load_n", [0.4e6, 0.9e6, 1.3e6])
def test_eddy_brake_holds_a_descent_at_the_speed_its_curve_says(load_n: float) -> None:
    """Terminal speed where 2 T_pk / (u + 1/u) equals the load's torque (low branch; Wouterse 1991 for the curve)."""
    rig = find_rig("land")
    truth = replace(Truth.nominal(rig), wraps_per_layer=1000.0, layers=1, bearing_torque_n_m=0.0)
    plant = Plant(rig, truth, 30.0, string_weight_n=load_n)
    plant.string.drag_share = 0.0
    plant.levers.brake, plant.levers.aux = 0.0, 1.0
    for _ in range(1500):
        plant.aux.coolant_c = truth.ambient_c
        plant.tick()
    weight = load_n + truth.block_mass_kg * G
    radius = plant.spool.radius[0]
    torque = weight * radius / truth.lines * truth.lowering
    ratio = truth.aux_peak_n_m / torque
    u = ratio - math.sqrt(ratio * ratio - 1)
    assert -plant.omega == pytest.approx(u * 12.0, rel=0.005)


def test_fixed_step_agrees_with_an_adaptive_integrator() -> None:
    """Lower a string under the auxiliary brake, then brake to a stop: same equations, `solve_ivp` at 1e-9."""
    torque = 300e3

    def brake(t: float) -> float:
        return 0.0 if t <= 3.0 else min(1.0, (t - 3.0) / 0.3) * torque

    plant = textbook_plant(150e3, 2400.0, 0.43, brake, height_m=30.0, stiff=1.0, substeps=2)
    plant.z = -1.0
    t, arm = plant.truth, 0.43 / plant.truth.lines
    slope = 9000.0  # N.m per rad/s
    plant.aux.tick = lambda *_: slope  # type: ignore[method-assign]
    mass = t.block_mass_kg

    def rates(time: float, state: Any) -> list[float]:
        omega, y, v, hang = state
        k = plant.stiffness(y)
        stretch = hang - y
        tension = (
            max(0.0, k * stretch + 2 * t.rope_damping * math.sqrt(k * mass) * (omega * arm - v)) if stretch > 0 else 0.0
        )
        # Lowering throughout: the friction brake pulls up.
        alpha = (-slope * omega - tension * t.lowering * arm + brake(time)) / t.inertia_kg_m2
        return [alpha, v, tension / mass - G, omega * arm]

    def stopped(time: float, state: Any) -> float:
        return float(state[0]) if time > 3.0 else -1.0

    stopped.terminal = True  # type: ignore[attr-defined]
    start = [0.0, plant.height_m, 0.0, plant.hang_m]
    reference: Any = solve_ivp(rates, (0.0, 10.0), start, rtol=1e-9, atol=1e-10, events=stopped, max_step=0.01)
    assert reference.t_events[0].size == 1
    while plant.t_s < 3.0:
        plant.tick()
    middle = solve_ivp(rates, (0.0, 3.0), start, rtol=1e-9, atol=1e-10, max_step=0.01).y[:, -1]
    assert plant.height_m == pytest.approx(middle[1], abs=2e-3)
    assert plant.omega == pytest.approx(middle[0], rel=2e-3)
    while plant.omega < 0:
        plant.tick()
    assert plant.hang_m == pytest.approx(reference.y[3, -1], abs=4e-3)
    assert plant.t_s == pytest.approx(reference.t[-1], abs=0.02)


@pytest.mark.parametrize("name", sorted(shipped_scenarios()))
def test_energy_balance_closes_on_every_scenario(name: str) -> None:
    """What went in is stored, or lies in the account as heat or height: within 0.5 % of the turnover."""
    scenario = find_scenario(name)
    source = PlantSource(find_rig(scenario.rig), scenario, 3, duration_s=min(scenario.duration_s, 150.0))
    before = source.plant.stored_j()
    for _ in source.items():
        pass
    assert source.plant.energy.turnover > 0 or scenario.work.program == "wait"
    assert abs(imbalance(source.plant, before)) < 0.005


@pytest.mark.parametrize("name", sorted(shipped_rigs()))
def test_every_rig_trips_pipe_within_its_limits(name: str) -> None:
    """The operator of a shipped rig gets a stand out and in and stays well inside the limits, whatever the machine."""
    rig = find_rig(name)
    plant = Plant(rig, Truth.from_rig(rig, 5), rig.limits.lower_m + 1.5)
    weight = 0.35 * rig.block.rated_load_kg * G
    operator = operator_of(plant, rig, "trip", 5, {"string_n": weight, "stands": 1})
    low, high, hung = math.inf, -math.inf, 0
    for tick in range(40_000):
        if tick % 5 == 0:
            operator.step()
        plant.tick()
        low, high = min(low, plant.height_m), max(high, plant.height_m)
        hung += plant.string.hanging
    assert low > rig.limits.lower_m + 0.9
    assert high < rig.limits.upper_m - 0.9
    assert high - low > 0.6 * (rig.limits.upper_m - rig.limits.lower_m)
    assert hung > 2000
    assert plant.string.weight_n == pytest.approx(weight, rel=0.05)


def test_truth_differs_from_the_configuration_within_what_the_file_says() -> None:
    rig = find_rig("land")
    drawn = [Truth.from_rig(rig, seed) for seed in range(200)]
    inertia = [t.inertia_kg_m2 / rig.drum.inertia_kg_m2 for t in drawn]
    assert 0.8 <= min(inertia) < 0.83
    assert 1.17 < max(inertia) <= 1.2
    assert all(0.98 <= t.rope_diameter_m / rig.line.rope_diameter_m <= 1.0 for t in drawn)
    assert all(0.85 <= t.friction / rig.brake.friction <= 1.15 for t in drawn)
    assert all(0.7 <= t.lag_s / rig.braking.lag_s <= 1.3 for t in drawn)
    assert Truth.from_rig(rig, 7) == drawn[7]
    assert Truth.from_rig(rig, 7, spread=0.0) == Truth.nominal(rig)


def test_spool_follows_the_layers_and_its_radius_is_the_slope_of_its_line() -> None:
    """Radii and length of a three-layer drum (wire-rope handbooks' geometry, derived here)."""
    spool = Spool(0.7112, 0.034925, 36.0, 0.866, 5, ripple_m=0.0)
    assert [spool.radius_m(turns) for turns in (18.0, 54.0, 90.0)] == pytest.approx(
        [0.37306, 0.40331, 0.43355], abs=1e-5
    )
    assert spool.line_m(108.0 - 0.5) + TAU * 0.43355 * 0.5 == pytest.approx(273.7, abs=0.1)
    rippled = Spool(0.7112, 0.034925, 36.0, 0.866, 5)
    for turns in (3.0, 35.8, 35.95, 36.0, 36.1, 36.24, 60.3, 72.0, 100.7):
        slope = (rippled.line_m(turns + 1e-6) - rippled.line_m(turns - 1e-6)) / (2e-6 * TAU)
        assert rippled.radius_m(turns) == pytest.approx(slope, rel=1e-6)
        assert rippled.turns(rippled.line_m(turns)) == pytest.approx(turns, abs=1e-8)


def test_string_is_taken_from_the_slips_and_set_back() -> None:
    rig = find_rig("land")
    plant = Plant(rig, Truth.nominal(rig), 5.0)
    plant.string_in_slips(0.8e6)
    for _ in range(50):
        plant.tick()
    assert plant.force_n == pytest.approx(22_000 * G, rel=0.01)
    operator = operator_of(plant, rig, "trip-out", 1, {"string_n": 0.8e6})
    while not plant.string.hanging or plant.levers.slips:
        operator.step()
        for _ in range(5):
            plant.tick()
    assert plant.load_weight_n == pytest.approx(22_000 * G + 0.8e6)


def test_dead_line_shows_the_friction_of_the_last_motion() -> None:
    """N times the dead line over W: 0.833 hoisting, 1.186 lowering with ten lines at K = 1.04 (derived here)."""
    truth = replace(Truth.nominal(find_rig("land")), lines=10, sheave_factor=1.04)
    assert truth.dead_line_share(1.0) == pytest.approx(0.8329, rel=1e-3)
    assert truth.dead_line_share(-1.0) == pytest.approx(1.1855, rel=1e-3)


def test_block_driven_into_the_crown_parts_the_line_and_falls() -> None:
    rig = find_rig("land")
    plant = Plant(rig, Truth.nominal(rig), 35.0)
    plant.overtravel.shift_m = 10.0
    plant.levers.clutch, plant.levers.speed_m_s = True, 1.5
    for tick in range(1500):
        plant.levers.brake = 1.0 if tick < 50 else 0.0
        plant.tick()
        if plant.parted:
            break
    assert plant.parted
    assert plant.height_m > rig.mast.crown_m
    for _ in range(500):
        plant.tick()
    assert plant.height_m < 1.0


def test_floor_carries_what_lands_on_it_and_the_line_goes_slack() -> None:
    rig = find_rig("land")
    plant = Plant(rig, Truth.nominal(rig), 0.5)
    plant.levers.brake = 0.0
    for _ in range(1000):
        plant.tick()
    assert plant.force_n == 0.0
    assert -0.1 < plant.height_m < 0.0
