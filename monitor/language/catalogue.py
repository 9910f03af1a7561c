"""Reads a catalogue of words: gettext's PO format, shipped (`es.po`) or a site's own."""

import gettext
from collections.abc import Mapping
from io import BytesIO
from pathlib import Path
from string import Formatter
from typing import Final

from monitor.errors import UserError
from monitor.files import read_bounded
from monitor.language import words
from monitor.language.words import ENGLISH

HERE: Final = Path(__file__).parent
_SHIPPED: Final = HERE / "es.po"
_CODE: Final = "STOPMARK_LANGUAGE"
_OWN: Final = "STOPMARK_WORDS"
_CHOSEN: Final = {_CODE: ENGLISH, _OWN: ""}
"""The last choice."""
RECORDED: Final = "stands in records"
"""Comment of those entries whose texts are found again in records, numbers and names in place."""
MOST_BYTES: Final = 4_000_000
_OF_ENVIRONMENT: Final = ("LC_ALL", "LC_MESSAGES", "LANG")
"""Which variables name the language of messages, the first that is set (POSIX)."""


def shipped() -> tuple[str, ...]:
    """Codes of the languages that come with Stopmark."""
    return (ENGLISH, *sorted(path.stem for path in HERE.glob("*.po")))


def language_of(environment: Mapping[str, str]) -> str:
    """The shipped language that the environment asks for; English where it asks for another one."""
    asked = next((environment[name] for name in _OF_ENVIRONMENT if environment.get(name)), "")
    code = asked.partition(".")[0].partition("_")[0].lower()
    return code if code in shipped() else ENGLISH


def choose(code: str, own: str | None = None) -> None:
    """Show everything in the language `code`, or in the words of the file `own`.

    Raises:
        UserError: the file cannot be used; what is wrong, and where.
    """
    if own is not None:
        _take(Path(own))
    elif code == ENGLISH:
        words.use(ENGLISH, gettext.NullTranslations(), {})
    else:
        _take(HERE / f"{code}.po")
    _CHOSEN.update({_CODE: code, _OWN: own or ""})


def environment_of_words() -> dict[str, str]:
    """What tells a process of ours the same choice."""
    return dict(_CHOSEN)


def choose_from(environment: Mapping[str, str]) -> None:
    """Choose as the process that gave this environment did.

    Raises:
        UserError: the file of words cannot be used any more.
    """
    choose(environment.get(_CODE) or ENGLISH, environment.get(_OWN) or None)


def _take(path: Path) -> None:
    import polib

    try:
        text = read_bounded(path, MOST_BYTES).decode("utf-8-sig")
    except OSError as error:
        raise UserError(f"{path}: cannot be read ({error.strerror}); --words takes a .po file") from error
    except UnicodeDecodeError as error:
        raise UserError(f"{path}: not UTF-8; save it as UTF-8") from error
    try:
        file = polib.pofile(text)
    except (OSError, ValueError, IndexError) as error:
        where = str(error).removeprefix("Syntax error in po file ").replace("None ", "")
        raise UserError(f"{path}: no catalogue in gettext's PO format: {where}") from error
    entries = [entry for entry in file.translated_entries() if entry.msgid]
    if not entries:
        raise UserError(f"{path}: nothing is translated in it; its entries are msgid (English) and msgstr")
    for entry in entries:
        trouble = trouble_in(entry.msgid, [entry.msgstr, *entry.msgstr_plural.values()], entry.msgid_plural)
        if trouble:
            raise UserError(f"{path}, line {entry.linenum}: {trouble}")
    try:
        made = gettext.GNUTranslations(BytesIO(file.to_binary()))
    except (ValueError, LookupError, OSError) as error:
        raise UserError(f"{path}: its head cannot be used ({error}); see Plural-Forms and Content-Type") from error
    # A site's own file may have lost the comments, and may have words of its own rules.
    shipped = file if path == _SHIPPED else polib.pofile(str(_SHIPPED))
    of_screens = {entry.msgid for entry in shipped if entry.comment != RECORDED}
    found = {entry.msgid: entry.msgstr for entry in entries if entry.msgstr and entry.msgid not in of_screens}
    words.use(file.metadata.get("Language") or path.stem, made, found)


def trouble_in(key: str, translations: list[str], plural: str = "") -> str:
    """What is wrong with the translations of a key: braces that are not the key's, or characters that no screen shows."""
    parts = parts_of(key) | parts_of(plural)
    for text in filter(None, translations):
        try:
            wrong = parts_of(text) - parts
        except ValueError:
            return f'braces that do not close in "{text}"'
        if wrong:
            return f'"{text}" names {{{min(wrong)}}}, which "{key}" has not'
        if not text.replace("\n", "").isprintable():
            return f'a control character in the translation of "{key}"'
    return ""


def parts_of(text: str) -> set[str]:
    """The names in braces, each with how it is to be written."""
    found = ((name, spec, how) for _, name, spec, how in Formatter().parse(text) if name is not None)
    return {f"{name}{f'!{how}' if how else ''}{f':{spec}' if spec else ''}" for name, spec, how in found}
