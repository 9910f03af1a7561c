"""A ready-made block position: stuck although the brake is set, and jumping away and back."""

import random

import pytest

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
