"""What the brakes' readings tell of the motion before the position shows it; and that nothing dangerous rests on it."""

import math
import random
from collections.abc import Callable

import pytest

from monitor.config.rig import Rig
from monitor.config.rig_file import find_rig
from monitor.core.brakes.deceleration import MAX_KNOWN_M_S2, MEMORY_S, DecelerationMonitor
from monitor.core.estimator.estimate import Estimate
from monitor.model.reading import Validity
from monitor.physics.motion import Hoist
from tests.core.brakes import brakehealth_truth
from tests.core.estimator.motion_bench import Bench, rig_with
from tests.physics.rigs import fall_m_s2

RIG = find_rig("land")
RADIUS_M = 0.4
MASS_KG = 80_000.0
HOLDS_N_M = 30_000.0


def seen(speed: float, sigma: float = 0.005) -> Estimate:
    return Estimate(0, 10.0, speed, 0.0, 0.01, sigma, 0.1, 0.05, 0.02, Validity.VALID, 60.0, 2, RADIUS_M, False)


def run(
    looks: int, speed: Callable[[float], float], torque: Callable[[float], float], driven: bool = False
) -> list[float]:
    """`confident_m_s2` at each look, 50 ms apart, from a second before zero on; the looks before it are left out."""
    monitor = DecelerationMonitor(RIG)
    found = []
    for k in range(-20, looks):
        t = 0.05 * k
        monitor.step(0.05, seen(speed(t)), MASS_KG, torque(t), driven)
        if k >= 0:
            found.append(monitor.confident_m_s2)
    return found


def brake_on(t: float) -> float:
    return HOLDS_N_M if t < 0.0 else 3.0 * HOLDS_N_M


def test_torque_that_comes_on_is_believed_at_once_and_never_more_than_it_does() -> None:
    hoist = Hoist(MASS_KG, RIG.drum.inertia_kg_m2, RIG.line.lines, RADIUS_M)
    does = fall_m_s2(hoist, HOLDS_N_M) - fall_m_s2(hoist, 3.0 * HOLDS_N_M)
    first = run(1, lambda t: -1.0, brake_on)[0]
    assert 0.25 * does < first < does


def test_a_brake_that_does_not_bite_is_believed_no_longer_than_a_moment() -> None:
    sure = run(40, lambda t: -1.0, brake_on)
    assert sure == sorted(sure, reverse=True)
    assert sure[round(1.0 / 0.05)] < 0.1 * sure[0]


def test_a_brake_that_bites_stays_believed_by_what_the_speed_shows() -> None:
    rate = 0.4
    sure = run(30, lambda t: -1.0 + rate * max(0.0, t), brake_on)
    assert min(sure) > 0.0
    assert sure[-1] == pytest.approx(rate, abs=0.1)


def test_a_brake_that_is_eased_is_no_slowing_down() -> None:
    slows = run(20, lambda t: -1.5 + 0.3 * (t + 1.0), lambda t: HOLDS_N_M)
    eased = run(20, lambda t: -1.5 + 0.3 * (min(t, 0.0) + 1.0), lambda t: HOLDS_N_M if t < 0.0 else 0.5 * HOLDS_N_M)
    assert min(slows) > 0.1
    assert max(eased) < min(slows)


@pytest.mark.parametrize("rate", [0.45, 0.0])
def test_a_speed_that_jumps_with_each_reading_takes_no_surety_away_and_gives_none(rate: float) -> None:
    """A false warning at 0.6 m/s: one reading of a position of 1 cm made the speed jump, though the block slowed all along."""
    looks = []
    for seed in range(20):
        noise = random.Random(seed)
        monitor = DecelerationMonitor(RIG)
        for k in range(40):
            slower = rate * max(0.0, 0.05 * (k - 10))
            speed = -1.2 + slower + noise.gauss(0.0, 0.05)
            monitor.step(0.05, seen(speed, 0.05), MASS_KG, HOLDS_N_M * (1.0 + (rate > 0.0 and k >= 10)), False)
            if k >= 24:
                looks.append(monitor.confident_m_s2)
    if rate:
        assert sum(look > 0.05 for look in looks) > 0.97 * len(looks)
    else:
        assert sum(look > 0.0 for look in looks) < 0.05 * len(looks)


def test_torque_that_the_lever_asks_for_counts_like_torque_that_is_there() -> None:
    """Two false warnings of eight calm hours: the hand had pulled a tenth of a second before, and only the lever showed it."""
    there, coming = DecelerationMonitor(RIG), DecelerationMonitor(RIG)
    for monitor in (there, coming):
        for _ in range(20):
            monitor.step(0.05, seen(-1.0), MASS_KG, HOLDS_N_M, False)
    there.step(0.05, seen(-1.0), MASS_KG, 3.0 * HOLDS_N_M, False)
    coming.step(0.05, seen(-1.0), MASS_KG, HOLDS_N_M, False, 2.0 * HOLDS_N_M)
    assert coming.confident_m_s2 == pytest.approx(there.confident_m_s2, rel=0.2)
    assert coming.known_m_s2 < there.known_m_s2  # the filter is told of torque that acts, and of no other
    coming.step(0.05, seen(-1.0), MASS_KG, HOLDS_N_M, False)
    assert coming.confident_m_s2 == 0.0  # and where none comes it is over
    coming.step(0.05, seen(-1.0), MASS_KG, HOLDS_N_M, True, 2.0 * HOLDS_N_M)
    assert coming.confident_m_s2 == 0.0


