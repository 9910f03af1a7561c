"""The clock of a source: offset, delay, drift and steps."""

import random
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.estimator.source_clock import SourceClock

PERIOD = 50_000_000


class StampedReadings:
    """Readings every 50 ms, stamped by a clock that is off; each returns how wrong its time was taken, ns."""

    def __init__(self, offset_ns: int = -7_000_000_000) -> None:
        self.clock = SourceClock(20.0)
        self.offset_ns = offset_ns
        self.t_ns = 1_700_000_000_000_000_000
        self.last_ns = 0

    def send(self, delay_ns: int = 5_000_000, stamp_ns: int | None = None) -> int:
        self.t_ns += PERIOD
        self.last_ns = max(self.last_ns, self.t_ns + delay_ns)
        stamp = self.t_ns + self.offset_ns if stamp_ns is None else stamp_ns
        return self.clock.taken_ns(self.last_ns, stamp) - self.t_ns


def test_offset_is_the_shortest_delay_seen() -> None:
    source, draw = StampedReadings(), random.Random(1)
    errors = [source.send(5_000_000 + int(draw.expovariate(1 / 20e6))) for _ in range(400)]
    assert all(e >= 0 for e in errors)
    assert max(errors[100:]) < 5_000_000 + 2_000_000
    assert source.clock.steps == 0
    assert source.clock.diagnosis == ""


def test_times_are_as_even_as_the_source_is_while_delays_scatter() -> None:
    """At speed an uneven time is a jerk: 0.1 ms is 0.15 mm at 1.5 m/s, the noise of a drum encoder."""
    source, draw = StampedReadings(), random.Random(1)
    errors = [source.send(4_000_000 + int(draw.expovariate(1 / 8e6))) for _ in range(6000)][2000:]
    jumps = [abs(b - a) for a, b in pairwise(errors)]
    assert sorted(jumps)[len(jumps) * 99 // 100] <= 20_000
    assert max(jumps) < 500_000
    assert max(errors) - min(errors) < 1_000_000


def test_never_after_arrival_and_drift_is_followed() -> None:
    source = StampedReadings()
    for k in range(12_000):
        source.offset_ns = -(k * PERIOD) // 10_000  # the source's clock runs 100 ppm slow
        error = source.send()
        assert error <= 5_000_000
    assert error > -2_000_000


@pytest.mark.parametrize("step_s", [-3600.0, -2.0, -0.4, 0.6, 5.0, 86_400.0])
def test_a_step_of_the_source_clock_is_found_announced_and_learned(step_s: float) -> None:
    source = StampedReadings()
    for _ in range(100):
        source.send()
    source.offset_ns += int(step_s * 1e9)
    source.send()
    later = [source.send() for _ in range(5)]
    assert all(abs(e - 5_000_000) < 1_000_000 for e in later)
    assert source.clock.steps == 1
    assert ("+1.0 days" if step_s == 86_400.0 else f"{step_s:+.1f} s") in source.clock.diagnosis
    for _ in range(1300):
        source.send()
    assert source.clock.diagnosis == ""


def test_a_growing_delay_is_not_a_step() -> None:
    source = StampedReadings()
    for _ in range(100):
        source.send()
    late = [source.send(800_000_000) for _ in range(40)]
    assert all(abs(e - 5_000_000) < 1_000_000 for e in late)
    assert source.clock.latency_s == pytest.approx(0.795, abs=0.01)
    again = [source.send() for _ in range(40)]  # the queue drains
    assert all(abs(e - 5_000_000) < 1_000_000 for e in again)
    assert source.clock.steps == 0


def test_delay_that_goes_all_at_once_is_not_a_step() -> None:
    """The readings in between are lost, so arrivals keep their pace while source times leap."""
    clock = SourceClock(20.0)
    base = 1_700_000_000_000_000_000
    for k in range(60):
        clock.taken_ns(base + k * PERIOD, base + k * PERIOD)
    for k in range(60, 100):
        clock.taken_ns(base + k * PERIOD + 800_000_000, base + k * PERIOD)
    t = base + 99 * PERIOD + 800_000_000 + PERIOD
    assert clock.taken_ns(t, t) == t
    assert clock.steps == 0


def test_an_overtaken_reading_is_not_a_step() -> None:
    source = StampedReadings()
    for _ in range(50):
        source.send()
    old = source.t_ns + source.offset_ns - 500_000_000
    source.send(stamp_ns=old)
    assert abs(source.send() - 5_000_000) < 1_000_000
    assert source.clock.steps == 0


def test_a_burst_of_stored_readings_keeps_their_own_times() -> None:
    clock = SourceClock(20.0)
    base = 1_700_000_000_000_000_000
    for k in range(40):
        clock.taken_ns(base + k * PERIOD, base + k * PERIOD)
    arrival = base + 80 * PERIOD
    for k in range(40, 80):
        assert abs(clock.taken_ns(arrival, base + k * PERIOD) - (base + k * PERIOD)) < 1_000_000


def test_a_source_time_that_stands_still_gives_way_to_arrival() -> None:
    source = StampedReadings()
    for _ in range(50):
        source.send()
    stuck = source.t_ns + source.offset_ns
    errors = [source.send(stamp_ns=stuck) for _ in range(10)]
    assert all(abs(e - 5_000_000) < 1_000_000 for e in errors)
    assert "stands still" in source.clock.diagnosis
    errors = [source.send() for _ in range(10)]
    assert all(abs(e - 5_000_000) < 1_000_000 for e in errors)
    assert source.clock.diagnosis == ""


@given(st.lists(st.tuples(st.integers(0, 10**10), st.integers(-(10**19), 10**19)), min_size=1, max_size=60))
def test_whatever_a_source_stamps_no_reading_is_taken_after_its_arrival(steps: list[tuple[int, int]]) -> None:
    clock, t = SourceClock(20.0), 1_700_000_000_000_000_000
    for wait, stamp in steps:
        t += wait
        assert clock.taken_ns(t, stamp) <= t
        assert clock.latency_s >= 0.0
