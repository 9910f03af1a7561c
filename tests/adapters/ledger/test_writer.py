"""A running monitor's ledger: kept by the hour and the day, through a locked or lost file, a fault and a kill."""

import sqlite3
import time
from collections.abc import Iterator, Mapping
from contextlib import closing
from pathlib import Path

import pytest

from monitor.adapters.ledger import writer as keeping
from monitor.adapters.ledger.entries import DAY_NS, SPAN, NewEntry, add_entries
from monitor.adapters.ledger.ledger import Entry, Ledger
from monitor.adapters.ledger.writer import LedgerWriter
from monitor.model.alarm import Finding, Severity
from monitor.model.check import CheckVerdict
from monitor.model.reading import Validity, Value
from monitor.model.snapshot import HoistState, Limits, Snapshot, StopMarks
from monitor.model.stream import GRID_NS, Action, ActionKind
from monitor.presentation.brake_trend import words_of
from monitor.presentation.figures import line_event
from tests.adapters.ledger.writer_child import note
from tests.adapters.sessions.killing import killed_ledger
from tests.support.broker import wait_until

S = 1_000_000_000
HOUR_NS = 3600 * S
START_NS = 20_000 * DAY_NS + 22 * HOUR_NS + 1800 * S
"""Half past ten in the evening."""
NAN = float("nan")


class Rig:
    """What a ledger writer looks at, and the notes that it leaves in the recording."""

    def __init__(self) -> None:
        self.t_ns = START_NS
        self.numbers: dict[str, float] = {"line_work": 0.0}
        self.notes: list[str] = []

    def snapshot(self) -> Snapshot:
        values: Mapping[str, Value] = {
            name: Value(number, Validity.VALID if number == number else Validity.INVALID)
            for name, number in self.numbers.items()
        }
        marks, limits = StopMarks(NAN, NAN, NAN, False), Limits(0.0, 1.0, 30.0, 40.0)
        return Snapshot(self.t_ns, "land", HoistState.STILL, values, marks, limits, (), 0, ())

    def note(self, t_ns: int, kind: str, text: str) -> None:
        assert kind == "ledger"
        self.notes.append(text)

    def go(self, writer: LedgerWriter, seconds: float, **numbers: float) -> None:
        self.t_ns += round(seconds * S)
        self.numbers |= numbers
        writer.look()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "land.ledger"


@pytest.fixture
def rig() -> Rig:
    return Rig()


@pytest.fixture
def writer(path: Path, rig: Rig, monkeypatch: pytest.MonkeyPatch) -> Iterator[LedgerWriter]:
    monkeypatch.setattr(keeping, "RETRY_S", 0.05)
    monkeypatch.setattr(keeping, "_GRACE_S", 0.05)
    kept = start(path, rig)
    yield kept
    kept.close(0.1)


def start(path: Path, rig: Rig) -> LedgerWriter:
    kept = LedgerWriter(path, rig.note, rig.t_ns)
    kept.start(rig.snapshot)
    return kept


def say(writer: LedgerWriter, t_ns: int) -> None:
    action, finding = note(t_ns)
    writer.action(action)
    writer.finding(finding)


def entries(path: Path, kind: str | None = None) -> list[Entry]:
    with Ledger(path) as ledger:
        assert ledger.verify() == []
        return ledger.entries(kind)


def test_what_happens_is_on_the_disk_at_once(path: Path, rig: Rig, writer: LedgerWriter) -> None:
    writer.action(Action(5, ActionKind.CHECK_START, "holding", who="ab"))
    writer.finding(
        Finding(9, "check", "holding", Severity.NOTICE, "", str(CheckVerdict.PASS), "it holds", "", 1.5, 1.2)
    )
    wait_until(lambda: writer.written == 1, "the entry")
    (entry,) = entries(path)
    assert (entry.kind, entry.t_ns, entry.who, entry.text) == ("check", 9, "ab", "it holds")
    assert dict(entry.numbers) == {"passed": 1.0, "measured": 1.5, "limit": 1.2}
    assert (writer.written, writer.waiting) == (1, 0)
    assert rig.notes == []


def test_line_work_is_entered_by_the_hour_at_a_cut_and_at_a_clean_stop(
    path: Path, rig: Rig, writer: LedgerWriter
) -> None:
    rig.go(writer, 600, line_work=4e6)
    rig.go(writer, 600, line_work=NAN)
    rig.go(writer, 601, line_work=7e6)  # one second into the next hour
    rig.go(writer, 100, line_work=9e6)
    rig.t_ns += 1
    cut = Finding(rig.t_ns, "action", str(ActionKind.SLIP_AND_CUT), Severity.NOTICE, "", "ab", "slip and cut: 12 wraps")
    writer.action(Action(rig.t_ns, ActionKind.SLIP_AND_CUT, number=12.0, who="ab"))
    writer.finding(cut)
    rig.go(writer, 2 * 3600, line_work=9e6)  # nothing done: no entry
    rig.go(writer, 300, line_work=10e6)
    writer.stop()
    assert writer.close()
    work = entries(path, "line-work")
    assert [entry.numbers["work_j"] for entry in work] == [7e6, 2e6, 1e6]
    assert [round(entry.numbers[SPAN]) for entry in work] == [1801, 100, 300]
    (line_cut,) = entries(path, "line-cut")
    assert (line_cut.who, dict(line_cut.numbers)) == ("ab", {"turns": 12.0})
    assert work[1].t_ns < line_cut.t_ns < work[2].t_ns
    assert writer.line_events == (line_cut,)
    assert line_event(line_cut) == ("2024-10-04T23:01", "slip and cut turns 12")


