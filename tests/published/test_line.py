"""Work of the drilling line against published ton-miles, and the integral against the formulas."""

import math
from collections.abc import Iterator
from functools import partial
from itertools import pairwise

import pytest

from monitor.physics import line, tackle
from monitor.units import TON_MILE_J, unit
from tests.physics.rigs import casing_strokes_j, strokes_j
from tests.published.rows import Row, check, ft, inches, lb_per_ft, lbf, ppg, rows, to_ft, to_ton_miles

PAGE = "public page on Lapeyrouse's ton-mile examples"
SHEET = "public ton-mile spreadsheet"
LAPEYROUSE = "Lapeyrouse, Formulas and Calculations (from memory)"
TWO_SOURCES = "two published forms: casing is half of the round-trip formula"
STROKES = "derived here: sum over the strokes, 124 joints of 42 ft"
BF_PAGE = 0.847  # the page rounds its buoyancy factor


def trip(depth: float, stand: float, pipe: float, block: float, excess: float) -> float:
    """Round trip in ton-miles from feet, lb/ft and lb."""
    return to_ton_miles(line.round_trip_j(ft(depth), ft(stand), lb_per_ft(pipe), lbf(block), lbf(excess)))


def page_excess() -> float:
    """Excess of the page's bottom assembly in lb: collars 120 ft x 85, heavy pipe 450 ft x 49, 8300 lb over 94 ft."""
    air = lbf(120 * 85 + 450 * 49 + 8_300)
    return line.excess_assembly_n(air * BF_PAGE, ft(120 + 450 + 94), lb_per_ft(13.3) * BF_PAGE) / lbf(1)


def page_casing() -> float:
    """Setting 5200 ft of 25 lb/ft casing in 42 ft joints with a 95,000 lb block in 10 ppg mud, ton-miles."""
    return to_ton_miles(line.casing_j(ft(5200), ft(42), lb_per_ft(25) * BF_PAGE, lbf(95_000)))


def sheet_trip(depth: float) -> float:
    """The spreadsheet's string at a depth, ton-miles."""
    return trip(depth, 93, 17.55, 75_000, 19_734)


def lapeyrouse_bf() -> float:
    """Buoyancy factor in 9.6 ppg mud, steel 65.5 ppg."""
    return line.buoyancy_factor(ppg(9.6), ppg(65.5))


def lapeyrouse_excess() -> float:
    """300 ft of 83 lb/ft collars in place of 13.3 lb/ft pipe, buoyed, lb."""
    bf = lapeyrouse_bf()
    return line.excess_assembly_n(lb_per_ft(83) * ft(300) * bf, ft(300), lb_per_ft(13.3) * bf) / lbf(1)


def lapeyrouse_trip(depth: float) -> float:
    """His round trip with a 15,000 lb block and 60 ft stands, ton-miles."""
    return trip(depth, 60, 13.3 * lapeyrouse_bf(), 15_000, lapeyrouse_excess())


def sheet_goal(size: float) -> float:
    """Goal in MJ/m for a rope in inches, with the sheet's 14.30 MJ per ton-mile."""
    return line.goal_j_per_m(inches(size)) * 14.30e6 / TON_MILE_J / 1e6


def goal_ton_miles_per_ft(size: float) -> float:
    """Goal for a rope in inches, in the sheet's own unit."""
    return to_ton_miles(line.goal_j_per_m(inches(size))) * ft(1)


