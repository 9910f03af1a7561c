"""Drum geometry: exact across layers, exact back again, and clear about nonsense."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.physics import drum
from monitor.physics.drum import DrumGeometry
from tests.physics.rigs import DRUMS, spans

LAND = DrumGeometry(0.7112, 0.034925, 36)


@given(DRUMS, spans(-20, 600))
def test_line_and_turns_are_inverse(geometry: DrumGeometry, turns: float) -> None:
    assert geometry.turns(geometry.line_m(turns)) == pytest.approx(turns, rel=1e-12, abs=1e-9)


@given(DRUMS, spans(-50, 3000))
def test_turns_and_line_are_inverse(geometry: DrumGeometry, line_m: float) -> None:
    assert geometry.line_m(geometry.turns(line_m)) == pytest.approx(line_m, rel=1e-12, abs=1e-9)


@given(DRUMS)
def test_line_is_continuous_and_the_slope_is_the_radius(geometry: DrumGeometry) -> None:
    for kink in (0.0, *geometry.layer_change_turns, geometry.capacity_turns):
        below, above = geometry.line_m(kink - 1e-6), geometry.line_m(kink + 1e-6)
        assert above - below == pytest.approx(2e-6 * 2 * math.pi * geometry.radius_m(kink), rel=0.3)
        middle = kink + 0.4
        slope = (geometry.line_m(middle + 0.1) - geometry.line_m(middle - 0.1)) / 0.2
        assert slope == pytest.approx(2 * math.pi * geometry.radius_m(middle), rel=1e-9)
        assert geometry.block_travel_per_turn_m(middle, 8) == pytest.approx(slope / 8, rel=1e-9)


@given(DRUMS, spans(-20, 600), spans(1e-6, 50))
def test_line_rises_with_turns(geometry: DrumGeometry, turns: float, more: float) -> None:
    assert geometry.line_m(turns + more) > geometry.line_m(turns)
    assert geometry.radius_m(turns + more) >= geometry.radius_m(turns)


@given(DRUMS, st.integers(0, 7))
def test_a_new_layer_begins_where_the_last_is_full(geometry: DrumGeometry, layers: int) -> None:
    full = min(layers, geometry.max_layers - 1)
    assert geometry.layer(full * geometry.wraps_per_layer) == full + 1
    assert geometry.layer(full * geometry.wraps_per_layer + 0.5) == full + 1


def test_layers_by_hand() -> None:
    assert [LAND.layer(t) for t in (-1, 0, 35.9, 36, 71.9, 72, 1e9)] == [1, 1, 1, 2, 2, 3, 6]
    assert LAND.line_m(0) == 0.0
    assert LAND.capacity_turns == 216
    assert LAND.capacity_m == pytest.approx(LAND.line_m(216))
    assert LAND.dead_wraps_left(5.0) == 2.0
    assert LAND.dead_wraps_left(2.0) == -1.0


@given(DRUMS, spans(0, 100), spans(-5, 60), spans(0, 200), st.sampled_from([6, 8, 10, 12]))
def test_height_and_turns_are_inverse(
    geometry: DrumGeometry, start: float, height: float, turns: float, lines: int
) -> None:
    at = drum.block_height_m(geometry, turns, start, height, lines)
    assert drum.turns_at_height(geometry, at, start, height, lines) == pytest.approx(turns, rel=1e-9, abs=1e-6)


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({"core_diameter_m": 0.0}, "core_diameter_m"),
        ({"core_diameter_m": math.nan}, "core_diameter_m"),
        ({"rope_diameter_m": 0.0}, "rope_diameter_m"),
        ({"rope_diameter_m": 0.8}, "rope_diameter_m"),
        ({"rope_diameter_m": math.inf}, "rope_diameter_m"),
        ({"wraps_per_layer": 0.5}, "wraps_per_layer"),
        ({"wraps_per_layer": math.nan}, "wraps_per_layer"),
        ({"nesting": 0.2}, "nesting"),
        ({"nesting": math.nan}, "nesting"),
        ({"max_layers": 0}, "max_layers"),
        ({"dead_wraps": -1.0}, "dead_wraps"),
        ({"dead_wraps": 300.0}, "dead_wraps"),
    ],
)
def test_nonsense_is_refused_by_name(change: dict[str, float], named: str) -> None:
    given_: dict[str, float] = {"core_diameter_m": 0.7, "rope_diameter_m": 0.035, "wraps_per_layer": 36.0}
    with pytest.raises(ValueError, match=named):
        DrumGeometry(**{**given_, **change})  # type: ignore[arg-type]


@given(spans(1e3, 3e5), spans(0, 45), st.sampled_from([8, 10, 12]))
def test_stretch_is_proportional_to_tension_and_falls_as_the_block_rises(
    tension: float, below: float, lines: int
) -> None:
    ea = drum.rope_ea_n(0.034925)
    drop = drum.block_drop_m(tension, ea, below, lines, 48, 44)
    assert drum.block_drop_m(2 * tension, ea, below, lines, 48, 44) == pytest.approx(2 * drop)
    assert drum.block_drop_m(tension, ea, below + 1, lines, 48, 44) > drop
