"""Whether the plant can be trusted as truth: its step halved, its energy counted from outside, and nothing borrowed from
the monitor that it is to try.
"""

import ast
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from monitor.config.rig_file import find_rig, shipped_rigs
from simulators.machine.plant import TICK_S, Plant
from simulators.machine.truth import GRAVITY_M_S2, Truth
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.scenario import find_scenario, shipped_scenarios
from tests.simulators.rigs import textbook_plant

G = GRAVITY_M_S2
ROOT = Path(__file__).parents[2]


# --- the step -------------------------------------------------------------------------------------------------------


def stop_of(substeps: int, tick_s: float = TICK_S, seconds: float = 8.0) -> Plant:
    """The land rig lowering 60 t beside its block under the auxiliary brake, and braked to a stop with all that a stop
    has: dead time and ramp of the oil, layers, the bouncing line, the turning round of the tackle's friction."""
    rig = find_rig("land")
    plant = Plant(rig, Truth.nominal(rig), 25.0, substeps, string_weight_n=60e3 * G)
    while plant.ticks * tick_s < seconds - 1e-9:
        t = plant.ticks * tick_s
        plant.levers.brake = 0.0 if 0.5 <= t < 5.0 else 1.0
        plant.levers.aux = 0.2
        plant.tick()
    return plant


def test_halving_the_step_halves_its_error() -> None:
    """A method of first order: the differences between successive halvings fall to a half (Richardson), and what is left
    at the shipped step is a few millimetres after some metres of travel and a full stop."""
    heights = [stop_of(substeps).hang_m for substeps in (1, 2, 4, 8)]
    assert 25.0 - heights[-1] > 2.0
    first, second, third = (abs(a - b) for a, b in pairwise(heights))
    assert second < 0.7 * first
    assert third < 0.7 * second
    # All that is left at two substeps: the sum of the halvings still to come.
    assert 2 * second < 0.005


def test_halving_the_tick_moves_the_stop_by_millimetres(monkeypatch: pytest.MonkeyPatch) -> None:
    """Oil, torques, heat and geometry move once a tick of 10 ms. With ticks of 5 ms the same stop ends in the
    same place within millimetres, and the heat of the discs agrees within one per cent."""
    whole = stop_of(2)
    monkeypatch.setattr("simulators.machine.plant.TICK_S", TICK_S / 2)
    half = stop_of(2, TICK_S / 2)
    assert half.ticks == 2 * whole.ticks
    assert whole.omega == half.omega == 0.0
    assert abs(whole.hang_m - half.hang_m) < 0.003
    assert whole.brake.left_c - 25.0 == pytest.approx(half.brake.left_c - 25.0, rel=0.01)


# --- energy ---------------------------------------------------------------------------------------------------------


def test_gravity_pays_for_brake_auxiliary_and_friction() -> None:
    """m g h = brake + auxiliary + tackle + bearing, from rest to rest; each counted here from torque, force and travel as
    they can be read off the plant, not from its account; and the account has the same."""
    torque, slope, bearing = 15e3, 2500.0, 300.0
    plant = textbook_plant(
        120e3, 2400.0, 0.43, lambda t: 300e3 if t > 10.0 else torque if t > 4.0 else 0.0, 30.0, 1.0, 2
    )
    plant.truth = truth = replace(plant.truth, bearing_torque_n_m=bearing)
    plant.aux.tick = lambda *_: slope  # type: ignore[method-assign]
    plant.z = -1.0
    start_m, stored = plant.height_m, plant.stored_j()
    brake = auxiliary = rubbed = tackle = 0.0
    for _ in range(1200):
        turns, hang, omega, force = plant.turns, plant.hang_m, plant.omega, plant.force_n
        plant.tick()
        angle = abs(plant.turns - turns) * 6.283185307179586
        brake += plant.brake.lowering_n_m * angle
        rubbed += bearing * angle
        auxiliary += slope * abs(omega + plant.omega) / 2 * angle
        tackle += (1 - truth.lowering) * (force + plant.force_n) / 2 * abs(plant.hang_m - hang)
    assert plant.omega == 0.0
    paid = 120e3 * G * (start_m - plant.height_m)
    assert paid > 3e6
    took = brake + auxiliary + rubbed + tackle + plant.stored_j() - stored
    assert took == pytest.approx(paid, rel=0.01)
    g = plant.energy
    assert -g.gravity == pytest.approx(paid, rel=1e-3)
    # The last tick before rest is slid in part only, and counted in full here.
    assert g.brake == pytest.approx(brake, rel=0.02)
    assert g.aux == pytest.approx(auxiliary, rel=0.005)
    assert g.bearing == pytest.approx(rubbed, rel=0.02)
    assert g.tackle == pytest.approx(tackle, rel=0.01)
    assert g.drive == g.drag == 0.0


