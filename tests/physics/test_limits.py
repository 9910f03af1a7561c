"""The formulas at their ends: no speed, no friction, no inertia, one line, a drum without end; and numbers that cannot be."""

import math
from collections.abc import Callable

import pytest

from monitor.physics import brakes, drum, heat, hydraulics, motion, tackle
from monitor.physics.drum import DrumGeometry
from monitor.physics.motion import Hoist
from tests.physics.rigs import leaking_pa

G = 9.80665
ONE_LINE = Hoist(1200.0, 0.0, 1, 0.4, 1.0)
"""A weight on a rope over nothing: no inertia, no friction, one line."""


def free_fall(hoist: Hoist) -> float:
    """Acceleration of a lowering block before its brake acts, m/s2; some brake that would hold it is there."""
    return motion.lowering_phases(hoist, hoist.mass_kg, 1e18, 0.0).coast_m_s2


# --- motion ---------------------------------------------------------------------------------------------------------


def test_without_drum_and_friction_a_load_falls_with_g() -> None:
    assert free_fall(ONE_LINE) == pytest.approx(G)
    rise = motion.reach_hoisting(2.0, ONE_LINE, 0.0, 0.0, 0.0)
    assert rise.distance_m == pytest.approx(2.0**2 / (2 * G))
    assert rise.time_s == pytest.approx(2.0 / G)


def test_one_line_is_the_physics_books_weight_on_a_disc() -> None:
    """Halliday and Resnick, sample problem of a block hung from a uniform disc (from memory): M 2.5 kg, R 0.20 m, m 1.2 kg,
    g 9.8 m/s2: 4.8 m/s2, tension 6.0 N, 24 rad/s2."""
    rig = Hoist(1.2, 2.5 * 0.20**2 / 2, 1, 0.20, 1.0)
    fall = free_fall(rig)
    assert fall == pytest.approx(4.8, rel=5e-3)
    assert fall / 0.20 == pytest.approx(24, rel=5e-3)
    assert 1.2 * (G - fall) == pytest.approx(6.0, rel=0.02)


def test_a_drum_of_endless_radius_weighs_nothing_and_holds_nothing() -> None:
    """At the same inertia and torque: the block no longer feels the drum, and the brake no longer the block."""
    rig = Hoist(150e3, 1600.0, 12, 1e9, 1.0)
    assert rig.drum_mass_kg < 1e-6
    assert free_fall(rig) == pytest.approx(G)
    assert not motion.reach_lowering(1.0, rig, 240e3, 0.0, 0.0).stops


@pytest.mark.parametrize("ramp", [0.0, 0.4])
def test_no_speed_is_no_way_where_nothing_falls(ramp: float) -> None:
    rig = Hoist(150e3, 1600.0, 12, 0.43)
    assert motion.reach_hoisting(0.0, rig, 240e3, 1.0, 0.5, ramp).distance_m == 0.0
    assert motion.reach_lowering(0.0, rig, 240e3, 1.0, 0.0, 0.0).distance_m == 0.0
    # Lowering, a lag or a ramp lets even a block at rest go.
    assert motion.reach_lowering(0.0, rig, 240e3, 1.0, 0.5, ramp).distance_m > 0.1


def test_a_load_without_end_falls_as_if_there_were_no_drum() -> None:
    light, heavy = (free_fall(Hoist(m, 1600.0, 12, 0.43)) for m in (1.0, 1e12))
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


def test_a_leak_ends_with_the_oil() -> None:
    """Gas fills the bottle at the precharge: nothing presses any more, the gauge falls to nothing."""
    bottle = hydraulics.Accumulator(0.010, 6.1e6)
    q = 1e-6
    empty = bottle.usable_m3(14e6, 0.0) / q
    assert leaking_pa(bottle, 14e6, q, 0.999 * empty) == pytest.approx(6.1e6, rel=2e-3)
    assert leaking_pa(bottle, 14e6, q, 1.001 * empty) == 0.0
    assert leaking_pa(bottle, 14e6, 0.0, 1e9) == pytest.approx(14e6)


LAND = DrumGeometry(0.7112, 0.034925, 36)


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: drum.block_height_m(LAND, 20, 12, 1.0, 0), "lines is 0"),
        (lambda: LAND.block_travel_per_turn_m(20, 0), "lines is 0"),
        (lambda: DrumGeometry(0.7112, 0.7112, 36), "rope_diameter_m"),
        (lambda: drum.rope_ea_n(0.0), "rope_diameter_m"),
        (lambda: drum.rope_ea_n(0.03, 0.0), "modulus_pa"),
        (lambda: drum.rope_ea_n(0.03, 1e11, 0.0), "fill"),
        (lambda: drum.block_drop_m(1e5, 0.0, 20, 12, 48, 44), "ea_n"),
        (lambda: heat.cooled_c(90, 20, 10, 0.0), "tau_s"),
        (lambda: brakes.EddyBrake(95e3, 0.0, 75), "critical_speed_rad_s"),
        (lambda: brakes.EddyBrake(95e3, 12, 0), "rated_current_a"),
    ],
)
def test_what_cannot_be_is_refused_by_name(call: Callable[[], object], named: str) -> None:
    with pytest.raises(ValueError, match=named):
        call()