def test_torque_that_holds_more_than_the_load_counts_as_far_as_the_speed_does_not_deny_it() -> None:
    """A false warning at 0.9 m/s: an auxiliary brake had held for half a second, but a position of 1 cm lagged behind it."""

    light, mass_kg = find_rig("light"), 6000.0
    hoist = Hoist(mass_kg, light.drum.inertia_kg_m2, light.line.lines, RADIUS_M)
    load_n_m = mass_kg * 9.80665 * RADIUS_M / light.line.lines

    def settled(sigma: float, way: float = -1.0, share: float = 3.0, driven: bool = False, rig: Rig = light) -> float:
        monitor = DecelerationMonitor(rig)
        for _ in range(200):
            monitor.step(0.05, seen(way, sigma), mass_kg, share * load_n_m, driven)
        return monitor.confident_m_s2

    assert 0.05 < settled(0.1) < -fall_m_s2(hoist, 3.0 * load_n_m)
    assert settled(0.005) == pytest.approx(2.0 * 0.005 / MEMORY_S, rel=0.01)  # a position that is that good denies it
    assert settled(0.1, share=1.0) == 0.0
    assert settled(0.1, driven=True) == settled(0.1, way=1.0) == 0.0
    assert settled(0.1, rig=RIG) == 0.0  # counts of the drum confirm it soon enough


def test_a_lever_that_brings_no_pressure_is_believed_no_longer_than_a_slow_brake_takes() -> None:
    bench = brakehealth_truth.Bench("land")
    bench.height_m = 25.0
    bench.lever = 0.0
    bench.run(30.0, lambda: bench.v <= -1.0)
    bench.circuit_works = [False, False]
    bench.lever = 1.0
    found: list[float] = []
    bench.after = lambda: found.append(bench.health.deceleration.confident_m_s2)
    bench.run(2.0)
    longest = 1.5 * (RIG.braking.lag_s + RIG.braking.ramp_s)
    assert found[1] > 0.1
    assert max(found[round(longest / 0.05) + 2 :]) == 0.0


def test_a_drive_that_may_be_pulling_makes_torque_no_surety() -> None:
    assert run(10, lambda t: 1.0, brake_on, driven=True) == [0.0] * 10
    assert run(1, lambda t: 1.0, brake_on)[0] > 0.0


def test_what_is_not_known_says_nothing_and_a_gauge_that_jumps_says_little() -> None:
    monitor = DecelerationMonitor(RIG)
    monitor.step(0.05, seen(-1.0), MASS_KG, math.nan, False)
    assert math.isnan(monitor.known_m_s2)
    assert monitor.confident_m_s2 == 0.0
    monitor.step(0.05, seen(-1.0), math.nan, HOLDS_N_M, False)
    assert math.isnan(monitor.known_m_s2)
    assert monitor.confident_m_s2 == 0.0
    monitor.step(0.05, seen(-1.0), MASS_KG, 1e7, False)
    assert monitor.known_m_s2 == MAX_KNOWN_M_S2  # upwards: against the motion
    monitor.step(0.05, seen(1.0), MASS_KG, 1e7, False)
    assert monitor.known_m_s2 == -MAX_KNOWN_M_S2
    monitor.pause()
    assert math.isnan(monitor.known_m_s2)


def follow(decelerates: float, promised: float, seed: int) -> list[tuple[float, float, float]]:
    """(seconds since the brake came on, error of the speed, its bound) of the light rig's position, read to a centimetre, of
    a block at 1 m/s that slows by `decelerates` while the brakes' readings promise `promised` m/s2."""
    on, end = 5.0, 7.0

    def height(t: float) -> float:
        since = max(0.0, t - on)
        return 20.0 - t + 0.5 * decelerates * since * since

    bench = Bench(rig_with("light"), height, seed=seed).run(on)
    bench.estimator.add_known_acceleration(0.0)
    bench.estimator.add_known_acceleration(promised)
    bench.run(end)
    speed = ((t, e, -1.0 + decelerates * max(0.0, t - on)) for t, _, e in bench.track if t >= on)
    return [(t - on, e.speed_m_s - v, e.speed_bound_m_s) for t, e, v in speed]


def test_the_filter_lags_less_behind_a_brake_that_bites() -> None:
    def mean(promised: float) -> float:
        looks = [abs(error) for seed in range(10) for t, error, _ in follow(0.45, promised, seed) if t < 1.0]
        return sum(looks) / len(looks)

    assert mean(0.45) < 0.8 * mean(0.0)


@pytest.mark.parametrize("share", [0.0, 1.25])
def test_the_truth_stays_inside_the_bounds_whether_the_brake_bites_or_not(share: float) -> None:
    looks = [look for seed in range(20) for look in follow(0.45 * share, 0.45, seed)]
    inside = sum(abs(error) <= bound for _, error, bound in looks) / len(looks)
    assert inside >= 0.99