def test_brake_figures_are_entered_once_a_day_and_only_those_that_were_found(
    path: Path, rig: Rig, writer: LedgerWriter
) -> None:
    rig.go(writer, 5, effectiveness=0.9, response_time=NAN, leak_rate=100.0)
    rig.go(writer, 5, effectiveness=0.85, response_time=0.2)
    rig.go(writer, 5, effectiveness=NAN)
    rig.go(writer, 2 * 3600, effectiveness=0.7)  # the next day
    rig.go(writer, 5, response_time=0.25, leak_rate=NAN)
    writer.stop()
    assert writer.close()
    first, second = entries(path, "brake")
    assert dict(first.numbers) == {"effectiveness": 0.85, "response_s": 0.2}
    assert first.t_ns == 20_001 * DAY_NS - GRID_NS
    assert dict(second.numbers) == {"effectiveness": 0.7, "response_s": 0.25}
    assert second.t_ns == rig.t_ns


def test_while_another_holds_it_entries_wait_and_the_watch_goes_on(path: Path, rig: Rig, writer: LedgerWriter) -> None:
    say(writer, 1)
    wait_until(lambda: writer.written == 1, "the first entry")
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        began_s = time.monotonic()
        for t_ns in range(2, 302):
            say(writer, t_ns)
        assert time.monotonic() - began_s < 300 * keeping._GRACE_S / 2  # it waits for nobody, not once
        wait_until(lambda: "held by another program" in writer.problem, "the trouble is told")
        assert writer.waiting == 300
        other.execute("ROLLBACK")
    wait_until(lambda: writer.written == 301, "all entries")
    assert [entry.t_ns for entry in entries(path)] == list(range(1, 302))
    wait_until(lambda: not writer.problem, "the end is told")
    assert [text.rpartition("; ")[2] for text in rig.notes] == ["entries wait meanwhile", "the ledger is written again"]


def test_a_full_disk_loses_nothing(path: Path, rig: Rig, writer: LedgerWriter, monkeypatch: pytest.MonkeyPatch) -> None:
    full = True

    class Capped(Ledger):
        def _prepare(self) -> None:
            super()._prepare()
            (pages,) = self._base.execute("PRAGMA page_count").fetchone()
            self._base.execute(f"PRAGMA max_page_count={pages if full else 1 << 30}")

    monkeypatch.setattr(keeping, "Ledger", Capped)
    for t_ns in range(1, 400):
        say(writer, t_ns)
    wait_until(lambda: "the disk is full" in writer.problem, "the trouble is told")
    full = False
    wait_until(lambda: len(entries(path)) == 399, "all entries")
    assert [entry.t_ns for entry in entries(path)] == list(range(1, 400))


