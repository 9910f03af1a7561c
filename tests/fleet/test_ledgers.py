"""The ledgers of many rigs: where they are looked for, and what happens to one that cannot be read."""

from pathlib import Path

import pytest

from monitor.adapters.ledger.ledger import Ledger, ledger_path
from monitor.errors import UserError
from monitor.fleet.engine import Place
from monitor.fleet.fleet_page import fleet_page
from monitor.fleet.ledgers import ledgers_of
from monitor.fleet.rig_summary import fleet_summary

T0 = 1_780_000_000_000_000_000


def kept(folder: Path, rig: str, count: int) -> None:
    folder.mkdir(exist_ok=True)
    with Ledger(ledger_path(folder, rig)) as ledger:
        for at in range(count):
            ledger.add("note", T0 + at, T0, text="x")


def test_they_are_found_beside_the_sessions_and_where_one_says(tmp_path: Path) -> None:
    kept(tmp_path / "a", "north", 1)
    kept(tmp_path / "b", "north", 2)
    kept(tmp_path / "a", "south", 3)
    found = ledgers_of([str(tmp_path / "a" / "x.stopmark")], [str(tmp_path / "b")])
    assert {rig: len(entries) for rig, entries in found.entries.items()} == {"north": 2, "south": 3}
    assert found.unread == {}


def test_a_folder_without_any_is_said(tmp_path: Path) -> None:
    with pytest.raises(UserError, match=f"--data {tmp_path}: no ledger there"):
        ledgers_of([], [str(tmp_path)])
    assert ledgers_of([str(tmp_path / "x.stopmark")]).entries == {}


def test_one_that_cannot_be_read_is_named_and_the_others_count(crown: Path, tmp_path: Path) -> None:
    kept(tmp_path, "north", 1)
    bad = tmp_path / "south.ledger"
    bad.write_bytes(b"no ledger at all, but long enough to look at" * 20)
    found = ledgers_of([], [str(tmp_path)])
    assert list(found.entries) == ["north"]
    assert "is no ledger" in found.unread[bad.as_posix()]
    page = fleet_page(fleet_summary([str(crown)], found, Place()), "x")
    assert "1 ledger not read" in page
    assert "south.ledger" in page
