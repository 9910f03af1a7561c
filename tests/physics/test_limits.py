"""The formulas at their ends: no speed, no friction, no inertia, one line, a drum without end; and numbers that cannot be."""

import math
from collections.abc import Callable

import pytest

from monitor.physics import brakes, drum, heat, hydraulics, motion, tackle
from monitor.physics.drum import DrumGeometry
from monitor.physics.motion import Hoist

G = 9.80665
ONE_LINE = Hoist(1200.0, 0.0, 1, 0.4, 1.0)
"""A weight on a rope over nothing: no inertia, no friction, one line."""


# --- motion ---------------------------------------------------------------------------------------------------------


def test_without_drum_and_friction_a_load_falls_with_g() -> None:
    assert motion.acceleration_lowering_m_s2(ONE_LINE, 0.0) == pytest.approx(G)
    assert motion.acceleration_hoisting_m_s2(ONE_LINE, 0.0) == pytest.approx(-G)
    assert motion.reach_hoisting(2.0, ONE_LINE, 0.0, 0.0, 0.0).distance_m == pytest.approx(motion.ballistic_rise_m(2.0))
    assert motion.time_to_falling_s(2.0, ONE_LINE) == pytest.approx(2.0 / G)
    assert motion.slack_torque_n_m(ONE_LINE) == 0.0


@pytest.mark.parametrize("lines", [1, 2, 12])
def test_without_friction_hoisting_and_lowering_are_one_equation(lines: int) -> None:
    rig = Hoist(150e3, 1600.0, lines, 0.43, 1.0)
    for torque in (0.0, 20e3, 60e3):
        down = motion.acceleration_lowering_m_s2(rig, torque)
        up = motion.acceleration_hoisting_m_s2(rig, torque)  # the same torque now lifts
        assert up == pytest.approx(-down)


def test_one_line_is_the_physics_books_weight_on_a_disc() -> None:
    """Halliday and Resnick, sample problem of a block hung from a uniform disc (from memory): M 2.5 kg, R 0.20 m, m 1.2 kg,
    g 9.8 m/s2: 4.8 m/s2, tension 6.0 N, 24 rad/s2."""
    rig = Hoist(1.2, 2.5 * 0.20**2 / 2, 1, 0.20, 1.0)
    fall = motion.acceleration_lowering_m_s2(rig, 0.0)
    assert fall == pytest.approx(4.8, rel=5e-3)
    assert drum.drum_speed_rad_s(fall, 1, 0.20) == pytest.approx(24, rel=5e-3)
    assert 1.2 * (G - fall) == pytest.approx(6.0, rel=0.02)


def test_a_drum_of_endless_radius_weighs_nothing_and_holds_nothing() -> None:
    """At the same inertia and torque: the block no longer feels the drum, and the brake no longer the block."""
    rig = Hoist(150e3, 1600.0, 12, 1e9, 1.0)
    assert rig.drum_mass_kg < 1e-6
    assert motion.acceleration_lowering_m_s2(rig, 240e3) == pytest.approx(G)
    assert not motion.reach_lowering(1.0, rig, 240e3, 0.0, 0.0).stops


@pytest.mark.parametrize("ramp", [0.0, 0.4])
def test_no_speed_is_no_way_where_nothing_falls(ramp: float) -> None:
    rig = Hoist(150e3, 1600.0, 12, 0.43)
    assert motion.reach_hoisting(0.0, rig, 240e3, 1.0, 0.5, ramp).distance_m == 0.0
    assert motion.reach_lowering(0.0, rig, 240e3, 1.0, 0.0, 0.0).distance_m == 0.0
    # Lowering, a lag or a ramp lets even a block at rest go.
    assert motion.reach_lowering(0.0, rig, 240e3, 1.0, 0.5, ramp).distance_m > 0.1


def test_a_load_without_end_falls_as_if_there_were_no_drum() -> None:
    light, heavy = (motion.acceleration_lowering_m_s2(Hoist(m, 1600.0, 12, 0.43), 0.0) for m in (1.0, 1e12))
    assert light == pytest.approx(0.0, abs=1e-5)
    assert heavy == pytest.approx(G, rel=1e-4)


# --- tackle ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("way", [1, 0, -1])
def test_one_line_passes_one_sheave(way: int) -> None:
    assert tackle.fast_line_n(1000.0, 1.04, 1, way) == pytest.approx(1000.0 * 1.04**way)
    assert tackle.dead_line_n(1000.0, 1.04, 1, way) == pytest.approx(1000.0)


def test_ever_more_lines_with_friction_cannot_lift_ever_more() -> None:
    """The geometric series ends: hook load over fast line stays below 1 / (K - 1), however many lines are strung."""
    advantages = [1 / tackle.fast_line_n(1.0, 1.04, n, 1) for n in (10, 100, 1000)]
    assert advantages == sorted(advantages)
    assert advantages[-1] == pytest.approx(1 / 0.04, rel=1e-6)


