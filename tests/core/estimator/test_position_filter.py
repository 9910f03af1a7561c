"""Frozen encoders and ones with dense spikes: what the filter finds of the source that leads it."""

import random

import pytest

from monitor.model.reading import RejectReason, Validity
from tests.core.estimator.motion_bench import Bench, Change, held, outside, profile, rig_with, single


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
    validities = [e.validity for t, _, e in bench.track if t > 1.0]
    assert Validity.INVALID not in validities
    assert validities.count(Validity.VALID) > 0.98 * len(validities)


def test_a_real_stop_with_a_quiet_encoder_is_not_taken_for_frozen() -> None:
    at, _ = profile([(1.0, 2.0), (9.0, 9.0), (9.0, 20.0)], 1.0)
    quiet: Change = lambda t, value: float(round(value / 8.0) * 8)  # noqa: E731
    bench = Bench(rig_with("land"), at, faults={"drum": quiet}, braking=lambda t: t > 10.0).run(30.0)
    validities = [e.validity for t, _, e in bench.track if t > 1.0]
    assert Validity.INVALID not in validities
    assert validities.count(Validity.VALID) > 0.98 * len(validities)
    assert bench.estimator.fusion(bench.index("drum")).rejected == 0


def test_a_reading_refused_says_why() -> None:
    bench = single(lambda t, value: value + 9000.0 if 12.0 <= t < 12.04 else value).run(13.0)
    assert bench.reasons == {None: bench.estimator.fusion(bench.index("drum")).fused, RejectReason.GATE: 1}


@pytest.mark.parametrize("share", [0.05, 0.13, 0.2])
def test_dense_spikes_do_not_carry_the_height_away(share: float) -> None:
    """Metres off, one reading in eight: they are refused all along, and the height stays what it is."""
    draw = random.Random(5)

    def spikes(t: float, value: float) -> float:
        return value + (draw.choice((-60_000.0, 60_000.0)) if t > 5.0 and draw.random() < share else 0.0)

    bench = Bench(
        rig_with("land"),
        profile([(30.0, 30.0), (30.0, 5.0), (5.0, 30.0), (5.0, 25.0)], 3.0)[0],
        faults={"drum": spikes},
    )
    bench.run(90.0)
    assert not outside(bench)
    validities = [e.validity for t, _, e in bench.track if t > 1.0]
    assert Validity.INVALID not in validities
    assert validities.count(Validity.VALID) > 0.98 * len(validities)
