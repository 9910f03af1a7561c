"""The estimator as a whole: tracking, bounds, validity, silence, jumps, the crew's actions."""

import math
import random

import pytest

from monitor.core.estimator.estimator import Estimator
from monitor.core.estimator.sources import PositionSource, full_brake_deceleration_m_s2
from monitor.model.reading import RejectReason, Sample, Validity
from tests.core.estimator.motion_bench import START_NS, Bench, line_m, profile, rig_with, turns_at
from tests.support.changed import parts

STROKE = [(1.0, 2.0), (25.0, 25.0), (25.0, 3.0), (3.0, 20.0), (3.0, 3.0)]


def land_bench(**options: object) -> Bench:
    """The land rig over a stroke up and down."""
    at, _ = profile(STROKE, 1.0)
    return Bench(rig_with("land"), at, **options)  # type: ignore[arg-type]


def outside(bench: Bench) -> list[tuple[float, float, float]]:
    """(time, error, bound) of the VALID looks whose truth lies outside the bound."""
    return [
        (t, e.height_m - h, e.height_bound_m)
        for t, h, e in bench.track
        if e.validity is Validity.VALID and abs(e.height_m - h) > e.height_bound_m
    ]


def test_follows_a_stroke_and_tells_layer_and_radius() -> None:
    bench = land_bench().run(53.0)
    assert not outside(bench)
    errors = [abs(e.height_m - h) for t, h, e in bench.track if t > 0.5]
    assert max(errors) < 0.05
    speeds = [(abs(e.speed_m_s - (bench.at(t + 0.01) - bench.at(t - 0.01)) / 0.02)) for t, _, e in bench.track if t > 1]
    assert sorted(speeds)[int(0.95 * len(speeds))] < 0.03
    top = next(e for t, _, e in bench.track if t > 28.0)
    turns = turns_at(bench.rig, 25.0)
    assert top.turns == pytest.approx(turns, abs=0.02)
    assert top.layer == int(turns // bench.rig.drum.wraps_per_layer) + 1
    rise = line_m(bench.rig, turns + 0.5) - line_m(bench.rig, turns - 0.5)
    assert top.radius_m == pytest.approx(rise / (2 * math.pi), rel=1e-3)


def test_estimate_is_a_pure_prediction() -> None:
    bench = land_bench().run(12.0)
    now = bench.now_ns()
    first = bench.estimator.estimate(now)
    ahead = bench.estimator.estimate(now + 400_000_000)
    assert repr(parts(bench.estimator.estimate(now))) == repr(parts(first))  # by words: a NaN is not equal to itself
    assert ahead.height_m == pytest.approx(first.height_m + 0.4 * first.speed_m_s, abs=0.15)
    assert ahead.height_bound_m > first.height_bound_m
    assert ahead.height_sigma_m > first.height_sigma_m


def test_before_the_first_reading_nothing_is_known() -> None:
    estimate = Estimator(rig_with("land")).estimate(START_NS)
    assert estimate.validity is Validity.INVALID
    assert math.isnan(estimate.height_m)
    assert math.isinf(estimate.height_bound_m)
    assert estimate.layer >= 1
    assert estimate.radius_m > 0.35


def test_silence_degrades_then_invalidates_and_comes_back() -> None:
    bench = land_bench(faults={"drum": lambda t, value: None if 12.0 <= t < 16.0 else value}).run(20.0)
    states = {round(t, 2): e.validity for t, _, e in bench.track}
    assert states[11.9] is Validity.VALID
    assert Validity.DEGRADED in [v for t, v in states.items() if 12.0 < t < 14.0]
    assert states[15.5] is Validity.INVALID
    assert states[17.0] is Validity.VALID
    assert not outside(bench)
    bounds = [e.height_bound_m for t, _, e in bench.track if 12.0 < t < 15.9]
    assert bounds == sorted(bounds)
    degraded = [(h, e) for _, h, e in bench.track if e.validity is Validity.DEGRADED]
    assert all(abs(e.height_m - h) <= e.height_bound_m for h, e in degraded)


def test_a_spike_is_refused_and_changes_nothing() -> None:
    bench = land_bench(faults={"drum": lambda t, value: value + 5000.0 if 12.0 <= t < 12.04 else value}).run(14.0)
    fusion = bench.estimator.fusion(bench.index("drum"))
    assert fusion.rejected == 1
    assert not fusion.rejecting
    assert not outside(bench)
    assert all(e.validity is Validity.VALID for t, _, e in bench.track if t > 0.5)


def test_a_first_reading_far_off_is_forgotten() -> None:
    bench = land_bench(faults={"drum": lambda t, value: value + 3000.0 if t < 0.04 else value}).run(8.0)
    assert bench.last[1].validity is Validity.VALID
    assert not [t for t, _, _ in outside(bench) if t > 0.5]


def test_a_jump_that_lasts_is_followed_but_not_trusted() -> None:
    bench = land_bench(faults={"drum": lambda t, value: value + 10_000.0 if t >= 12.0 else value}).run(18.0)
    estimate = bench.last[1]
    assert estimate.validity is not Validity.VALID
    assert estimate.height_bound_m > 0.4
    fusion = bench.estimator.fusion(bench.index("drum"))
    assert not fusion.rejecting
    assert "reference" in fusion.diagnosis
    speed = (bench.at(18.0) - bench.at(17.9)) / 0.1
    assert estimate.speed_m_s == pytest.approx(speed, abs=0.05)
    assert not outside(bench)


def test_a_jump_that_takes_itself_back_leaves_no_doubt() -> None:
    bench = land_bench(faults={"drum": lambda t, value: value + 10_000.0 if 12.0 <= t < 14.0 else value}).run(18.0)
    assert bench.last[1].validity is Validity.VALID
    assert bench.estimator.fusion(bench.index("drum")).diagnosis == ""
    assert not outside(bench)


def test_a_jump_to_where_the_count_then_rests_is_a_jump_and_no_frozen_encoder() -> None:
    # In the middle of a stroke the counter begins from elsewhere, and trembles there by a count.
    bench = land_bench(faults={"drum": lambda t, value: value if t < 12.0 else 1_000_000.0 + int(t / 0.17) % 2})
    said = [""]
    while bench.now_s < 25.0:
        words = bench.run(bench.now_s + 0.05).estimator.fusion(bench.index("drum")).diagnosis
        if words != said[-1]:
            said.append(words)
    assert len(said) == 2
    assert "jumped" in said[1]
    assert bench.last[1].validity is not Validity.VALID
    assert not bench.estimator.fusion(bench.index("drum")).rejecting


@pytest.mark.parametrize("counts", [-300_000.0, 900_000.0])
def test_a_height_outside_the_mast_is_not_known(counts: float) -> None:
    # After a silence in which a block gets everywhere no jump is seen: that there is no such height must be.
    def counter(t: float, value: float) -> float | None:
        return None if 12.0 < t < 42.0 else value if t < 12.0 else value + counts

    bench = land_bench(faults={"drum": counter}).run(50.0)
    assert bench.last[1].validity is Validity.INVALID
    assert "out of the mast" in bench.estimator.fusion(bench.index("drum")).diagnosis


def test_the_crews_reference_ends_a_doubt() -> None:
    bench = land_bench(faults={"drum": lambda t, value: value + 10_000.0 if t >= 12.0 else value}).run(29.0)
    bench.estimator.reference(bench.now_ns(), 25.0)
    estimate = bench.estimator.estimate(bench.now_ns())
    assert estimate.validity is Validity.VALID
    assert estimate.height_m == pytest.approx(25.0, abs=0.005)
    bench.run(45.0)
    truth, estimate = bench.last
    assert abs(estimate.height_m - truth) < 0.03
    assert estimate.turns == pytest.approx(turns_at(bench.rig, truth), abs=0.3)


def test_a_second_reference_teaches_the_ropes_diameter() -> None:
    bench = land_bench(rope=-0.02).run(29.0)
    truth, estimate = bench.last
    before = abs(estimate.height_m - truth)
    assert before > 0.05
    assert before < estimate.height_bound_m
    bench.estimator.reference(bench.now_ns(), truth)
    bench.run(50.0)
    later = [abs(e.height_m - h) for t, h, e in bench.track if t > 29.1]
    assert max(later) < 0.045
    assert not outside(bench)


def test_bound_grows_with_the_distance_from_the_datum() -> None:
    bench = land_bench().run(29.0)
    low = next(e for t, _, e in bench.track if t > 1.5)
    # What the distance adds is a variance beside what the datum and the sensor leave open anywhere.
    assert math.sqrt(bench.last[1].height_bound_m ** 2 - low.height_bound_m**2) > 0.05


def test_without_counts_in_the_reference_the_height_waits_for_one() -> None:
    rig = rig_with("land")
    rig = rig.model_copy(update={"reference": rig.reference.model_copy(update={"counts": {}})})
    at, _ = profile(STROKE, 1.0)
    bench = Bench(rig, at, faults={"drum": lambda t, value: value + 777.0}).run(14.0)
    estimate = bench.last[1]
    assert estimate.validity is Validity.INVALID
    assert math.isnan(estimate.height_m)
    speed = (bench.at(14.0) - bench.at(13.9)) / 0.1
    assert abs(estimate.speed_m_s - speed) < estimate.speed_bound_m_s < 1.0
    assert "reference" in bench.estimator.fusion(bench.index("drum")).diagnosis
    bench.estimator.reference(bench.now_ns(), bench.at(14.0))
    bench.run(29.0)
    truth, estimate = bench.last
    assert estimate.validity is Validity.VALID
    assert abs(estimate.height_m - truth) < 0.03


def test_after_slip_and_cut_no_height_until_the_reference_is_renewed() -> None:
    bench = land_bench().run(29.0)
    bench.estimator.slip_and_cut(bench.now_ns(), 18.0)
    bench.run(30.0)
    assert bench.last[1].validity is Validity.INVALID
    bench.estimator.reference(bench.now_ns(), 25.0)
    estimate = bench.estimator.estimate(bench.now_ns())
    assert estimate.validity is Validity.VALID
    assert estimate.height_m == pytest.approx(25.0, abs=0.005)
    assert estimate.turns == pytest.approx(turns_at(bench.rig, 25.0, start_turns=18.0), abs=0.05)


def test_counts_that_ran_over_since_the_reference_are_understood() -> None:
    rig = rig_with("land", drum={"bits": 32})
    rig = rig.model_copy(update={"reference": rig.reference.model_copy(update={"counts": {"drum": 2**32 - 10_000}})})
    at, _ = profile(STROKE, 1.0)
    assert not outside(Bench(rig, at).run(29.0))
    late = Bench(rig, lambda t: at(t + 20.0)).run(10.0)
    assert not outside(late)
    assert late.last[1].validity is Validity.VALID


def test_a_small_counter_is_not_believed_at_the_start_but_is_followed() -> None:
    bench = Bench(rig_with("land", drum={"bits": 16}), profile(STROKE, 1.0)[0]).run(5.0)
    first = bench.last[1]
    assert first.validity is Validity.INVALID
    bench.estimator.reference(bench.now_ns(), bench.at(5.0))
    bench.run(53.0)
    assert not outside(bench)
    last = bench.last[1]
    assert last.validity is Validity.VALID


def test_a_small_counter_that_may_have_run_over_in_a_gap_is_doubted() -> None:
    at, _ = profile(STROKE, 1.0)
    bench = Bench(
        rig_with("land", drum={"bits": 16}), at, faults={"drum": lambda t, v: None if 12.0 < t < 15.0 else v}
    ).run(5.0)
    bench.estimator.reference(bench.now_ns(), bench.at(5.0))
    bench.run(18.0)
    assert bench.last[1].validity is Validity.INVALID
    assert not outside(bench)


def test_sense_of_the_encoder() -> None:
    bench = Bench(rig_with("land", drum={"sense": -1}), profile(STROKE, 1.0)[0]).run(20.0)
    assert not outside(bench)
    assert bench.last[1].speed_m_s > 0.5


def test_block_position_alone_is_enough() -> None:
    at, _ = profile([(1.0, 2.0), (20.0, 20.0), (20.0, 3.0)], 1.0)
    bench = Bench(rig_with("light"), at).run(24.0)
    assert not outside(bench)
    truth, estimate = bench.last
    assert estimate.validity is Validity.VALID
    assert abs(estimate.height_m - truth) < 0.03
    assert estimate.turns == pytest.approx(turns_at(bench.rig, 20.0), abs=0.2)


def test_slow_readings_work_with_wide_bounds_and_say_so() -> None:
    rig = rig_with("land", drum={"rate_hz": 0.2, "stale_after_s": 12.0})
    at, _ = profile([(1.0, 30.0), (20.0, 120.0), (20.0, 40.0)], 1.0)
    bench = Bench(rig, at).run(190.0)
    known = [(h, e) for t, h, e in bench.track if t > 10.0]
    assert all(e.slow for _, e in known)
    assert all(e.validity is not Validity.INVALID for _, e in known)
    assert all(abs(e.height_m - h) <= e.height_bound_m for h, e in known)
    assert max(e.height_bound_m for _, e in known) > 1.0
    truth, estimate = bench.last
    assert abs(estimate.height_m - truth) < 0.2


def test_more_noise_than_configured_widens_the_bound_instead_of_refusing() -> None:
    draw = random.Random(3)
    bench = land_bench(faults={"drum": lambda t, value: value + draw.gauss(0.0, 60.0)}).run(53.0)
    assert not outside(bench)
    fusion = bench.estimator.fusion(bench.index("drum"))
    assert fusion.rejected < 0.1 * fusion.fused
    later = [e.validity for t, _, e in bench.track if t > 10.0]
    assert later.count(Validity.VALID) > 0.9 * len(later)


def test_readings_without_source_time_and_with_uneven_arrival() -> None:
    bench = land_bench(stamped=False).run(53.0)
    assert not outside(bench)


def test_stretch_is_not_motion_of_the_drum() -> None:
    """Picking up 150 t with the drum at rest lowers the block by Hooke's law; the load's course is in the estimate."""
    rig = rig_with("land")
    load = lambda t: 216e3 if t < 5.0 else 216e3 + min(1.0, (t - 5.0) / 2.0) * 1.47e6  # noqa: E731
    bench = Bench(rig, lambda t: 1.0, load_n=load).run(10.0)
    line = rig.line
    drop = 1.47e6 / 12 / line.axial_stiffness_n * (rig.mast.crown_m - 1.0 + (line.fast_line_m + line.dead_line_m) / 12)
    assert 0.05 < drop < 0.15
    assert bench.last[1].height_m == pytest.approx(1.0 - drop, abs=0.003)
    during = [e.speed_m_s for t, _, e in bench.track if 6.0 < t < 6.9]
    assert sum(during) / len(during) == pytest.approx(-drop / 2.0, rel=0.15)
    assert bench.last[1].height_bound_m > 0.2 * drop


def test_an_old_reading_is_taken_at_its_own_time_and_a_very_old_one_refused() -> None:
    rig = rig_with("land")
    at, _ = profile(STROKE, 1.0)
    bench = Bench(rig, at).run(12.0)
    index = bench.index("drum")

    def sample(age_s: float) -> Sample:
        taken = bench.now_s - age_s
        counts = rig.reference.counts["drum"] + (turns_at(rig, at(taken)) - rig.reference.turns) * 4096
        stamp = START_NS + int(taken * 1e3) * 10**6 - 5 * 10**9
        return Sample(bench.now_ns() + 12_000_000, index, float(round(counts)), stamp)

    assert bench.estimator.ingest(sample(0.2)) is None
    assert bench.estimator.fusion(index).innovation == pytest.approx(0.0, abs=0.01)
    assert bench.estimator.ingest(sample(0.6)) is RejectReason.TOO_OLD


def test_other_sensors_are_none_of_its_business() -> None:
    rig = rig_with("land")
    estimator = Estimator(rig)
    index = next(i for i, s in enumerate(rig.sensors) if s.id == "coolant")
    assert estimator.ingest(Sample(START_NS, index, 40.0)) is None
    assert estimator.fusion(index).fused == 0


@pytest.mark.parametrize("name", ["light", "land", "deep"])
def test_the_hardest_stop_is_a_believable_one(name: str) -> None:
    assert 2.0 <= full_brake_deceleration_m_s2(rig_with(name)) <= 9.8


@pytest.mark.parametrize(("bits", "start"), [(16, 65_000.0), (32, 4_294_967_000.0)])
def test_unwrapping_goes_over_the_end_and_back(bits: int, start: float) -> None:
    source = PositionSource(rig_with("land", drum={"bits": bits}).sensors[0])
    modulus = 2.0**bits
    seen = []
    for step in (0, 400, 800, 1200, 800, 100, -300):
        raw = (start + step) % modulus
        seen.append(source.unwrap(raw, 0.0) - start)
        source.last_raw = raw
    assert seen == [0, 400, 800, 1200, 800, 100, -300]


def test_a_freely_falling_block_is_not_refused() -> None:
    bench = Bench(rig_with("land"), lambda t: 30.0 - (0.4 * (t - 3.0) ** 2 if t > 3.0 else 0.0))
    bench.run(6.0)
    assert not outside(bench)
    assert bench.estimator.fusion(bench.index("drum")).rejected == 0
    assert bench.last[1].acceleration_m_s2 == pytest.approx(-0.8, abs=0.2)


def test_an_emergency_stop_is_not_taken_for_a_fault() -> None:
    """From 1.5 m/s to rest at 4 m/s^2 after a ramp of a tenth of a second."""

    def at(t: float) -> float:
        if t < 6.0:
            return 5.0 + 1.5 * t
        u = min(t - 6.0, 0.05 + 1.5 / 4.0)
        ramp = min(u, 0.1)
        rest = u - ramp
        v = 1.5 - 20.0 * ramp * ramp
        return 14.0 + 1.5 * ramp - 20.0 * ramp**3 / 3.0 + v * rest - 2.0 * rest * rest

    bench = Bench(rig_with("land"), at, braking=lambda t: t > 5.8).run(9.0)
    assert not outside(bench)
    assert bench.estimator.fusion(bench.index("drum")).rejected == 0
    assert bench.last[1].validity is Validity.VALID


@pytest.mark.parametrize("late_s", [0.01, 0.045, 0.2])
def test_a_first_reading_that_came_late_makes_no_wrong_speed(late_s: float) -> None:
    """The monitor starts while the block is on its way, and the very first reading was held up more than those after it."""
    bench = Bench(rig_with("land"), lambda t: 30.0 - 1.1 * t, delay_s=late_s)
    bench.run(0.02)
    bench.delay_s = 0.005
    bench.run(2.0)
    seen = [(t, e.speed_m_s, e.speed_bound_m_s) for t, _, e in bench.track if t > late_s + 0.1]
    assert seen
    assert not [look for look in seen if abs(look[1] + 1.1) > look[2]]
    assert bench.last[1].speed_m_s == pytest.approx(-1.1, abs=0.02)


@pytest.mark.parametrize("way", [1.0, -1.0])
def test_a_change_of_layers_is_no_jerk(way: float) -> None:
    """The drum turns evenly, so that the block goes 8 % faster or slower from one moment to the next."""
    rig = rig_with("land")
    begin, rate = (70.0, 5.0) if way > 0 else (90.0, -5.0)
    base, lines = line_m(rig, rig.reference.turns), rig.line.lines

    def height(t: float) -> float:
        return rig.reference.height_m + (line_m(rig, begin + rate * t) - base) / lines

    bench = Bench(rig, height).run(4.0)
    change_s = 10.0 / 5.0
    errors = [
        e.speed_m_s - (height(t) - height(t - 0.001)) / 0.001
        for t, _, e in bench.track
        if 1.0 < t < 4.0 and abs(t - change_s) > 0.06
    ]
    assert max(map(abs, errors)) < 0.06
    assert bench.estimator.fusion(bench.index("drum")).rejected == 0
