"""Frozen encoders, a second source, height marks, and the words for what drifts."""

import math

import pytest

from monitor.model.reading import RejectReason, Validity
from tests.core.estimator.motion_bench import Bench, Change, profile, rig_with

STROKE = [(1.0, 2.0), (25.0, 25.0), (25.0, 3.0), (3.0, 20.0), (3.0, 3.0)]
DEEP = [(2.5, 2.0), (45.0, 40.0), (45.0, 3.0), (5.0, 35.0), (5.0, 3.0), (45.0, 40.0), (5.0, 40.0)]


def held(start_s: float, stop_s: float, *, lost: bool = False) -> Change:
    """The reading stands still from `start_s` to `stop_s`; with `lost` it then counts on from there."""
    kept: list[float] = []

    def change(t: float, value: float) -> float:
        if t < start_s:
            return value
        if t < stop_s:
            kept[:1] = kept[:1] or [value]
            return kept[0]
        if lost:
            kept[1:2] = kept[1:2] or [kept[0] - value]
            return value + kept[1]
        return value

    return change


def single(change: Change, braking: bool | None = False) -> Bench:
    """The land rig with its one encoder changed so."""
    return Bench(rig_with("land"), profile(STROKE, 1.0)[0], faults={"drum": change}, braking=lambda t: braking)


def deep(only: tuple[str, ...] = (), **options: object) -> Bench:
    """The deep rig: encoder, block position, two marks."""
    return Bench(rig_with("deep", only), profile(DEEP, 2.5)[0], **options)  # type: ignore[arg-type]


def outside(bench: Bench, since_s: float = 0.0) -> list[tuple[float, float, float]]:
    """(time, error, bound) of the VALID looks whose truth lies outside the bound."""
    return [
        (t, e.height_m - h, e.height_bound_m)
        for t, h, e in bench.track
        if t >= since_s and e.validity is Validity.VALID and abs(e.height_m - h) > e.height_bound_m
    ]


@pytest.mark.parametrize("braking", [False, None, True])
def test_an_encoder_that_freezes_at_speed_is_found_within_a_second(braking: bool | None) -> None:
    bench = single(held(12.0, 1e9), braking).run(16.0)
    assert bench.at(12.0) - bench.at(11.9) > 0.1
    assert not outside(bench)
    assert all(e.validity is Validity.INVALID for t, _, e in bench.track if t > 13.1)
    states = [e.validity for t, _, e in bench.track if 12.0 <= t <= 13.1]
    assert Validity.DEGRADED in states
    fusion = bench.estimator.fusion(bench.index("drum"))
    assert fusion.rejecting
    assert "stand still" in fusion.diagnosis


def test_a_frozen_encoder_that_resumes_in_place_is_used_again_without_doubt() -> None:
    bench = single(held(12.0, 14.0)).run(18.0)
    assert bench.last[1].validity is Validity.VALID
    assert bench.estimator.fusion(bench.index("drum")).diagnosis == ""
    assert not outside(bench)


def test_a_frozen_encoder_that_lost_counts_stays_doubted() -> None:
    bench = single(held(12.0, 14.0, lost=True)).run(26.0)
    assert abs(bench.at(14.0) - bench.at(12.0)) > 2.0
    assert bench.last[1].validity is Validity.INVALID
    assert "reference" in bench.estimator.fusion(bench.index("drum")).diagnosis
    assert not outside(bench)


def test_an_encoder_that_dithers_and_then_freezes_at_rest_is_found_when_the_brake_is_off() -> None:
    bench = Bench(rig_with("land"), lambda t: 5.0, faults={"drum": held(60.0, 1e9)}, braking=lambda t: False).run(64.0)
    assert bench.last[1].validity is Validity.INVALID
    assert bench.estimator.fusion(bench.index("drum")).rejecting


@pytest.mark.parametrize("braking", [True, False])
def test_an_encoder_quiet_by_nature_is_not_taken_for_frozen(braking: bool) -> None:
    bench = Bench(rig_with("land"), lambda t: 5.0, faults={"drum": lambda t, v: 1_080_000.0}, braking=lambda t: braking)
    bench.run(200.0)
    assert all(e.validity is Validity.VALID for t, _, e in bench.track if t > 1.0)


