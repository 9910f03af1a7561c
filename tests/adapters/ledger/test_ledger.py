"""The ledger: only added to, mended by corrections, never lost, and its trends only where the data carries them."""

import csv
import io
import random
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.adapters.ledger.ledger import Ledger, LedgerError, iso, ledger_path, write_csv
from monitor.adapters.ledger.trend import DAY_NS, trend
from monitor.text import inert
from tests.adapters.sessions.killing import killed

NOW_NS = 1_700_000_000_000_000_000


def test_entries_come_back_by_kind_and_time(tmp_path: Path) -> None:
    path = ledger_path(tmp_path, "land")
    with Ledger(path) as ledger:
        cut = ledger.add("line-cut", NOW_NS, NOW_NS + 5, who="ab", text="cut", numbers={"cut_m": 12.5, "work_j": 3e10})
        early = ledger.add("note", NOW_NS - 10, NOW_NS + 6, text="half \ud800")
        late = ledger.add("note", NOW_NS + 10, NOW_NS + 7)
    assert path.name == "land.ledger"
    with Ledger(path) as ledger:
        assert ledger.entries() == [early, cut, late]
        assert ledger.entries("note") == [early, late]
        assert ledger.entries(from_ns=NOW_NS, to_ns=NOW_NS + 10) == [cut]
        assert ledger.last("line-cut") == cut
        assert ledger.last("pads") is None
        assert ledger.series("line-cut", "cut_m") == [(NOW_NS, 12.5)]
        assert ledger.series("line-cut", "none") == []
        assert early.text == "half ?"
        assert ledger.verify() == []


def test_a_correction_replaces_and_both_stay(tmp_path: Path) -> None:
    with Ledger(tmp_path / "a.ledger") as ledger:
        wrong = ledger.add("line-cut", NOW_NS, NOW_NS, numbers={"cut_m": 125.0})
        right = ledger.add("line-cut", NOW_NS, NOW_NS + 1, numbers={"cut_m": 12.5}, corrects=wrong.id)
        assert ledger.entries() == [right]
        assert ledger.entries(corrected=True) == [wrong, right]
        for corrects, kind, words in [
            (wrong.id, "line-cut", "was corrected already, by entry 2"),
            (99, "line-cut", "no entry 99"),
            (right.id, "note", "cannot be corrected by one of kind 'note'"),
        ]:
            with pytest.raises(LedgerError, match=words):
                ledger.add(kind, NOW_NS, NOW_NS, corrects=corrects)
        with pytest.raises(LedgerError, match="no kind of entry"):
            ledger.add("launch", NOW_NS, NOW_NS)
        with pytest.raises(LedgerError, match="not a finite number"):
            ledger.add("note", NOW_NS, NOW_NS, numbers={"x": float("nan")})
        with pytest.raises(LedgerError, match="could not be written"):
            ledger.add("note", 1 << 70, NOW_NS)
        assert ledger.entries() == [right]
        assert ledger.verify() == []


@pytest.mark.parametrize(
    "statement", ["UPDATE entry SET text = 'x'", "DELETE FROM entry", "DELETE FROM entry WHERE id = 1"]
)
def test_the_database_itself_refuses_changes(tmp_path: Path, statement: str) -> None:
    path = tmp_path / "a.ledger"
    with Ledger(path) as ledger:
        ledger.add("note", NOW_NS, NOW_NS)
    with closing(sqlite3.connect(path)) as base, pytest.raises(sqlite3.IntegrityError, match="only added to"):
        base.execute(statement)


@pytest.mark.parametrize(
    ("statement", "words"),
    [
        ("UPDATE entry SET text = 'other' WHERE id = 2", "entry 2 is not as it was written"),
        ("UPDATE entry SET t_ns = t_ns + 1 WHERE id = 3", "entry 3 is not as it was written"),
        ("DELETE FROM entry WHERE id = 2", "entry 2 is missing"),
    ],
)
def test_a_file_edited_behind_its_back_is_found(tmp_path: Path, statement: str, words: str) -> None:
    path = tmp_path / "a.ledger"
    with Ledger(path) as ledger:
        for count in range(4):
            ledger.add("note", NOW_NS + count, NOW_NS)
    with closing(sqlite3.connect(path, isolation_level=None)) as base:
        base.execute("DROP TRIGGER entry_stays")
        base.execute("DROP TRIGGER entry_remains")
        base.execute(statement)
    with Ledger(path) as ledger:
        assert words in ledger.verify()


def test_what_is_no_ledger_is_told(tmp_path: Path) -> None:
    (tmp_path / "text").write_text("not a ledger " * 500, encoding="utf-8")
    with closing(sqlite3.connect(tmp_path / "other")) as base:
        base.execute("CREATE TABLE t (a)")
    with closing(sqlite3.connect(tmp_path / "newer")) as base:
        base.execute("CREATE TABLE t (a)")
        base.execute("PRAGMA application_id=0x53544D4C")
        base.execute("PRAGMA user_version=99")
    for name, words in [("text", "is no ledger"), ("other", "is no ledger"), ("newer", "newer Stopmark")]:
        with pytest.raises(LedgerError, match=words):
            Ledger(tmp_path / name)
    with pytest.raises(LedgerError, match="cannot be opened"):
        Ledger(tmp_path / "no" / "folder.ledger")


