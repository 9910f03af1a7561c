"""Heights from outside: marks, set-downs in slips."""

import math

from monitor.model.reading import Validity
from tests.core.estimator.motion_bench import DEEP, Bench, Change, deep, outside, profile, rig_with


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
