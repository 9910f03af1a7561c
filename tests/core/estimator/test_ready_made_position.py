"""A ready-made block position: stuck although the brake is set, and jumping away and back."""

import math
import random
from collections.abc import Callable

import pytest

from monitor.model.reading import Validity
from tests.core.estimator.motion_bench import Bench, profile, rig_with

DEEP = [(2.5, 2.0), (45.0, 40.0), (45.0, 3.0), (5.0, 35.0), (5.0, 3.0)]


@pytest.mark.parametrize("noise_m", [0.01, 0.0])
def test_a_noisy_position_that_repeats_itself_is_stuck_even_under_a_set_brake_a_quiet_one_is_not(
    noise_m: float,
) -> None:
    kept: list[float] = []
    draw = random.Random(3)

    def change(t: float, value: float) -> float:
        if t < 6.0 or not noise_m:
            return round(value + draw.gauss(0.0, noise_m), 3) if noise_m else round(value, 3)
        kept[:1] = kept[:1] or [value]
        return kept[0]

    rig = rig_with("light", block={"sigma": 0.0})
    bench = Bench(rig, lambda t: 5.0, faults={"block": change}, braking=lambda t: True).run(10.0)
    assert (bench.estimator.fusion(bench.index("block")).diagnosis != "") is (noise_m > 0.0)


def test_a_position_that_jumps_away_and_back_now_and_then_is_told() -> None:
    bench = Bench(
        rig_with("deep"),
        profile(DEEP, 2.5)[0],
        faults={"block": lambda t, value: value + (8.0 if t % 3.0 < 0.04 and t > 20.0 else 0.0)},
    )
    bench.run(35.0)
    assert "jump away and back" in bench.estimator.fusion(bench.index("block")).diagnosis
    assert "stand still" not in bench.estimator.fusion(bench.index("drum")).diagnosis


def stop_and_bounce(from_m: float, speed_m_s: float, at_s: float, slow_m_s2: float) -> Callable[[float], float]:
    """Height of a block lowered steadily, its drum stopped hard at `at_s`, that then swings on its line: 14 rad/s, a tenth of
    critical damping, as a light block high above a stiff line does (common practice, no source)."""
    took = speed_m_s / slow_m_s2
    rests_m = from_m - speed_m_s * (at_s + 0.5 * took)
    omega, decay = 14.0, 1.4

    def at(t: float) -> float:
        if t < at_s:
            return from_m - speed_m_s * t
        since = t - at_s
        if since < took:
            return from_m - speed_m_s * t + 0.5 * slow_m_s2 * since * since
        since -= took
        swing_m = slow_m_s2 / omega**2
        return rests_m + swing_m * (1.0 - math.exp(-decay * since) * math.cos(omega * since))

    return at


@pytest.mark.parametrize("seed", range(4))
def test_a_block_that_stops_at_once_and_swings_on_its_line_never_looks_faster_than_a_hoist(seed: int) -> None:
    """The filter is late to see such a stop; what it makes up for must stay what a machine can do, inside its own bound."""
    rig = rig_with("light")
    at = stop_and_bounce(20.0, 1.2, 6.0, 9.0)
    bench = Bench(rig, at, seed=seed, braking=lambda t: t > 5.7).run(9.0)
    after = [(t, e, (at(t + 1e-3) - at(t - 1e-3)) / 2e-3) for t, _, e in bench.track if t > 6.0]
    assert max(abs(e.speed_m_s) for _, e, _ in after) <= 1.2 * rig.limits.credible_speed_m_s
    late = [(t, e, v) for t, e, v in after if t > 6.5]
    assert all(e.validity is not Validity.INVALID for _, e, _ in late)
    inside = [abs(e.speed_m_s - v) <= e.speed_bound_m_s for _, e, v in late]
    assert sum(inside) >= 0.85 * len(inside)
