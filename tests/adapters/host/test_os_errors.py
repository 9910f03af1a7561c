"""What a person is told when the disk refuses."""

import sqlite3
from pathlib import Path

import pytest

from monitor.adapters.host.os_errors import disk_error_text
from monitor.adapters.ledger.ledger import LedgerError


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (sqlite3.OperationalError("database or disk is full"), "the disk is full: free some space in "),
        (OSError(28, "No space left on device"), "the disk is full: free some space in "),
        (LedgerError("the entries could not be written (database or disk is full)"), "the disk is full: "),
        (sqlite3.OperationalError("attempt to write a readonly database"), "no permission to write in "),
        (PermissionError(13, "Permission denied"), "no permission to write in "),
        (OSError(24, "Too many open files"), "no file handles are left: raise the limit of open files; "),
        (sqlite3.OperationalError("database is locked"), "is held by another program: "),
        (sqlite3.OperationalError("unable to open database file"), "cannot be opened for writing: check "),
        (sqlite3.OperationalError("disk I/O error"), "cannot be written (disk I/O error); "),
    ],
)
def test_a_refusal_says_what_to_do_and_what_happens_then(tmp_path: Path, error: Exception, words: str) -> None:
    reported = disk_error_text(error, tmp_path / "a.stopmark", "it goes on by itself")
    assert words in reported
    assert reported.endswith("; it goes on by itself")


def test_a_folder_that_is_gone_is_told(tmp_path: Path) -> None:
    reported = disk_error_text(
        sqlite3.OperationalError("unable to open database file"), tmp_path / "none" / "a.stopmark", "x"
    )
    assert reported.startswith(f"the folder {tmp_path / 'none'} is not there")


def test_words_in_the_name_of_a_file_are_no_reason(tmp_path: Path) -> None:
    path = tmp_path / "full locked readonly.stopmark"
    assert disk_error_text(OSError(5, "Input/output error", str(path)), path, "x").startswith(
        f"{path} cannot be written ("
    )
