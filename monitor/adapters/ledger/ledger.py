"""The rig's ledger: what was checked, cut, changed and measured, by whom and when. One SQLite file per rig.

Entries are only ever added. A mistake is corrected by a further entry, and both stay readable; the database itself refuses to
change or delete a row. Each row has a seal (a hash) over itself and the seal before it, so that `Ledger.verify` finds a file
that was edited by other means.
"""

import csv
import hashlib
import json
import math
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import MappingProxyType
from typing import IO, Any, Final, Self

from monitor.adapters.sessions.folder import RIG_NAME
from monitor.errors import UserError
from monitor.files import check_database
from monitor.text import clean_text, inert

APPLICATION_ID: Final = 0x53544D4C
"""Marks an SQLite file as a ledger ("STML")."""
VERSION: Final = 1
SUFFIX: Final = ".ledger"

KINDS: Final = MappingProxyType(
    {
        "check": "brake or device check",
        "reference": "height reference",
        "line-cut": "slip and cut",
        "line-new": "new drilling line",
        "line-strung": "lines strung changed",
        "line-work": "work of the drilling line",
        "brake": "brake health of a day",
        "pads": "pads or bands changed",
        "hand-over": "hand-over of the tour, signed by the oncoming driller",
        "restart": "start after a run that had no clean stop",
        "false-alarm": "alarm that the crew calls false",
        "note": "note",
    }
)
"""What an entry can be about. Its numbers carry their unit in their names: ``cut_m``, ``work_j``, ``effectiveness``."""

_SCHEMA: Final = (
    "CREATE TABLE entry (id INTEGER PRIMARY KEY AUTOINCREMENT, t_ns INTEGER NOT NULL, written_ns INTEGER NOT NULL,"
    " kind TEXT NOT NULL, who TEXT NOT NULL, text TEXT NOT NULL, numbers TEXT NOT NULL,"
    " corrects INTEGER REFERENCES entry (id), seal TEXT NOT NULL)",
    "CREATE INDEX entry_by_time ON entry (kind, t_ns)",
    "CREATE TRIGGER entry_stays BEFORE UPDATE ON entry BEGIN SELECT RAISE(ABORT, 'a ledger is only added to'); END",
    "CREATE TRIGGER entry_remains BEFORE DELETE ON entry BEGIN SELECT RAISE(ABORT, 'a ledger is only added to'); END",
)


class LedgerError(UserError):
    """A ledger that cannot be used, or an entry it does not take; the message says why."""


class EntryError(LedgerError):
    """An entry that no ledger takes: its kind is unknown, or a number is none."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry. `t_ns` is when it happened, `written_ns` when it was written down (wall clock, ns of the epoch)."""

    id: int
    t_ns: int
    written_ns: int
    kind: str
    who: str
    text: str
    numbers: Mapping[str, float]
    corrects: int | None = None
    """Id of the entry that this one replaces."""


_COLUMNS: Final = "id, t_ns, written_ns, kind, who, text, numbers, corrects"