def test_a_real_stop_with_a_quiet_encoder_is_not_taken_for_frozen() -> None:
    at, _ = profile([(1.0, 2.0), (9.0, 9.0), (9.0, 20.0)], 1.0)
    quiet: Change = lambda t, value: float(round(value / 8.0) * 8)  # noqa: E731
    bench = Bench(rig_with("land"), at, faults={"drum": quiet}, braking=lambda t: t > 10.0).run(30.0)
    assert all(e.validity is Validity.VALID for t, _, e in bench.track if t > 1.0)
    assert bench.estimator.fusion(bench.index("drum")).rejected == 0


# --- a second source -------------------------------------------------------------------------------------------------


def test_a_second_source_agrees_and_improves_the_curve() -> None:
    bench = deep(("drum", "block"), rope=-0.02).run(160.0)
    assert not outside(bench)
    fusion = bench.estimator.fusion(bench.index("block"))
    assert fusion.offset_to_lead_m is not None
    assert abs(fusion.offset_to_lead_m) < 0.06
    assert fusion.fused > 1000
    late = [abs(e.height_m - h) for t, h, e in bench.track if t > 90.0]
    assert max(late) < 0.06


def test_the_second_source_takes_over_from_a_frozen_encoder_and_hands_back() -> None:
    bench = deep(("drum", "block"), faults={"drum": held(12.0, 16.0)}).run(15.9)
    assert not outside(bench)
    assert bench.last[1].validity is Validity.VALID
    assert abs(bench.last[1].height_m - bench.last[0]) < 0.1
    assert bench.estimator.fusion(bench.index("drum")).rejecting
    bench.run(40.0)
    assert not outside(bench)
    assert bench.last[1].validity is Validity.VALID
    assert bench.estimator.fusion(bench.index("drum")).offset_to_lead_m is None  # it leads again
    assert not bench.estimator.fusion(bench.index("drum")).rejecting


def test_the_second_source_takes_over_from_a_silent_encoder() -> None:
    bench = deep(("drum", "block"), faults={"drum": lambda t, value: None if t > 12.0 else value}).run(30.0)
    assert not outside(bench)
    later = [e.validity for t, _, e in bench.track if t > 14.0]
    assert later.count(Validity.VALID) > 0.95 * len(later)


def test_an_encoder_that_freezes_at_rest_is_found_by_the_second_source() -> None:
    at, _ = profile([(2.5, 5.0), (20.0, 20.0)], 2.5)
    still: Change = held(3.0, 1e9)
    bench = Bench(rig_with("deep", ("drum", "block")), at, faults={"drum": still}).run(20.0)
    assert not outside(bench)
    assert abs(bench.last[1].height_m - bench.last[0]) < 0.2
    assert "stand still" in bench.estimator.fusion(bench.index("drum")).diagnosis


def test_a_second_source_that_freezes_is_found_and_left_out() -> None:
    bench = deep(("drum", "block"), faults={"block": held(12.0, 1e9)}).run(30.0)
    assert not outside(bench)
    assert bench.last[1].validity is Validity.VALID
    fusion = bench.estimator.fusion(bench.index("block"))
    assert fusion.rejecting
    assert "stand still" in fusion.diagnosis


def test_two_sources_that_differ_for_no_known_reason_widen_the_bound() -> None:
    bench = deep(("drum", "block"), faults={"block": lambda t, v: v + (0.6 if t > 20.0 else 0.0)}).run(35.0)
    estimate = bench.last[1]
    assert estimate.validity is Validity.DEGRADED
    assert estimate.height_bound_m > 0.5
    assert "differs" in bench.estimator.fusion(bench.index("block")).diagnosis
    assert not outside(bench)


def test_single_readings_of_the_second_source_far_off_change_nothing() -> None:
    spikes: Change = lambda t, v: v + 8.0 if t % 3.0 < 0.09 else v  # noqa: E731
    bench = deep(("drum", "block"), faults={"block": spikes}).run(60.0)
    assert all(e.validity is Validity.VALID for t, _, e in bench.track if t > 1.0)
    assert bench.estimator.fusion(bench.index("block")).rejected > 10


def test_a_position_source_gives_an_encoder_without_reference_its_datum() -> None:
    rig = rig_with("deep", ("drum", "block"))
    rig = rig.model_copy(update={"reference": rig.reference.model_copy(update={"counts": {}})})
    bench = Bench(rig, profile(DEEP, 2.5)[0]).run(30.0)
    assert not outside(bench)
    assert bench.last[1].validity is Validity.VALID
    assert abs(bench.last[1].height_m - bench.last[0]) < 0.1


