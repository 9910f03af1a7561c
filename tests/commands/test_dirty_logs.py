"""A dirty log through `import`, `sessions` and `report`: holes and bad cells are told as what they are."""

import json
import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from monitor.adapters.sessions.catalogue import summarise
from monitor.adapters.sessions.chain import SessionChain
from monitor.adapters.sessions.reader import SessionReader
from monitor.analysis.work.log import worked_sessions
from monitor.cli import main
from monitor.model.alarm import Severity
from monitor.report.quality import stretches_of
from tests.support.dirty_logs import DirtyLog, dirty_log, work

Capture = pytest.CaptureFixture[str]


def imported(folder: Path, dirty: DirtyLog, capsys: Capture) -> tuple[Path, dict[str, Any]]:
    """(the session, the summary) of an import."""
    log, mapping = dirty.write(folder)
    out = folder / "land-20260101-000000.stopmark"
    assert main(["import", str(log), "--map", str(mapping), "-o", str(out)]) == 0, capsys.readouterr().err
    return out, json.loads(capsys.readouterr().out.splitlines()[-1])


def holed() -> DirtyLog:
    """Three-second rows with a hole of eight hours, some of minutes, and 18 cells that are no numbers."""
    dirty = dirty_log(work(12, 2.0), "clean", 3.0, 12)
    rows = dirty.rows
    for place in range(100, 118):
        rows[place] = (rows[place][0], "#N/A", rows[place][2])
    later = [(seconds + 8 * 3600.0, position, load) for seconds, position, load in rows[1200:]]
    dirty.rows = rows[:600] + rows[700:1200] + later
    return dirty


def test_holes_are_no_alarms_and_every_command_counts_them_alike(tmp_path: Path, capsys: Capture) -> None:
    session, summary = imported(tmp_path, holed(), capsys)
    assert summary["gaps"] == 2
    assert summary["bad"]["not a number"][0] == 18
    with SessionReader(session) as reader:
        alarms = [f for f in reader.findings() if f.kind == "alarm" and f.raised and f.severity >= Severity.WARNING]
        notes = {note.kind: note for note in reader.notes()}
    # Where the position was no number for a minute it was not known where the block was; in the holes nothing fell silent.
    assert [alarm.key for alarm in alarms] == ["height-unknown"]
    assert sorted(s.kind for s in stretches_of(notes["quality"].text)) == ["no rows", "no rows", "not a number"]
    assert len(summarise(session).gaps) == 2
    out = tmp_path / "report.html"
    assert main(["report", str(session), "-o", str(out), "--jobs", "1"]) == 0
    page = out.read_text()
    assert "2 gaps without readings" in page
    assert "not a number, block-position<" in page
    assert "an estimate, in no sum" in page
    assert ">18<" in page[page.index('id="sensors"') :]
    look = page[page.index('id="look"') : page.index('id="plots"')]
    assert "height-unknown" not in look
    assert "silent" not in look


def test_a_log_that_is_filled_forward_has_no_holes_between_its_readings(tmp_path: Path, capsys: Capture) -> None:
    session, summary = imported(tmp_path, dirty_log(work(12, 1.0), "filled", 10.0, 12), capsys)
    assert (summary["gaps"], summary["bad"]) == (0, {})
    with SessionReader(session) as reader:
        assert {finding.key for finding in reader.findings()} <= {"slow-data"}


