"""Height over turns against the drum's own formulas."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.config.rig_file import find_rig
from monitor.core.estimator.height_map import HeightMap
from monitor.physics.drum import DrumGeometry, block_height_m, turns_at_height
from tests.core.estimator.motion_bench import line_m

RIG = find_rig("land")
LAND = DrumGeometry(
    RIG.drum.core_diameter_m, RIG.line.rope_diameter_m, RIG.drum.wraps_per_layer, RIG.drum.nesting, RIG.drum.max_layers
)


@given(st.floats(0.5, 175.0), st.floats(3.0, 170.0))
def test_map_agrees_with_the_drums_formula_and_its_inverse(turns: float, datum: float) -> None:
    layers = HeightMap(LAND, datum, 1.0, 12)
    height = layers.height(turns)
    assert height == pytest.approx(block_height_m(LAND, turns, datum, 1.0, 12), abs=1e-9)
    back, index, _, _ = layers.locate(height)
    assert back == pytest.approx(turns_at_height(LAND, height, datum, 1.0, 12), abs=1e-9)
    assert back == pytest.approx(turns, abs=1e-9)
    assert index + 1 in (LAND.layer(turns), LAND.layer(turns - 1e-9), LAND.layer(turns + 1e-9))
    assert layers.radii_m[index] == pytest.approx(LAND.radius_m(LAND.wraps_per_layer * index + 1.0), abs=1e-12)


@pytest.mark.parametrize("turns", [20.0, 60.0, 110.0, 160.0])
def test_slopes_agree_with_differences(turns: float) -> None:
    datum, small = 12.0, 1e-5
    layers = HeightMap(LAND, datum, 1.0, 12)
    _, index, by_rope, by_wraps = layers.locate(layers.height(turns))
    thicker = layers.moved(rope=small)
    assert (thicker.height(turns) - layers.height(turns)) / small == pytest.approx(by_rope, rel=1e-4, abs=1e-6)
    shifted = layers.moved(turns=datum + small)
    assert (shifted.height(turns + small) - layers.height(turns)) / small == pytest.approx(by_wraps, rel=1e-3, abs=1e-6)
    assert layers.rope_slopes[index] == pytest.approx(
        (thicker.rise_at(1.0 + thicker.height(turns)) / layers.rise_at(1.0 + layers.height(turns)) - 1) / small,
        rel=1e-3,
    )


def test_map_of_a_thinner_rope_is_what_wrapping_it_gives() -> None:
    layers = HeightMap(LAND, 12.0, 1.0, 12).moved(rope=-0.02)
    for turns in (30.0, 80.0, 150.0):
        truth = 1.0 + (line_m(RIG, turns, -0.02) - line_m(RIG, 12.0, -0.02)) / 12
        assert layers.height(turns) == pytest.approx(truth, abs=1e-9)
