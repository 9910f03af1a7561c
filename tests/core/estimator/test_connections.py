"""Connections as known points: a height that comes again confirms, one far off is a doubt, a hand that scatters is neither."""

import math
import random
from collections.abc import Sequence

import pytest
from scipy import stats

from monitor.core.estimator.connections import Comparison, Connections
from monitor.core.estimator.estimator import Estimator
from monitor.core.estimator.steady_drift import deviate, steady_drift
from monitor.model.reading import Validity
from tests.core.estimator.motion_bench import Bench, Change, profile, rig_with

TRIP = [(3.0, 2.0), (30.0, 25.0), (30.0, 4.0), (3.0, 25.0), (3.0, 4.0)] * 5


def trip(change: Change | None = None, connections: bool = True, until_s: float = 290.0) -> Bench:
    """Five stands between 3 and 30 m, the string set and taken at each end."""
    faults = {} if change is None else {"drum": change}
    bench = Bench(rig_with("land"), profile(TRIP, 3.0)[0], faults=faults, braking=lambda t: False)
    for k in range(5):
        for end in (31.0, 60.0):
            t = k * 60.0 + end
            if t < until_s:
                bench.run(t)
                if connections:
                    bench.estimator.connection(bench.now_ns())
    return bench.run(until_s)


def strokes(places: Connections, heights: Sequence[float], way: float = 0.0) -> list[Comparison | None]:
    """Connections at these heights, one after the other, with the way between; the first after `way` metres."""
    found, last = [], math.nan
    for height in heights:
        way += 0.0 if math.isnan(last) else abs(height - last) + 2.0
        last = height
        found.append(places.compare(height, way))
    return found


def test_connections_at_their_usual_heights_keep_the_height_confirmed() -> None:
    with_them, without = trip(), trip(connections=False)
    assert with_them.last[1].unconfirmed_m < 0.3
    assert without.last[1].unconfirmed_m > 0.6
    assert without.last[1].height_bound_m > with_them.last[1].height_bound_m
    assert all(e.validity is Validity.VALID for t, _, e in with_them.track if t > 1.0)
    assert without.last[1].validity is not Validity.VALID


def test_the_crew_is_asked_to_check_before_the_height_is_degraded() -> None:
    """The rule `height-unconfirmed` trips at 0.4 m."""
    unconfirmed = [(e.unconfirmed_m, e.validity) for t, _, e in trip(connections=False).track if t > 1.0]
    assert all(validity is Validity.VALID for unconfirmed_m, validity in unconfirmed if unconfirmed_m < 0.4)
    assert any(validity is Validity.DEGRADED for _, validity in unconfirmed)


def test_counts_lost_in_a_stroke_are_a_doubt_from_the_next_connection_on() -> None:
    def lost(t: float, value: float) -> float:
        return value + 40_000.0 * min(max((t - 155.0) / 20.0, 0.0), 1.0)

    bench = trip(lost)
    assert all(e.validity is Validity.INVALID for t, _, e in bench.track if t > 185.0)
    assert "earlier connections" in bench.estimator.fusion(bench.index("drum")).diagnosis
    bench.estimator.reference(bench.now_ns(), bench.last[0])
    assert bench.estimator.estimate(bench.now_ns()).validity is Validity.VALID
    assert bench.estimator.fusion(bench.index("drum")).diagnosis == ""


def test_a_restart_keeps_what_connections_left_in_doubt() -> None:
    bench = trip(until_s=262.0)
    after = Estimator(bench.rig)
    after.restore(bench.estimator.state(), 1.0)
    assert after.state()["missed"] == bench.estimator.state()["missed"]
    assert after.state()["connections"]["missed"] == bench.estimator.state()["connections"]["missed"]
    assert bench.estimator.state()["missed"][1] > 0.0


