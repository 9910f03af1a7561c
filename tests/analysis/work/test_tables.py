"""The tables of a log, held against what really happened: every stroke, stand, connection and stop, none invented and none lost,
each at its time and place. Seeds above 300 were never used for tuning."""

from itertools import groupby, pairwise
from typing import Any

import numpy as np
import pytest

from monitor.analysis.work.activity import DRILLING, IN, OUT
from monitor.analysis.work.log import WorkedLog, worked
from monitor.analysis.work.series import series
from monitor.analysis.work.tables import WORK_TABLES
from tests.support.known_logs import START_NS, Log, log_rig, night

STEPS = (0.1, 1.0, 3.0, 10.0)
SEEDS = (301, 302)
HALF_S = 0.6
"""The slips take the string, or give it back, for so long before and after the moment that the truth names."""


@pytest.fixture(scope="module", params=[(seed, step) for seed in SEEDS for step in STEPS], ids=str)
def seen(request: pytest.FixtureRequest) -> tuple[Log, WorkedLog, float]:
    """(the truth, the log worked out, seconds between its rows)."""
    seed, step_s = request.param
    truth = night(seed, stands=20)
    return truth, worked(series(log_rig(step_s), *truth.seen(step_s))), step_s


Seen = tuple[Log, WorkedLog, float]


def rows(log: WorkedLog, what: str) -> list[dict[str, Any]]:
    """A table, its columns by name and its times as seconds of the truth."""
    names = [(column.name.partition(" ")[0], column.kind) for column in WORK_TABLES[what].columns]
    return [
        {
            name: (cell - START_NS) * 1e-9 if kind == "time" else cell
            for (name, kind), cell in zip(names, row, strict=True)
        }
        for row in WORK_TABLES[what].rows(log)
    ]


def test_every_stand_and_connection_once_and_at_its_time(seen: Seen) -> None:
    truth, log, step_s = seen
    stands = rows(log, "stands")
    assert len(stands) == len(truth.truth.stands)
    names = {"tripping out": OUT, "tripping in": IN, "drilling": DRILLING}
    within_s = step_s + 0.3
    for stand, (set_s, lifted_s, again_s, activity) in zip(stands, truth.truth.stands, strict=True):
        # In the slips it stands from when the block has nothing left of it until the block has something again.
        slips_s = lifted_s - set_s - 2.0 * HALF_S
        assert stand["set_in_slips"] == pytest.approx(set_s + HALF_S, abs=within_s)
        assert stand["lifted"] == pytest.approx(lifted_s - HALF_S, abs=within_s)
        assert stand["in_slips"] == pytest.approx(slips_s, abs=within_s)
        assert stand["slips_to_slips"] == pytest.approx(again_s - lifted_s + 2.0 * HALF_S, abs=within_s)
        assert stand["per_stand"] == pytest.approx(again_s - set_s, abs=within_s)
        assert stand["way"] == ("out" if activity == "tripping out" else "in")
        assert stand["activity"] == names[activity]


def test_every_stroke_once_from_where_to_where(seen: Seen) -> None:
    truth, log, step_s = seen
    true = [stroke for stroke in truth.truth.strokes if abs(stroke[3] - stroke[2]) > 0.6]
    strokes = rows(log, "strokes")
    assert len(strokes) == len(true)
    reach_m = 0.2 + (truth.truth.top_speed_m_s * min(step_s, 3.0) if step_s > 1.0 else 0.0)
    for stroke, (from_s, to_s, from_m, to_m) in zip(strokes, true, strict=True):
        assert stroke["way"] == ("up" if to_m > from_m else "down")
        assert (stroke["from_height"], stroke["to_height"]) == pytest.approx((from_m, to_m), abs=reach_m)
        # A block that sets off and stops slowly is on its way before it has gone a hand's breadth.
        assert from_s - step_s < stroke["from"] < stroke["to"] < to_s + step_s
    for one, other in pairwise(strokes):
        assert one["to"] <= other["from"]


def test_trips_go_at_the_pace_that_they_went(seen: Seen) -> None:
    truth, log, step_s = seen
    true = [list(some) for _, some in groupby(truth.truth.stands, key=lambda stand: stand[3])]
    trips = rows(log, "trips")
    assert [trip["stands"] for trip in trips] == [len(some) for some in true if len(some) >= 3]
    for trip, some in zip(trips, (some for some in true if len(some) >= 3), strict=True):
        passed_s = some[-1][2] - some[0][0]
        assert trip["stands_per_hour"] == pytest.approx(3600.0 * len(some) / passed_s, rel=0.01 + step_s / passed_s)
        paced = [stand for stand in some if stand[2] - stand[0] <= 4.0 * np.median([s[2] - s[0] for s in some])]
        usual_s = float(np.median([again - set_s for set_s, _, again, _ in paced]))
        assert 3600.0 / trip["pace_without_pauses_per_hour"] == pytest.approx(usual_s, abs=step_s + 0.3)
        assert trip["median_in_slips"] == pytest.approx(
            np.median([b - a for a, b, _, _ in paced]) - 2.0 * HALF_S, abs=step_s + 0.3
        )
        assert trip["pauses"] == len(some) - len(paced)


def test_line_work_adds_up_and_lies_where_it_was_done(seen: Seen) -> None:
    truth, log, _ = seen
    work = rows(log, "line-work")
    whole_j = sum(truth.truth.work_j.values())
    assert sum(row["total"] for row in work) == pytest.approx(whole_j, rel=0.01)
    assert sum(row["line_work"] for row in rows(log, "strokes")) == pytest.approx(sum(row["total"] for row in work))
    assert sum(row["share"] for row in work) == pytest.approx(1.0)
    assert sum(row["strokes"] for row in work) == len(rows(log, "strokes"))
    by = {row["activity"]: row["with_string"] for row in work}
    for name, activity in ((OUT, "tripping out"), (IN, "tripping in"), (DRILLING, "drilling")):
        assert by[name] == pytest.approx(truth.truth.work_j[activity, True], rel=0.03), activity


def test_stops_are_ends_of_strokes_and_no_speed_is_more_than_there_was(seen: Seen) -> None:
    truth, log, step_s = seen
    top = truth.truth.top_speed_m_s
    stops = rows(log, "stops")
    ends = np.array([to_m for _, _, _, to_m in truth.truth.moves])
    times = np.array([to_s for _, to_s, _, _ in truth.truth.moves])
    for stop in stops:
        near = int(np.argmin(np.abs(times - stop["at_rest"])))
        assert abs(times[near] - stop["at_rest"]) <= max(4.0, 2.0 * step_s)
        assert stop["height"] == pytest.approx(ends[near], abs=0.5)
        assert stop["speed"] <= 1.03 * top
    at = [stop["at_rest"] for stop in stops]
    assert len(set(at)) == len(at), "each once"
    assert [stop["energy"] for stop in stops] == sorted((stop["energy"] for stop in stops), reverse=True)
    highest = {row["limit"]: row["worst"] for row in rows(log, "limits") if row["limit"].startswith("highest speed")}
    assert max(highest.values()) == pytest.approx(top, rel=0.03)
    assert not any(row["times"] for row in rows(log, "limits") if row["limit"] == "above the upper limit")
