"""A gateway's clock that is set, once or for a while: the height must not be lost by it."""

from collections.abc import Callable

import pytest

from monitor.model.reading import Validity
from tests.core.estimator.motion_bench import Bench, profile, rig_with

STROKE = [(1.0, 2.0), (25.0, 25.0), (25.0, 3.0), (3.0, 20.0), (3.0, 3.0)]
SECOND_NS = 1_000_000_000
YEAR_2001_NS = 978_307_200 * SECOND_NS
TIMES: dict[str, Callable[[int], int]] = {
    "nought": lambda stamp: 0,
    "the year 2001": lambda stamp: YEAR_2001_NS,
    "three days on": lambda stamp: stamp + 3 * 86_400 * SECOND_NS,
    "three days back": lambda stamp: stamp - 3 * 86_400 * SECOND_NS,
    "1970 and running": lambda stamp: stamp % (1000 * SECOND_NS),
    "a second on": lambda stamp: stamp + SECOND_NS,
    "nine seconds back": lambda stamp: stamp - 9 * SECOND_NS,
}


def while_wrong(wrong: Callable[[int], int], start_s: float, length_s: float, rig: str = "land") -> Bench:
    """A stroke with the clock wrong from `start_s` on for `length_s`."""

    def clock(t: float, stamp: int) -> int:
        return wrong(stamp) if start_s <= t < start_s + length_s else stamp

    return Bench(rig_with(rig), profile(STROKE, 1.0)[0], clock=clock, braking=lambda t: False)


@pytest.mark.parametrize("start_s", [1.0, 14.0, 28.5], ids=["at the start", "at speed", "at rest"])
@pytest.mark.parametrize("length_s", [0.05, 5.0], ids=["one reading", "five seconds"])
@pytest.mark.parametrize("wrong", TIMES.values(), ids=TIMES)
def test_a_clock_that_is_set_and_set_back_never_loses_the_height(
    wrong: Callable[[int], int], length_s: float, start_s: float
) -> None:
    bench = while_wrong(wrong, start_s, length_s).run(40.0)
    looks = [(t, h, e) for t, h, e in bench.track if t > 0.5]
    lost = [t for t, _, e in looks if e.validity is not Validity.VALID]
    assert len(lost) <= 4, f"not VALID at {lost}"
    assert not [t for t, _, e in looks if e.validity is Validity.INVALID]
    off = [(t, e.height_m - h) for t, h, e in looks if abs(e.height_m - h) > e.height_bound_m]
    assert not off
    words = bench.estimator.fusion(bench.index("drum")).diagnosis
    assert "reference" not in words
    assert "jumped" not in words


@pytest.mark.parametrize("wrong", TIMES.values(), ids=TIMES)
def test_the_same_holds_for_every_clock_of_a_rig_with_marks_and_two_sources(wrong: Callable[[int], int]) -> None:
    bench = while_wrong(wrong, 14.0, 5.0, "deep").run(40.0)
    looks = [(t, h, e) for t, h, e in bench.track if t > 1.0]
    assert len([t for t, _, e in looks if e.validity is not Validity.VALID]) <= 4
    assert not [t for t, h, e in looks if abs(e.height_m - h) > e.height_bound_m]


def test_a_counter_read_again_after_a_silence_with_a_wrong_clock_has_not_run_over() -> None:
    """A counter of 24 bits does not run over within the mast, however long nothing came."""
    rig = rig_with("land", drum={"bits": 24})

    def silent(t: float, value: float) -> float | None:
        return None if 26.0 < t < 30.0 else value

    bench = Bench(rig, profile(STROKE, 1.0)[0], faults={"drum": silent}, clock=lambda t, s: 0 if t < 30.1 else s)
    bench.run(40.0)
    height, estimate = bench.last
    assert estimate.validity is Validity.VALID
    assert abs(estimate.height_m - height) < estimate.height_bound_m
