"""Plants stripped down to what a textbook case knows: one layer, a stiff line, a brake whose torque the test sets."""

from collections.abc import Callable
from dataclasses import replace

from monitor.config.rig import Rig
from monitor.config.rig_file import find_rig
from simulators.machine.brake import FrictionBrake
from simulators.machine.hydraulics import Circuits
from simulators.machine.plant import TICK_S, Plant
from simulators.machine.truth import GRAVITY_M_S2, Truth


class GivenBrake(FrictionBrake):
    """A brake whose torque is a function of time alone."""

    def __init__(self, rig: Rig, truth: Truth, torque_n_m: Callable[[float], float]) -> None:
        super().__init__(rig, truth)
        self.torque_at = torque_n_m
        self.calls = 0

    def tick(self, oil: Circuits) -> None:
        self.calls += 1
        self.lowering_n_m = self.hoisting_n_m = self.torque_at(self.calls * TICK_S)


def textbook_truth(rig: Rig, mass_kg: float, inertia_kg_m2: float, radius_m: float, stiff: float = 10.0) -> Truth:
    """One endless layer of rope at `radius_m`, no bearing friction, a line `stiff` times as stiff as configured."""
    base = Truth.nominal(rig)
    return replace(
        base,
        core_diameter_m=2 * radius_m - base.rope_diameter_m,
        wraps_per_layer=1000.0,
        layers=1,
        block_mass_kg=mass_kg,
        inertia_kg_m2=inertia_kg_m2,
        bearing_torque_n_m=0.0,
        axial_stiffness_n=base.axial_stiffness_n * stiff,
        rope_damping=0.3,
    )


def textbook_plant(
    mass_kg: float,
    inertia_kg_m2: float,
    radius_m: float,
    torque_n_m: Callable[[float], float],
    height_m: float = 20.0,
    stiff: float = 10.0,
    substeps: int = 10,
) -> Plant:
    """A plant at rest at `height_m` with its brake in the test's hand."""
    rig = find_rig("land")
    plant = Plant(rig, textbook_truth(rig, mass_kg, inertia_kg_m2, radius_m, stiff), height_m, substeps)
    plant.spool.ripple_m = 0.0
    plant.brake = GivenBrake(rig, plant.truth, torque_n_m)
    return plant


def set_moving(plant: Plant, speed_m_s: float) -> None:
    """Give block and drum the same steady speed, with the tackle's friction turned that way."""
    t = plant.truth
    plant.speed_m_s = speed_m_s
    plant.omega = speed_m_s * t.lines / plant.spool.radius_m(plant.turns)
    plant.z = 1.0 if speed_m_s > 0 else -1.0
    plant.force_n = t.block_mass_kg * GRAVITY_M_S2
    plant.wake()


def imbalance(plant: Plant, stored_before_j: float) -> float:
    """Energy that the plant's account does not explain, as a share of the turnover."""
    return (plant.stored_j() - stored_before_j - plant.spent_j()) / max(plant.energy.turnover, 1.0)
