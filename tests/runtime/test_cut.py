"""A piece of a session is a session: it replays to the letter with the findings of the whole; notes stay beside it."""

import sqlite3
from pathlib import Path

import pytest

from monitor.adapters.sessions.catalogue import verify_session
from monitor.adapters.sessions.chain import SessionChain
from monitor.adapters.sessions.format import SessionError
from monitor.adapters.sessions.reader import SessionReader
from monitor.adapters.sessions.remarks import Remark, add_remark, remarks_of
from monitor.cli import main
from monitor.model.alarm import Finding
from monitor.runtime.cut import cut_out
from monitor.runtime.replay import ReplayDriver
from tests.support.recorded import simulated

S = 1_000_000_000


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return simulated(tmp_path_factory.mktemp("night") / "whole.stopmark", "late-brake-floor", 45.0)


def replayed(path: Path) -> list[Finding]:
    found: list[Finding] = []
    with SessionChain([path]) as chain:
        ReplayDriver(chain, 1.0, (found.append,)).play_out()
    return found


def test_a_piece_replays_with_the_findings_of_the_whole(whole: Path, tmp_path: Path) -> None:
    target = tmp_path / "piece.stopmark"
    with SessionChain([whole]) as chain:
        from_ns, to_ns = chain.t_first_ns + 25 * S, chain.t_first_ns + 35 * S
        wanted = [found for found in chain.findings() if from_ns <= found.t_ns <= to_ns]
        inputs = [item for item in chain.inputs(from_ns) if item.t_ns <= to_ns]
        piece = cut_out(chain, from_ns, to_ns, target)
    assert {found.key for found in wanted if found.raised} >= {"brake-now-down", "brake-fully-down"}
    with SessionReader(target) as session:
        assert replayed(target) == session.findings(), "to the letter"
        found = session.findings()
        assert [(one.key, one.after) for one in found] == [(one.key, one.after) for one in wanted]
        assert max(abs(one.t_ns - other.t_ns) for one, other in zip(found, wanted, strict=True)) <= S // 2
        assert [*session.inputs()] == [item for item in inputs if item.t_ns >= piece.from_ns]
        assert (session.t_first_ns, session.end_ns) == (piece.from_ns, to_ns)
        assert session.header["piece"]["of"] == "whole.stopmark"
    assert verify_session(target) == []


def test_a_piece_takes_its_notes_along_and_only_those(whole: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy.stopmark"
    copy.write_bytes(whole.read_bytes())
    before = replayed(copy)
    with SessionReader(copy) as session:
        start_ns, inputs = session.t_first_ns, [*session.inputs()]
    for at_s in (5, 30):
        add_remark(copy, Remark(start_ns + at_s * S, 1, "KR", f"at {at_s}"))
    assert [remark.text for remark in remarks_of(copy)] == ["at 5", "at 30"]
    with SessionReader(copy) as session:
        assert [*session.inputs()] == inputs, "what was recorded is not touched"
    assert verify_session(copy) == []
    assert replayed(copy) == before
    with SessionChain([copy]) as chain:
        cut_out(chain, start_ns + 25 * S, start_ns + 35 * S, tmp_path / "piece.stopmark")
    assert [remark.text for remark in remarks_of(tmp_path / "piece.stopmark")] == ["at 30"]


def test_a_session_without_remarks_has_none_and_a_wrong_row_is_left_out(whole: Path, tmp_path: Path) -> None:
    assert remarks_of(whole) == []
    copy = tmp_path / "copy.stopmark"
    copy.write_bytes(whole.read_bytes())
    add_remark(copy, Remark(7, 1, "KR", "good"))
    with sqlite3.connect(copy) as base:
        base.execute("INSERT INTO remark (t_ns, written_ns, who, text) VALUES ('x', 1, 2, 'bad')")
    assert [remark.text for remark in remarks_of(copy)] == ["good"]
    with pytest.raises(SessionError, match="no such session"):
        add_remark(tmp_path / "none.stopmark", Remark(7, 1, "KR", "lost"))


def test_the_replay_keeps_a_note_beside_its_session(whole: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy.stopmark"
    copy.write_bytes(whole.read_bytes())
    with SessionChain([copy]) as chain:
        driver = ReplayDriver(chain, 1.0, paused=True)
        driver.seek_to(chain.t_first_ns + 20 * S)
        assert driver.remark("pads", "KR") == ""
        facts = driver.facts().replayed
        assert facts is not None
        assert [(one.t_ns, one.who, one.text) for one in facts.remarks] == [(driver.position_ns, "KR", "pads")]
        assert [mark.key for mark in facts.marks if mark.alarm][:2] == ["brake-now-down", "brake-fully-down"]
    assert [one.text for one in remarks_of(copy)] == ["pads"]


def test_the_command_cuts_and_says_what_it_cannot(
    whole: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    piece = tmp_path / "piece.stopmark"
    words = ["export", str(whole), "--what", "session", "--from", "+25", "--to", "+30", "-o"]
    assert main([*words, str(piece)]) == 0
    assert "stopmark replay" in capsys.readouterr().out
    assert main(["replay", str(piece), "--headless"]) == 0
    assert '"summary": "replay"' in capsys.readouterr().out
    for name, why in (
        ("piece.stopmark", "exists already"),
        ("piece.csv", "must end in .stopmark"),
        ("land-20260101-000000.stopmark", "would count as a run of the rig"),
    ):
        assert main([*words, str(tmp_path / name)]) == 2
        assert why in capsys.readouterr().err
