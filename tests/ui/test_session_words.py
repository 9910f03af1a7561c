"""What the Session and Line screens say of a run: labels and words, in their order."""

from dataclasses import replace

from monitor.adapters.ledger.ledger import Entry
from monitor.model.stream import Health
from monitor.runtime.driver import Mode
from monitor.runtime.facts import LedgerState, RecordingFile, Replayed, RunFacts
from monitor.ui.screens import line, session
from monitor.ui.view import View
from monitor.ui.widgets.sections import Section
from tests.ui import sample

SNAP = replace(sample.still(), health=Health(recording="on", connected=True))
MB, GB = 1_000_000, 1_000_000_000


def view(facts: RunFacts, mode: Mode = "LIVE") -> View:
    return View(SNAP, sample.rig(), mode, facts=facts)


def rows(sections: list[Section], title: str) -> list[tuple[str, str]]:
    (found,) = [section for section in sections if section.title == title]
    return [(item.label, item.choices[0]) for item in found.items]


def test_a_live_run_names_last_run_ledger_file_and_folder() -> None:
    facts = RunFacts(
        "mqtt://rig:1883", 14, "went on from the run before", (), LedgerState("land.ledger", "", 3, 2),
        RecordingFile("land-1.stopmark", 1_460_000, "/srv/data", 78_140 * MB),
    )  # fmt: skip
    sections = session.contents(view(facts))
    assert rows(sections, "RECORDING") == [
        ("recording", "● on"),
        ("last run", "went on from the run before"),
        ("ledger", "land.ledger, 3 new in this run; 2 waiting"),
        ("file", "land-1.stopmark, 1.5 MB"),
        ("folder", "/srv/data, 78.1 GB free"),
    ]
    assert rows(sections, "INTAKE")[:4] == [
        ("source", "LIVE"),
        ("broker", "connected"),
        ("  at", "mqtt://rig:1883"),
        ("topics", "14"),
    ]


def test_a_run_with_less_to_say_leaves_the_rows_out() -> None:
    recording = RecordingFile("a.stopmark", 0, "/srv", None)
    facts = RunFacts(ledger=LedgerState("land.ledger", "the disk is full", 0, 0), recording=recording)
    sections = session.contents(view(facts))
    assert rows(sections, "RECORDING") == [
        ("recording", "● on"),
        ("ledger", "the disk is full"),
        ("file", "a.stopmark, 0.0 MB"),
    ]
    assert [label for label, _ in rows(sections, "INTAKE")[:3]] == ["source", "broker", "dropped"]


def test_a_replay_says_what_is_replayed_and_by_which_rules() -> None:
    first = Replayed("a.stopmark", 2, "live", 4, "")
    assert rows(session.contents(view(RunFacts(replayed=first), "REPLAY")), "RECORDING") == [
        ("recording", "none: a replay"),
        ("replay of", "a.stopmark and 2 more"),
        ("recorded", "live"),
        ("alarms then", "4"),
        ("rules", "as they were then"),
    ]
    other = Replayed("b.stopmark", 0, "", 0, "own.toml")
    assert rows(session.contents(view(RunFacts(replayed=other), "REPLAY")), "RECORDING")[1:] == [
        ("replay of", "b.stopmark"),
        ("recorded", "not said how"),
        ("alarms then", "0"),
        ("rules", "own.toml"),
    ]


def test_events_of_the_line_stand_on_its_screen_newest_first_even_within_one_minute() -> None:
    at_ns = 1_728_082_860 * GB  # 2024-10-04 23:01 UTC
    cut = Entry(1, at_ns, at_ns, "line-cut", "ab", "", {"turns": 12.0})
    new = Entry(2, at_ns + 20 * GB, at_ns, "line-new", "ab", "third reel", {})
    assert rows(line.contents(view(RunFacts(line_events=(new, cut)))), "HISTORY") == [
        ("2024-10-04T23:01", "new drilling line third reel"),
        ("2024-10-04T23:01", "slip and cut turns 12"),
    ]
    assert rows(line.contents(view(RunFacts())), "HISTORY") == [("in the ledger", "nothing")]
