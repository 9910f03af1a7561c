"""Target: a ledger that was changed behind its back, as a table or as bytes.

Oracle: it is read, verified, exported and looked through for trends, or what is wrong is said as a `UserError`.
"""

import io
import sqlite3
from argparse import ArgumentParser
from contextlib import closing, redirect_stderr, redirect_stdout, suppress
from functools import lru_cache
from typing import Final
from unittest.mock import patch

from monitor import cli
from monitor.adapters.ledger import alarm_levels
from monitor.adapters.ledger.ledger import Ledger
from monitor.errors import UserError
from monitor.presentation.figures import line_event
from monitor.text import harmless
from tests.fuzz.draws import Draws, edited
from tests.fuzz.sessions import cell_of
from tests.fuzz.stream import T_NS, TOKENS
from tests.fuzz.texts import folder, in_words

_ENTRY: Final = ("id", "t_ns", "written_ns", "kind", "who", "text", "numbers", "corrects", "seal")


@lru_cache(maxsize=1)
def _sound_ledger() -> bytes:
    path = folder() / "sound.ledger"
    with Ledger(path) as made:
        for place in range(4):
            numbers = {"effectiveness": 0.9, "leak_pa_s": 1.0}
            made.add("brake", T_NS + place * 10**14, T_NS, who="ab", text="a day", numbers=numbers)
        made.add("line-cut", T_NS, T_NS, who="ab", text="cut", numbers={"cut_m": 24.4})
        made.add("line-cut", T_NS, T_NS, who="ab", text="cut", numbers={"cut_m": 24.5}, corrects=5)
    raw = path.read_bytes()
    path.unlink()
    return raw


_new_parser, _levels_once = cli._parser, lru_cache(maxsize=1)(alarm_levels.alarm_levels)


@lru_cache(maxsize=1)
def _parser() -> ArgumentParser:
    return _new_parser(cli.commands("ledger"), "ledger")


def _parser_once(_found: object, _wanted: object) -> ArgumentParser:
    return _parser()


def ledger(data: bytes) -> None:
    """A ledger that was changed behind its back: read, verified, exported, looked through for trends."""
    draws = Draws(data)
    path = folder() / "ledgers" / "land.ledger"
    path.parent.mkdir(exist_ok=True)
    raw = _sound_ledger()
    if draws.flag(4):
        path.write_bytes(edited(draws, raw, (b"\0", b"\xff" * 8, b"\0" * 64), most=12))
    else:
        path.write_bytes(raw)
        with closing(sqlite3.connect(path, isolation_level=None)) as base:
            base.execute("PRAGMA synchronous=OFF")
            base.execute("DROP TRIGGER entry_stays")
            base.execute("DROP TRIGGER entry_remains")
            for _ in range(1 + draws.below(3)):
                column = draws.pick(_ENTRY)
                cell = (
                    edited(draws, b'{"cut_m": 1.5, "work_j": 1e9}', TOKENS).decode("utf-8", "replace")
                    if draws.flag()
                    else cell_of(draws)
                )
                with suppress(sqlite3.Error, OverflowError):
                    base.execute(f"UPDATE OR REPLACE entry SET {column} = ? WHERE id = ?", (cell, 1 + draws.below(5)))
    try:
        with Ledger(path) as made:
            made.verify()
            made.entries(corrected=True)
            for entry in made.entries("line-cut"):
                assert all(isinstance(word, str) for word in line_event(entry))
    except UserError as error:
        in_words(error)
    out = path.with_suffix(".csv")
    out.unlink(missing_ok=True)
    place = ("--rig", "land", "--data", str(path.parent))
    # To make the command's words and to read the rules anew for each input would take most of the time.
    with patch.object(cli, "_parser", _parser_once), patch.object(alarm_levels, "alarm_levels", _levels_once):
        for words in (("show", "--corrected"), ("export", "-o", str(out)), ("trend",)):
            reported = io.StringIO()
            with redirect_stdout(reported), redirect_stderr(reported):
                code = cli.main(["ledger", words[0], *words[1:], *place])
            assert code in (0, 2), reported.getvalue()
            assert harmless(reported.getvalue()) == reported.getvalue()
