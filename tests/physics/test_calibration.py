"""Calibration against reference heights: planted truth comes back with honest errors; straight lines are judged."""

import math
import random

import pytest

from monitor.physics.calibration import Calibration, calibrate, straight_line_error_m
from monitor.physics.drum import DrumGeometry, block_height_m

GUESS = DrumGeometry(0.7112, 0.034925, 36)
LINES = 12


def measure(
    truth: DrumGeometry, start: float, points: int, sigma: float, seed: int, turns: float = 150.0
) -> tuple[list[float], list[float]]:
    """Heights with noise, and counted turns, of evenly spaced references from 1 m up."""
    rng = random.Random(seed)
    counted = [i * turns / (points - 1) for i in range(points)]
    heights = [block_height_m(truth, start + t, start, 1.0, LINES) + rng.gauss(0, sigma) for t in counted]
    return heights, counted


def worst_height_error(fit: Calibration, truth: DrumGeometry, start: float, turns: float = 150.0) -> float:
    """Greatest error of the fitted height over the range, m, with the truth at 1 m where the count is zero."""
    return max(
        abs(fit.height_m(t, LINES) - block_height_m(truth, start + t, start, 1.0, LINES))
        for t in (turns * i / 300 for i in range(301))
    )


@pytest.mark.parametrize("start", [1.0, 4.0, 9.5, 13.0])
@pytest.mark.parametrize(("worn", "nesting"), [(0.98, 0.866), (1.0, 0.90), (0.97, 0.88)])
def test_exact_references_give_the_planted_drum(start: float, worn: float, nesting: float) -> None:
    truth = DrumGeometry(0.7112, 0.034925 * worn, 36, nesting)
    heights, turns = measure(truth, start, 40, 0.0, 0)
    fit = calibrate(heights, turns, LINES, GUESS, 6.0, height_sigma_m=0.0005)
    assert fit.start_turns.value == pytest.approx(start, abs=0.1)
    assert fit.rope_diameter_m.value == pytest.approx(truth.rope_diameter_m, rel=5e-3)
    assert fit.nesting.value == pytest.approx(nesting, abs=5e-3)
    assert worst_height_error(fit, truth, start) < 1e-3


def test_noisy_references_come_back_with_honest_standard_errors() -> None:
    inside = total = 0
    for seed in range(30):
        rng = random.Random(1000 + seed)
        # Truth drawn from the priors that the calibration is told.
        rope, nesting, start = 0.034925 * (1 + rng.gauss(0, 0.015)), rng.gauss(0.866, 0.02), 9 + rng.gauss(0, 3)
        truth = DrumGeometry(0.7112, rope, 36, nesting)
        heights, turns = measure(truth, start, 25, 0.01, seed)
        fit = calibrate(
            heights,
            turns,
            LINES,
            GUESS,
            9.0,
            height_sigma_m=0.01,
            start_turns_sigma=3,
            rope_diameter_sigma=0.015,
            nesting_sigma=0.02,
        )
        assert fit.start_turns.determined
        assert worst_height_error(fit, truth, start) < 0.03
        for found, planted in ((fit.start_turns, start), (fit.rope_diameter_m, rope), (fit.nesting, nesting)):
            total += 1
            inside += abs(found.value - planted) < 2 * found.standard_error
    # 95 % expected of 90; fewer than 80 (4.6 standard deviations) would be a claim the data do not keep.
    assert inside >= 80, f"{inside} of {total} planted values within two standard errors"


def test_two_references_correct_the_scale_and_say_what_they_cannot_know() -> None:
    truth = DrumGeometry(0.7112, 0.034925 * 0.98, 36)
    heights, turns = measure(truth, 4.0, 2, 0.0, 0)
    fit = calibrate(heights, turns, LINES, GUESS, 4.0)
    assert max(map(abs, fit.residuals_m)) < 0.01
    assert not fit.rope_diameter_m.determined
    assert not fit.nesting.determined
    # A straight line through the same two references is over a metre out; the fit is within centimetres.
    assert fit.straight_line_unsafe
    assert worst_height_error(fit, truth, 4.0) < 0.1 < abs(fit.straight_line_error_m)


def test_a_start_wrap_moved_by_cut_and_slip_is_found() -> None:
    heights, turns = measure(GUESS, 10.0, 12, 0.005, 3)
    fit = calibrate(heights, turns, LINES, GUESS, 4.0, height_sigma_m=0.005)
    assert fit.start_turns.value == pytest.approx(10.0, abs=4 * fit.start_turns.standard_error)
    assert fit.start_turns.standard_error < 1.5


def test_scatter_larger_than_stated_widens_the_errors() -> None:
    heights, turns = measure(GUESS, 4.0, 25, 0.05, 5)
    stated = calibrate(heights, turns, LINES, GUESS, 4.0, height_sigma_m=0.05)
    too_sure = calibrate(heights, turns, LINES, GUESS, 4.0, height_sigma_m=0.005)
    assert too_sure.start_turns.standard_error > 0.5 * stated.start_turns.standard_error
    assert too_sure.rms_residual_m > 5 * 0.005


def test_a_straight_line_on_one_layer_is_safe() -> None:
    heights, turns = measure(GUESS, 2.0, 5, 0.0, 0, turns=30.0)
    fit = calibrate(heights, turns, LINES, GUESS, 2.0, start_turns_sigma=0.5)
    assert not fit.straight_line_unsafe
    assert straight_line_error_m(GUESS, 2.0, 0.0, 30.0, LINES) == (0.0, 0.0)
    # The same range of the drum, counted from elsewhere.
    whole, where = straight_line_error_m(GUESS, 22.0, 0.0, 100.0, LINES)
    assert whole != 0.0
    for start in (2.0, 7.0):
        error, at = straight_line_error_m(GUESS, start, 22.0 - start, 122.0 - start, LINES)
        assert (error, at + start) == pytest.approx((whole, where + 22.0))


@pytest.mark.parametrize("start", [0.0, 4.0, 20.0, 35.0])
def test_straight_line_error_is_the_worst_of_a_fine_search(start: float) -> None:
    error, at = straight_line_error_m(GUESS, start, 0.0, 120.0, LINES)
    low, high = (GUESS.line_m(start + t) / LINES for t in (0.0, 120.0))

    def reads_high(t: float) -> float:
        return low + (high - low) * t / 120 - GUESS.line_m(start + t) / LINES

    searched = max((120 * i / 4800 for i in range(4801)), key=reads_high)
    assert error == pytest.approx(reads_high(searched), abs=1e-6)
    assert at == pytest.approx(searched, abs=0.05)


@pytest.mark.parametrize(
    ("heights", "turns", "named"),
    [
        ([1.0], [0.0], "at least two"),
        ([1.0, 2.0], [0.0], "at least two"),
        ([1.0, math.nan], [0.0, 50.0], "not a number"),
        ([1.0, 1.1], [10.0, 10.5], "within one turn"),
    ],
)
def test_references_that_cannot_calibrate_are_refused(heights: list[float], turns: list[float], named: str) -> None:
    with pytest.raises(ValueError, match=named):
        calibrate(heights, turns, LINES, GUESS, 4.0)


def test_an_empty_range_has_no_straight_line() -> None:
    with pytest.raises(ValueError, match="empty"):
        straight_line_error_m(GUESS, 0, 10, 10, LINES)
