"""Source clocks, the layer map and the datum, each alone."""

import random
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.config.rig_file import find_rig
from monitor.core.estimator.datum import Datum
from monitor.core.estimator.height_map import HeightMap
from monitor.core.estimator.source_clock import SourceClock
from monitor.physics.drum import DrumGeometry, block_height_m, turns_at_height
from tests.core.estimator.motion_bench import line_m, turns_at

PERIOD = 50_000_000
RIG = find_rig("land")
LAND = DrumGeometry(
    RIG.drum.core_diameter_m, RIG.line.rope_diameter_m, RIG.drum.wraps_per_layer, RIG.drum.nesting, RIG.drum.max_layers
)


class PositionSource:
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
    source, draw = PositionSource(), random.Random(1)
    errors = [source.send(5_000_000 + int(draw.expovariate(1 / 20e6))) for _ in range(400)]
    assert all(e >= 0 for e in errors)
    assert max(errors[100:]) < 5_000_000 + 2_000_000
    assert source.clock.steps == 0
    assert source.clock.diagnosis == ""


def test_times_are_as_even_as_the_source_is_while_delays_scatter() -> None:
    """At speed an uneven time is a jerk: 0.1 ms is 0.15 mm at 1.5 m/s, the noise of a drum encoder."""
    source, draw = PositionSource(), random.Random(1)
    errors = [source.send(4_000_000 + int(draw.expovariate(1 / 8e6))) for _ in range(6000)][2000:]
    jumps = [abs(b - a) for a, b in pairwise(errors)]
    assert sorted(jumps)[len(jumps) * 99 // 100] <= 20_000
    assert max(jumps) < 500_000
    assert max(errors) - min(errors) < 1_000_000


def test_never_after_arrival_and_drift_is_followed() -> None:
    source = PositionSource()
    for k in range(12_000):
        source.offset_ns = -(k * PERIOD) // 10_000  # the source's clock runs 100 ppm slow
        error = source.send()
        assert error <= 5_000_000
    assert error > -2_000_000


@pytest.mark.parametrize("step_s", [-3600.0, -2.0, -0.4, 0.6, 5.0, 86_400.0])
def test_a_step_of_the_source_clock_is_found_announced_and_learned(step_s: float) -> None:
    source = PositionSource()
    for _ in range(100):
        source.send()
    source.offset_ns += int(step_s * 1e9)
    source.send()
    later = [source.send() for _ in range(5)]
    assert all(abs(e - 5_000_000) < 1_000_000 for e in later)
    assert source.clock.steps == 1
    assert f"{step_s:+.1f}" in source.clock.diagnosis
    for _ in range(1300):
        source.send()
    assert source.clock.diagnosis == ""


def test_a_growing_delay_is_not_a_step() -> None:
    source = PositionSource()
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
    source = PositionSource()
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
    source = PositionSource()
    for _ in range(50):
        source.send()
    stuck = source.t_ns + source.offset_ns
    errors = [source.send(stamp_ns=stuck) for _ in range(10)]
    assert all(e == 5_000_000 for e in errors[3:])
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


# --- the layer map ---------------------------------------------------------------------------------------------------


@given(st.floats(0.5, 175.0), st.floats(3.0, 170.0))
def test_map_agrees_with_the_drums_formula_and_its_inverse(turns: float, datum: float) -> None:
    layers = HeightMap(LAND, datum, 1.0, 12)
    height = layers.height(turns)
    assert height == pytest.approx(block_height_m(LAND, turns, datum, 1.0, 12), abs=1e-9)
    back, index, _, _ = layers.locate(height)
    assert back == pytest.approx(turns_at_height(LAND, height, datum, 1.0, 12), abs=1e-9)
    assert back == pytest.approx(turns, abs=1e-9)
    assert index + 1 in (LAND.layer(turns), LAND.layer(turns - 1e-9), LAND.layer(turns + 1e-9))
    assert layers.radii_m[index] == pytest.approx(LAND.radius_m(LAND.wraps_per_layer * index + 1.0), abs=1e-12)


@pytest.mark.parametrize("turns", [20.0, 60.0, 110.0, 160.0])
def test_slopes_agree_with_differences(turns: float) -> None:
    datum, small = 12.0, 1e-5
    layers = HeightMap(LAND, datum, 1.0, 12)
    _, index, by_rope, by_wraps = layers.locate(layers.height(turns))
    thicker = layers.moved(rope=small)
    assert (thicker.height(turns) - layers.height(turns)) / small == pytest.approx(by_rope, rel=1e-4, abs=1e-6)
    shifted = layers.moved(turns=datum + small)
    assert (shifted.height(turns + small) - layers.height(turns)) / small == pytest.approx(by_wraps, rel=1e-3, abs=1e-6)
    assert layers.rope_slopes[index] == pytest.approx(
        (thicker.rise_at(1.0 + thicker.height(turns)) / layers.rise_at(1.0 + layers.height(turns)) - 1) / small,
        rel=1e-3,
    )


def test_map_of_a_thinner_rope_is_what_wrapping_it_gives() -> None:
    layers = HeightMap(LAND, 12.0, 1.0, 12).moved(rope=-0.02)
    for turns in (30.0, 80.0, 150.0):
        truth = 1.0 + (line_m(RIG, turns, -0.02) - line_m(RIG, 12.0, -0.02)) / 12
        assert layers.height(turns) == pytest.approx(truth, abs=1e-9)


# --- the datum -------------------------------------------------------------------------------------------------------


def test_datum_alone_knows_its_own_height_best() -> None:
    layers, datum = HeightMap(LAND, 12.0, 1.0, 12), Datum(0.02, 0.01, 0.25)
    sigmas = []
    for height in (1.0, 5.0, 15.0, 25.0, 35.0):
        _, _, by_rope, by_wraps = layers.locate(height)
        sigmas.append(datum.variance(by_rope, by_wraps) ** 0.5)
    assert sigmas[0] == pytest.approx(0.02)
    assert sigmas == sorted(sigmas)
    assert 0.05 < sigmas[-1] < 0.15


@pytest.mark.parametrize("rope", [-0.02, 0.01])
def test_outside_heights_over_the_range_find_the_rope(rope: float) -> None:
    draw = random.Random(5)
    layers, datum = HeightMap(LAND, 12.0, 1.0, 12), Datum(0.02, 0.01, 0.25)
    for height in (8.0, 16.0, 24.0, 32.0, 20.0, 12.0, 30.0, 36.0):
        turns = turns_at(RIG, height, rope) + datum.wraps
        x = layers.height(turns)
        _, _, by_rope, by_wraps = layers.locate(x)
        found = datum.observe(height + draw.gauss(0.0, 0.01) - x, by_rope, by_wraps, 0.015)
        assert found.test_ratio < 1.0
        layers = layers.moved(layers.turns + found.wraps, layers.height_m + found.offset_m, found.rope)
    assert datum.rope == pytest.approx(rope, abs=0.006)
    for height in (5.0, 15.0, 25.0, 35.0):
        assert layers.height(turns_at(RIG, height, rope) + datum.wraps) == pytest.approx(height, abs=0.025)
        _, _, by_rope, by_wraps = layers.locate(height)
        assert datum.variance(by_rope, by_wraps) ** 0.5 < 0.02


def test_a_difference_that_geometry_cannot_explain_goes_to_the_offset() -> None:
    layers, datum = HeightMap(LAND, 12.0, 1.0, 12), Datum(0.02, 0.01, 0.25)
    _, _, by_rope, by_wraps = layers.locate(20.0)
    found = datum.observe(1.0, by_rope, by_wraps, 0.02)
    assert found.test_ratio > 1.0
    assert found.offset_m == pytest.approx(1.0, abs=0.01)
    assert found.rope == found.wraps == 0.0
    assert datum.rope == 0.0


@given(st.lists(st.tuples(st.floats(1.0, 38.0), st.floats(-0.1, 0.1), st.floats(0.005, 0.2)), max_size=30))
def test_doubt_never_grows_by_evidence_that_fits(evidence: list[tuple[float, float, float]]) -> None:
    layers, datum = HeightMap(LAND, 12.0, 1.0, 12), Datum(0.02, 0.01, 0.25)
    places = [layers.locate(h)[2:] for h in (1.0, 10.0, 20.0, 30.0)]
    before = [datum.variance(*place) for place in places]
    for height, difference, sigma in evidence:
        slopes = layers.locate(height)[2:]
        if datum.check(difference, *slopes, sigma) > 1.0:
            continue
        datum.observe(difference, *slopes, sigma)
        after = [datum.variance(*place) for place in places]
        assert all(0.0 < a <= b * (1 + 1e-9) for a, b in zip(after, before, strict=True))
        before = after
