"""Connections as known points: a height that comes again confirms, one far off is a doubt, a hand that scatters is neither."""

import pytest

from monitor.core.estimator.connections import Connections
from monitor.model.reading import Validity
from tests.core.estimator.motion_bench import Bench, Change, profile, rig_with

TRIP = [(3.0, 2.0), (30.0, 25.0), (30.0, 4.0), (3.0, 25.0), (3.0, 4.0)] * 5
ENDS_S = [2.0, 29.0, 33.0, 58.0, 62.0]


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


def test_connections_at_their_usual_heights_keep_the_height_confirmed() -> None:
    with_them, without = trip(), trip(connections=False)
    assert with_them.last[1].unconfirmed_m < 0.05
    assert without.last[1].unconfirmed_m > 0.2
    assert without.last[1].height_bound_m > with_them.last[1].height_bound_m
    assert all(e.validity is Validity.VALID for t, _, e in with_them.track if t > 1.0)


def test_counts_lost_in_a_stroke_are_a_doubt_from_the_next_connection_on() -> None:
    def lost(t: float, value: float) -> float:
        return value + 30_000.0 * min(max((t - 155.0) / 20.0, 0.0), 1.0)

    bench = trip(lost)
    assert all(e.validity is Validity.INVALID for t, _, e in bench.track if t > 185.0)
    assert "earlier connections" in bench.estimator.fusion(bench.index("drum")).diagnosis
    bench.estimator.reference(bench.now_ns(), bench.last[0])
    assert bench.estimator.estimate(bench.now_ns()).validity is Validity.VALID
    assert bench.estimator.fusion(bench.index("drum")).diagnosis == ""


def test_a_hand_that_scatters_confirms_little_and_puts_nothing_in_doubt() -> None:
    places = Connections()
    places.compare(10.0)
    for height in (3.0, 3.6, 2.4, 3.7, 2.5, 3.0):
        found = places.compare(height)
        assert found is None or not found.evidence or found.off_m == 0.0


def test_where_the_string_stood_at_the_start_is_told_and_no_more() -> None:
    places = Connections()
    assert places.compare(5.0) is None
    assert places.compare(30.0) is None
    off = places.compare(3.6)
    assert off is not None
    assert (off.off_m, off.evidence) == (pytest.approx(-1.4), False)
    again = places.compare(3.65)
    assert again is not None
    assert (again.off_m, again.evidence) == (0.0, True)


def test_a_place_survives_a_restart() -> None:
    places, after = Connections(), Connections()
    for height in (3.0, 30.0, 3.1, 30.1):
        places.compare(height)
    after.restore(places.state())
    assert after.state() == places.state()
    with pytest.raises(ValueError, match="mean_m"):
        after.restore({"first_m": None, "places": [{"mean_m": 1e9}]})


def test_where_the_string_stood_at_first_is_known_after_a_restart() -> None:
    """Found in a replay cut in two between the first and the second connection, which then confirmed nothing."""
    before, after = Connections(), Connections()
    assert before.compare(12.0) is None
    after.restore(before.state())
    for height_m in (2.0, 12.1, 2.05):
        assert before.compare(height_m) == after.compare(height_m)
    assert before.state() == after.state()