TABLE = [
    Row("one ton-mile, MJ", "by definition: 2000 lbf x 5280 ft", lambda: TON_MILE_J / 1e6, 14.317, 1e-4),
    Row("one ton-mile, MJ, as the sheet rounds it", SHEET, lambda: TON_MILE_J / 1e6, 14.30, 2e-3),
    Row("excess bottom assembly, lb", PAGE, page_excess, 26_866, 1e-4),
    # With the page's rounded buoyancy the exact sum is 258.72 against 258.75 printed: one hundredth of a per cent.
    Row("round trip from 5500 ft", PAGE, lambda: trip(5500, 94, 13.3 * BF_PAGE, 95_000, page_excess()), 258.75, 1.5e-4),
    Row("casing, four times D M", TWO_SOURCES, page_casing, 120.9, 5e-4),
    Row(
        "casing, four times D M, whole joints",
        STROKES,
        lambda: to_ton_miles(line.casing_j(ft(124 * 42), ft(42), lb_per_ft(25) * BF_PAGE, lbf(95_000))),
        121.12,
        1e-4,
    ),
    Row("coring from 190 to 200", PAGE, lambda: line.coring_j(190, 200), 20),
    Row("short trip from 190 to 200", PAGE, lambda: line.short_trip_j(190, 200), 10),
    Row("buoyed pipe, lb/ft", SHEET, lambda: 21.92 * line.buoyancy_factor(680, 3412), 17.55, 1e-3),
    Row(
        "excess of 357 ft of assembly, lb",
        SHEET,
        lambda: line.excess_assembly_n(lbf(26_000), ft(357), lb_per_ft(17.55)) / lbf(1),
        19_734,
        1e-3,
    ),
    Row("round trip from 12,000 ft", SHEET, lambda: sheet_trip(12_000), 627, 1e-3),
    Row("round trip from 15,000 ft", SHEET, lambda: sheet_trip(15_000), 858, 1e-3),
    Row("round trip from 12,090 ft", "derived here, whole stands", lambda: sheet_trip(12_090), 633.44, 1e-4),
    Row(
        "block alone, four strokes of 95 ft",
        "training note on ton-miles",
        lambda: to_ton_miles(strokes_j([lbf(120_000)] * 4, [ft(95), -ft(95), ft(95), -ft(95)])),
        4.32,
        1e-3,
    ),
    # The pages round: 0.847 for 0.8473.
    Row("buoyancy in 10 ppg", PAGE, lambda: line.buoyancy_factor(ppg(10), ppg(65.5)), BF_PAGE, 5e-4),
    Row("buoyancy in 15 ppg", LAPEYROUSE, lambda: line.buoyancy_factor(ppg(15)), 0.77099, 1e-4),
    Row("buoyancy in 9.6 ppg", LAPEYROUSE, lapeyrouse_bf, 0.8534, 2e-3),
    Row("excess of 300 ft of collars, lb", LAPEYROUSE, lapeyrouse_excess, 17_846, 2e-3),
    Row("round trip from 4000 ft", LAPEYROUSE, lambda: lapeyrouse_trip(4000), 53.7, 2e-3),
    Row("round trip from 4600 ft", LAPEYROUSE, lambda: lapeyrouse_trip(4600), 64.6, 2e-3),
    Row("drilling 600 ft, reamed once", LAPEYROUSE, lambda: line.drilling_j(53.7, 64.6), 32.7, 1e-3),
    Row(
        "drilling without reaming",
        "drilling handbooks, 2 (T2 - T1)",
        lambda: line.drilling_j(53.7, 64.6, 0),
        21.8,
        1e-6,
    ),
    Row(
        "drilling, reamed twice", "drilling handbooks, 4 (T2 - T1)", lambda: line.drilling_j(53.7, 64.6, 2), 43.6, 1e-6
    ),
    *(
        Row(
            f"goal for {size} in rope, MJ/m",
            SHEET,
            partial(sheet_goal, size),
            printed,
            1e-3,
        )
        for size, printed in ((1.0, 375), (1.125, 563), (1.25, 751), (1.375, 938), (1.5, 1126))
    ),
    *(
        Row(
            f"goal for {size} in rope, ton-miles per ft",
            SHEET,
            partial(goal_ton_miles_per_ft, size),
            printed,
            1e-6,
        )
        for size, printed in ((1.0, 8), (1.125, 12), (1.25, 16), (1.375, 20), (1.5, 24), (1.625, 28))
    ),
    Row(
        "slip per 200 of 800 ton-miles, ft",
        "Lyons, Standard Handbook, p. 614",
        lambda: to_ft(line.slip_share_m(ft(80), unit("ton-mile").to_si(800), unit("ton-mile").to_si(200))),
        20,
    ),
]


@rows(TABLE)
def test_value(row: Row) -> None:
    check(row)


def test_trap_casing_is_121_and_not_51() -> None:
    # A public example gives 50.73 ton-miles (D M where the strokes give 4 D M). They sum to 121.12.
    strokes = to_ton_miles(casing_strokes_j(124, ft(42), lb_per_ft(25) * BF_PAGE, lbf(95_000)))
    whole = to_ton_miles(line.casing_j(ft(124 * 42), ft(42), lb_per_ft(25) * BF_PAGE, lbf(95_000)))
    assert whole == pytest.approx(strokes, rel=1e-9)
    assert 0.43 * strokes > 50.73


