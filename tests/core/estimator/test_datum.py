"""The datum: what outside heights teach about offset, rope and wraps."""

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.config.rig_file import find_rig
from monitor.core.estimator.datum import Datum
from monitor.core.estimator.height_map import HeightMap
from monitor.physics.drum import DrumGeometry
from tests.core.estimator.motion_bench import turns_at

RIG = find_rig("land")
LAND = DrumGeometry(
    RIG.drum.core_diameter_m, RIG.line.rope_diameter_m, RIG.drum.wraps_per_layer, RIG.drum.nesting, RIG.drum.max_layers
)


def test_datum_alone_knows_its_own_height_best() -> None:
    layers, datum = HeightMap(LAND, 12.0, 1.0, 12), Datum(0.02, 0.01, 0.25)
    sigmas = []
    for height in (1.0, 5.0, 15.0, 25.0, 35.0):
        _, _, by_rope, by_wraps = layers.locate(height)
        sigmas.append(datum.variance(by_rope, by_wraps) ** 0.5)
    assert sigmas[0] == pytest.approx(0.02)
    assert sigmas == sorted(sigmas)
    assert 0.05 < sigmas[-1] < 0.15


@pytest.mark.parametrize("rope", [-0.02, 0.01])
def test_outside_heights_over_the_range_find_the_rope(rope: float) -> None:
    draw = random.Random(5)
    layers, datum = HeightMap(LAND, 12.0, 1.0, 12), Datum(0.02, 0.01, 0.25)
    for height in (8.0, 16.0, 24.0, 32.0, 20.0, 12.0, 30.0, 36.0):
        turns = turns_at(RIG, height, rope) + datum.wraps
        x = layers.height(turns)
        _, _, by_rope, by_wraps = layers.locate(x)
        found = datum.observe(height + draw.gauss(0.0, 0.01) - x, by_rope, by_wraps, 0.015)
        assert found.test_ratio < 1.0
        layers = layers.moved(layers.turns + found.wraps, layers.height_m + found.offset_m, found.rope)
    assert datum.rope == pytest.approx(rope, abs=0.006)
    for height in (5.0, 15.0, 25.0, 35.0):
        assert layers.height(turns_at(RIG, height, rope) + datum.wraps) == pytest.approx(height, abs=0.025)
        _, _, by_rope, by_wraps = layers.locate(height)
        assert datum.variance(by_rope, by_wraps) ** 0.5 < 0.02


def test_a_difference_that_geometry_cannot_explain_goes_to_the_offset() -> None:
    layers, datum = HeightMap(LAND, 12.0, 1.0, 12), Datum(0.02, 0.01, 0.25)
    _, _, by_rope, by_wraps = layers.locate(20.0)
    found = datum.observe(1.0, by_rope, by_wraps, 0.02)
    assert found.test_ratio > 1.0
    assert found.offset_m == pytest.approx(1.0, abs=0.01)
    assert found.rope == found.wraps == 0.0
    assert datum.rope == 0.0


@given(st.lists(st.tuples(st.floats(1.0, 38.0), st.floats(-0.1, 0.1), st.floats(0.005, 0.2)), max_size=30))
def test_doubt_never_grows_by_evidence_that_fits(evidence: list[tuple[float, float, float]]) -> None:
    layers, datum = HeightMap(LAND, 12.0, 1.0, 12), Datum(0.02, 0.01, 0.25)
    places = [layers.locate(h)[2:] for h in (1.0, 10.0, 20.0, 30.0)]
    before = [datum.variance(*place) for place in places]
    for height, difference, sigma in evidence:
        slopes = layers.locate(height)[2:]
        if datum.check(difference, *slopes, sigma) > 1.0:
            continue
        datum.observe(difference, *slopes, sigma)
        after = [datum.variance(*place) for place in places]
        assert all(0.0 < a <= b * (1 + 1e-9) for a, b in zip(after, before, strict=True))
        before = after
