"""Numbers as logs write them: with point or comma, in groups of three, with a minus sign of print."""

import re
from typing import Final

_GROUPED: Final = {
    comma: re.compile(rf"[+-]?\d{{1,3}}([{mark}\u00a0\u2009\u202f' ]\d{{3}})+([{sign}]\d*)?")
    for comma, mark, sign in ((False, ",", "."), (True, ".", ","))
}
_MARKS: Final = {
    False: str.maketrans("\u2212", "-", ",\u00a0\u2009\u202f' "),
    True: str.maketrans("\u2212,", "-.", ".\u00a0\u2009\u202f' "),
}


def plain(word: str, comma: bool) -> str:
    """`word` as Python writes a number, where it is one; `comma`: decimals stand behind a comma."""
    if comma:
        word = word.replace("\u2212", "-")
        if _GROUPED[True].fullmatch(word):
            return word.translate(_MARKS[True])
        return word.replace(".", "").replace(",", ".")
    signed = word.replace("\u2212", "-")
    return word.translate(_MARKS[False]) if _GROUPED[False].fullmatch(signed) else signed


def number_in(word: str, comma: bool) -> float:
    """The number in `word`, blanks around it or not; not finite where it says so.

    Raises:
        ValueError: it is none.
    """
    if not comma:
        try:
            return float(word)
        except ValueError:
            pass
    return float(plain(word.strip(), comma))