class Ledger:
    """One rig's ledger, open. Several processes may have it open; each entry is on the disk when `add` returns."""

    def __init__(self, path: Path, timeout_s: float = 10.0) -> None:
        """Open the ledger at `path`; it is made when it is not there. While another holds it, wait `timeout_s`.

        Raises:
            LedgerError: it cannot be opened or made, is no ledger, or was made by a newer version.
        """
        self.path = Path(path)
        try:
            check_database(self.path)
        except OSError as error:
            raise LedgerError(f"{error.filename or self.path}: {error.strerror}: the ledger cannot be opened") from None
        try:
            self._base = sqlite3.connect(self.path, timeout=timeout_s, isolation_level=None, check_same_thread=False)
        except sqlite3.Error as error:
            raise LedgerError(f"{self.path}: cannot be opened ({error})") from None
        try:
            self._prepare()
        except (sqlite3.Error, UnicodeDecodeError) as error:
            self._base.close()
            what = "is no ledger" if "not a database" in str(error) else "cannot be used"
            raise LedgerError(f"{self.path}: {what} ({error})") from None
        except BaseException:
            self._base.close()
            raise

    def _prepare(self) -> None:
        base = self._base
        base.execute("PRAGMA trusted_schema=OFF")
        base.execute("PRAGMA synchronous=EXTRA")
        with self._transaction():
            if base.execute("SELECT count(*) FROM sqlite_master").fetchone()[0] == 0:
                base.execute(f"PRAGMA application_id={APPLICATION_ID}")
                base.execute(f"PRAGMA user_version={VERSION}")
                for statement in _SCHEMA:
                    base.execute(statement)
        (mark,) = base.execute("PRAGMA application_id").fetchone()
        (version,) = base.execute("PRAGMA user_version").fetchone()
        if mark != APPLICATION_ID:
            raise LedgerError(f"{self.path}: is no ledger (it is another program's database)")
        if version > VERSION:
            raise LedgerError(
                f"{self.path}: was made by a newer Stopmark (format {version}); update Stopmark to use it"
            )

    def add(
        self,
        kind: str,
        t_ns: int,
        written_ns: int,
        *,
        who: str = "",
        text: str = "",
        numbers: Mapping[str, float] | None = None,
        corrects: int | None = None,
    ) -> Entry:
        """Write one entry; on return it is on the disk. With `corrects` it replaces that entry in what `entries` gives.

        Raises:
            EntryError: the kind is unknown, or a number is not finite.
            LedgerError: the corrected entry is not there or was corrected already, or the disk refuses.
        """
        if kind not in KINDS:
            raise EntryError(f"{kind!r} is no kind of entry; known: {', '.join(KINDS)}")
        values = {str(name): float(number) for name, number in (numbers or {}).items()}
        for name, number in values.items():
            if not math.isfinite(number):
                raise EntryError(f"{name}: {number} is not a finite number")
        row = (t_ns, written_ns, kind, clean_text(who), clean_text(text), json.dumps(values, sort_keys=True), corrects)
        try:
            entry_id = self._write(row)
        except (sqlite3.Error, OverflowError) as error:
            raise LedgerError(f"{self.path}: the entry could not be written ({error})") from None
        return Entry(entry_id, t_ns, written_ns, kind, row[3], row[4], MappingProxyType(values), corrects)

    def _write(self, row: tuple[Any, ...]) -> int:
        base = self._base
        if not base.in_transaction:
            with self._transaction():
                return self._write(row)
        corrects = row[-1]
        if corrects is not None:
            self._check_correction(corrects, row[2])
        last = base.execute("SELECT id, seal FROM entry ORDER BY id DESC LIMIT 1").fetchone() or (0, "")
        entry_id = last[0] + 1
        base.execute(
            f"INSERT INTO entry ({_COLUMNS}, seal) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (entry_id, *row, _seal(last[1], (entry_id, *row))),
        )
        return int(entry_id)

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        base = self._base
        base.execute("BEGIN IMMEDIATE")
        try:
            yield
            base.execute("COMMIT")
        except BaseException:
            if base.in_transaction:
                base.execute("ROLLBACK")
            raise

    @contextmanager
    def together(self) -> Iterator[None]:
        """For a ``with`` statement: nobody else writes meanwhile, and what is added in it is on the disk all or not at
        all, at its end.

        Raises:
            LedgerError: another holds the ledger for longer than `timeout_s`, or the disk refuses.
        """
        try:
            with self._transaction():
                yield
        except sqlite3.Error as error:
            raise LedgerError(f"{self.path}: the entries could not be written ({error})") from None

    def _check_correction(self, corrects: int, kind: str) -> None:
        found = self._base.execute("SELECT kind FROM entry WHERE id = ?", (corrects,)).fetchone()
        if found is None:
            raise LedgerError(f"there is no entry {corrects} to correct")
        if found[0] != kind:
            raise LedgerError(
                f"entry {corrects} is of kind {found[0]!r}; it cannot be corrected by one of kind {kind!r}"
            )
        later = self._base.execute("SELECT id FROM entry WHERE corrects = ?", (corrects,)).fetchone()
        if later is not None:
            raise LedgerError(f"entry {corrects} was corrected already, by entry {later[0]}: correct that one")

    def entries(
        self,
        kind: str | None = None,
        from_ns: int | None = None,
        to_ns: int | None = None,
        corrected: bool = False,
    ) -> list[Entry]:
        """Entries in the order of their time; those that were corrected only when `corrected`.

        Raises:
            LedgerError: the file is damaged.
        """
        query = (
            f"SELECT {_COLUMNS} FROM entry WHERE (? OR id NOT IN (SELECT corrects FROM entry WHERE corrects NOT NULL))"
        )
        values: list[object] = [corrected]
        for words, bound in (("kind = ?", kind), ("t_ns >= ?", from_ns), ("t_ns < ?", to_ns)):
            if bound is not None:
                query += f" AND {words}"
                values.append(bound)
        try:
            return [_entry(row) for row in self._base.execute(query + " ORDER BY t_ns, id", values)]
        except (sqlite3.Error, ValueError, TypeError, OverflowError, RecursionError) as error:
            raise LedgerError(f"{self.path}: is damaged ({error})") from None

    def last(self, kind: str) -> Entry | None:
        """The latest entry of `kind`; None when there is none."""
        found = self.entries(kind)
        return found[-1] if found else None

    def series(self, kind: str, name: str, from_ns: int | None = None) -> list[tuple[int, float]]:
        """(time, number) of every entry of `kind` that has a number called `name`."""
        return [(entry.t_ns, entry.numbers[name]) for entry in self.entries(kind, from_ns) if name in entry.numbers]

    def verify(self) -> list[str]:
        """What is wrong with the file, one sentence each; empty when every entry is as it was written."""
        problems = []
        try:
            problems += [
                f"the file is damaged: {text}"
                for (text,) in self._base.execute("PRAGMA integrity_check(20)")
                if text != "ok"
            ]
            before, expected = "", 1
            for *row, seal in self._base.execute(f"SELECT {_COLUMNS}, seal FROM entry ORDER BY id"):
                if row[0] != expected:
                    problems.append(f"entry {expected} is missing")
                if seal != _seal(before, tuple(row)):
                    problems.append(f"entry {row[0]} is not as it was written")
                before, expected = str(seal), int(row[0]) + 1
        except (sqlite3.Error, UnicodeDecodeError, ValueError, TypeError) as error:
            problems.append(f"the file is damaged: {error}")
        return problems

    def close(self) -> None:
        """Close the file."""
        self._base.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _seal(before: str, row: Sequence[Any]) -> str:
    return hashlib.sha256(json.dumps([before, *row]).encode()).hexdigest()


