"""Files that commands write: looked at before the work, not after it, and whole or not there, after a power cut too."""

import os
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from monitor.errors import UserError


def check_out(path: Path, endings: Sequence[str], replace: bool | None, sources: Iterable[Path] = ()) -> None:
    """Look at `path` before writing: its ending (one of `endings`), its folder, and whether something is there already.

    `replace` says that a file there may be replaced (None: this command has no word for it). A file that is one of
    `sources` is never replaced: it is what is being read.

    Raises:
        UserError: it cannot be written there; the message says why.
    """
    if path.suffix.lower() not in endings:
        *others, last = endings
        raise UserError(f"{path}: the name must end in {', '.join(others) + ' or ' if others else ''}{last}")
    if path.is_dir():
        raise UserError(f"{path}: is a folder; give the name of a file")
    if not path.parent.is_dir():
        raise UserError(f"{path}: cannot be written: there is no folder {path.parent}")
    if not path.exists():
        return
    if any(source.exists() and path.samefile(source) for source in sources):
        raise UserError(f"{path}: is one of the files to read; give another name")
    if not replace:
        raise UserError(
            f"{path}: exists already; give {'another name' if replace is None else '--force to replace it'}"
        )


def part_of(path: Path) -> Path:
    """The name beside `path` under which this process writes what is to stand there."""
    return path.with_name(f".{path.name}.{os.getpid()}.part")


def take_name(part: Path, path: Path) -> None:
    """Give the finished file `part` the name `path`. On return it keeps that through a power cut; one before leaves what was
    there: a name on the disk before its content would stand for half a file.

    Raises:
        OSError: the disk refuses.
    """
    _sync(part, os.O_RDWR)
    os.replace(part, path)
    if hasattr(os, "O_DIRECTORY"):
        with suppress(OSError):  # the file is whole; some file systems cannot be asked for their folders
            _sync(path.parent, os.O_RDONLY | os.O_DIRECTORY)


def _sync(path: Path, how: int) -> None:
    handle = os.open(path, how)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@contextmanager
def whole(path: Path) -> Iterator[Path]:
    """A name beside `path` to write to. When the block has ended, what was written stands at `path`; where it raised, nothing.

    Raises:
        UserError: it cannot be written.
    """
    part = part_of(path)
    try:
        yield part
        take_name(part, path)
    except OSError as error:
        raise UserError(f"{path}: cannot be written ({error.strerror or error})") from None
    finally:
        part.unlink(missing_ok=True)


def write_whole(path: Path, text: str) -> None:
    """Write `text` to `path`, all of it or nothing.

    Raises:
        UserError: it cannot be written.
    """
    with whole(path) as part:
        part.write_text(text, encoding="utf-8", errors="replace")


def made(folder: Path) -> Path:
    """`folder`, which is made where it is not there.

    Raises:
        UserError: it cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UserError(f"{folder}: cannot be made ({error.strerror or error})") from None
    return folder