def test_what_may_go_unseen_comes_again_with_way_and_time_after_the_crew_gave_the_height() -> None:
    bench = trip(until_s=33.0)
    before = bench.last[1].height_bound_m
    bench.estimator.reference(bench.now_ns(), bench.last[0])
    after = bench.estimator.estimate(bench.now_ns()).height_bound_m
    assert after < before - 0.1
    bench.run(57.0)
    assert bench.last[1].height_bound_m > after + 0.05


def hand(seed: int, sigma_m: float, stands: int, shift_m: float = 0.0, shifted: int = 0) -> list[Comparison | None]:
    """`stands` set down and taken between 3 and 30 m by a hand that scatters so; the last `shifted` of them lie off."""
    draw = random.Random(seed)
    heights = [(3.0, 30.0)[k % 2] + draw.gauss(0.0, sigma_m) for k in range(2 * stands)]
    for k in range(2 * (stands - shifted), 2 * stands):
        heights[k] += shift_m
    return strokes(Connections(), heights)


def doubts(found: Comparison | None) -> bool:
    return found is not None and found.evidence and found.off_m != 0.0


def confirms(found: Comparison | None) -> bool:
    return found is not None and found.evidence and found.off_m == 0.0


@pytest.mark.parametrize("sigma_m", [0.05, 0.15, 0.25, 0.32, 0.4])
def test_a_hand_that_scatters_is_no_evidence_against_the_height(sigma_m: float) -> None:
    """150 half hours of 20 stands each, every one from a new datum on: at most one in doubt, and most connections confirm."""
    runs = [hand(seed, sigma_m, 20) for seed in range(150)]
    assert sum(any(doubts(found) for found in run) for run in runs) <= 1
    assert sum(confirms(found) for run in runs for found in run) > 0.85 * 150 * 40


@pytest.mark.parametrize(
    ("sigma_m", "shift_m", "connections"), [(0.05, 0.5, 2), (0.15, -0.6, 9), (0.15, 0.8, 4), (0.25, 1.2, 6)]
)
def test_a_shift_is_told_the_sooner_the_steadier_the_hand(sigma_m: float, shift_m: float, connections: int) -> None:
    """By nine hands in ten within so many connections; and hardly a later connection takes back what was told."""
    soon = taken_back = later = 0
    for seed in range(60):
        after = hand(seed, sigma_m, 22, shift_m, 10)[24:]
        told = next((k for k, found in enumerate(after) if doubts(found)), len(after))
        soon += told < connections
        taken_back += sum(confirms(found) for found in after[told:])
        later += len(after) - told
    assert soon >= 54
    assert taken_back <= 0.05 * later


@pytest.mark.parametrize("freedom", [6.0, 10.0, 40.0])
@pytest.mark.parametrize("t", [0.5, 2.0, 5.0, 9.0])
def test_the_deviate_of_student_s_t_is_as_rare_as_it(t: float, freedom: float) -> None:
    assert deviate(t, freedom) == pytest.approx(stats.norm.isf(stats.t.sf(t, freedom)), rel=0.01)


def test_a_stand_of_another_length_is_no_evidence_against_the_height() -> None:
    found = strokes(Connections(), [3.0, 30.0] * 4 + [3.0, 30.5] * 4)
    assert not any(f is not None and f.evidence and f.off_m != 0.0 for f in found)


@pytest.mark.parametrize(("off_m", "connections"), [(1.2, 1), (0.5, 2), (-0.5, 2), (-2.3, 1)])
def test_the_same_difference_at_two_places_or_a_great_one_at_one_is_evidence(off_m: float, connections: int) -> None:
    places = Connections()
    strokes(places, [3.0, 30.0] * 6)
    after = strokes(places, [3.0 + off_m, 30.0 + off_m], 1000.0)
    shifted = [found.off_m for found in after if found and found.evidence and found.off_m]
    assert len(shifted) == 3 - connections
    assert shifted[-1] == pytest.approx(off_m, abs=0.05)