def test_two_monitors_may_write_at_once(tmp_path: Path) -> None:
    path = tmp_path / "a.ledger"
    with Ledger(path) as one, Ledger(path) as two:
        for count in range(20):
            (one if count % 2 else two).add("note", NOW_NS + count, NOW_NS)
        assert [entry.id for entry in one.entries()] == list(range(1, 21))
        assert two.verify() == []


@pytest.mark.parametrize("seed", range(4))
def test_killed_at_a_random_moment_no_written_entry_is_lost(tmp_path: Path, seed: int) -> None:
    path = tmp_path / "a.ledger"
    after_s = random.Random(seed).uniform(0.0, 0.4)
    reported = [int(line) for line in killed("tests.adapters.ledger.ledger_child", path, tmp_path / "said", after_s)]
    with Ledger(path) as ledger:
        assert ledger.verify() == []
        kept = [entry.id for entry in ledger.entries()]
        assert kept[: len(reported)] == reported
        assert len(kept) - len(reported) <= 1
        ledger.add("note", NOW_NS, NOW_NS)


def test_csv_is_read_back_and_its_text_is_inert(tmp_path: Path) -> None:
    with Ledger(tmp_path / "a.ledger") as ledger:
        ledger.add("note", NOW_NS, NOW_NS, who="=1+1", text="+cmd|' /C calc'!A0\n\x1b[31m", numbers={"cut_m": 1.5})
        ledger.add("note", NOW_NS + 1_234_000_000, NOW_NS, text="plain, with a comma", numbers={"work_j": 2.0})
        out = io.StringIO()
        write_csv(ledger.entries(), out)
    first, second = csv.DictReader(io.StringIO(out.getvalue()))
    assert first["who"] == "'=1+1"
    assert first["text"] == "'+cmd|' /C calc'!A0  [31m"
    assert (first["cut_m"], first["work_j"]) == ("1.5", "")
    assert second["time"] == "2023-11-14T22:13:21.234Z"
    assert second["text"] == "plain, with a comma"


@given(st.text())
def test_no_text_becomes_a_formula(text: str) -> None:
    shown = inert(text)
    assert shown.isprintable()
    assert shown.lstrip()[:1] not in ("=", "+", "-", "@")


def test_times_before_the_epoch_have_a_form_too() -> None:
    assert iso(-1) == "1969-12-31T23:59:59.999Z"


def falling(days: int, per_day: float, noise: float = 0.0, seed: int = 1) -> list[tuple[int, float]]:
    chance = random.Random(seed)
    return [(NOW_NS + day * DAY_NS, 1.0 + per_day * day + chance.gauss(0, noise)) for day in range(days)]


def test_a_steady_fall_reaches_its_minimum_on_the_day_it_must() -> None:
    found = trend(falling(60, -0.004), bound=0.7)
    assert found is not None
    assert found.slope == pytest.approx(-0.004)
    assert found.level == pytest.approx(1.0 - 0.004 * 59)
    assert found.reaches_ns is not None
    assert (found.reaches_ns - NOW_NS) / DAY_NS == pytest.approx(75.0, abs=1e-6)


def test_noise_widens_the_date_and_bad_days_do_not_move_it() -> None:
    points = falling(60, -0.004, 0.01)
    spoilt = [(t_ns, 9.0 if index in (3, 30, 50) else value) for index, (t_ns, value) in enumerate(points)]
    found, robust = trend(points, 0.7), trend(spoilt, 0.7)
    assert found is not None
    assert robust is not None
    assert found.reaches_earliest_ns is not None
    assert found.reaches_ns is not None
    assert found.reaches_latest_ns is not None
    assert found.reaches_earliest_ns < found.reaches_ns < found.reaches_latest_ns
    assert (found.reaches_ns - NOW_NS) / DAY_NS == pytest.approx(75.0, abs=4.0)
    assert robust.slope == pytest.approx(found.slope, abs=0.0006)


def test_no_date_where_the_data_carries_none() -> None:
    assert trend(falling(7, -0.01)) is None
    short = [(NOW_NS + hour * DAY_NS // 24, 1.0 - hour / 100) for hour in range(48)]
    assert trend(short) is None
    for points, bound in [
        (falling(60, 0.0, 0.05), 0.7),  # only noise
        (falling(60, +0.004), 0.7),  # leads away
        (falling(60, -0.0001), 0.7),  # years ahead, after two months of data
    ]:
        found = trend(points, bound)
        assert found is not None
        assert found.reaches_ns is None
    noisy = trend(falling(60, 0.0, 0.05))
    assert noisy is not None
    assert not noisy.certain


def test_the_true_day_lies_between_the_earliest_and_the_latest() -> None:
    given = inside = 0
    for seed in range(200):
        found = trend(falling(40, -0.004, 0.03, seed), bound=0.75)
        if found is None or found.reaches_earliest_ns is None:
            continue
        given += 1
        true_ns = NOW_NS + round(0.25 / 0.004 * DAY_NS)
        latest_ns = found.reaches_latest_ns
        inside += found.reaches_earliest_ns <= true_ns and (latest_ns is None or true_ns <= latest_ns)
    assert given >= 150
    assert inside >= 0.95 * given
