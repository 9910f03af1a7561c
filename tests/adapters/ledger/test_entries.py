"""What is entered in a ledger, whoever brings it and how often: each thing once."""

from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.adapters.ledger.entries import (
    DAY_NS,
    SPAN,
    EntryCollector,
    NewEntry,
    WorkSum,
    add_entries,
    is_cut,
    span_of,
    uncovered,
)
from monitor.adapters.ledger.ledger import EntryError, Ledger
from monitor.model.alarm import Finding, Severity
from monitor.model.check import CheckVerdict
from monitor.model.stream import Action, ActionKind

S = 1_000_000_000
NOON_NS = 20_000 * DAY_NS + DAY_NS // 2


def said(kind: ActionKind, t_ns: int, message: str) -> Finding:
    return Finding(t_ns, "action", str(kind), Severity.NOTICE, "", "ab", message)


def work(*points: tuple[int, float]) -> WorkSum:
    """Line work with these sums at these seconds after noon."""
    return WorkSum(tuple(NOON_NS + at * S for at, _ in points), tuple(sum_j for _, sum_j in points))


def done(ledger: Ledger) -> float:
    return sum(entry.numbers["work_j"] for entry in ledger.entries("line-work"))


def test_what_happened_is_known_by_kind_and_time(tmp_path: Path) -> None:
    candidates = [
        NewEntry("note", NOON_NS, "ab", "one"),
        NewEntry("note", NOON_NS + 1, "ab", "two"),
        NewEntry("check", NOON_NS),
    ]
    with Ledger(tmp_path / "a.ledger") as ledger:
        assert add_entries(ledger, candidates[:1], 5) == (1, 0)
        assert add_entries(ledger, candidates, 6) == (2, 1)
        assert add_entries(ledger, candidates, 7) == (0, 3)
        ledger.add("note", NOON_NS + 9, 8, text="better", corrects=1)
        assert add_entries(ledger, candidates, 9) == (0, 3)
        assert [(entry.kind, entry.written_ns) for entry in ledger.entries()] == [
            ("check", 6),
            ("note", 6),
            ("note", 8),
        ]
        assert ledger.verify() == []


def test_a_day_has_one_entry_of_the_brake_and_the_latest_counts(tmp_path: Path) -> None:
    with Ledger(tmp_path / "a.ledger") as ledger:
        first = NewEntry("brake", NOON_NS, numbers={"effectiveness": 0.9, "response_s": 0.2})
        later = NewEntry("brake", NOON_NS + 3600 * S, numbers={"effectiveness": 0.8})
        assert add_entries(ledger, [first, later], 1) == (2, 0)
        assert add_entries(ledger, [first, later], 2) == (0, 2)
        (entry,) = ledger.entries("brake")
        assert dict(entry.numbers) == {"effectiveness": 0.8, "response_s": 0.2}
        assert add_entries(ledger, [NewEntry("brake", NOON_NS + DAY_NS, numbers={"effectiveness": 0.7})], 3) == (1, 0)
        assert len(ledger.entries("brake")) == 2
        # What a person entered stands.
        ledger.add("brake", entry.t_ns, 4, who="ab", numbers={"effectiveness": 0.85}, corrects=entry.id)
        assert add_entries(ledger, [NewEntry("brake", NOON_NS + 7200 * S, numbers={"effectiveness": 0.1})], 5) == (0, 1)


def test_only_what_no_entry_covers_is_entered_of_line_work(tmp_path: Path) -> None:
    whole = work((0, 0.0), (100, 100.0), (200, 100.0), (400, 900.0))
    with Ledger(tmp_path / "a.ledger") as ledger:
        assert add_entries(ledger, [work((50, 50.0), (100, 100.0))], 1) == (1, 0)
        assert add_entries(ledger, [work((250, 300.0), (300, 500.0))], 1) == (1, 0)
        assert add_entries(ledger, [whole], 2) == (3, 0)
        assert done(ledger) == pytest.approx(900.0)
        assert add_entries(ledger, [whole, work((20, 20.0), (390, 800.0))], 3) == (0, 2)
        assert add_entries(ledger, [work((0, 5.0), (10, 5.0))], 4) == (0, 0)
        assert [entry.t_ns - NOON_NS for entry in ledger.entries("line-work")] == [
            at * S for at in (50, 100, 250, 300, 400)
        ]
        # A correction by hand need not say over which time it was summed: it stays covered.
        last = ledger.last("line-work")
        assert last is not None
        ledger.add("line-work", last.t_ns, 5, who="ab", numbers={"work_j": 1.0}, corrects=last.id)
        assert add_entries(ledger, [whole], 6) == (0, 1)


