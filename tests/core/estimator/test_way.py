"""The way of the block, and what counts may have missed on it."""

import pytest

from monitor.core.estimator.way import MOST_SUSPECTED_M, Way
from monitor.model.reading import Z99

COUNTING = 0.003


def travelled(metres: float) -> Way:
    way = Way()
    way.start(0.0)
    way.travel_to(metres)
    return way


def test_what_warns_of_a_limit_takes_missed_counts_at_one_sigma_of_the_bound() -> None:
    way = travelled(100.0)
    assert way.unconfirmed_bound_m(COUNTING) == pytest.approx(COUNTING * 100.0)
    assert way.likely_missed_m(COUNTING) == pytest.approx(COUNTING * 100.0 / Z99)


def test_a_suspicion_widens_the_bound_and_brings_no_limit_nearer() -> None:
    way = travelled(100.0)
    before_m = way.unconfirmed_bound_m(COUNTING), way.likely_missed_m(COUNTING)
    way.suspected_m = -0.8
    assert way.unconfirmed_bound_m(COUNTING) >= MOST_SUSPECTED_M > before_m[0]
    assert way.likely_missed_m(COUNTING) == before_m[1]


def test_what_connections_show_to_be_missed_counts_in_full() -> None:
    way = travelled(100.0)
    way.confirmed(-0.3, 0.1)
    assert way.likely_missed_m(COUNTING) == pytest.approx(0.4)
    assert way.likely_missed_m(COUNTING) < way.unconfirmed_bound_m(COUNTING)
    way.known(0)
    assert way.likely_missed_m(COUNTING) == way.unconfirmed_bound_m(COUNTING) == 0.0
