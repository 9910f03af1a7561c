"""Hydraulics, brakes, drive and overtravel device of the simulated machine."""

import math

import pytest
from scipy.constants import bar, gallon, psi

from monitor.config.brakes import BandBrake
from monitor.config.rig_file import find_rig
from simulators.machine.hydraulics import ATMOSPHERE_PA, Accumulator
from simulators.machine.plant import Plant
from simulators.machine.truth import Truth, band_torque_n_m


def discharge_m3(accumulator: Accumulator, down_to_pa: float, dt_s: float) -> float:
    """Oil taken out in small steps until the pressure has fallen to `down_to_pa`."""
    drop, taken = accumulator.volume_m3 * 1e-5, 0.0
    while accumulator.pressure_pa > down_to_pa:
        accumulator.move(-drop, dt_s)
        taken += drop
    return taken


def test_slow_discharge_follows_the_isothermal_law() -> None:
    """10 gal, precharge 1000 psi, 3000 to 1200 psi: 5.0 gal by the handbooks' formula (well-control example)."""
    # The example computes with gauge pressures as if they were absolute.
    a = Accumulator(10 * gallon, 1000 * psi - ATMOSPHERE_PA, 3000 * psi - ATMOSPHERE_PA, gas_tau_s=1e-3)
    assert discharge_m3(a, 1200 * psi - ATMOSPHERE_PA, 10.0) / gallon == pytest.approx(5.0, rel=0.002)


def test_fast_discharge_follows_the_adiabatic_law() -> None:
    """The same charge spent at once: (V0 P0 / Pmax)((Pmax / Pmin)^(1/1.4) - 1) = 3.08 gal (derived here)."""
    a = Accumulator(10 * gallon, 1000 * psi - ATMOSPHERE_PA, 3000 * psi - ATMOSPHERE_PA, gas_tau_s=1e9)
    assert discharge_m3(a, 1200 * psi - ATMOSPHERE_PA, 0.0) / gallon == pytest.approx(3.08, rel=0.003)


@pytest.mark.parametrize(("tau_s", "dt_s", "expected"), [(1e-3, 10.0, 15), (1e9, 0.0, 10)])
def test_applications_left(tau_s: float, dt_s: float, expected: int) -> None:
    """10 L, 61 / 141 / 91 bar absolute, 0.15 L each: 15 slow or 10 fast applications (derived here)."""
    a = Accumulator(0.010, 61 * bar - ATMOSPHERE_PA, 141 * bar - ATMOSPHERE_PA, tau_s)
    strokes = 0
    while True:
        a.move(-0.00015, dt_s)
        if a.pressure_pa < 91 * bar - ATMOSPHERE_PA:
            break
        strokes += 1
    assert strokes == expected


def test_pressure_comes_after_the_dead_time_and_at_the_ramp() -> None:
    rig = find_rig("land")
    truth = Truth.nominal(rig)
    plant = Plant(rig, truth, 20.0)
    plant.levers.brake = 0.0
    for _ in range(300):
        plant.tick()
    assert plant.oil.service_1_pa == 0.0
    plant.levers.brake = 1.0
    first = full = None
    for tick in range(200):
        plant.tick()
        if first is None and plant.brake.lowering_n_m > 0:
            first = tick * 0.01
        if full is None and plant.oil.service_1_pa >= 0.99 * rig.brake.full_pressure_pa:
            full = tick * 0.01
            break
    assert first == pytest.approx(rig.braking.lag_s, abs=0.03)
    assert full == pytest.approx(rig.braking.lag_s + rig.braking.ramp_s, abs=0.04)


def test_full_brake_has_the_torque_of_its_calipers() -> None:
    """Six calipers of 75 kN, two faces, mu 0.40 at 0.70 m: 252 kN.m; two of 120 kN: 134 kN.m (derived here)."""
    rig = find_rig("land")
    plant = Plant(rig, Truth.nominal(rig), 20.0)
    for _ in range(100):
        plant.tick()
    assert plant.brake.lowering_n_m == pytest.approx(252e3, rel=0.01)
    plant.levers.emergency = True
    for _ in range(200):
        plant.tick()
    assert plant.brake.emergency_n_m == pytest.approx(134.4e3, rel=0.01)
    assert plant.brake.lowering_n_m == pytest.approx(252e3 + 134.4e3, rel=0.01)


