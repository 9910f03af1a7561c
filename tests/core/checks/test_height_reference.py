"""The height check after cut and slip on made heights: two references, far apart."""

import pytest

from monitor.model.check import CheckVerdict
from monitor.model.reading import Validity
from tests.core.checks.check_bench import Bench

CHECK = "height-reference"
PASS, FAIL, NOT_JUDGED = CheckVerdict


def give(bench: Bench, height_m: float) -> None:
    """The crew gives a height; the monitor's own moves there, as the estimator does."""
    known = bench.validity <= Validity.DEGRADED
    bench.checks.reference(height_m, bench.height_m if known else float("nan"), bench.speed_m_s)
    bench.height_m = height_m
    bench.run(0.1)


def started(bench: Bench | None = None, first_m: float = 5.0) -> Bench:
    bench = bench or Bench()
    bench.checks.slip_and_cut(bench.t_ns)
    bench.validity = Validity.INVALID
    bench.start(CHECK)
    bench.run(0.5)
    assert "no height given" in bench.view(CHECK).hint
    give(bench, first_m)
    bench.validity = Validity.VALID
    assert bench.view(CHECK).steps[1].state == "now"
    return bench


def go(bench: Bench, metres: float) -> None:
    bench.run(abs(metres) / 0.5, 0.5 if metres > 0 else -0.5)
    bench.run(1.0, 0.0)


@pytest.mark.parametrize(("error_m", "verdict"), [(0.0, PASS), (0.1, PASS), (-0.1, PASS), (0.25, FAIL), (-1.2, FAIL)])
def test_the_second_height_tells_whether_the_curve_fits(error_m: float, verdict: CheckVerdict) -> None:
    bench = started()
    go(bench, 20.0)
    give(bench, 25.0 + error_m)
    result = bench.result(CHECK)
    assert result.verdict is verdict, result.reason
    numbers = {reading.label: reading.value.number for reading in result.readings}
    assert numbers["difference"] == pytest.approx(abs(error_m), abs=1e-6)
    assert bench.view(CHECK).due is (verdict is not PASS)


def test_progress_tells_how_far_to_go() -> None:
    bench = started()
    go(bench, 5.0)
    assert bench.view(CHECK).progress == pytest.approx(0.5)
    assert "more to go" in bench.view(CHECK).hint
    go(bench, 6.0)
    assert bench.view(CHECK).progress == 1.0


def test_a_second_height_too_near_counts_as_the_first() -> None:
    bench = started()
    go(bench, 4.0)
    give(bench, 9.0)
    assert bench.view(CHECK).running
    assert "too near" in bench.view(CHECK).hint or "more to go" in bench.view(CHECK).hint
    go(bench, 8.0)
    give(bench, 17.0)
    assert bench.view(CHECK).running
    go(bench, 12.0)
    give(bench, 29.0)
    assert bench.verdict(CHECK) is PASS


def test_heights_given_in_motion_do_not_count() -> None:
    bench = Bench()
    bench.start(CHECK)
    bench.run(0.1, 0.5)
    give(bench, 5.0)
    assert bench.view(CHECK).steps[0].state == "now"
    bench.run(0.1, 0.0)
    give(bench, 5.0)
    bench.run(40.0, 0.5)
    give(bench, 25.0)
    assert bench.view(CHECK).running
    bench.run(1.0, 0.0)
    give(bench, 25.1)
    assert bench.verdict(CHECK) is PASS


def test_a_height_not_known_before_the_second_one_never_passes() -> None:
    bench = started()
    go(bench, 20.0)
    bench.validity = Validity.INVALID
    give(bench, 25.0)
    assert bench.verdict(CHECK) is NOT_JUDGED


def test_a_cut_between_the_two_heights_spoils_it() -> None:
    bench = started()
    bench.checks.slip_and_cut(bench.t_ns)
    bench.run(0.1)
    assert bench.verdict(CHECK) is NOT_JUDGED
    assert bench.view(CHECK).due
