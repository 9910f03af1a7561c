"""The tour that a hand-over tells of: since the last signature, over restarts, as it was at each moment."""

from pathlib import Path

import pytest

from monitor.adapters.sessions.chain import SessionChain
from monitor.adapters.sessions.tour import TOUR_NS, TourLog, findings_of_tour, signed_tour
from monitor.cli import main
from monitor.model.alarm import AlarmState, Finding, Severity
from monitor.model.stream import Action, ActionKind, Frame
from monitor.runtime.replay import ReplayDriver
from tests.support.recorded import START_NS, by_hand

S = 1_000_000_000
Capture = pytest.CaptureFixture[str]


def raised(t_s: float, key: str = "ease", severity: Severity = Severity.WARNING) -> Finding:
    words = f"{key} came"
    return Finding(START_NS + round(t_s * S), "alarm", key, severity, "normal", AlarmState.UNACKNOWLEDGED, words)


def signed(t_s: float, who: str) -> Finding:
    return Finding(START_NS + round(t_s * S), "action", ActionKind.HAND_OVER, Severity.NOTICE, "", who, "handed over")


def test_a_signature_begins_the_next_tour() -> None:
    log = TourLog([raised(1), raised(2), signed(3, "AB"), raised(4, "late", Severity.DANGER), raised(5), raised(6)])
    tour = log.tour(START_NS + 7 * S)
    assert (tour.signed_by, tour.since_ns) == ("AB", START_NS + 3 * S)
    assert [(one.key, one.count) for one in tour.raised] == [("late", 1), ("ease", 2)]
    log.take(signed(8, "CD"))
    assert log.tour(START_NS + 9 * S).raised == ()
    assert log.tour(START_NS + 9 * S).signed_by == "CD"


def test_the_signed_tour_is_the_one_before() -> None:
    found = signed_tour([raised(1), signed(3, "AB"), raised(4), signed(8, "CD"), raised(9)])
    assert found is not None
    tour, signature = found
    assert (tour.signed_by, [one.last_ns for one in tour.raised]) == ("AB", [START_NS + 4 * S])
    assert signature.after == "CD"
    assert signed_tour([raised(1)]) is None


def test_unsigned_it_reaches_back_for_twelve_hours() -> None:
    log = TourLog([raised(0), raised(7 * 3600)])
    late = log.tour(START_NS + TOUR_NS + 3600 * S)
    assert [one.count for one in late.raised] == [1]
    assert late.since_ns == START_NS + 3600 * S


def test_what_sessions_before_the_run_had_comes_before_its_own() -> None:
    log = TourLog([raised(100)])
    log.put_before([raised(1), signed(3, "AB"), raised(50)])
    tour = log.tour(START_NS + 200 * S)
    assert tour.signed_by == "AB"
    assert [(one.count, one.first_ns) for one in tour.raised] == [(2, START_NS + 50 * S)]
    log = TourLog([signed(99, "CD"), raised(100)])
    log.put_before([raised(1), signed(3, "AB"), raised(50)])
    assert log.tour(START_NS + 200 * S).signed_by == "CD"
    assert [one.count for one in log.tour(START_NS + 200 * S).raised] == [1]


def readings(seconds: range) -> list[Frame | Action]:
    return [Frame(START_NS + at * S, "rig/land/hoist/hook", b'{"v": 300.0}') for at in seconds]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Two sessions of one rig with two notes and two hand-overs."""
    said = [
        Action(START_NS + 5 * S, ActionKind.NOTE, text="before", who="XY"),
        Action(START_NS + 10 * S, ActionKind.HAND_OVER, text="one", who="AB"),
    ]
    by_hand(tmp_path / "land-20260101-000000.stopmark", sorted([*readings(range(20)), *said], key=lambda one: one.t_ns))
    said = [
        Action(START_NS + 65 * S, ActionKind.NOTE, text="pads look thin", who="AB"),
        Action(START_NS + 70 * S, ActionKind.HAND_OVER, text="two, pads", who="CD"),
    ]
    items = sorted([*readings(range(60, 80)), *said], key=lambda one: one.t_ns)
    by_hand(tmp_path / "land-20260101-000100.stopmark", items, start_ns=START_NS + 60 * S)
    return tmp_path


def test_it_goes_on_over_a_restart(folder: Path) -> None:
    newest = folder / "land-20260101-000100.stopmark"
    before = findings_of_tour(folder, "land", START_NS + 80 * S, except_for=newest)
    assert [found.message for found in before if found.kind == "action"] == ["before", "one"]
    log = TourLog()
    log.put_before(before)
    assert log.tour(START_NS + 80 * S).signed_by == "AB"
    assert findings_of_tour(folder, "land", START_NS + 3 * TOUR_NS) == []


def test_a_replay_shows_the_tour_of_its_moment(folder: Path) -> None:
    with SessionChain([folder / "land-20260101-000100.stopmark"]) as chain:
        driver = ReplayDriver(chain, 1.0, paused=True)
        driver.seek_to(START_NS + 67 * S)
        assert [done.words for done in driver.facts().tour.done] == ["pads look thin"]
        assert driver.facts().tour.signed_by == ""
        driver.seek_to(START_NS + 72 * S)
        assert driver.facts().tour.signed_by == "CD"


def test_the_command_prints_the_tour_under_way_and_the_signed_one(folder: Path, capsys: Capture) -> None:
    assert main(["handover", "--data", str(folder)]) == 0
    now = capsys.readouterr().out
    assert "signed by         CD" in now
    assert "pads" not in now
    assert "Advisory only" in now
    assert "Oncoming driller ____" in now
    page = folder / "page.html"
    assert main(["handover", "--data", str(folder), "--signed", "-o", str(page)]) == 0
    html = page.read_text(encoding="utf-8")
    assert "pads look thin" in html
    assert "by CD: two, pads" in html
    capsys.readouterr()
    assert main(["handover", str(folder / "land-20260101-000000.stopmark"), "--signed"]) == 0
    assert "00:00 XY          before" in capsys.readouterr().out


def test_the_command_says_what_is_missing(tmp_path: Path, capsys: Capture) -> None:
    assert main(["handover", "--data", str(tmp_path)]) == 2
    assert "has no session of a live run; give the sessions" in capsys.readouterr().err
