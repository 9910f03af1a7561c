"""Drum, rope layers and stretch against published and derived values."""

import pytest
from scipy import constants as c

from monitor.physics import calibration, drum
from monitor.physics.drum import DrumGeometry
from monitor.physics.tackle import hoisting_speed_at_power_m_s
from tests.published.rows import Row, check, ft, inches, lbf, psi, rows, to_ft, to_ft_min

LAND = DrumGeometry(inches(28), inches(1.375), 36, 0.866)
DERIVED = "derived here: 28 in drum, 1-3/8 in rope, 36 wraps, nested 0.866"
HOMEWORK = "University of Texas PGE 430, homework 1 with solution, 2009"

# 5 ft drum, read at the rope, one layer: the homework knows no rope diameter.


def homework_speed() -> float:
    """Block speed in m/s of the homework's 1500 hp hoist: 1e6 lb on 12 lines at efficiency 0.77."""
    return hoisting_speed_at_power_m_s(1500 * c.hp, lbf(1e6), 0.77)


def five_layer_rise(turns_from: float, turns: float) -> float:
    """Rise of the block in m over `turns`, 12 lines."""
    return drum.block_height_m(LAND, turns_from + turns, turns_from, 0.0, 12)


# 10 in barrel, 20 in flange, 12 in wide, 1/2 in rope: ten stacked layers of 24 wraps.
WINCH = DrumGeometry(inches(10), inches(0.5), 24, 1.0, 10)
WINCH_PAGE = "public winch-drum page, example of ten layers"

TABLE = [
    Row("rope on ten stacked layers, ft", WINCH_PAGE, lambda: to_ft(WINCH.capacity_m), 940, 5e-3),
    Row("layer 1 radius", DERIVED, lambda: LAND.radius_m(0), 0.37306, 1e-4),
    Row("layer 2 radius", DERIVED, lambda: LAND.radius_m(36), 0.40331, 1e-4),
    Row("layer 3 radius", DERIVED, lambda: LAND.radius_m(72), 0.43355, 1e-4),
    Row("rope on the first layer", DERIVED, lambda: LAND.line_m(36), 84.38, 1e-3),
    Row("rope on the second layer", DERIVED, lambda: LAND.line_m(72) - LAND.line_m(36), 91.23, 1e-3),
    Row("rope on the third layer", DERIVED, lambda: LAND.line_m(108) - LAND.line_m(72), 98.07, 1e-3),
    Row("rope on three layers", DERIVED, lambda: LAND.line_m(108), 273.7, 1e-3),
    Row("block travel per turn, layer 1", DERIVED, lambda: LAND.block_travel_per_turn_m(10, 12), 0.19534, 1e-4),
    Row("block travel per turn, layer 2", DERIVED, lambda: LAND.block_travel_per_turn_m(40, 12), 0.21117, 1e-4),
    Row("block travel per turn, layer 3", DERIVED, lambda: LAND.block_travel_per_turn_m(100, 12), 0.22701, 1e-4),
    Row(
        "layer-1 scale used on layer 3 reads short",
        DERIVED,
        lambda: 1 - LAND.block_travel_per_turn_m(10, 12) / LAND.block_travel_per_turn_m(100, 12),
        0.140,
        5e-3,
    ),
    Row("rise over 150 turns from wrap 4", DERIVED, lambda: five_layer_rise(4, 150), 33.354, 1e-3),
    Row(
        "six more wraps at the start: rise over 150 turns",
        DERIVED,
        lambda: five_layer_rise(10, 150) - five_layer_rise(4, 150),
        0.380,
        1e-2,
    ),
    Row(
        "rope worn 2 %: change of rise over 150 turns",
        DERIVED,
        lambda: (
            drum.block_height_m(DrumGeometry(inches(28), 0.98 * inches(1.375), 36), 154, 4, 0, 12)
            - five_layer_rise(4, 150)
        ),
        -0.108,
        1e-2,
    ),
    Row("block speed at 1500 hp, ft/min", HOMEWORK, lambda: to_ft_min(homework_speed()), 38.1, 2e-3),
    Row("fast-line speed at 1500 hp, ft/min", HOMEWORK, lambda: to_ft_min(12 * homework_speed()), 457.4, 2e-3),
    Row(
        "block drop under 400,000 lb on 10 lines, ft",
        "derived here (Hooke), modulus of the Wire Rope Users Manual, from memory",
        lambda: to_ft(
            drum.block_drop_m(lbf(40_000), drum.rope_ea_n(inches(1.375), psi(13.5e6)), ft(60), 10, ft(150), ft(150))
        ),
        0.300,
        1e-3,
    ),
    Row(
        "the same block drop, mm",
        "derived here (Hooke), modulus of the Wire Rope Users Manual, from memory",
        lambda: (
            1e3
            * drum.block_drop_m(lbf(40_000), drum.rope_ea_n(inches(1.375), psi(13.5e6)), ft(60), 10, ft(150), ft(150))
        ),
        91,
        6e-3,
    ),
    Row(
        "metallic area of 1-3/8 in rope, in2",
        "public rope tables, fill 0.47 (from memory)",
        lambda: drum.rope_ea_n(inches(1.375), 1.0) / c.inch**2,
        0.8886,
        1e-4,
    ),
    Row(
        "strain by the modulus, per cent",
        "derived here (Hooke), modulus of the Wire Rope Users Manual, from memory",
        lambda: 100 * lbf(40_000) / drum.rope_ea_n(inches(1.375), psi(13.5e6)),
        0.333,
        2e-3,
    ),
]


@rows(TABLE)
def test_value(row: Row) -> None:
    check(row)


def first_kink(start: float) -> float:
    """Turns after which the block first moves further per tenth of a turn than at the beginning."""
    steps = [five_layer_rise(start + i / 10, 0.1) for i in range(600)]
    return next(i / 10 for i, step in enumerate(steps) if step > steps[0] * 1.01)


def test_six_more_wraps_at_the_start_bring_the_layer_changes_six_turns_earlier() -> None:
    # Derived here: what cut and slip does to the height curve, 36 wraps a layer, start on wrap 4 and on wrap 10.
    assert first_kink(4) == pytest.approx(32)
    assert first_kink(10) == pytest.approx(26)


def test_trap_two_point_calibration_is_exact_at_both_ends_and_metres_wrong_between() -> None:
    # Derived here: start on wrap 4, 150 turns, 12 lines. The straight line reads 1.268 m too high at turn 68.
    error, at = calibration.straight_line_error_m(LAND, 4, 0, 150, 12)
    assert error == pytest.approx(1.268, rel=1e-3)
    assert at == pytest.approx(68)

    turns = (0.0, 150.0)
    heights = [five_layer_rise(4, t) for t in turns]
    fitted = calibration.calibrate(heights, turns, 12, LAND, 4.0)
    assert fitted.straight_line_unsafe
    assert max(map(abs, fitted.residuals_m)) < 0.01
    assert fitted.height_m(68, 12) == pytest.approx(five_layer_rise(4, 68), abs=0.01)
