"""The data folder: names, and the lock against a second writer."""

import subprocess
import sys
from pathlib import Path

import pytest

from monitor.adapters.sessions.folder import LOCK, DataFolder, FolderError, session_files


def test_sessions_are_named_by_rig_and_time_and_never_twice(tmp_path: Path) -> None:
    with DataFolder(tmp_path / "a" / "b") as folder:
        first = folder.session_path("land", 1_700_000_000_999_999_999)
        assert first == tmp_path / "a" / "b" / "land-20231114-221320.stopmark"
        first.touch()
        second = folder.session_path("land", 1_700_000_000_000_000_000)
        assert second.name == "land-20231114-221320-2.stopmark"
        second.touch()
        (tmp_path / "a" / "b" / "other.txt").touch()
        (tmp_path / "a" / "b" / "odd.stopmark").touch()
        deep = folder.session_path("deep-2", 1_600_000_000_000_000_000)
        deep.touch()
        assert list(session_files(folder.path)) == [deep, first, second]
        assert list(session_files(folder.path, "land")) == [first, second]


@pytest.mark.parametrize("rig", ["../evil", "a/b", "", "A", "a b", "..", "x" * 41, "a\n"])
def test_a_rig_s_name_cannot_lead_out_of_the_folder(tmp_path: Path, rig: str) -> None:
    with DataFolder(tmp_path) as folder, pytest.raises(FolderError, match="name holds only"):
        folder.session_path(rig, 0)


def test_a_second_writer_is_told_who_holds_the_folder(tmp_path: Path) -> None:
    with DataFolder(tmp_path), pytest.raises(FolderError, match="another monitor is recording here \\(process"):
        DataFolder(tmp_path)
    with DataFolder(tmp_path):
        pass


def test_the_lock_ends_with_the_process_however_it_ends(tmp_path: Path) -> None:
    code = (
        "import sys, pathlib; from monitor.adapters.sessions.folder import DataFolder;"
        " held = DataFolder(pathlib.Path(sys.argv[1])); print('held', flush=True); sys.stdin.read()"
    )
    child = subprocess.Popen(
        [sys.executable, "-c", code, str(tmp_path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    try:
        assert child.stdout is not None
        assert child.stdout.readline() == "held\n"
        with pytest.raises(FolderError, match=f"process {child.pid} "):
            DataFolder(tmp_path)
    finally:
        child.kill()
        child.communicate()
    with DataFolder(tmp_path):
        pass


def test_folders_that_cannot_be_are_told(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(FolderError, match="is a file"):
        DataFolder(tmp_path / "file")
    with pytest.raises(FolderError, match="cannot be kept there"):
        DataFolder(tmp_path / "file" / "deeper")


def test_which_session_was_begun_last_is_known_whatever_the_names_say(tmp_path: Path) -> None:
    names = ["land-20240101-100000.stopmark", "land-20240101-110000.stopmark", "deep-20240101-120000.stopmark"]
    early, late, deep = (tmp_path / name for name in names)
    for path in (early, late, deep):
        path.touch()
    with DataFolder(tmp_path) as folder:
        assert folder.last("land") == late
        folder.begin(early)
    with DataFolder(tmp_path) as folder:
        assert (folder.last("land"), folder.last("deep"), folder.last("light")) == (early, deep, None)
        with pytest.raises(FolderError, match=r"recording here \(process \d+ on [^\n]*\); stop it"):
            DataFolder(tmp_path)
    with DataFolder(tmp_path) as folder:
        assert folder.last("land") == early
    early.unlink()
    for rubbish in (b"", b"process 1 on a\n../../etc/passwd\n", b"\xff\n\xff\n", b"x\nland-20240101-100000.stopmark"):
        (tmp_path / LOCK).write_bytes(rubbish)
        with DataFolder(tmp_path) as folder:
            assert folder.last("land") == late
    with DataFolder(tmp_path) as folder:
        pass
    folder.begin(late)  # closed already: nothing to write into