def test_a_slow_drift_is_not_averaged_away() -> None:
    """A height that creeps off by 5 cm a stand is in doubt before it is off by a metre."""
    found = strokes(Connections(), [(3.0, 30.0)[k % 2] + 0.025 * k for k in range(60)])
    first = next(k for k, f in enumerate(found) if f is not None and f.evidence and f.off_m != 0.0)
    assert 0.025 * first < 1.0


@pytest.mark.parametrize(("creep_m", "suspected_m", "found_m"), [(0.05, 0.5, 0.7), (0.1, 0.7, 1.1), (0.2, 1.0, 1.7)])
def test_a_drift_from_the_first_stand_on_is_suspected_and_then_told(
    creep_m: float, suspected_m: float, found_m: float
) -> None:
    """By the median of 21 hands that scatter by 5 cm, while it creeps by so much a connection."""
    suspected, told = [], []
    for seed in range(21):
        draw, places, way = random.Random(seed), Connections(), 0.0
        first = 0.0
        for k in range(40):
            found = places.compare((3.0, 30.0)[k % 2] + creep_m * k + draw.gauss(0.0, 0.05), way)
            way += 28.0
            first = first or (creep_m * k if places.suspected_m > 0.0 else 0.0)
            if doubts(found):
                suspected.append(first)
                told.append(creep_m * k)
                break
    assert len(told) == 21
    assert sorted(suspected)[10] < suspected_m
    assert sorted(told)[10] < found_m


def test_too_few_connections_are_no_drift() -> None:
    assert steady_drift([]) == (0.0, 0.0)
    assert steady_drift([("low", 3.0), ("high", 30.0), ("low", 3.5), ("high", 30.5)]) == (0.0, 0.0)
    assert steady_drift([("low", 3.0 + 0.1 * k) for k in range(6)]).off_m == pytest.approx(0.5)


def test_where_the_string_stood_at_the_start_is_no_evidence_unless_it_is_far_off() -> None:
    first, second, off, again = strokes(Connections(), [5.0, 30.0, 3.6, 30.0])
    assert (first, second) == (None, None)
    assert off is not None
    assert (off.off_m, off.evidence) == (pytest.approx(-1.4), False)
    assert again is not None
    assert (again.off_m, again.evidence) == (0.0, True)
    far = strokes(Connections(), [5.0, 30.0, 2.4])[-1]
    assert far is not None
    assert far.evidence


def test_a_place_that_was_not_left_is_passed_once() -> None:
    places = Connections()
    assert places.compare(3.0, 0.0) is None
    assert places.compare(3.1, 0.1) is None
    assert places.state(0.1)["places"][0]["count"] == 1


def test_a_height_that_is_sure_from_elsewhere_is_not_put_in_doubt() -> None:
    places = Connections()
    strokes(places, [5.0, 30.0] * 3)
    found = places.compare(3.0, 1000.0, known=True)
    assert found is not None
    assert not found.evidence
    again = places.compare(3.0, 1100.0)
    assert again is not None
    assert (again.off_m, again.evidence) == (0.0, True)


def test_places_survive_a_restart() -> None:
    places, after = Connections(), Connections()
    strokes(places, [3.0, 30.0, 3.1, 30.1, 3.0, 30.9])
    after.restore(places.state(200.0))
    assert after.state(0.0) == places.state(200.0)
    for height, way in ((3.05, 30.0), (30.9, 60.0), (3.9, 90.0)):
        one, other = after.compare(height, way), places.compare(height, 200.0 + way)
        assert one is not None
        assert other is not None
        assert (one.off_m, one.evidence) == (other.off_m, other.evidence)
    assert after.state(90.0) == places.state(290.0)
    with pytest.raises(ValueError, match="mean_m"):
        after.restore({"places": [{"mean_m": 1e9}]})


def test_places_of_an_earlier_version_are_taken_up() -> None:
    places = Connections()
    places.restore({"first_m": 3.0, "places": [{"mean_m": 3.0, "deviation_m": 0.1, "count": 4}]})
    found = places.compare(3.1, 5.0)
    assert found is not None
    assert found.evidence