# --- drum, brakes, heat, hydraulics ---------------------------------------------------------------------------------


def test_thin_rope_has_no_layers() -> None:
    thin = DrumGeometry(0.7112, 1e-9, 36)
    assert thin.line_m(200.0) == pytest.approx(200 * math.pi * 0.7112)


def test_a_band_without_friction_or_wrap_gives_no_torque() -> None:
    assert brakes.band_torque_n_m(1000.0, 0.0, 4.7, 0.6) == 0.0
    assert brakes.band_torque_n_m(1000.0, 0.35, 0.0, 0.6) == 0.0
    # Small angles: f phi times pull times radius.
    assert brakes.band_torque_n_m(1000.0, 1e-4, 1.0, 0.6) == pytest.approx(0.06, rel=1e-3)


def test_eddy_torque_far_from_its_peak_is_straight_below_and_inverse_above() -> None:
    assert brakes.eddy_curve(1e-4) == pytest.approx(2e-4)
    assert brakes.eddy_curve(1e4) == pytest.approx(2e-4)
    assert brakes.eddy_curve(0.0) == 0.0


def test_heat_in_the_ends_of_time() -> None:
    assert heat.heated_c(90.0, 20.0, 5e4, 0.0, 784e3, 3300.0) == pytest.approx(90.0)
    assert heat.heated_c(90.0, 20.0, 5e4, 1e9, 784e3, 3300.0) == pytest.approx(20.0 + 5e4 * 3300.0 / 784e3)
    # A period without end: each step alone. Steps without a pause: as steady power, P tau / C.
    assert heat.periodic_peak_rise_k(5.0, 1e9, 3300.0) == pytest.approx(5.0)
    assert heat.periodic_peak_rise_k(5e-3, 1e-2, 3300.0) == pytest.approx(0.5 * 3300.0, rel=1e-5)


def test_a_leak_ends_with_the_oil() -> None:
    """Gas fills the bottle at the precharge: nothing presses any more, the gauge falls to nothing."""
    bottle = hydraulics.Accumulator(0.010, 6.1e6)
    q = 1e-6
    empty = bottle.usable_m3(14e6, 0.0) / q
    assert bottle.pressure_leaking_pa(14e6, q, 0.999 * empty) == pytest.approx(6.1e6, rel=2e-3)
    assert bottle.pressure_leaking_pa(14e6, q, 1.001 * empty) == 0.0
    assert bottle.pressure_leaking_pa(14e6, 0.0, 1e9) == pytest.approx(14e6)


LAND = DrumGeometry(0.7112, 0.034925, 36)


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: drum.block_height_m(LAND, 20, 12, 1.0, 0), "lines is 0"),
        (lambda: LAND.block_travel_per_turn_m(20, 0), "lines is 0"),
        (lambda: drum.drum_speed_rad_s(1.0, 12, 0.0), "radius_m"),
        (lambda: drum.block_speed_m_s(10.0, 0, 0.43), "lines"),
        (lambda: drum.rope_ea_n(0.0), "rope_diameter_m"),
        (lambda: drum.block_drop_m(1e5, 0.0, 20, 12, 48, 44), "ea_n"),
        (lambda: drum.strain_by_g_factor(1e5, 0.0), "rope_diameter_m"),
        (lambda: heat.temperature_rise_k(1e6, 0.0), "mass_kg"),
        (lambda: heat.temperature_rise_k(1e6, math.nan), "mass_kg"),
        (lambda: heat.metal_volume_m3(1e6, 0.0, 7850), "rise_k"),
        (lambda: heat.rim_thickness_m(1e-3, 0.0, 0.1), "diameter_m"),
        (lambda: heat.time_constant_s(784e3, 0.0), "cooling_w_k"),
        (lambda: heat.cooled_c(90, 20, 10, 0.0), "tau_s"),
        (lambda: heat.heated_c(90, 20, 1e5, 10, 0.0, 3300), "heat_capacity_j_k"),
        (lambda: heat.periodic_peak_rise_k(5.0, 0.0, 3300), "period_s"),
        (lambda: heat.periods_until_c(0.0, 150, 3300, 20, 200), "step_k"),
        (lambda: brakes.EddyBrake(95e3, 0.0, 75), "critical_speed_rad_s"),
        (lambda: brakes.EddyBrake(95e3, 12, 0), "rated_current_a"),
        (lambda: hydraulics.precharge_seen_pa(14e6, 13e6, 1e-4, 0.0), "volume_m3"),
        (lambda: hydraulics.discharge_volume_m3(0.95, 4e6, 0.01, 0.0, 8e6), "low_pa"),
    ],
)
def test_what_cannot_be_is_refused_by_name(call: Callable[[], object], named: str) -> None:
    with pytest.raises(ValueError, match=named):
        call()
