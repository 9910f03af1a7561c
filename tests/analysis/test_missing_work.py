"""Line work of times that nobody saw: an estimate apart."""

import numpy as np
import pytest

from monitor.analysis.missing_work import missing_work

S = 1_000_000_000


def rows(seconds: int, rate: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:  # type: ignore[type-arg]
    t_ns = np.arange(0, seconds, 5, dtype=np.int64) * S
    return t_ns, t_ns * 1e-9 * rate, np.ones(len(t_ns), bool)


def test_nothing_is_missing_where_all_is_known() -> None:
    found = missing_work(*rows(7200, 100.0))
    assert (found.seconds, found.joules) == (0.0, 0.0)


def test_a_hole_is_worth_the_rate_around_it() -> None:
    t_ns, work, known = rows(7200, 100.0)
    hole = (t_ns > 3000 * S) & (t_ns <= 3600 * S)
    work = np.where(t_ns > 3000 * S, np.maximum(work - 600 * 100.0, 3000 * 100.0), work)
    known &= ~hole
    found = missing_work(t_ns, work, known)
    assert found.seconds == pytest.approx(600, abs=10)
    assert found.joules == pytest.approx(60_000, rel=0.03)


def test_rows_that_are_not_there_are_a_hole_too() -> None:
    t_ns, work, known = rows(7200, 100.0)
    kept = (t_ns <= 3000 * S) | (t_ns > 3600 * S)
    found = missing_work(t_ns[kept], np.where(t_ns > 3000 * S, work - 60_000.0, work)[kept], known[kept])
    assert found.seconds == pytest.approx(600, abs=10)
    assert found.joules == pytest.approx(60_000, rel=0.03)


def test_a_time_that_is_bridged_is_not_missing() -> None:
    t_ns, work, known = rows(7200, 100.0)
    known[100] = False
    assert missing_work(t_ns, work, known).seconds == 0.0
    assert missing_work(t_ns[:1], work[:1], known[:1]).joules == 0.0
