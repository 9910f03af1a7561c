"""Numbers of which some are not known: against numpy's own functions that leave NaN out, and the standard normal."""

import math
from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from monitor.analysis.known import SIGMA_OF_MEDIAN, least, mean_of, median_of, most, noise_of, runs, stretches_alike


@given(arrays(np.float64, st.integers(0, 30), elements=st.floats(-1e3, 1e3) | st.just(math.nan)))
def test_figures_are_those_of_what_is_known(numbers: np.ndarray) -> None:
    if np.isnan(numbers).all():
        assert all(math.isnan(figure(numbers)) for figure in (most, least, mean_of, median_of))
        return
    assert most(numbers) == np.nanmax(numbers)
    assert least(numbers) == np.nanmin(numbers)
    assert mean_of(numbers) == pytest.approx(float(np.nanmean(numbers)))
    assert median_of(numbers) == pytest.approx(float(np.nanmedian(numbers)))


def test_noise_of_steps_is_that_of_the_readings() -> None:
    assert pytest.approx(1 / NormalDist().inv_cdf(0.75), rel=1e-4) == SIGMA_OF_MEDIAN
    steps = np.diff(np.random.default_rng(5).normal(0.0, 3.0, 20_000))
    steps[::50] += 400.0  # true changes, rare
    steps[1::70] = np.nan
    assert noise_of(steps) == pytest.approx(3.0, rel=0.05)
    assert noise_of(steps[:10], at_least=20) == 0.0
    assert noise_of(steps[:0]) == 0.0


@given(arrays(np.bool_, st.integers(0, 40)))
def test_runs_and_stretches_cover_what_they_say(mask: np.ndarray) -> None:
    covered = np.zeros_like(mask)
    for first, after in runs(mask):
        covered[first:after] = True
    assert (covered == mask).all()
    stretches = stretches_alike(mask.astype(np.int64))
    assert [first for first, _ in stretches[1:]] == [after for _, after in stretches[:-1]]
    assert sum(after - first for first, after in stretches) == len(mask)
    assert [part for part in stretches if mask[part[0]]] == runs(mask)


def test_runs_close_in_time_are_one() -> None:
    mask = np.array([True, False, True, False, False, True])
    elapsed_ns = np.array([0, 1, 2, 3, 4, 5, 6]) * 1_000_000_000
    assert runs(mask) == [(0, 1), (2, 3), (5, 6)]
    assert runs(mask, 1.5, elapsed_ns) == [(0, 3), (5, 6)]
