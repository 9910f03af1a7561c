"""The highest speed in a report: a load that ran away counts, a bad position does not."""

import numpy as np

from monitor.model.stream import GRID_NS, SECOND_NS
from monitor.report.first_sections import possible_speeds

T = np.arange(400, dtype=np.int64) * GRID_NS


def test_a_speed_that_lasts_counts_however_high() -> None:
    speed = np.interp(T / SECOND_NS, [0.0, 5.0, 15.0, 16.0], [0.9, 0.9, 6.0, 0.0])
    assert 5.5 < possible_speeds(T, speed, 2.5).max() <= 6.0


def test_a_speed_of_a_moment_and_one_between_slow_readings_do_not() -> None:
    speed = np.full(400, 1.2)
    speed[200:205] = 19.0
    assert possible_speeds(T, speed, 2.5).max() == 1.2
    speed[200:250] = 19.0
    assert possible_speeds(T * 60, speed, 2.5).max() == 1.2


def test_a_short_record_and_one_that_is_not_known_have_what_they_have() -> None:
    assert possible_speeds(T[:3], np.array([1.0, 9.0, np.nan]), 2.5).tolist() == [1.0]
    assert possible_speeds(T, np.full(400, np.nan), 2.5).size == 0