def test_a_report_from_a_ledger_that_is_not_there_says_so_before_the_work(
    tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    session, _ = imported(tmp_path, dirty_log(work(3, 0.1), "clean", 3.0, 3), capsys)
    monkeypatch.setattr("monitor.analysis.recording.collect", lambda *_: pytest.fail("the record was replayed first"))
    (tmp_path / "data").mkdir()
    words = ["report", str(session), "-o", str(tmp_path / "r.html"), "--data", str(tmp_path / "data")]
    assert main(words) == 2
    assert "this rig has no ledger yet" in capsys.readouterr().err


ENDED_EARLY = """
import sys, threading, time
from multiprocessing import active_children
from pathlib import Path
from monitor.adapters.sessions.chain import SessionChain
from monitor.analysis.parallel_replay import TimeRange, _in_parallel

def say():
    while not active_children():
        time.sleep(0.05)
    print("working", flush=True)

if __name__ == "__main__":
    threading.Thread(target=say, daemon=True).start()
    with SessionChain([Path(sys.argv[1])]) as chain:
        _in_parallel(chain, [TimeRange(None, None, chain.end_ns)] * 400, 2)
"""


def test_ending_early_leaves_no_process_and_no_warning(tmp_path: Path, capsys: Capture) -> None:
    session, _ = imported(tmp_path, dirty_log(work(3, 0.5), "clean", 3.0, 3), capsys)
    script = tmp_path / "ended_early.py"
    script.write_text(ENDED_EARLY)
    with subprocess.Popen(
        [sys.executable, str(script), str(session)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        start_new_session=True,
    ) as child:  # fmt: skip
        try:
            assert child.stdout is not None
            assert child.stdout.readline() == "working\n"
            child.terminate()
            _, said = child.communicate(timeout=120)
        finally:
            if child.poll() is None:
                os.killpg(child.pid, signal.SIGKILL)
    assert child.returncode == 128 + signal.SIGTERM
    assert "semaphore" not in said


def test_a_jump_that_no_block_makes_is_told_to_the_core_and_replays_as_it_was(tmp_path: Path, capsys: Capture) -> None:
    dirty = dirty_log(work(12, 1.0), "clean", 3.0, 12)
    first, after = len(dirty.rows) // 3, 2 * len(dirty.rows) // 3
    dirty.rows[first:after] = [
        (s, f"{float(position) + 8.2:.2f}", load) for s, position, load in dirty.rows[first:after]
    ]
    session, summary = imported(tmp_path, dirty, capsys)
    assert summary["bad"]["jumped to another level"][0] == 2
    with SessionReader(session) as reader:
        findings = list(reader.findings())
    told = [f for f in findings if f.kind == "action"]
    assert [f.key for f in told] == ["doubt height", "bound height"] * 2
    loud = {f.key for f in findings if f.kind == "alarm" and f.raised and f.severity >= Severity.CAUTION}
    assert "height-unknown" in loud
    assert not loud & {"over-maximum-speed", "brake-now-up", "brake-now-down"}
    assert main(["replay", str(session), "--headless"]) == 0
    played = [json.loads(line) for line in capsys.readouterr().out.splitlines()[:-1]]
    assert [(one["t_ns"], one["key"], one["after"]) for one in played] == [(f.t_ns, f.key, f.after) for f in findings]


def test_a_position_off_for_a_while_costs_no_line_work_and_raises_nothing(tmp_path: Path, capsys: Capture) -> None:
    truth = work(501, 6.0)
    session, summary = imported(tmp_path, dirty_log(truth, "shifted", 3.0, 501), capsys)
    assert summary["bad"]["may count from another zero"][0] > 1000
    with SessionChain([session]) as chain:
        assert not [f for f in chain.findings() if f.kind == "alarm" and f.raised and f.severity >= Severity.CAUTION]
        log = worked_sessions(chain)
    assert log.work_j == pytest.approx(truth.line_work_j, rel=0.01)
    assert not [beyond for beyond in log.beyond if beyond.seconds > 0.0]
    out = tmp_path / "report.html"
    assert main(["report", str(session), "-o", str(out), "--jobs", "1"]) == 0
    page = out.read_text()
    assert ">may count from another zero<" in page


def test_the_record_says_by_how_much_a_position_may_be_off(tmp_path: Path, capsys: Capture) -> None:
    session, _ = imported(tmp_path, dirty_log(work(501, 6.0), "shifted", 10.0, 501), capsys)
    with SessionReader(session) as reader:
        bounds = [f.message for f in reader.findings() if f.key == "bound height"]
    assert len(bounds) >= 2
    assert bounds[0].startswith("position may be off by ")
    assert bounds[1] == "position is where it was before again"
