"""Stopping distances, energies and brake drums against published and derived values."""

import pytest
from scipy import constants as c

from monitor.physics import heat, motion
from monitor.physics.motion import Hoist
from tests.published.rows import Row, check, ft, inches, lb_in, lbf, rows, rpm

DERIVED = "derived here: 12 lines, radius 0.43 m, K = 1.04; agrees with numerical integration"
TORQUE = 240e3


def hoist(mass_t: float, inertia: float) -> Hoist:
    """The example rig with a load in t and an inertia in kg m2."""
    return Hoist(mass_t * 1e3, inertia, 12, 0.43, 1.04)


def d1(inertia: float) -> motion.Reach:
    """150 t lowered at 1 m/s, brake lag 0.5 s."""
    return motion.reach_lowering(1.0, hoist(150, inertia), TORQUE, 0.0, 0.5)


def d2(inertia: float) -> motion.Reach:
    """Empty 20 t block hoisted at 1.5 m/s, command 0.2 s, brake lag 0.5 s."""
    return motion.reach_hoisting(1.5, hoist(20, inertia), TORQUE, 0.2, 0.5)


def d1_lag_m() -> float:
    """Way of the block while the brake lags 0.5 s behind, 1600 kg m2: mean speed times time."""
    return (1.0 + d1(1600).peak_speed_m_s) / 2 * 0.5


def d1_energy() -> heat.StopEnergy:
    """Energies of the braked part of the lowering stop with 1600 kg m2: what is left after the 0.5 s lag."""
    rig, reach = hoist(150, 1600), d1(1600)
    return heat.stop_energy(rig, reach.peak_speed_m_s, reach.distance_m - d1_lag_m(), TORQUE)


def d2_parts() -> tuple[float, float, float]:
    """Way of the geared empty block at full speed, while the brake lags, and braked."""
    rig = hoist(20, 6000)
    command = 1.5 * 0.2
    left = 1.5 + motion.acceleration_hoisting_m_s2(rig, 0.0) * 0.5
    lag = (1.5 + left) / 2 * 0.5
    return command, lag, motion.reach_hoisting(left, rig, TORQUE, 0.0, 0.0).distance_m


STAND = heat.descent_energy_j(150e3, 28.0)
MACHINE = "machine-design text, brake-drum problem 881 with solution"
SHIGLEY = "Shigley, Mechanical Engineering Design, example 16-5, first part (from memory)"
IRON_HEAT = 101 * c.foot * c.lbf / (c.pound * c.degree_Fahrenheit)  # 101 ft lb per lb and degF
IRON_DENSITY = 0.253 * c.pound / c.inch**3
IRON_VOLUME = heat.metal_volume_m3(lbf(4000) * ft(200), 150 * c.degree_Fahrenheit, IRON_DENSITY, IRON_HEAT)
STEEL_HEAT = 0.108 * c.Btu / (c.pound * c.degree_Fahrenheit)
SPIN = heat.spin_energy_j(lb_in(289), rpm(250))  # 289 lb in s2

