"""What the ledger takes from sessions."""

from pathlib import Path

import pytest

from monitor.adapters.chain import SessionChain
from monitor.core.types import Action, ActionKind
from monitor.report.collect import Recording, collect
from monitor.report.ledgered import drafts
from tests.report.recorded import START_NS, by_hand
from tests.report.test_page import drum_and_load

S = 1_000_000_000


def test_line_work_and_brake_health_of_a_day_are_taken(trip_rec: Recording) -> None:
    found = drafts(trip_rec)
    (work,) = [draft for draft in found if draft.kind == "line-work"]
    assert work.numbers["work_j"] == pytest.approx(float(trip_rec["line_work"][-1]))
    (brake,) = [draft for draft in found if draft.kind == "brake"]
    assert 0.8 < brake.numbers["aux_share"] <= 1.0
    assert [draft.t_ns for draft in found] == sorted(draft.t_ns for draft in found)


def test_what_the_crew_did_is_taken_with_who(tmp_path: Path) -> None:
    items = drum_and_load(60)
    t_ns = items[-1].t_ns
    items += [
        Action(t_ns + S, ActionKind.REFERENCE_HEIGHT, number=3.0, who="ab"),
        Action(t_ns + 2 * S, ActionKind.SLIP_AND_CUT, number=12.0, who="cd"),
        Action(t_ns + 3 * S, ActionKind.NOTE, text="pads look thin", who="ef"),
    ]
    with SessionChain([by_hand(tmp_path / "done.stopmark", items)]) as chain:
        found = {draft.kind: draft for draft in drafts(collect(chain))}
    assert (found["reference"].who, dict(found["reference"].numbers)) == ("ab", {"height_m": 3.0})
    assert (found["line-cut"].who, dict(found["line-cut"].numbers)) == ("cd", {"turns": 12.0})
    assert (found["note"].who, found["note"].text) == ("ef", "pads look thin")
    assert found["note"].t_ns > START_NS
