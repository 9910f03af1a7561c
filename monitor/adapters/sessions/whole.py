"""A session that is written in one go, as imports and pieces are: whole, or not at all."""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from monitor.adapters.sessions.format import SessionError
from monitor.adapters.sessions.recorder import Recorder

_WRITTEN_WITHIN_S: Final = 60.0


@contextmanager
def whole_session(path: Path, header: Mapping[str, object]) -> Iterator[Recorder]:
    """A recorder that holds the work back where the disk is slower. Where the work fails or is ended, `path` is removed.

    Raises:
        SessionError: there is a file at `path` already, or it could not be written.
    """
    made = False
    try:
        with Recorder(path, header, wait=True) as recorder:
            made = True
            yield recorder
            if not recorder.flush(_WRITTEN_WITHIN_S):
                raise SessionError(f"{path}: could not be written ({recorder.problem})")
    except BaseException as error:
        # There was no such file before; one that came up meanwhile is another's, which the recorder says with an error.
        for part in ("", "-wal", "-shm"):
            if made or isinstance(error, KeyboardInterrupt):
                path.with_name(path.name + part).unlink(missing_ok=True)
        raise
