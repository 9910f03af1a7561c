"""A second source of the height: compared, taking the lead, left out."""

from monitor.model.reading import Validity
from tests.core.estimator.motion_bench import DEEP, Bench, Change, deep, held, outside, profile, rig_with


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