@given(
    st.lists(st.tuples(st.integers(0, 400), st.integers(1, 400)), min_size=1, max_size=6),
    st.lists(st.floats(0.0, 1e9), min_size=5, max_size=5),
)
def test_in_whatever_parts_it_comes_line_work_adds_up(
    tmp_path_factory: pytest.TempPathFactory, parts: list[tuple[int, int]], steps: list[float]
) -> None:
    times = tuple(NOON_NS + at * S for at in (0, 200, 400, 600, 800, 1000))
    sums = [0.0]
    for step in steps:
        sums.append(sums[-1] + step)
    whole = WorkSum(times, tuple(sums))
    with Ledger(tmp_path_factory.mktemp("parts") / "a.ledger") as ledger:
        for first, length in parts:
            edges = [NOON_NS + first * S, NOON_NS + (first + length) * S]
            inner = [t_ns for t_ns in times if edges[0] < t_ns < edges[1]]
            part = (edges[0], *inner, edges[1])
            add_entries(ledger, [WorkSum(part, tuple(whole.at(t_ns) for t_ns in part))], 1)
        add_entries(ledger, [whole], 2)
        assert done(ledger) == pytest.approx(sums[-1])
        assert add_entries(ledger, [whole], 3)[0] == 0
        covered = sorted(span_of(entry) for entry in ledger.entries("line-work"))
        assert all(one[1] <= other[0] for one, other in pairwise(covered))


def test_uncovered_parts() -> None:
    assert list(uncovered(0, 10, [])) == [(0, 10)]
    assert list(uncovered(0, 10, [(8, 12), (2, 4), (3, 5), (-5, 0)])) == [(0, 2), (5, 8)]
    assert list(uncovered(0, 10, [(-1, 11)])) == []
    assert list(uncovered(3, 3, [])) == []


def test_a_span_is_exact_to_the_nanosecond(tmp_path: Path) -> None:
    with Ledger(tmp_path / "a.ledger") as ledger:
        for first in (0, 1, 7):
            from_ns, to_ns = NOON_NS + first, NOON_NS + 30 * DAY_NS + 123_456_789 * first
            entry = ledger.add("line-work", to_ns, 1, numbers={SPAN: (to_ns - from_ns) * 1e-9})
            assert span_of(entry) == (from_ns, to_ns)


def test_one_that_can_be_no_entry_leaves_the_ledger_as_it_was(tmp_path: Path) -> None:
    with Ledger(tmp_path / "a.ledger") as ledger:
        with pytest.raises(EntryError, match="not a finite number"):
            add_entries(ledger, [NewEntry("note", 1), NewEntry("check", 2, numbers={"measured": float("inf")})], 3)
        assert ledger.entries() == []
        assert add_entries(ledger, [NewEntry("note", 1)], 3) == (1, 0)


def test_what_is_gleaned_from_a_run() -> None:
    collector = EntryCollector()
    for action in (
        Action(5, ActionKind.CHECK_START, "holding", who="ab"),
        Action(6, ActionKind.ACKNOWLEDGE, who="ab"),
        Action(7, ActionKind.NOTE, text="it was refused : or so", who="cd"),
        Action(8, ActionKind.REFERENCE_HEIGHT, number=3.0, who="ef"),
        Action(9, ActionKind.REFERENCE_HEIGHT, number=900.0, who="ef"),
    ):
        collector.action(action)
    verdict = Finding(
        20, "check", "holding", Severity.CAUTION, "step 2", str(CheckVerdict.FAIL), "it slid", "", 1.5, 2.0
    )
    found = [
        collector.finding(finding)
        for finding in (
            Finding(5, "check", "holding", Severity.NOTICE, "", "step 1 of 3", "started"),
            said(ActionKind.ACKNOWLEDGE, 6, "acknowledged"),
            said(ActionKind.NOTE, 7, "it was refused : or so"),
            said(ActionKind.REFERENCE_HEIGHT, 8, "height reference taken at 3.00 m"),
            said(ActionKind.REFERENCE_HEIGHT, 9, "height reference refused: give a height between floor and crown"),
            Finding(10, "check", "holding", Severity.NOTICE, "", "refused", "not yet"),
            Finding(11, "alarm", "note", Severity.NOTICE, "", "pass", "x"),
            verdict,
        )
    ]
    assert [candidate for candidate in found if candidate is not None] == [
        NewEntry("note", 7, "cd", "it was refused : or so"),
        NewEntry("reference", 8, "ef", "", {"height_m": 3.0}),
        NewEntry("check", 20, "ab", "it slid", {"passed": 0.0, "measured": 1.5, "limit": 2.0}),
    ]
    assert is_cut(said(ActionKind.SLIP_AND_CUT, 1, "slip and cut: 12 wraps at the reference height"))
    assert not is_cut(said(ActionKind.SLIP_AND_CUT, 1, "slip and cut refused: give the wraps on the drum, 0 to 99"))
