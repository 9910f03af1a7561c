"""A session that is written in one go, as imports and pieces are: whole, or not at all."""

import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from monitor.adapters.host.output_file import part_of, take_name
from monitor.adapters.sessions.format import SessionError
from monitor.adapters.sessions.recorder import Recorder

_WRITTEN_WITHIN_S: Final = 60.0


@contextmanager
def whole_session(path: Path, header: Mapping[str, object]) -> Iterator[Recorder]:
    """A recorder that holds the work back where the disk is slower. What it wrote stands at `path` once the block has ended;
    where the work fails or is ended, or the power goes, nothing does.

    Raises:
        SessionError: there is a file at `path` already, or it could not be written.
    """
    _check_free(path)
    part = part_of(path)
    try:
        with Recorder(part, header, wait=True) as recorder:
            yield recorder
            # Where the journal could not be moved in, the file under its new name would lack it.
            if not recorder.close(_WRITTEN_WITHIN_S) or part.with_name(part.name + "-wal").exists():
                problem = recorder.problem.replace(part.name, path.name) or "the disk is too slow"
                raise SessionError(f"{path}: could not be written ({problem})")
        _check_free(path)
        take_name(part, path)
    except OSError as error:
        raise SessionError(f"{path}: could not be written ({error.strerror or error})") from None
    finally:
        for beside in ("", "-wal", "-shm"):
            part.with_name(part.name + beside).unlink(missing_ok=True)


def _check_free(path: Path) -> None:
    if os.path.lexists(path):
        raise SessionError(f"{path}: exists already; give another name")
