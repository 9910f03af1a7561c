"""The ledgers of many rigs: those that lie beside their sessions, and those in folders named besides, here or in a store."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from monitor.adapters.ledger.ledger import SUFFIX, Entry, Ledger
from monitor.errors import UserError
from monitor.fleet.store import Store, is_address, local_copy


@dataclass(frozen=True, slots=True)
class Ledgers:
    """What the ledgers say."""

    entries: Mapping[str, list[Entry]] = field(default_factory=dict)
    """By rig."""
    unread: Mapping[str, str] = field(default_factory=dict)
    """Ledgers that could not be read, and why."""


def ledgers_of(sessions: Iterable[str], folders: Iterable[str] = ()) -> Ledgers:
    """The ledgers beside `sessions`, and those in `folders`; each may be an address of a store. A rig's ledger in two places
    is taken from that with more entries.

    Raises:
        UserError: one of `folders` holds no ledger, or a store cannot be used.
    """
    named = list(dict.fromkeys(folders))
    places = dict.fromkeys([*(_folder(session) for session in sessions), *named])
    entries: dict[str, list[Entry]] = {}
    unread: dict[str, str] = {}
    for place in sorted(places):
        paths = _ledgers_in(place)
        if not paths and place in named:
            raise UserError(f"--data {place}: no ledger there")
        for path in paths:
            rig = path.rpartition("/")[2].removesuffix(SUFFIX)
            try:
                with local_copy(path) as file, Ledger(file) as ledger:
                    found = ledger.entries()
            except UserError as error:
                unread[path] = str(error)
                continue
            if len(found) >= len(entries.get(rig, ())):
                entries[rig] = found
    return Ledgers(entries, unread)


def _folder(session: str) -> str:
    return session.rpartition("/")[0] if is_address(session) else str(Path(session).parent)


def _ledgers_in(place: str) -> list[str]:
    if is_address(place):
        return Store(place).named("*" + SUFFIX)
    return [path.as_posix() for path in sorted(Path(place).glob("*" + SUFFIX))]