def test_a_file_that_is_no_ledger_is_told_and_taken_up_once_it_is_one(
    path: Path, rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(keeping, "RETRY_S", 0.05)
    path.write_text("no ledger " * 500, encoding="utf-8")
    writer = start(path, rig)
    say(writer, 1)
    wait_until(lambda: "is no ledger" in writer.problem, "the trouble is told")
    path.unlink()
    wait_until(lambda: writer.written == 1, "the entry")
    # Moved away while it is kept: what comes then goes into a new one, not into the moved file.
    path.rename(path.with_suffix(".old"))
    say(writer, 2)
    wait_until(lambda: writer.written == 2, "the entry")
    writer.stop()
    assert writer.close()
    assert [entry.t_ns for entry in entries(path)] == [2]


def test_an_end_while_it_cannot_be_written_is_told(path: Path, rig: Rig, writer: LedgerWriter) -> None:
    wait_until(path.exists, "the ledger")
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        say(writer, 1)
        writer.stop()
        assert not writer.close(0.2)
        wait_until(lambda: not writer._thread.is_alive(), "its end, on a machine that was busy with other things")
    assert "1 entries could not be written before the end: `stopmark ledger take`" in rig.notes[-1]
    assert entries(path) == []


def test_what_can_be_no_entry_does_not_hold_up_the_rest(path: Path, rig: Rig, writer: LedgerWriter) -> None:
    verdict = Finding(2, "check", "holding", Severity.NOTICE, "", str(CheckVerdict.FAIL), "it slid", "", float("inf"))
    wait_until(path.exists, "the ledger")
    with closing(sqlite3.connect(path, isolation_level=None)) as other:  # so that all three come at once
        other.execute("BEGIN EXCLUSIVE")
        say(writer, 1)
        writer.finding(verdict)
        say(writer, 3)
        other.execute("ROLLBACK")
    wait_until(lambda: writer.written == 2, "the two others")
    assert [entry.t_ns for entry in entries(path)] == [1, 3]
    assert "left out of the ledger: measured: inf is not a finite number" in rig.notes


def test_no_room_for_more_is_counted_and_told(
    path: Path, rig: Rig, writer: LedgerWriter, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(keeping, "MOST_WAITING", 3)
    wait_until(path.exists, "the ledger")
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        say(writer, 1)
        wait_until(lambda: bool(writer.problem), "the trouble is told")
        for t_ns in range(2, 9):
            say(writer, t_ns)
        other.execute("ROLLBACK")
    wait_until(lambda: any(text.startswith("5 entries found no room") for text in rig.notes), "it is told")
    assert len(entries(path)) == 3


def test_a_fault_in_a_look_is_told_once_and_harms_nothing_else(path: Path, rig: Rig) -> None:
    def broken() -> Snapshot:
        raise RuntimeError("no view")

    writer = LedgerWriter(path, rig.note, rig.t_ns)
    writer.start(broken)
    for _ in range(3):
        writer.look()
        writer.finding(Finding(4, "action", str(ActionKind.SLIP_AND_CUT), Severity.NOTICE, "", "", "slip and cut: 1"))
    say(writer, 5)
    wait_until(lambda: writer.written == 1, "the note")
    assert writer.close()
    assert rig.notes == ["the ledger is not kept as it should (RuntimeError: no view)"]


def test_a_run_that_ended_without_a_clean_stop_is_entered_at_the_next_start(path: Path, rig: Rig) -> None:
    first = start(path, rig)
    assert first.close()  # not stopped: an error ended it
    rig.t_ns += 60 * S
    second = start(path, rig)
    wait_until(lambda: second.written == 1, "the entry")
    second.stop()
    assert second.close()
    (entry,) = entries(path, "restart")
    assert entry.t_ns == rig.t_ns
    assert entry.text.startswith("the run before, begun 2024-10-04 22:30:00, last seen 20")
    assert entry.text.endswith("had ended without a clean stop")
    rig.t_ns += 60 * S
    with start(path, rig) as third:
        pass
    assert third.written == 0
    assert sorted(item.name for item in path.parent.iterdir()) == [path.name]
    path.with_name(path.name + "-running").write_text("{}", encoding="utf-8")  # killed before it could say more
    with start(path, rig):
        pass
    assert len(entries(path, "restart")) == 2


def test_a_run_that_never_began_leaves_no_trace(path: Path, rig: Rig) -> None:
    with pytest.raises(RuntimeError), LedgerWriter(path, rig.note, rig.t_ns):
        raise RuntimeError("a mistake in the rules")
    assert not list(path.parent.iterdir())


@pytest.mark.parametrize("seed", range(3))
def test_killed_at_a_random_moment_no_written_entry_is_lost_or_doubled(tmp_path: Path, rig: Rig, seed: int) -> None:
    path, reported = killed_ledger(tmp_path, seed)
    kept = [entry.t_ns for entry in entries(path)]
    assert kept[: len(reported)] == reported
    assert kept == list(range(2, 2 + len(kept)))
    with start(path, rig):
        pass
    assert len(entries(path, "restart")) == 1
    # What the recording has of the same run, the killed monitor's last seconds with it, is entered once.
    recorded = [NewEntry("note", t_ns, "ab", f"note {t_ns}") for t_ns in range(2, len(kept) + 12)]
    with Ledger(path) as ledger:
        assert add_entries(ledger, recorded, 9) == (10, len(kept))
        assert [entry.t_ns for entry in ledger.entries("note")] == list(range(2, len(kept) + 12))
        assert ledger.verify() == []


def test_trends_carry_the_date_at_which_an_alarm_will_come(path: Path, rig: Rig) -> None:
    with Ledger(path) as ledger:
        for day in range(20):
            falling = {"effectiveness": 0.95 - 0.005 * day}
            ledger.add("brake", rig.t_ns - (20 - day) * DAY_NS, rig.t_ns, numbers=falling)
    with LedgerWriter(path, rig.note, rig.t_ns, {"effectiveness": 0.80}) as writer:
        writer.start(rig.snapshot)
        wait_until(lambda: bool(writer.brake_trends), "the trends")
        found = writer.brake_trends[0].found
        assert found is not None
        assert found.reaches_ns is not None
        assert (found.reaches_ns - rig.t_ns) / DAY_NS == pytest.approx(10.0, abs=0.1)
        assert "reaches 0.8 around " in words_of(writer.brake_trends[0])
