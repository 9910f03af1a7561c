"""Stream time never steps, whatever the wall clock does."""

import time

import pytest

from monitor.adapters.host.clock import StreamClock


class Times:
    """Both clocks of the machine, in the test's hands."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.wall_ns = 1_700_000_000_000_000_000
        self.monotonic_ns = 5_000_000_000
        monkeypatch.setattr(time, "time_ns", lambda: self.wall_ns)
        monkeypatch.setattr(time, "monotonic_ns", lambda: self.monotonic_ns)

    def pass_s(self, seconds: int) -> None:
        self.wall_ns += seconds * 1_000_000_000
        self.monotonic_ns += seconds * 1_000_000_000


def test_a_live_clock_starts_at_the_wall_clock_and_ignores_its_steps(monkeypatch: pytest.MonkeyPatch) -> None:
    times = Times(monkeypatch)
    clock = StreamClock.live()
    start_ns = times.wall_ns
    times.pass_s(10)
    assert clock.now_ns() == start_ns + 10_000_000_000
    assert clock.wall_step_ns() == 0
    times.wall_ns -= 3_600_000_000_000
    assert clock.now_ns() == start_ns + 10_000_000_000
    assert clock.wall_step_ns() == -3_600_000_000_000
    times.pass_s(1)
    assert clock.now_ns() == start_ns + 11_000_000_000
    assert clock.wall_step_ns() == -3_600_000_000_000


def test_a_faster_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    times = Times(monkeypatch)
    clock = StreamClock(1_000_000, 20.0)
    times.pass_s(3)
    assert clock.now_ns() == 1_000_000 + 60_000_000_000
    assert clock.wall_step_ns() == 0


def test_two_clocks_of_one_origin_agree(monkeypatch: pytest.MonkeyPatch) -> None:
    times = Times(monkeypatch)
    origin_ns = times.monotonic_ns
    first = StreamClock(0, 5.0, origin_ns)
    times.pass_s(7)
    assert StreamClock(0, 5.0, origin_ns).now_ns() == first.now_ns() == 35_000_000_000


def test_time_is_told_to_the_microsecond(monkeypatch: pytest.MonkeyPatch) -> None:
    times = Times(monkeypatch)
    clock = StreamClock.live()
    times.monotonic_ns += 1_999
    assert clock.now_ns() == times.wall_ns + 1_000


@pytest.mark.parametrize("rate", [0.0, -1.0, float("nan"), float("inf")])
def test_rates_that_make_no_sense(rate: float) -> None:
    with pytest.raises(ValueError, match="above 0"):
        StreamClock(0, rate)
