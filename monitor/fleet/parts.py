"""Results on disk, one Parquet file each, named by what they are results of: what was worked out once is not worked out again.

A part is written whole or not at all, so that work that was ended goes on where it was. Parts of another version of the
monitor have other names, and are left alone.
"""

import functools
import hashlib
import json
from collections.abc import Sequence
from dataclasses import asdict, fields
from pathlib import Path
from typing import TYPE_CHECKING, Final

from monitor.adapters.host.output_file import made, whole
from monitor.adapters.sessions.format import SessionError
from monitor.fleet.session_findings import Raised, SessionFindings
from monitor.fleet.store import Store, is_address

if TYPE_CHECKING:
    import pyarrow as pa

_MARK: Final = b"stopmark"
_DECIDES: Final = ("core", "physics", "model", "config", "runtime", "adapters/sessions", "fleet")
"""Packages of the monitor that decide what rules say of a session."""


@functools.cache
def code_mark() -> str:
    """Short mark of the code that works on sessions: results of another monitor must not be mixed in."""
    digest = hashlib.sha256()
    root = Path(__file__).resolve().parent.parent
    for package in _DECIDES:
        for path in sorted((root / package).rglob("*.py")):
            digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def content_of(session: str) -> str:
    """What tells this session's content from any other: a hash of the file; elsewhere, what its store says of it.

    Raises:
        SessionError: it is not there.
    """
    if "://" in session:
        import fsspec

        try:
            filesystem, name = fsspec.core.url_to_fs(session)
            return f"{session} {filesystem.ukey(name)}"
        except Exception as error:  # what a store can answer is its driver's own
            raise SessionError(f"{session}: cannot be looked at ({type(error).__name__}: {error})") from None
    digest = hashlib.sha256()
    try:
        for path in (Path(session), Path(session + "-wal")):
            if path == Path(session) or path.exists():
                with path.open("rb") as file:
                    digest.update(hashlib.file_digest(file, "sha256").digest())
    except OSError as error:
        raise SessionError(f"{session}: cannot be read ({error.strerror or error})") from None
    return digest.hexdigest()


class Parts:
    """The parts in one folder."""

    def __init__(self, folder: Path | str) -> None:
        """Parts in `folder`, which is made where it is not there, or at an address of a store.

        Raises:
            UserError: it cannot be made, or the store cannot be used.
        """
        self.folder = folder
        self._store = Store(str(folder)) if is_address(str(folder)) else None
        if self._store is None:
            made(Path(folder))

    def get(self, key: str) -> SessionFindings | None:
        """The result kept under `key`; None where there is none that can be read."""
        import pyarrow as pa
        import pyarrow.parquet as pq

        try:
            if self._store is not None:
                data = self._store.read(self._name(key))
                table = None if data is None else pq.read_table(pa.BufferReader(data))
            else:
                table = pq.read_table(self._path(key))
            if table is None:
                return None
            plain = json.loads(table.schema.metadata[_MARK])
            return SessionFindings.of(plain, [Raised(**row) for row in table.to_pylist()])
        except (OSError, KeyError, TypeError, ValueError, pa.ArrowException):
            return None

    def put(self, key: str, found: SessionFindings) -> None:
        """Keep a result.

        Raises:
            UserError: it cannot be written.
        """
        import pyarrow.parquet as pq

        table = raised_table(found.raised).replace_schema_metadata({_MARK: json.dumps(found.plain())})
        if self._store is not None:
            import pyarrow as pa

            sink = pa.BufferOutputStream()
            pq.write_table(table, sink)
            self._store.write(self._name(key), sink.getvalue().to_pybytes())
            return
        with whole(self._path(key)) as part:
            pq.write_table(table, part)

    def _path(self, key: str) -> Path:
        return Path(self.folder) / self._name(key)

    @staticmethod
    def _name(key: str) -> str:
        return f"{key}.parquet"


def raised_table(raised: Sequence[Raised]) -> "pa.Table":
    """Alarms as a table: `t_ns` UTC in ns, room in m, lead in s."""
    import pyarrow as pa

    types = {"t_ns": pa.int64(), "least_room_m": pa.float64(), "lead_s": pa.float64()}
    schema = pa.schema([(item.name, types.get(item.name, pa.string())) for item in fields(Raised)])
    return pa.Table.from_pylist([asdict(one) for one in raised], schema=schema)
