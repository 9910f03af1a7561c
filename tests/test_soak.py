"""The soak run in short: a quarter of an hour of work, faults of every group, all recovered and nothing that grows.

The long run is ``python -m tests.benchmarks.soak_figures --hours 72 --faults 200``.
"""

import io
import random
import re
import time
from pathlib import Path

import pytest

from monitor.adapters.sessions.catalogue import verify_session
from monitor.adapters.sessions.folder import session_files
from simulators.faults.table import FAULTS, kind_of
from tests.benchmarks.soak import Case, Soak, soak_rig
from tests.benchmarks.soak_faults import DRAWS, EXTRA, KINDS, Mishap, deck
from tests.benchmarks.soak_figures import containers_of, main

MISHAPS = (
    Mishap("missed-counts", 60.0, 30.0, {"sensor": "drum", "share": 0.3}),
    Mishap("broker-outage", 190.0, 20.0, {"buffered": True}),
    Mishap("topic-storm", 270.0, 15.0),
    Mishap("disk-full", 340.0, 15.0),
    Mishap("dropout", 420.0, 20.0, {"sensor": "drum"}),
)


def test_short_soak_recovers_from_every_fault_and_does_not_grow(tmp_path: Path) -> None:
    findings = io.StringIO()
    soak = Soak(MISHAPS, 640 / 3600, 5, tmp_path / "sessions", findings)
    sizes: dict[str, int] = {}
    for t_s in soak.seconds():
        if round(t_s) == 240:
            sizes = containers_of(soak.core)
    assert soak.recorder.flush(60.0)
    soak.close()
    assert [(case.mishap.kind, case.outcome) for case in soak.cases] == [(m.kind, "recovered") for m in MISHAPS]
    assert soak.recorder.lost == 0
    assert not soak.cases[0].raised & {"creep-while-set"}  # the height that the crew put right is no motion
    assert findings.getvalue().count("\n") == soak.runner.findings > 0
    for path in session_files(soak.folder):
        assert verify_session(path) == []
    after = containers_of(soak.core)
    # Numbers of readings that may still come are kept up to a bound of their own; the faults after the first look fill it.
    lost = {way for way in after if way.endswith("._expected_late")}
    assert all(after[way] <= 64 for way in lost)
    grown = {way: size - sizes.get(way, 0) for way, size in after.items() if way not in lost}
    assert sum(grown.values()) < 40, {way: more for way, more in grown.items() if more > 4}


def test_a_fault_that_stays_is_not_called_recovered() -> None:
    case = Case(1, Mishap("dropout", 0.0, 10.0, {"sensor": "drum"}))
    for second in range(400):
        case.judge(float(second), {"height": "INVALID"} if second != 100 else {})
        if case.outcome:
            break
    assert case.outcome == "NOT RECOVERED (height: INVALID)"
    assert case.done_s == {"sensors": 0.0, "alarms": 0.0, "recording": 0.0}


def test_every_fault_can_be_drawn_and_comes_before_any_comes_twice() -> None:
    assert set(DRAWS) == {kind_of(fault) for fault in FAULTS}, "each fault needs its draw: DRAWS in soak_faults.py"
    assert set(KINDS) == set(DRAWS) | set(EXTRA)
    mishaps = deck(soak_rig(), len(KINDS), 24.0, random.Random(1))
    assert {mishap.kind for mishap in mishaps} == set(KINDS)
    starts = [mishap.start_s for mishap in mishaps]
    assert starts == sorted(starts)
    assert all(mishap.end_s < following for mishap, following in zip(mishaps, starts[1:], strict=False))


def test_figures_are_told_and_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    figures = main(["--hours", "0.02", "--faults", "0", "-o", str(tmp_path / "soak.csv")])
    assert [figure.value for figure in figures if figure.name.endswith(("lost", "unsound"))] == [0, 0]
    assert "sessions kept 1, of them unsound: none" in capsys.readouterr().out


def test_viewers_come_and_go_on_a_day_with_two_hours_of_the_same_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("TZ", "UTC")
    words = ["--hours", "0.04", "--faults", "0", "--viewers", "--start", "2026-10-25T00:59", "--zone", "Europe/Paris"]
    try:
        figures = main(words)
    finally:
        monkeypatch.undo()
        time.tzset()
    assert [figure.value for figure in figures if figure.name.endswith(("lost", "unsound"))] == [0, 0]
    told = capsys.readouterr().out
    came, left = (int(found) for found in re.findall(r"came (\d+), left (\d+)", told)[0])
    assert came == left > 0
