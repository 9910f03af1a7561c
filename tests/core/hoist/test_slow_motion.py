"""A block that creeps is seen to move by the way it makes; noise, a corrected height and a rest are not."""

import math
import random

import pytest

from monitor.core.hoist.slow_motion import SPAN_S, SlowMotion

GRID_NS = 50_000_000


def ways(heights: list[float]) -> list[int]:
    seen = SlowMotion()
    return [seen.update(k * GRID_NS, height) for k, height in enumerate(heights)]


@pytest.mark.parametrize("speed", [0.035, -0.035, 0.1])
def test_a_creeping_block_moves_once_the_span_is_full(speed: float) -> None:
    draw = random.Random(3)
    seen = ways([10.0 + speed * k * 0.05 + draw.gauss(0.0, 0.005) for k in range(400)])
    assert set(seen[: int(SPAN_S / 0.05)]) == {0}
    assert set(seen[120:]) == {1 if speed > 0.0 else -1}


def test_noise_a_corrected_height_and_a_lost_one_are_no_motion() -> None:
    draw = random.Random(4)
    noisy = [10.0 + draw.gauss(0.0, 0.01) for _ in range(4000)]
    assert set(ways(noisy)) == {0}
    assert set(ways([height + (0.6 if k > 2000 else 0.0) for k, height in enumerate(noisy)])) == {0}
    creeping = [10.0 - 0.05 * k * 0.05 for k in range(200)]
    assert set(ways([*creeping[:70], math.nan, *creeping[71:]])[70:149]) == {0}


def test_a_block_that_has_stopped_moves_no_more_within_a_second() -> None:
    seen = ways([10.0 + 0.9 * min(k, 200) * 0.05 for k in range(300)])
    assert seen[200] == 1
    assert set(seen[223:]) == {0}
