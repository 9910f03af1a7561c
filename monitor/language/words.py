"""What is shown for an English text in the language in force: one per process, English until `use` says otherwise.

Theory of operation
    Two kinds of text are shown. Those of the screens are written as `tr("Speed ×{speed}.", speed=...)`: key and parts are
    known. Those that core and adapters have made (an alarm's message, why a reading was refused) are recorded in English with
    their numbers in place; `tr_record` finds the key again whose fixed words they have, the longest first, and puts the same
    parts into the translation. A part that is itself a key is translated, too: "Silent: hook load".
"""

import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from functools import lru_cache
from gettext import NullTranslations
from string import Formatter
from typing import Final

ENGLISH: Final = "en"
_PART: Final = "(?P<{}>.*?)"
_AGAIN: Final = "(?P={})"
_GOES_ON: Final = " ;,:"
"""How a key begins that goes on with a text: " and after each cut and slip"."""
_BEFORE: Final = "text_before"
_LEAST_LETTERS: Final = 5
"""Fixed letters of a key that is looked for in recorded texts: "{near} to {far}" would be found everywhere."""


class _Language:
    """The language in force."""

    def __init__(self) -> None:
        self.code = ENGLISH
        self.words: NullTranslations = NullTranslations()
        self.patterns: tuple[tuple[re.Pattern[str], str], ...] = ()


_NOW: Final = _Language()


def use(code: str, words: NullTranslations, entries: Mapping[str, str]) -> None:
    """Show everything in these words from now on. `entries`: key to translation, of those that stand in records."""
    _NOW.code, _NOW.words = code, words
    keys = [
        key for key in entries
        if ("{" in key or key[0] in _GOES_ON) and sum(map(str.isalpha, _fixed(key))) >= _LEAST_LETTERS
    ]  # fmt: skip
    keys.sort(key=lambda key: -len(_fixed(key)))
    _NOW.patterns = tuple((_pattern(key), entries[key]) for key in keys)
    _found.cache_clear()


def in_force() -> str:
    """Code of the language, "en" at first."""
    return _NOW.code


@contextmanager
def english() -> Iterator[None]:
    """English for what is made inside, because it is kept: a record has one language."""
    before = _NOW.code, _NOW.words, _NOW.patterns
    _NOW.code, _NOW.words, _NOW.patterns = ENGLISH, NullTranslations(), ()
    _found.cache_clear()
    try:
        yield
    finally:
        _NOW.code, _NOW.words, _NOW.patterns = before
        _found.cache_clear()


def msgid(text: str) -> str:
    """`text` as it is: a key that a table holds, and that is translated where it is shown."""
    return text


def tr(text: str, /, **parts: object) -> str:
    """`text` in the language in force, with `parts` in its braces; as it is where there are none."""
    found = _NOW.words.gettext(text) if text else text
    return found.format(**parts) if parts else found


def tr_n(one: str, many: str, n: int, /, **parts: object) -> str:
    """`one` or `many` by the rule of the language for `n`, which is a part as well."""
    return _NOW.words.ngettext(one, many, n).format(n=n, **parts)


def tr_record(text: str) -> str:
    """A text that core or adapters made, in the language in force; English where no key fits."""
    return text if _NOW.code == ENGLISH else _found(text)


@lru_cache(maxsize=4096)
def _found(text: str) -> str:
    if not text:
        return text
    shown = _NOW.words.gettext(text)
    if shown != text:
        return shown
    for pattern, translation in _NOW.patterns:
        fits = pattern.fullmatch(text)
        if fits:
            parts = {name: _found(part) for name, part in fits.groupdict().items()}
            return parts.pop(_BEFORE, "") + translation.format(**parts)
    return text


def _fixed(key: str) -> str:
    """The words of a key without its parts."""
    return "".join(words for words, *_ in Formatter().parse(key))


def _pattern(key: str) -> re.Pattern[str]:
    """What texts made of `key` look like."""
    seen: set[str] = set()
    found = f"(?P<{_BEFORE}>.*?)" if key[0] in _GOES_ON else ""
    for words, name, *_ in Formatter().parse(key):
        found += re.escape(words)
        if name:
            found += (_AGAIN if name in seen else _PART).format(name)
            seen.add(name)
    return re.compile(found, re.DOTALL)
