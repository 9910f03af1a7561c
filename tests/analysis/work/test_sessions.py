"""Work tables of sessions: of a drum rig by the estimated height, of a log of position and load by its readings."""

import csv
from itertools import pairwise
from pathlib import Path

import pytest

from monitor.adapters.sessions.chain import SessionChain
from monitor.analysis.recording import Recording, collect
from monitor.analysis.work.activity import IN, OUT
from monitor.analysis.work.log import series_of_recording, worked
from monitor.analysis.work.tables import WORK_TABLES
from monitor.cli import main
from monitor.commands.export import WORK
from monitor.report.page import make_report
from tests.support.known_logs import Log, night, sessions_frames
from tests.support.recorded import by_hand


@pytest.fixture(scope="module")
def known() -> Log:
    return night(120, stands=4)


@pytest.fixture(scope="module")
def logged(known: Log, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A session of position and load every three seconds."""
    rig, frames = sessions_frames(known, 3.0)
    path = tmp_path_factory.mktemp("log") / "log.stopmark"
    return by_hand(path, frames, rig=rig)


def test_stands_are_counted_from_set_down_to_set_down(trip_rec: Recording) -> None:
    log = worked(series_of_recording(trip_rec))
    stands = log.motion.stands
    assert [stand.way for stand in stands] == ["out", "out", "in"]
    assert log.activities.of_stand == [OUT, OUT, IN]
    for stand in stands:
        assert abs(stand.travel_m) == pytest.approx(27.2, abs=0.5)
        assert 20 < stand.lifted.seconds < 120
    for stand, following in pairwise(stands):
        assert stand.lifted.to_s == following.slips.from_s


def test_line_work_agrees_with_the_core_s_own_sum(trip_rec: Recording) -> None:
    log = worked(series_of_recording(trip_rec))
    assert log.work_j == pytest.approx(float(trip_rec["line_work"][-1]), rel=0.02)


@pytest.mark.parametrize("what", WORK)
def test_every_table_is_exported(what: str, logged: Path, known: Log, tmp_path: Path) -> None:
    out = tmp_path / f"{what}.csv"
    assert main(["export", str(logged), "-o", str(out), "--what", what]) == 0
    with out.open(newline="", encoding="utf-8") as file:
        rows = list(csv.reader(file))
    assert rows[0] == [column.name for column in WORK_TABLES[what].columns]
    assert len(rows) > 1
    if what == "stands":
        assert len(rows) - 1 == len(known.truth.stands)
    if what == "line-work":
        total = sum(float(row[3]) for row in rows[1:])
        assert total == pytest.approx(sum(known.truth.work_j.values()), rel=0.01)


def test_the_words_of_the_command_are_the_tables() -> None:
    assert tuple(WORK_TABLES) == WORK


def test_line_measured_tells_the_work_by_activity(logged: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["line", "measured", str(logged)]) == 0
    said = capsys.readouterr().out
    assert "tripping out" in said
    assert "block alone, MJ" in said
    assert "4 stands" in said


def test_the_report_of_a_log_has_the_engineer_s_tables(logged: Path) -> None:
    with SessionChain([logged]) as chain:
        html = make_report(collect(chain))
    for words in ("stands an hour", "block alone, MJ", "Hardest on the hoist", "Not fitted", "slowing, at least"):
        assert words in html
    assert ">nan" not in html
    assert "not known</td>" not in html


def test_in_a_session_too_the_load_goes_on_where_the_position_stays_away(known: Log, tmp_path: Path) -> None:
    rig, frames = sessions_frames(known, 3.0)
    position = rig.topic(rig.sensors[0])
    begin = frames[0].t_ns
    gone = [f for f in frames if f.topic != position or not 700 < (f.t_ns - begin) * 1e-9 % 1500 < 1000]
    path = by_hand(tmp_path / "gone.stopmark", gone, rig=rig)
    out = tmp_path / "stands.csv"
    assert main(["export", str(path), "-o", str(out), "--what", "stands"]) == 0
    with out.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == len(known.truth.stands)
    assert "not seen" in {row["way"] for row in rows}
