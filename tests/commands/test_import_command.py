"""`stopmark import` without a map: one is proposed, with its reasons, and used when that is asked for."""

import gzip
import io
import json
import os
import sys
from pathlib import Path

import pytest

from monitor.adapters.sessions.reader import SessionReader
from monitor.adapters.tables.field_map import load_map
from monitor.cli import main
from tests.support import log_files

Capture = pytest.CaptureFixture[str]


def say(capsys: Capture, *words: object, code: int = 0) -> str:
    assert main([str(word) for word in words]) == code
    seen = capsys.readouterr()
    return seen.err if code else seen.out


def test_without_a_map_one_is_proposed_and_nothing_imported(
    tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("night.csv.gz").write_bytes(gzip.compress(log_files.csv_text(900, units=True).encode()))
    said = say(capsys, "import", "night.csv.gz", "--rig", "land")
    assert "block_position  BPOS in m: its name says 'bpos'; the file says 'm'; 2.5 to 29.5 m" in said
    assert "hook_load       HKLD in kN" in said
    assert "doubtful: time: no zone is written; its clock is taken for UTC" in said
    assert "stopmark import night.csv.gz --map night.map.toml -o night.stopmark" in said
    assert sorted(path.name for path in tmp_path.iterdir()) == ["night.csv.gz", "night.map.toml"]
    assert load_map(Path("night.map.toml")).rig == "land"
    assert "doubtful" in Path("night.map.toml").read_text().casefold()
    assert "night.map.toml: exists already: import with --map" not in said
    assert "exists already" in say(capsys, "import", "night.csv.gz", code=2)
    summary = json.loads(
        say(capsys, "import", "night.csv.gz", "--map", "night.map.toml", "-o", "night.stopmark").splitlines()[-1]
    )
    assert summary["rows"] == 900


def test_yes_goes_on_with_what_was_proposed(tmp_path: Path, capsys: Capture) -> None:
    (tmp_path / "log.xml").write_text(log_files.witsml_141(600))
    said = say(capsys, "import", tmp_path / "log.xml", "--yes", "-o", tmp_path / "log.stopmark")
    assert "doubtful: rig: none is named (--rig); land's mast" in said
    summary = json.loads(said.splitlines()[-1])
    assert (summary["rows"], summary["readings"]) == (600, 1200 - 600 // 7)
    with SessionReader(tmp_path / "log.stopmark") as session:
        assert session.mode == "IMPORTED"


def test_that_a_log_ends_is_no_silence_of_its_sensors(tmp_path: Path, capsys: Capture) -> None:
    lines = [f"{1_767_225_600 + place / 10:.1f},{20 + place % 7 / 100:.2f},{215 + place % 5}" for place in range(3000)]
    (tmp_path / "log.csv").write_text("\n".join(["time,block position (m),hook load (kN)", *lines]))
    say(capsys, "import", tmp_path / "log.csv", "--yes", "-o", tmp_path / "log.stopmark")
    with SessionReader(tmp_path / "log.stopmark") as session:
        assert not [finding.key for finding in session.findings() if "silent" in finding.key]


def test_a_pipe_is_looked_at_and_read_in_one_go(
    tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    outlet, inlet = os.pipe()
    with os.fdopen(inlet, "wb") as pipe:
        pipe.write(gzip.compress(log_files.csv_text(600).encode()))
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(os.fdopen(outlet, "rb")))
    said = say(capsys, "import", "-", "--yes", "--rig", "land", "-o", tmp_path / "log.stopmark")
    assert json.loads(said.splitlines()[-1])["rows"] == 600


def test_several_files_are_one_log_in_the_order_of_their_times(tmp_path: Path, capsys: Capture) -> None:
    (tmp_path / "a.xml").write_text(log_files.witsml_131(700, first=300))
    (tmp_path / "b.xml").write_text(log_files.witsml_131(400, order=(3, 1, 2)))  # begins before, ends in the other
    said = say(
        capsys,
        "import",
        tmp_path / "a.xml",
        tmp_path / "b.xml",
        "--yes",
        "--rig",
        "land",
        "-o",
        tmp_path / "log.stopmark",
    )
    summary = json.loads(said.splitlines()[-1])
    assert summary["rows"] == 800
    assert summary["dropped"]["line: time is in the file before already"] == 100
    assert summary["stream_seconds"] == pytest.approx(700.0, abs=1.5)


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (("import",), "without --map one is proposed"),
        (("import", "x.csv", "--yes"), "give -o SESSION"),
        (("import", "x.csv", "--map", "m.toml"), "give -o SESSION"),
        (("import", "x.csv", "--map", "m.toml", "--rig", "land", "-o", "x.stopmark"), "names its rig itself"),
        (("import", "x.csv", "-", "--yes", "-o", "x.stopmark"), "cannot be one of several"),
        (("import", "none.csv"), "no such file"),
    ],
)
def test_words_that_do_not_go_together_say_so(
    tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], why: str
) -> None:
    monkeypatch.chdir(tmp_path)
    assert why in say(capsys, *words, code=2)
    assert not list(tmp_path.iterdir())


def test_a_map_that_contradicts_the_files_own_units_is_taken_and_that_is_said(tmp_path: Path, capsys: Capture) -> None:
    (tmp_path / "log.xml").write_text(log_files.witsml_141(600).replace("<unit>kN</unit>", "<unit>klbf</unit>"))
    (tmp_path / "map.toml").write_text(
        'format = 1\nrig = "land"\n[time]\ncolumns = ["TIME"]\n'
        '[[columns]]\ncolumn = "BPOS"\nquantity = "block_position"\nunit = "m"\n'
        '[[columns]]\ncolumn = "HKLD"\nquantity = "hook_load"\nunit = "kN"\n'
    )
    words = "import", tmp_path / "log.xml", "--map", tmp_path / "map.toml", "-o", tmp_path / "log.stopmark"
    said = say(capsys, *words)
    assert "doubtful: column 'HKLD': the file says 'klbf', the map kN; the map's is taken" in said
    assert "'BPOS'" not in said