# --- height marks ----------------------------------------------------------------------------------------------------


def test_marks_correct_a_thin_rope() -> None:
    plain = deep(("drum",), rope=-0.02).run(160.0)
    marked = deep(("drum", "mark-low", "mark-high"), rope=-0.02).run(160.0)
    assert not outside(plain)
    assert not outside(marked)
    worst = [max(abs(e.height_m - h) for t, h, e in b.track if t > 85.0) for b in (plain, marked)]
    assert worst[1] < 0.6 * worst[0]
    assert marked.estimator.fusion(marked.index("mark-low")).fused >= 3


def test_a_mark_gives_an_encoder_without_reference_its_datum() -> None:
    rig = rig_with("deep", ("drum", "mark-low"))
    rig = rig.model_copy(update={"reference": rig.reference.model_copy(update={"counts": {}})})
    bench = Bench(rig, profile(DEEP, 2.5)[0]).run(35.0)
    before = [e for t, h, e in bench.track if h < 11.5]
    assert all(e.validity is Validity.INVALID and math.isnan(e.height_m) for e in before)
    assert bench.last[1].validity is Validity.VALID
    assert not outside(bench)
    assert abs(bench.last[1].height_m - bench.last[0]) < 0.15


def test_lost_counts_are_doubted_at_the_first_mark_and_corrected_at_the_second() -> None:
    """The encoder's drive slips by a twentieth on the way up past the mark; on the way down the mark says so."""
    seen: list[float] = []

    def slipping(t: float, value: float) -> float:
        if 20.0 < t < 35.0:
            seen[:] = [*seen[:1], value]
        return value - (0.05 * (seen[-1] - seen[0]) if seen else 0.0)

    bench = deep(("drum", "mark-low"), faults={"drum": slipping}).run(77.0)
    fusion = bench.estimator.fusion(bench.index("mark-low"))
    assert fusion.rejected == 1
    doubted = bench.last[1]
    assert doubted.validity is not Validity.VALID
    bench.run(115.0)
    corrected = bench.last[1]
    assert corrected.validity is Validity.VALID
    assert abs(bench.last[1].height_m - bench.last[0]) < 0.15
    assert "corrected" in bench.estimator.fusion(bench.index("mark-low")).diagnosis
    assert not outside(bench, 90.0)


def test_a_mark_that_switches_in_the_wrong_place_once_does_not_move_the_height() -> None:
    wrong: Change = lambda t, value: 1.0 if 20.0 < t < 20.3 else value  # noqa: E731
    bench = deep(("drum", "mark-high"), faults={"mark-high": wrong}).run(22.0)
    assert bench.estimator.fusion(bench.index("mark-high")).rejected >= 1
    truth, estimate = bench.last
    assert estimate.validity is not Validity.VALID
    assert abs(estimate.speed_m_s - (bench.at(22.0) - bench.at(21.9)) / 0.1) < 0.1
    bench.estimator.reference(bench.now_ns(), truth)
    assert bench.estimator.estimate(bench.now_ns()).validity is Validity.VALID


def test_marks_ignore_a_gap_in_their_own_readings() -> None:
    bench = deep(("drum", "mark-low"), faults={"mark-low": lambda t, v: None if 8.0 < t < 20.0 else v}).run(30.0)
    assert bench.estimator.fusion(bench.index("mark-low")).fused == 0
    assert not outside(bench)


def test_set_downs_that_move_are_mentioned() -> None:
    bench = Bench(rig_with("land"), profile([(1.2, 30.0), (1.8, 8.0)], 1.2)[0]).run(1.0)
    for k in range(9):
        bench.run(2.0 + 3.0 * k)
        bench.estimator.set_down(bench.now_ns())
    assert bench.estimator.fusion(bench.index("drum")).diagnosis == ""
    for k in range(3):
        bench.run(40.0 + 3.0 * k)
        bench.estimator.set_down(bench.now_ns())
    assert "set-downs" in bench.estimator.fusion(bench.index("drum")).diagnosis


def test_a_reading_refused_says_why() -> None:
    bench = single(lambda t, value: value + 9000.0 if 12.0 <= t < 12.04 else value).run(13.0)
    assert bench.reasons == {None: bench.estimator.fusion(bench.index("drum")).fused, RejectReason.GATE: 1}
