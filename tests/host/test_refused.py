"""What the machine refuses (rights, room, handles) is told as such, by whichever command it happens to."""

import errno
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from monitor.adapters.sessions import reader
from monitor.cli import main

REFUSALS = [
    (
        PermissionError(errno.EACCES, "Permission denied", "/rec/a"),
        "/rec/a: this user may not use it (Permission denied)",
    ),
    (OSError(errno.EROFS, "Read-only file system", "/rec/a"), "/rec/a: Read-only file system"),
    (OSError(errno.ENOSPC, "No space left on device"), "No space left on device"),
    (OSError(errno.EMFILE, "Too many open files"), "Too many open files"),
    (MemoryError("Out of memory"), "too little memory, or no further thread"),
    (RuntimeError("can't start new thread"), "too little memory, or no further thread"),
]


@pytest.mark.parametrize(("error", "words"), REFUSALS)
def test_what_the_machine_refuses_is_no_mistake_of_ours(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], error: Exception, words: str
) -> None:
    def refuse(*_: object) -> None:
        raise error

    monkeypatch.setattr(reader, "open_read_only", refuse)
    session = tmp_path / "land-20260101-000000.stopmark"
    session.write_bytes(b"")
    assert main(["report", str(session), "-o", str(tmp_path / "out.html")]) == 1
    reported = capsys.readouterr().err
    assert reported.startswith(f"stopmark report: {words}")
    assert "internal error" not in reported


@pytest.mark.parametrize("what", [[], ["verify"]])
def test_a_folder_that_may_not_be_looked_into_is_not_said_to_be_empty(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], what: list[str]
) -> None:
    scan = os.scandir

    def refuse(path: Any = ".") -> Iterator[Any]:
        if Path(path) == tmp_path:
            raise PermissionError(errno.EACCES, "Permission denied", str(path))
        return scan(path)

    monkeypatch.setattr("os.scandir", refuse)
    assert main(["sessions", *what, "--data", str(tmp_path)]) == 1
    reported = capsys.readouterr()
    assert "no sessions" not in reported.out + reported.err
    assert f"{tmp_path}: this user may not use it (Permission denied)" in reported.err


def test_a_mistake_of_ours_is_told_even_where_its_details_cannot_be_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def break_down(*_: object) -> None:
        raise ZeroDivisionError("a fault")

    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(reader, "open_read_only", break_down)
    monkeypatch.setattr("tempfile.mkstemp", full)
    session = tmp_path / "land-20260101-000000.stopmark"
    session.write_bytes(b"")
    assert main(["report", str(session), "-o", str(tmp_path / "out.html")]) == 1
    reported = capsys.readouterr().err
    assert "internal error (ZeroDivisionError: a fault)" in reported
    assert "could not be kept (No space left on device)" in reported