@pytest.mark.parametrize(
    ("size", "work", "cut_m"), [(1.0, 500, 18), (1.125, 800, 24), (1.25, 1200, 30), (1.375, 2000, 35)]
)
def test_goal_is_near_a_rope_makers_simplified_table(size: float, work: float, cut_m: float) -> None:
    # A rope maker's simplified table at design factor 5: ton-miles and the length to cut after them, 8.5 to 17 per ft.
    # The sheet's rule lies 6 % below it at 1 in and up to 31 % above it at 1-1/4 in: the site's record must decide.
    ratio = goal_ton_miles_per_ft(size) / (work / to_ft(cut_m))
    assert 0.94 < ratio < 1.32


# --- the integral against the formula -------------------------------------------------------------------------------

STAND = ft(93)
STANDS = 130
PIPE = lb_per_ft(17.55)
BLOCK = lbf(75_000)
EXCESS = lbf(19_734)


def stroke(travel: float, load: float, direction: int) -> Iterator[tuple[float, float, int]]:
    """(position m, hook load N, direction) at 10 Hz over one move: trapezoid speed of 4 ft/s, 1 ft/s2, with inertia."""
    peak, rate = ft(4), ft(1)
    ramp = min(peak / rate, math.sqrt(travel / rate))
    peak = rate * ramp
    cruise = (travel - peak * ramp) / peak
    total = 2 * ramp + cruise
    steps = math.ceil(total * 10)
    for i in range(steps + 1):
        t = min(i / 10, total)
        left = total - t
        if t < ramp:
            x, a = rate * t * t / 2, rate
        elif left < ramp:
            x, a = travel - rate * left * left / 2, -rate
        else:
            x, a = peak * (t - ramp / 2), 0.0
        yield direction * x, load * (1 + direction * a / 9.80665), direction


def strokes(extra: float) -> Iterator[tuple[float, float, int]]:
    """(travel m, load N, direction) of a round trip: out and in, `extra` picked up and set down around each stand."""
    for j in range(1, STANDS + 1):
        string = BLOCK + EXCESS + PIPE * STAND * j
        pick_up_set_down = [(extra, string, 1), (extra, string, -1)] if extra else []
        yield from [(STAND, string, 1), *pick_up_set_down, (STAND, BLOCK, -1)]  # out
        yield from [(STAND, BLOCK, 1), *pick_up_set_down, (STAND, string, -1)]  # in


def integral(extra: float) -> float:
    """Work of the sampled round trip in J: the monitor's step, reading by reading."""
    total = 0.0
    for travel, load, way in strokes(extra):
        for (x1, w1, _), (x2, w2, _) in pairwise(stroke(travel, load, way)):
            total += line.work_step_j(w1, w2, x2 - x1)
    return total


def test_integral_of_a_sampled_round_trip_is_the_formula() -> None:
    # Derived here: 130 stands, 10 Hz, with inertia in the load: formula 633.44, integral within 0.1 %.
    work = to_ton_miles(integral(0.0))
    assert work == pytest.approx(633.44, rel=1e-3)
    assert work == pytest.approx(sheet_trip(12_090), rel=1e-3)


def test_picking_up_and_setting_down_is_work_the_formula_does_not_know() -> None:
    # Derived here: 2 ft of pick-up and set-down around each stand, both ways: 653.26, 3.13 % more.
    work = to_ton_miles(sum(strokes_j([load], [x]) for x, load, _ in strokes(ft(2))))
    assert work == pytest.approx(653.26, rel=1e-3)
    assert work / sheet_trip(12_090) == pytest.approx(1.0313, rel=1e-3)


@pytest.mark.parametrize(("turning", "bias"), [(True, 1.0329), (False, 1.0092)])
def test_trap_raw_dead_line_biases_the_work(turning: bool, bias: float) -> None:
    # Derived here, K = 1.04, 10 lines: 3.3 % too much with the circulated lowering factor (dead-line sheave turning),
    # 0.9 % with that sheave at rest. Over a trip the directions mostly cancel: 17 % too little, 19 or 23 % too much.
    raw = math.fsum(
        strokes_j([load * tackle.dead_line_factor(1.04, 10, way, dead_sheave_turns=turning)], [travel])
        for travel, load, way in strokes(0.0)
    )
    assert raw / line.round_trip_j(STAND * STANDS, STAND, PIPE, BLOCK, EXCESS) == pytest.approx(bias, rel=1e-3)