def test_what_the_brake_takes_warms_the_discs() -> None:
    """Without cooling, energy over heat capacity is the rise, shared between left and right."""
    rig = find_rig("land")
    truth = replace(Truth.nominal(rig), cooling_tau_s=1e12, left_share=0.53)
    plant = Plant(rig, truth, 25.0, string_weight_n=500e3)
    for tick in range(1000):
        plant.levers.brake = 0.085 if 50 <= tick < 800 else 1.0
        plant.tick()
    assert plant.energy.brake > 2e5
    left, right = plant.brake.left_c - truth.ambient_c, plant.brake.right_c - truth.ambient_c
    assert (left + right) / 2 == pytest.approx(plant.energy.brake / truth.heat_capacity_j_k, rel=1e-6)
    assert left / (left + right) == pytest.approx(0.53, rel=1e-9)


def test_free_oscillation_has_the_period_of_its_spring() -> None:
    """Drum held, block bouncing on the line: 2 pi sqrt(m / k), k = N^2 E A / L over all the line (Hooke, derived here)."""
    plant = textbook_plant(100e3, 2400.0, 0.43, lambda t: 1e9, stiff=1.0, substeps=2)
    plant.truth = t = replace(plant.truth, rope_damping=0.02)
    k = t.lines**2 * t.axial_stiffness_n / (t.lines * (t.crown_m - plant.height_m) + t.idle_line_m)
    expected = 6.283185307179586 * (t.block_mass_kg / k) ** 0.5
    plant.height_m += 0.02
    crossings: list[float] = []
    rest = plant.hang_m - t.block_mass_kg * G / k
    before = plant.height_m - rest
    for _ in range(400):
        plant.tick()
        now = plant.height_m - rest
        if before < 0.0 <= now:
            crossings.append(plant.t_s - TICK_S * now / (now - before))
        before = now
    period = (crossings[4] - crossings[0]) / 4
    # Damping of 2 % of critical lengthens it by 0.02 %.
    assert period == pytest.approx(expected, rel=0.01)


# --- independence ---------------------------------------------------------------------------------------------------


def imported(path: Path) -> set[str]:
    """Every module that a file imports, wherever in it."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
    return found


def test_the_plant_takes_nothing_from_the_monitor_but_the_rigs_file() -> None:
    """The plant, all of the simulators that it uses, the hand that drives it and the sensors that read it know no formula
    of the monitor: an error in one would else hide in the other."""
    waiting = ["simulators.machine.plant", "simulators.crew.operator", "simulators.sensors.channel"]
    seen: set[str] = set()
    while waiting:
        name = waiting.pop()
        if name in seen:
            continue
        seen.add(name)
        for module in imported(ROOT / f"{name.replace('.', '/')}.py"):
            if module.startswith("monitor"):
                assert module.split(".")[:2] == ["monitor", "config"], f"{name}: {module}"
            elif (ROOT / f"{module.replace('.', '/')}.py").exists():
                waiting.append(module)
    parts = ("plant", "integration", "spool", "brake", "drive", "hydraulics", "truth")
    assert {f"simulators.machine.{part}" for part in parts} <= seen


@pytest.mark.parametrize("name", sorted(shipped_rigs()))
def test_by_default_the_truth_is_another_machine_than_the_file_says(name: str) -> None:
    rig = find_rig(name)
    scenario = next(s for s in map(find_scenario, sorted(shipped_scenarios())) if s.rig == name)
    assert scenario.truth_spread == 1.0
    truth, nominal = PlantSource(rig, scenario, 1).plant.truth, Truth.nominal(rig)
    differing = (
        "rope_diameter_m", "nesting", "sheave_factor", "axial_stiffness_n", "block_mass_kg", "inertia_kg_m2", "friction",
        "lag_s", "ramp_s", "heat_capacity_j_k", "cooling_tau_s", "left_share", "reference_height_m", "hysteresis_m",
    )  # fmt: skip
    for field in differing:
        assert getattr(truth, field) != getattr(nominal, field), field
    # What the monitor does not model at all: pads that must touch first, bearings, the climb of the rope, its ripple.
    assert truth.touch_share > 0
    assert truth.bearing_torque_n_m > 0
    assert Plant(rig, truth, 10.0).spool.ripple_m > 0
