"""Catalogues for tests: the Spanish one, and one in which every letter of a translation is another one, so that what does not go
through a catalogue shows."""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import polib

from monitor.language import catalogue
from monitor.language.words import ENGLISH

SPANISH = catalogue.HERE / "es.po"
LETTER = "ñ"


@contextmanager
def language(code: str, own: Path | None = None) -> Iterator[None]:
    """Everything in that language inside."""
    catalogue.choose(code, str(own) if own else None)
    try:
        yield
    finally:
        catalogue.choose(ENGLISH)


def veiled(folder: Path) -> Path:
    """A catalogue that has every key, with `LETTER` for each letter outside the braces."""
    path, file = folder / "veiled.po", polib.pofile(str(SPANISH))
    for entry in file:
        entry.msgstr = _veil(entry.msgid)
        if entry.msgid_plural:
            entry.msgstr, entry.msgstr_plural = "", {0: _veil(entry.msgid), 1: _veil(entry.msgid_plural)}
    file.save(str(path))
    return path


def _veil(key: str) -> str:
    parts = re.split(r"(\{[^}]*\})", key)
    return "".join(part if part.startswith("{") else re.sub("[A-Za-z]", LETTER, part) for part in parts)
