"""What connections that agree leave of the doubt about missed counts: as much as their scatter makes honest."""

import math
import random

import numpy as np
import pytest

from monitor.core.estimator.place_filter import PlaceFilter, bound_about_m
from monitor.model.reading import Z99

HAND_M = 0.15
STROKE_M = 0.09
"""Half-width of what counts may miss on a stroke."""


def work(seed: int, connections: int, missing_m: float = 0.0, sigma_m: float = HAND_M) -> list[tuple[float, float]]:
    """(what was missed, bound on it) before each connection between two places, with so much missed a connection."""
    draw, places = random.Random(seed), PlaceFilter()
    found = []
    for k in range(connections):
        missed = k * missing_m
        places.grow_to(STROKE_M if k else 0.0)
        found.append((missed, bound_about_m(places.offset_m, places.sigma_m)))
        height = (3.0, 30.0)[k % 2] + missed + draw.gauss(0.0, sigma_m)
        if k < 2:
            places.begin(height, sigma_m**2)
        else:
            places.agree(k % 2, height, sigma_m**2)
    return found


def test_the_covariance_is_that_of_all_connections_weighed_at_once() -> None:
    """Least squares over steps, offset and places together (numpy) give what the filter has found one by one."""
    draw, places = random.Random(3), PlaceFilter()
    rows, right, weights = [], [], []
    n = 12
    for k in range(n):
        height = (3.0, 30.0)[k % 2] + draw.gauss(0.0, HAND_M)
        places.grow_to(STROKE_M)
        if k < 2:
            places.begin(height, HAND_M**2)
        else:
            places.agree(k % 2, height, HAND_M**2)
        # Unknowns: two places, and the offset's step before each connection that follows one that agreed.
        rows.append([float(k % 2 == 0), float(k % 2 == 1), *(float(j <= max(0, k - 2)) for j in range(n - 2))])
        right.append(height)
        weights.append(1.0 / HAND_M)
    for j in range(n - 2):
        rows.append([0.0, 0.0, *(float(i == j) for i in range(n - 2))])
        right.append(0.0)
        weights.append(Z99 / STROKE_M)
    a, b = np.array(rows) * np.array(weights)[:, None], np.array(right) * np.array(weights)
    found = np.linalg.lstsq(a, b, rcond=None)[0]
    covariance = np.linalg.inv(a.T @ a)
    offset = np.array([0.0, 0.0, *[1.0] * (n - 2)])
    assert places.offset_m == pytest.approx(float(offset @ found), abs=1e-9)
    assert places.sigma_m == pytest.approx(math.sqrt(float(offset @ covariance @ offset)), rel=1e-9)


def test_a_connection_takes_from_the_doubt_only_what_its_scatter_allows() -> None:
    steady, loose = (work(1, 40, sigma_m=sigma)[-1][1] for sigma in (0.05, 0.3))
    assert STROKE_M < steady < loose
    assert loose < 0.5


@pytest.mark.parametrize("missing_m", [0.0, 0.005])
def test_counts_missed_little_by_little_lie_within_the_bound(missing_m: float) -> None:
    """40 connections in a row, 50 hands, hardly a look outside."""
    looks = [look for seed in range(50) for look in work(seed, 40, missing_m)]
    assert sum(missed > bound for missed, bound in looks) <= 0.01 * len(looks)


def test_a_drift_widens_the_bound_though_connections_seem_to_agree() -> None:
    """So that the crew is asked to look (`height-unconfirmed`) before it is off by half a metre."""
    for seed in range(20):
        asked = next(missed for missed, bound in work(seed, 60, 0.02, 0.1) if bound > 0.4)
        assert asked < 0.5


def test_what_was_missed_before_a_place_was_passed_stays_in_doubt() -> None:
    places = PlaceFilter()
    places.grow_to(1.0)
    places.begin(3.0, 1e-4)
    for _ in range(20):
        places.agree(0, 3.0, 1e-4)
    assert places.sigma_m == pytest.approx(1.0 / Z99, rel=1e-3)
    places.know()
    assert bound_about_m(places.offset_m, places.sigma_m) == 0.0


def test_a_place_that_is_forgotten_leaves_the_others_as_they_were() -> None:
    with_it, without = PlaceFilter(), PlaceFilter()
    for places in (with_it, without):
        places.grow_to(STROKE_M)
        places.begin(3.0, HAND_M**2)
    with_it.begin(17.0, HAND_M**2)
    for places in (with_it, without):
        places.begin(30.0, HAND_M**2)
    with_it.drop(1)
    for places in (with_it, without):
        places.agree(1, 30.2, HAND_M**2)
    assert with_it.state() == without.state()


@pytest.mark.parametrize(
    "change", [{"p": [1.0] * 4}, {"x": [0.0]}, {"grown_m": -1.0}, {"p": [0.1, 9.0, 9.0, 0.1]}, {"x": [1e9, 3.0]}]
)
def test_what_is_no_state_is_refused(change: dict[str, object]) -> None:
    places = PlaceFilter()
    places.begin(3.0, 0.01)
    saved = places.state()
    places.restore(saved, 1)
    assert places.state() == saved
    if change == {"p": [1.0] * 4}:
        saved["p"] = [1.0, 2.0, 3.0, 1.0]
    else:
        saved |= change
    with pytest.raises(ValueError, match=r"places|x:|grown_m|p:"):
        places.restore(saved, 1)


@pytest.mark.parametrize("offset_m", [0.0, 0.05, 0.1, 0.3, 1.0])
def test_the_bound_about_the_height_holds_99_percent(offset_m: float) -> None:
    bound = bound_about_m(offset_m, 0.1)
    inside = 0.5 * (
        math.erf((bound - offset_m) / 0.1 / math.sqrt(2)) + math.erf((bound + offset_m) / 0.1 / math.sqrt(2))
    )
    assert inside == pytest.approx(0.99, abs=0.003)
