"""Stopping distances against published and derived values."""

import pytest
from scipy import constants as c

from monitor.physics import motion
from monitor.physics.motion import Hoist
from tests.published.rows import Row, check, rows

DERIVED = "derived here: 12 lines, radius 0.43 m, K = 1.04; agrees with numerical integration"
TORQUE = 240e3


def hoist(mass_t: float, inertia: float) -> Hoist:
    """The example rig with a load in t and an inertia in kg m2."""
    return Hoist(mass_t * 1e3, inertia, 12, 0.43, 1.04)


def free_fall(rig: Hoist) -> float:
    """Acceleration of the lowering block before its brake acts, m/s2."""
    return motion.lowering_phases(rig, rig.mass_kg, 1e9, 0.0).coast_m_s2


def thrown_m(speed: float) -> float:
    """Rise of a block whose lines a strong brake has slackened, m."""
    return motion.reach_hoisting(speed, hoist(20, 1600), 1e9, 0.0, 0.0).distance_m


def d1(inertia: float) -> motion.Reach:
    """150 t lowered at 1 m/s, brake lag 0.5 s."""
    return motion.reach_lowering(1.0, hoist(150, inertia), TORQUE, 0.0, 0.5)


def d2(inertia: float) -> motion.Reach:
    """Empty 20 t block hoisted at 1.5 m/s, command 0.2 s, brake lag 0.5 s."""
    return motion.reach_hoisting(1.5, hoist(20, inertia), TORQUE, 0.2, 0.5)


def d1_lag_m() -> float:
    """Way of the block while the brake lags 0.5 s behind, 1600 kg m2: mean speed times time."""
    return (1.0 + d1(1600).peak_speed_m_s) / 2 * 0.5


def d2_parts() -> tuple[float, float, float]:
    """Way of the geared empty block at full speed, while the brake lags, and braked."""
    rig = hoist(20, 6000)
    command = 1.5 * 0.2
    left = 1.5 + motion.hoisting_phases(rig, rig.mass_kg, TORQUE, 0.0).coast_m_s2 * 0.5
    lag = (1.5 + left) / 2 * 0.5
    return command, lag, motion.reach_hoisting(left, rig, TORQUE, 0.0, 0.0).distance_m


TABLE = [
    Row(
        "free fall, 150 t, 1600 kg m2",
        DERIVED,
        lambda: free_fall(hoist(150, 1600)),
        0.830,
        1e-3,
    ),
    Row(
        "free fall, 150 t, 6000 kg m2",
        DERIVED,
        lambda: free_fall(hoist(150, 6000)),
        0.236,
        1e-3,
    ),
    Row(
        "free fall, 20 t, 1600 kg m2",
        DERIVED,
        lambda: free_fall(hoist(20, 1600)),
        0.119,
        5e-3,
    ),
    Row(
        "free fall, 20 t, 6000 kg m2",
        DERIVED,
        lambda: free_fall(hoist(20, 6000)),
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
    Row("ballistic rise from 1.5 m/s", "v^2 / 2g", lambda: thrown_m(1.5), 0.1147, 1e-3),
    Row("ballistic rise from 2.0 m/s", "v^2 / 2g", lambda: thrown_m(2.0), 0.2039, 1e-3),
    Row(
        "power lost at 0.5 m/s: time to falling",
        DERIVED,
        lambda: motion.reach_hoisting(0.5, hoist(150, 1600), 0.0, 0.0, 0.0).time_s,
        0.38,
        1e-2,
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
    slows = motion.hoisting_phases(ONE_ROPE, m, friction, 0.0).slowing_m_s2
    assert slows == pytest.approx(min(rising, c.g)), HANDBOOK
    coasts = motion.lowering_phases(ONE_ROPE, m, 1e9, 0.0, friction, aux_holds=True).coast_m_s2
    assert coasts == pytest.approx(lowered), HANDBOOK
    stop = 2.5
    torque = i * stop / r - friction + m * r * (c.g + stop)
    assert motion.reach_lowering(2.0, ONE_ROPE, torque + friction, 0.0, 0.0).distance_m == pytest.approx(
        2.0**2 / 5.0
    ), HANDBOOK


def test_trap_free_fall_is_far_below_g() -> None:
    # Derived here: the drum has to be spun up too. Nothing hung on this rig falls at a tenth of g.
    for mass_t in (20, 150, 340):
        for inertia in (1600, 6000):
            assert 0 < free_fall(hoist(mass_t, inertia)) < 0.2 * c.g
    assert free_fall(hoist(150, 1600)) < 0.1 * c.g


def test_trap_a_brake_that_does_not_beat_the_load_never_stops() -> None:
    # Derived here: el m g r / N = 40.5 kN m; a torque just below it gives no distance at all, just above it gives one.
    rig = hoist(150, 1600)
    holds = rig.lowering * 150e3 * c.g * 0.43 / 12
    assert holds == pytest.approx(0.768 * 150e3 * c.g * 0.43 / 12, rel=1e-3)
    assert not motion.reach_lowering(0.5, rig, 0.999 * holds, 0.0, 0.5).stops
    assert motion.reach_lowering(0.5, rig, 1.001 * holds, 0.0, 0.5).stops