def _entry(row: Sequence[Any]) -> Entry:
    entry_id, t_ns, written_ns, kind, who, text, numbers, corrects = row
    if not all(isinstance(word, str) for word in (kind, who, text)) or not all(
        isinstance(whole, int) for whole in (entry_id, t_ns, written_ns)
    ):
        raise TypeError("a column holds the wrong type")
    table = json.loads(numbers)
    if not isinstance(table, dict) or not isinstance(corrects, int | None):
        raise TypeError("a column holds the wrong type")
    values = {str(name): float(number) for name, number in table.items()}
    return Entry(entry_id, t_ns, written_ns, kind, who, text, MappingProxyType(values), corrects)


def write_csv(entries: Sequence[Entry], out: IO[str]) -> None:
    """`entries` as CSV, one column per name of a number. Text that a spreadsheet would take for a formula is disarmed."""
    names = sorted({name for entry in entries for name in entry.numbers})
    writer = csv.writer(out)
    writer.writerow(["id", "time", "written", "kind", "who", "text", "corrects", *map(inert, names)])
    for entry in entries:
        numbers = [entry.numbers.get(name, "") for name in names]
        words = [inert(entry.kind), inert(entry.who), inert(entry.text)]
        corrects = "" if entry.corrects is None else entry.corrects
        writer.writerow([entry.id, iso(entry.t_ns), iso(entry.written_ns), *words, corrects, *numbers])


def iso(t_ns: int) -> str:
    """A time as ISO 8601, UTC, to the millisecond."""
    moment = datetime.fromtimestamp(t_ns // 1_000_000_000, UTC)
    return f"{moment:%Y-%m-%dT%H:%M:%S}.{t_ns % 1_000_000_000 // 1_000_000:03d}Z"


def ledger_path(folder: Path, rig: str) -> Path:
    """Where the ledger of `rig` lies in a data folder.

    Raises:
        LedgerError: `rig` is no plain name (it must not lead out of the folder).
    """
    if not RIG_NAME.fullmatch(rig):
        raise LedgerError(f"{rig!r}: a rig's name holds only a-z, 0-9, - and _")
    return folder / f"{rig}{SUFFIX}"
