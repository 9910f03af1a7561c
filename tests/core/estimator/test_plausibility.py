"""What speaks against a height: an empty hook, a block that rises undriven, a speed that turns round at once."""

import pytest

from monitor.core.estimator.plausibility import PlausibilityMonitor
from monitor.model.reading import Validity
from tests.core.estimator.motion_bench import Bench, profile, rig_with

DOWN = [(20.0, 2.0), (4.0, 16.0), (4.0, 5.0)]
G = 9.80665


def lowering(**options: object) -> Bench:
    """The land rig lowering from 20 m to 4 m."""
    rig = rig_with("land")
    return Bench(rig, profile(DOWN, 20.0)[0], **options)  # type: ignore[arg-type]


def test_slack_paid_out_is_doubt_until_the_block_hangs_and_has_stopped_bouncing() -> None:
    block_n = 22_000 * G
    bench = lowering(load_n=lambda t: 0.0 if 9.0 < t < 12.0 else block_n).run(8.9)
    assert bench.last[1].validity is Validity.VALID
    bench.run(9.4)
    early = bench.last[1]
    bench.run(11.5)
    late = bench.last[1]
    assert early.height_bound_m < late.height_bound_m
    assert late.height_bound_m > bench.at(9.1) - bench.at(11.5)
    assert late.validity is Validity.INVALID
    bench.run(13.0)
    bouncing = bench.last[1]
    assert bouncing.validity is Validity.INVALID
    bench.run(15.5)
    taut = bench.last[1]
    assert taut.validity is Validity.VALID


def test_a_load_that_goes_while_the_block_is_held_leaves_no_height() -> None:
    bench = Bench(rig_with("land"), lambda t: 15.0, load_n=lambda t: 2e5 if t < 3.0 else 0.0).run(4.0)
    assert bench.last[1].validity is Validity.INVALID
    assert "hook" in bench.estimator.fusion(bench.index("drum")).diagnosis


def test_a_block_set_down_slowly_keeps_its_height() -> None:
    at, _ = profile([(1.5, 2.0), (0.9, 10.0), (0.9, 5.0)], 1.5)
    bench = Bench(rig_with("land"), at, load_n=lambda t: 2e5 if t < 8.0 else 5e3).run(15.0)
    assert bench.last[1].validity is not Validity.INVALID


@pytest.mark.parametrize("engaged", [True, False, None])
def test_a_block_that_speeds_up_on_its_way_up_needs_a_drive(engaged: bool | None) -> None:
    bench = Bench(rig_with("land"), profile([(2.0, 2.0), (20.0, 20.0)], 2.0)[0])
    if engaged is not None:
        bench.say("clutch_engaged", float(engaged))
    bench.run(9.0)
    assert (bench.last[1].validity is Validity.INVALID) == (engaged is False)


def test_coasting_up_after_the_clutch_is_out_is_ordinary() -> None:
    def at(t: float) -> float:
        coast = min(max(t - 4.0, 0.0), 4.0)
        return 5.0 + 1.4 * min(t, 4.0) + 1.4 * coast - 0.175 * coast * coast

    bench = Bench(rig_with("land"), at).run(4.1)
    bench.say("clutch_engaged", 0.0)
    bench.run(10.0)
    assert all(e.validity is Validity.VALID for t, _, e in bench.track if t > 2.0)


def test_an_encoder_that_begins_to_count_backwards_at_speed_is_found() -> None:
    turned: list[float] = []

    def swapped(t: float, value: float) -> float:
        if t < 10.0:
            return value
        turned[:] = turned or [value]
        return 2.0 * turned[0] - value

    bench = lowering(faults={"drum": swapped}).run(11.0)
    estimate = bench.last[1]
    assert estimate.validity is Validity.INVALID
    assert "channels" in bench.estimator.fusion(bench.index("drum")).diagnosis
    wrong = [t for t, h, e in bench.track if e.validity is Validity.VALID and abs(e.height_m - h) > e.height_bound_m]
    assert not wrong


def test_the_clutch_alone_says_nothing() -> None:
    plausibility = PlausibilityMonitor(rig_with("land"))
    assert not plausibility.undriven
    plausibility.set_clutch(False, 0.8)
    assert plausibility.undriven
    assert not any(plausibility.rise(k * 50_000_000, 0.8 - 0.01 * k) for k in range(60))
    plausibility.set_clutch(None, 0.0)
    assert not plausibility.undriven