TABLE = [
    Row(
        "free fall, 150 t, 1600 kg m2",
        DERIVED,
        lambda: motion.acceleration_lowering_m_s2(hoist(150, 1600), 0),
        0.830,
        1e-3,
    ),
    Row(
        "free fall, 150 t, 6000 kg m2",
        DERIVED,
        lambda: motion.acceleration_lowering_m_s2(hoist(150, 6000), 0),
        0.236,
        1e-3,
    ),
    Row(
        "free fall, 20 t, 1600 kg m2",
        DERIVED,
        lambda: motion.acceleration_lowering_m_s2(hoist(20, 1600), 0),
        0.119,
        5e-3,
    ),
    Row(
        "free fall, 20 t, 6000 kg m2",
        DERIVED,
        lambda: motion.acceleration_lowering_m_s2(hoist(20, 6000), 0),
        0.032,
        1e-2,
    ),
    Row("drum as seen from the block, t", DERIVED, lambda: hoist(150, 1600).drum_mass_kg / 1e3, 1246, 1e-3),
    Row("geared drum as seen from the block, t", DERIVED, lambda: hoist(150, 6000).drum_mass_kg / 1e3, 4673, 1e-3),
    Row("lowering stop, 1600 kg m2", DERIVED, lambda: d1(1600).distance_m, 0.848, 1e-3),
    Row("lowering stop, 6000 kg m2", DERIVED, lambda: d1(6000).distance_m, 1.067, 1e-3),
    Row("hoisting stop, 1600 kg m2", DERIVED, lambda: d2(1600).distance_m, 1.205, 1e-3),
    Row("hoisting stop, 6000 kg m2", DERIVED, lambda: d2(6000).distance_m, 1.777, 1e-3),
    Row("lowering stop: in the lag, m", DERIVED, d1_lag_m, 0.604, 1e-3),
    Row("lowering stop: braked, m", DERIVED, lambda: d1(1600).distance_m - d1_lag_m(), 0.245, 2e-3),
    Row("hoisting stop: in the lag, m", DERIVED, lambda: d2_parts()[1], 0.743, 1e-3),
    Row("hoisting stop: braked, m", DERIVED, lambda: d2_parts()[2], 0.734, 1e-3),
    Row("hoisting stop: its parts together, m", DERIVED, lambda: sum(d2_parts()), 1.777, 1e-3),
    Row("ballistic rise from 1.5 m/s", "v^2 / 2g", lambda: motion.ballistic_rise_m(1.5), 0.1147, 1e-3),
    Row("ballistic rise from 2.0 m/s", "v^2 / 2g", lambda: motion.ballistic_rise_m(2.0), 0.2039, 1e-3),
    Row(
        "power lost at 0.5 m/s: time to falling",
        DERIVED,
        lambda: motion.time_to_falling_s(0.5, hoist(150, 1600)),
        0.38,
        1e-2,
    ),
    Row("stop energy: kinetic, MJ", DERIVED, lambda: d1_energy().kinetic_j / 1e6, 1.397, 1e-3),
    Row("stop energy: potential, MJ", DERIVED, lambda: d1_energy().potential_j / 1e6, 0.360, 1e-3),
    Row("stop energy: brake, MJ", DERIVED, lambda: d1_energy().brake_j / 1e6, 1.639, 1e-3),
    Row("stop energy: tackle, MJ", DERIVED, lambda: d1_energy().tackle_j / 1e6, 0.118, 5e-3),
    Row(
        "rise of 1600 kg of discs in that stop, K",
        DERIVED,
        lambda: heat.temperature_rise_k(d1_energy().brake_j, 1600),
        2.1,
        1e-2,
    ),
    Row("150 t lowered one stand, MJ", DERIVED, lambda: STAND / 1e6, 41.2, 1e-3),
    Row("rise for that stand, K", DERIVED, lambda: heat.temperature_rise_k(STAND, 1600), 52.5, 1e-3),
    Row("power over 30 s, kW", DERIVED, lambda: STAND / 30 / 1e3, 1373, 1e-3),
    Row("periodic peak, 5 K steps, K", DERIVED, lambda: heat.periodic_peak_rise_k(5, 150, 3267), 111.4, 1e-3),
    Row(
        "periodic peak, friction brake alone, K",
        DERIVED,
        lambda: heat.periodic_peak_rise_k(52.54, 150, 3267),
        1171,
        1e-3,
    ),
    Row(
        "periodic peak, auxiliary takes 90 %, K",
        DERIVED,
        lambda: heat.periodic_peak_rise_k(5.254, 150, 3267),
        117,
        2e-3,
    ),
    Row("metal of a hoist-brake drum, in3", MACHINE, lambda: IRON_VOLUME / c.inch**3, 208.7, 1e-3),
    Row(
        "rim thickness of that drum, in",
        MACHINE,
        lambda: heat.rim_thickness_m(IRON_VOLUME, inches(12), inches(6.06)) / c.inch,
        0.611,
        5e-3,
    ),
    Row("energy per stop, Btu", SHIGLEY, lambda: SPIN / c.Btu, 10.6, 5e-3),
    Row(
        "rise per stop of 2.0 lb of steel, degF",
        SHIGLEY,
        lambda: heat.temperature_rise_k(SPIN, 2.0 * c.pound, STEEL_HEAT) / c.degree_Fahrenheit,
        49.1,
        5e-3,
    ),
    Row(
        "steel that takes 10.6 Btu at a rise of 49.1 degF, lb",
        SHIGLEY,
        lambda: heat.metal_volume_m3(10.6 * c.Btu, 49.1 * c.degree_Fahrenheit, 1.0, STEEL_HEAT) / c.pound,
        2.0,
        5e-3,
    ),
    Row(
        "energy of W k2 = 5875 lb ft2 at 100 rpm, ft lb",
        "handbook form W k2 n2 / 5875",
        lambda: heat.spin_energy_j(5875 * c.pound * c.foot**2, rpm(100)) / (c.lbf * c.foot),
        10_000,
        2e-3,
    ),
]


@rows(TABLE)
def test_value(row: Row) -> None:
    check(row)


