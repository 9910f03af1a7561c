"""Logs of recorders that nobody here knows, from a proposed rig to the finished tables: what was done is found in all of them."""

import csv
import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.adapters.sessions.chain import SessionChain
from monitor.analysis.work.log import WorkedLog, worked_sessions
from monitor.cli import main
from monitor.model.alarm import Finding, Severity
from tests.support.foreign_logs import BEGIN, DT_S, STYLES, TONNE_N, ForeignLog, Well, log_of

Capture = pytest.CaptureFixture[str]


def tripped(seed: int) -> Well:
    """Some stands out and in, and singles drilled."""
    well = Well(seed)
    well.rest(100.0)
    well.pull_out(9)
    well.rest(400.0)
    well.run_in(9)
    well.drill_singles(2)
    return well


def imported(folder: Path, log: ForeignLog, capsys: Capture, *words: str) -> tuple[Path, dict[str, Any], str]:
    """The session, the summary and what else was said, of a log that the rig and the map are proposed from."""
    path = log.write(folder / "log.csv")
    rig, out = folder / "rig.toml", folder / "log.stopmark"
    assert main(["rig", "new", "-o", str(rig), "--from-log", str(path), "--title", "Rig"]) == 0, capsys.readouterr().err
    capsys.readouterr()
    assert main(["import", str(path), "--rig", str(rig), "--yes", "-o", str(out), *words]) == 0, capsys.readouterr().err
    said = capsys.readouterr().out
    return out, json.loads(said.splitlines()[-1]), said


def worked_out(session: Path) -> tuple[WorkedLog, list[Finding]]:
    """The work in it, and the alarms."""
    with SessionChain([session]) as chain:
        return worked_sessions(chain), [found for found in chain.findings() if found.kind == "alarm" and found.raised]


def wrong_share(session: Path, well: Well, every_s: float, begin_s: float) -> tuple[float, float]:
    """(share of the time that the height is known, share of that at which it is further off than its bound and 0.3 m)."""
    out = session.with_suffix(".csv")
    words = ["--what", "signals", "--signals", "height,height_bound", "--every", str(every_s), "--force"]
    assert main(["export", str(session), "-o", str(out), *words]) == 0
    with out.open() as file:
        rows = list(csv.DictReader(file))
    t_s = (
        np.array([np.datetime64(row["time"].rstrip("Z")) for row in rows]).astype("datetime64[ms]").astype(np.int64)
        / 1e3
    )
    height, bound = (
        np.array([float(row[name] or math.nan) for row in rows]) for name in ("height [m]", "height_bound [m]")
    )
    known = np.isfinite(height)
    place = np.clip(((t_s - begin_s) / DT_S).astype(int), 0, len(well.height_m) - 1)
    wrong = known & (np.abs(height - well.height_m[place]) > np.maximum(bound, 0.3))
    return float(known.mean()), float(wrong.sum() / known.sum())


@pytest.mark.parametrize("style", STYLES)
def test_stands_work_and_heights_are_found_whatever_a_recorder_writes(
    style: str, tmp_path: Path, capsys: Capture
) -> None:
    well = tripped(list(STYLES).index(style) + 40)
    log = log_of(well, STYLES[style])
    session, summary, said = imported(tmp_path, log, capsys)
    assert summary["rows"] == len(log.seconds)
    found, alarms = worked_out(session)
    assert len(found.motion.stands) in (well.set_downs - 1, well.set_downs), said
    assert found.motion.block_n == pytest.approx([well.block_t * TONNE_N] * 3, rel=0.03)
    # A tonne and a kilodecanewton differ by 2 %; where a load stands in rows, it is late by half of them.
    loose = "no units" in style or STYLES[style].load_rows > 1
    assert found.work_j == pytest.approx(well.line_work_j, rel=0.03 if loose else 0.012)
    assert [alarm.key for alarm in alarms if alarm.severity > Severity.NOTICE] == []
    by_activity = {one.activity for one in found.activities.work if one.total_j > 0.02 * found.work_j}
    assert {"tripping out", "tripping in"} <= by_activity
    begin_s = 946_702_800.0 if "time of day" in style else BEGIN.timestamp()
    known, wrong = wrong_share(session, well, 7.0, begin_s)
    assert known > 0.99
    assert wrong < 0.001


def test_a_block_far_from_the_rig_files_is_found_by_the_log_and_that_is_said(tmp_path: Path, capsys: Capture) -> None:
    well = Well(51, block_t=38.0, string_t=140.0)
    well.rest(100.0)
    well.pull_out(8)
    path, out = log_of(well, STYLES["epoch, comma, tonnes"]).write(tmp_path / "log.csv"), tmp_path / "log.stopmark"
    assert main(["import", str(path), "--rig", "land", "--yes", "-o", str(out)]) == 0, capsys.readouterr().err
    found, alarms = worked_out(out)
    assert len(found.motion.stands) == well.set_downs - 1
    assert {one.activity for one in found.activities.work} == {"tripping out"}
    assert [alarm.key for alarm in alarms if alarm.severity > Severity.NOTICE] == []
    assert main(["line", "measured", str(out)]) == 0
    assert "the block weighs 38." in capsys.readouterr().out
    page = tmp_path / "log.html"
    assert main(["report", str(out), "-o", str(page)]) == 0
    assert "22.0 t by the rig" in page.read_text()