def test_spring_calipers_set_when_the_pressure_fails() -> None:
    rig = find_rig("land")
    plant = Plant(rig, Truth.nominal(rig), 20.0, string_weight_n=0.5e6)
    plant.oil.pump_lost = True
    plant.oil.seep_m3_s_pa *= 3000
    for _ in range(6000):
        plant.tick()
    assert plant.oil.release_pa < rig.brake.lift_pressure_pa  # type: ignore[union-attr]
    assert plant.brake.emergency_n_m > 0


def test_band_grips_by_its_wrap_in_lowering_and_loosens_in_hoisting() -> None:
    """270 degrees at f = 0.35: lowering holds exp(f phi) = 5.2 times as much as hoisting (belt friction)."""
    rig = find_rig("light")
    assert isinstance(rig.brake, BandBrake)
    brake = rig.brake.model_copy(update={"wrap_deg": 270.0})
    ratio = band_torque_n_m(brake, 0.35, 1000.0, True) / band_torque_n_m(brake, 0.35, 1000.0, False)
    assert ratio == pytest.approx(math.exp(0.35 * 1.5 * math.pi), rel=1e-9)
    assert ratio == pytest.approx(5.20, rel=2e-3)


def test_hot_discs_fade_and_cool_again() -> None:
    rig = find_rig("land")
    truth = Truth.nominal(rig)
    plant = Plant(rig, truth, 20.0)
    cold = plant.brake.friction()
    plant.brake.left_c = plant.brake.right_c = truth.fade_full_c
    assert plant.brake.friction() == pytest.approx(cold * truth.fade_floor)
    for _ in range(100 * 600):
        plant.brake.heat(0.0, 0.0, 0.01)
    expected = truth.ambient_c + (truth.fade_full_c - truth.ambient_c) * math.exp(-600 / truth.cooling_tau_s)
    assert plant.brake.left_c == pytest.approx(expected, abs=0.5)


def test_regenerative_brake_is_limited_by_torque_and_power_and_gone_when_the_drive_trips() -> None:
    rig = find_rig("deep")
    plant = Plant(rig, Truth.nominal(rig), 30.0)
    aux = rig.aux
    assert aux.kind == "regen"
    for _ in range(500):
        slow = plant.aux.tick(1.0, -2.0, False, 0.01) * 2.0
    assert slow == pytest.approx(min(aux.max_torque_n_m, aux.max_power_w / 2.0), rel=0.01)
    for _ in range(500):
        plant.aux.coolant_c = 30.0
        fast = plant.aux.tick(1.0, -30.0, False, 0.01) * 30.0
    assert fast == pytest.approx(min(aux.max_torque_n_m, aux.max_power_w / 30.0), rel=0.01)
    for _ in range(500):
        gone = plant.aux.tick(1.0, -30.0, True, 0.01)
    assert gone == 0.0


def test_drive_keeps_to_its_power() -> None:
    rig = find_rig("land")
    truth = Truth.nominal(rig)
    plant = Plant(rig, truth, 10.0, string_weight_n=2.0e6)
    plant.levers.clutch, plant.levers.speed_m_s = True, 1.5
    for tick in range(1500):
        plant.levers.brake = 1.0 if tick < 50 else 0.0
        plant.tick()
        assert plant.drive.torque_n_m * plant.omega < 1.1 * truth.drive_power_w
    weight = plant.load_weight_n * (1 + plant.string.drag_share * 2.0e6 / plant.load_weight_n)
    assert plant.speed_m_s == pytest.approx(truth.drive_power_w * truth.efficiency / weight, rel=0.03)


def test_overtravel_device_stops_a_slow_block_before_the_crown() -> None:
    rig = find_rig("land")
    plant = Plant(rig, Truth.nominal(rig), 35.0)
    plant.levers.clutch, plant.levers.speed_m_s = True, 0.5
    for tick in range(3000):
        plant.levers.brake = 1.0 if tick < 50 else 0.0
        plant.tick()
    assert plant.overtravel.electric
    assert plant.omega == 0.0
    assert rig.limits.device_m < plant.height_m < rig.limits.device_m + 0.8