# One rope, no tackle: the closed forms that handbooks print for a load on a drum, I inertia, R radius, Tf friction torque.
ONE_ROPE = Hoist(1500.0, 95.0, 1, 0.6, 1.0)
HANDBOOK = "public handbook page on hoists: (m g R -+ Tf) / (m R + I / R)"


@pytest.mark.parametrize("friction", [0.0, 800.0, 5000.0])
def test_one_rope_has_the_handbooks_closed_forms(friction: float) -> None:
    # HANDBOOK: rising and coming to rest without drive d = (m g R + Tf) / (m R + I / R); lowered without drive a = (m g R -
    # Tf) / (m R + I / R); brought to rest by T = I b - Tf + m R (g + d) with b = d / R.
    m, i, r = 1500.0, 95.0, 0.6
    rising = (m * c.g * r + friction) / (m * r + i / r)
    lowered = (m * c.g * r - friction) / (m * r + i / r)
    assert motion.acceleration_hoisting_m_s2(ONE_ROPE, 0.0, friction) == pytest.approx(max(-rising, -c.g)), HANDBOOK
    assert motion.acceleration_lowering_m_s2(ONE_ROPE, friction) == pytest.approx(lowered), HANDBOOK
    stop = 2.5
    torque = i * stop / r - friction + m * r * (c.g + stop)
    assert motion.braking_torque_seen_n_m(ONE_ROPE, stop, -1) == pytest.approx(torque + friction), HANDBOOK
    assert motion.reach_lowering(2.0, ONE_ROPE, torque + friction, 0.0, 0.0).distance_m == pytest.approx(2.0**2 / 5.0)


def test_a_crate_shows_the_brake_that_drags_on_its_drum() -> None:
    # Public engineering problem, worked by hand here: drum 200 kg, radius of gyration 0.45 m, diameter 1.2 m; a crate of
    # 60 kg sinks 3.0 m in 2.20 s from rest. 1.240 m/s2, 2.066 rad/s2, 514.2 N in the rope, 224.8 N m of the brake.
    rig = Hoist(60.0, 200.0 * 0.45**2, 1, 0.6, 1.0)
    fall = 2 * 3.0 / 2.20**2
    torque = motion.braking_torque_seen_n_m(rig, -fall, -1)
    assert torque == pytest.approx(224.8, rel=2e-3)
    assert motion.acceleration_lowering_m_s2(rig, torque) == pytest.approx(1.240, rel=1e-3)
    assert (torque + rig.drum_inertia_kg_m2 * fall / 0.6) / 0.6 == pytest.approx(514.2, rel=1e-3)


def test_stop_energy_closes() -> None:
    # Derived here: 1.397 + 0.360 = 1.639 + 0.118 MJ; to rounding, since it is one balance.
    e = d1_energy()
    assert e.kinetic_j + e.potential_j == pytest.approx(e.brake_j + e.tackle_j, rel=1e-9)


def test_trap_free_fall_is_far_below_g() -> None:
    # Derived here: the drum has to be spun up too. Nothing hung on this rig falls at a tenth of g.
    for mass_t in (20, 150, 340):
        for inertia in (1600, 6000):
            assert 0 < motion.acceleration_lowering_m_s2(hoist(mass_t, inertia), 0) < 0.2 * c.g
    assert motion.acceleration_lowering_m_s2(hoist(150, 1600), 0) < 0.1 * c.g


def test_trap_a_brake_that_does_not_beat_the_load_never_stops() -> None:
    # Derived here: el m g r / N = 40.6 kN m; a torque just below it gives no distance at all, just above it gives one.
    rig = hoist(150, 1600)
    holds = motion.load_torque_n_m(rig, tackle_friction=True)
    assert holds == pytest.approx(0.768 * 150e3 * c.g * 0.43 / 12, rel=1e-3)
    assert not motion.reach_lowering(0.5, rig, 0.999 * holds, 0.0, 0.5).stops
    assert motion.reach_lowering(0.5, rig, 1.001 * holds, 0.0, 0.5).stops


def test_trap_power_lost_hoisting_a_heavy_load_ends_as_a_fall() -> None:
    # Derived here: at rest after 0.38 s, before a brake lag of 0.5 s has passed; the block falls until it acts.
    lost = motion.power_loss_hoisting(0.5, hoist(150, 1600), TORQUE, 0.5)
    assert lost.rise.time_s == pytest.approx(0.38, rel=1e-2)
    assert lost.turns_to_falling
    assert lost.fall.peak_speed_m_s == pytest.approx(0.830 * (0.5 - lost.rise.time_s), rel=1e-3)
