"""A session with a hole, or with times that cannot be: whoever reads it says what verify says."""

import json
from pathlib import Path

import pytest

from monitor.adapters.sessions.catalogue import gaps_of, summarise, verify_session
from monitor.adapters.sessions.reader import SessionReader
from monitor.cli import main
from tests.adapters.sessions.test_sessions_damaged import change
from tests.support.recorded import simulated

YEAR_2262_NS = 9_223_372_000_000_000_000


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return simulated(tmp_path_factory.mktemp("sound") / "a.stopmark", "calm-trip", 20.0)


@pytest.fixture
def session(whole: Path, tmp_path: Path) -> Path:
    path = tmp_path / "a.stopmark"
    path.write_bytes(whole.read_bytes())
    return path


def test_a_missing_block_is_told_by_all_and_is_a_gap(session: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert verify_session(session) == []
    with SessionReader(session) as reader:
        blocks = reader.blocks()
    lost = blocks[7]
    change(session, f"DELETE FROM block WHERE id = {lost.id}")
    words = f"block {blocks[8].id} starts at frame {blocks[8].first_frame}, after {lost.first_frame} frames"
    words += f": {lost.frames} frames are missing"
    assert verify_session(session) == [words]
    with SessionReader(session) as reader:
        (gap,) = gaps_of(reader)
    assert (gap.from_ns, gap.to_ns, gap.lost) == (blocks[6].t_last_ns, blocks[8].t_first_ns, lost.frames)

    assert main(["replay", str(session), "--headless"]) == 0
    told = capsys.readouterr()
    assert f"NOT SOUND: {session}: {words}" in told.err
    assert json.loads(told.out.splitlines()[-1])["not_sound"] == [f"{session}: {words}"]
    out = session.with_name("out.html")
    assert main(["report", str(session), "-o", str(out), "--jobs", "1"]) == 0
    assert words in capsys.readouterr().err
    assert words in out.read_text(encoding="utf-8")
    assert main(["export", str(session), "-o", str(session.with_name("out.csv"))]) == 0
    assert words in capsys.readouterr().err


@pytest.mark.parametrize("column", ["t_first_ns", "t_last_ns", "advanced_ns"])
def test_times_that_cannot_be_are_no_gap_and_not_sound(session: Path, column: str) -> None:
    with SessionReader(session) as reader:
        middle = reader.blocks()[7].id
    change(session, f"UPDATE block SET {column} = {YEAR_2262_NS} WHERE id = {middle}")
    found = verify_session(session)
    assert any(f"block {middle}: its times" in problem for problem in found), found
    summary = summarise(session)
    assert all(gap.to_ns - gap.from_ns < 60_000_000_000 for gap in summary.gaps)


def test_all_times_of_2262_are_not_sound(session: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with SessionReader(session) as reader:
        shift = YEAR_2262_NS - reader.end_ns
    change(
        session,
        f"UPDATE block SET t_first_ns = t_first_ns + {shift}, t_last_ns = t_last_ns + {shift},"
        f" advanced_ns = advanced_ns + {shift}",
    )
    assert main(["sessions", "verify", str(session)]) == 1
    assert "its times cannot be those of this session" in capsys.readouterr().err


def test_times_beside_a_block_that_are_not_those_in_it_are_told(session: Path) -> None:
    with SessionReader(session) as reader:
        middle = reader.blocks()[7]
    change(session, f"UPDATE block SET t_first_ns = t_first_ns + 1000 WHERE id = {middle.id}")
    assert verify_session(session) == [f"block {middle.id}: the times beside it are not those of the frames in it"]
