"""A session as the first version wrote it, rig file and rules and all, through every command that reads one.

Its rig was cut and slipped at 30 s; at 40 s the crew said where the block was.
"""

import csv
import json
import math
import shutil
import sqlite3
from pathlib import Path

import pytest

from monitor.adapters.sessions.reader import SessionReader
from monitor.cli import main
from monitor.model.alarm import Finding
from monitor.model.stream import Action, ActionKind
from monitor.runtime.replay import ReplayDriver
from tests.support.recorded import by_hand, reading

DATA = Path(__file__).parents[1] / "adapters" / "sessions" / "data" / "whole" / "land-1.stopmark"


@pytest.fixture
def old(tmp_path: Path) -> Path:
    return Path(shutil.copy(DATA, tmp_path))


def say(capsys: pytest.CaptureFixture[str], *words: object) -> str:
    assert main([str(word) for word in words]) == 0, capsys.readouterr().err
    return capsys.readouterr().out


def test_every_command_still_reads_it(old: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with SessionReader(old) as session:
        assert session.version == 1
        frames = session.frames
    assert "sound" in say(capsys, "sessions", "verify", old)
    assert "1 session of land" in say(capsys, "sessions", "--data", tmp_path)
    summary = json.loads(say(capsys, "replay", old, "--headless").splitlines()[-1])
    assert (summary["frames"], summary["stream_seconds"]) == (frames, 55.0)
    main(["compare", str(old), "--rules", "shipped"])
    assert "height-unknown" in capsys.readouterr().out
    page = tmp_path / "page.html"
    say(capsys, "report", old, "-o", page)
    assert "slip and cut" in page.read_text()
    assert "ton-miles" in say(capsys, "line", "measured", old)
    assert "new entries" in say(capsys, "ledger", "take", old, "--data", tmp_path / "ledger", "--simulated")


def test_a_seek_in_it_knows_the_crews_height(old: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "signals.csv"
    say(capsys, "export", old, "-o", out, "--what", "signals", "--signals", "height", "--from", "+50")
    with out.open(newline="") as file:
        whole = float(next(csv.DictReader(file))["height [m]"])
    with SessionReader(old) as session:
        driver = ReplayDriver(session, 1.0, from_ns=session.t_first_ns + 50_000_000_000, paused=True)
        snapshot = driver.snapshot()
    assert snapshot is not None
    assert snapshot.values["height"].number == pytest.approx(whole, abs=0.02)


def test_only_an_older_record_is_replayed_with_a_shelved_danger(tmp_path: Path) -> None:
    """What the crew may set aside has become less; a record is replayed as it was decided when it was made."""
    start = 1_760_000_000 * 10**9
    act = Action(start + 10**9, ActionKind.SHELVE, "will-cross-down", 28_800.0, "nuisance", "KR")
    path = by_hand(tmp_path / "land-1.stopmark", [reading(start, "hook-load", 300.0), act], start_ns=start)

    def answers() -> list[str]:
        found: list[Finding] = []
        with SessionReader(path) as session:
            driver = ReplayDriver(session, math.inf, sinks=(found.append,))
            driver.play_out()
        return [finding.after for finding in found if finding.kind == "action"]

    assert answers() == ["refused"]
    with sqlite3.connect(path) as base:
        base.execute("DELETE FROM header WHERE key = 'aside'")
    assert answers() == ["done"]
