"""The power goes at any moment, and writes that were not synced are lost or torn: what was promised is there, whole and once."""

import sqlite3
from pathlib import Path

import pytest

from monitor.adapters.host import output_file
from monitor.adapters.sessions import recorder as recorder_module
from monitor.adapters.sessions.format import open_for_writing
from tests.support.power_cuts import CASES, faults, written

CUTS = 30


@pytest.mark.parametrize("name", CASES)
def test_what_was_promised_outlives_a_power_cut(tmp_path: Path, name: str) -> None:
    disk = written(CASES[name], tmp_path / "data")
    assert disk.promises
    assert list(faults(CASES[name], disk, tmp_path, range(CUTS))) == []


def test_the_disk_of_these_tests_forgets_commits_without_a_sync(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def hasty(*words: object) -> sqlite3.Connection:
        base = open_for_writing(*words)  # type: ignore[arg-type]
        base.execute("PRAGMA synchronous=OFF")
        return base

    monkeypatch.setattr(recorder_module, "open_for_writing", hasty)
    disk = written(CASES["sessions"], tmp_path / "data")
    monkeypatch.undo()
    assert any("frames lost" in words for words in faults(CASES["sessions"], disk, tmp_path, range(CUTS)))


def test_the_disk_of_these_tests_forgets_files_that_only_got_a_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(output_file, "_sync", lambda path, how: None)
    disk = written(CASES["files"], tmp_path / "data")
    monkeypatch.undo()
    found = list(faults(CASES["files"], disk, tmp_path, range(5 * CUTS)))
    assert any("half" in words for words in found)
    assert any("is gone" in words for words in found)
