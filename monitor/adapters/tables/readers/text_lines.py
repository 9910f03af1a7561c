"""Lines of a text in any encoding, numbered, of bounded length."""

import codecs
import io
import re
from collections.abc import Iterator
from typing import IO, Final

from monitor.adapters.tables.readers.table import Dropped, FieldLogError

MOST_LINE: Final = 1_000_000
"""Characters. No row is longer."""
_BOMS: Final = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),  # before UTF-16, whose mark it begins with
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_CYRILLIC: Final = re.compile(rb"[\xc0-\xff]{4}")


def encoding_of(head: bytes) -> str:
    """The encoding of a text that begins with `head`, by its mark, its zeros or its bytes.

    What is no UTF-8 is taken for a Windows code page: 1251 where letters beyond ASCII stand side by side, as in no Western
    language, else 1252.
    """
    for mark, name in _BOMS:
        if head.startswith(mark):
            return name
    even, odd = head[0:4096:2], head[1:4096:2]
    if odd and odd.count(0) > 0.4 * len(odd) and even.count(0) < 0.1 * len(even):
        return "utf-16-le"
    if odd and even.count(0) > 0.4 * len(even) and odd.count(0) < 0.1 * len(odd):
        return "utf-16-be"
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        return "cp1251" if _CYRILLIC.search(head) else "cp1252"
    return "utf-8"


class TextLines:
    """The lines of a stream with their numbers, from 1, without their ends. Too long ones are counted and left out."""

    def __init__(self, name: str, stream: IO[bytes], encoding: str) -> None:
        """Raises FieldLogError: there is no such encoding of text."""
        self._name = name
        self.dropped = Dropped()
        self.number = 0
        try:
            self._file = io.TextIOWrapper(stream, encoding=encoding, errors="replace", newline=None)
        except LookupError as error:
            raise FieldLogError(f"{name}: {error}") from None

    def __iter__(self) -> Iterator[tuple[int, str]]:
        return self

    def __next__(self) -> tuple[int, str]:
        while True:
            line = self._next()
            if len(line) >= MOST_LINE and not line.endswith("\n"):
                while line and not line.endswith("\n"):
                    line = self._next()
                self.number += 1
                self.dropped.lose_row(f"longer than {MOST_LINE} characters", f"{self._name} line {self.number}")
                continue
            if not line:
                raise StopIteration
            self.number += 1
            line = line.rstrip("\n")
            return self.number, line.replace("\0", "") if "\0" in line else line

    def _next(self) -> str:
        try:
            return self._file.readline(MOST_LINE)
        except (UnicodeError, ValueError) as error:
            raise FieldLogError(f"{self._name}: cannot be read as {self._file.encoding} ({error})") from None
