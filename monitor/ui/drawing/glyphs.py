"""Characters for a terminal whose font holds no more than those of the oldest consoles (code page 437).

On the console of a machine without a desktop a missing character is a blank or a box: the shape that tells CAUTION from
WARNING without colour, the stop marks and every curve would be gone. Each character that a screen draws so has a
stand-in here, one cell wide as itself.
"""

from types import MappingProxyType
from typing import Final

CONSOLE: Final = MappingProxyType(
    {
        "◆": "♦", "△": "^", "●": "•", "◁": "<", "◀": "◄", "▶": "►", "◇": "o", "›": ">", "✓": "√", "┆": "│", "╌": "-",
        "┃": "│", "−": "-", "×": "x", "…": "~", "–": "-", "▖": "▄", "₂": "2", "³": "3", "�": "?", "╭": "┌", "╮": "┐",
        "╰": "└", "╯": "┘",
    }
)  # fmt: skip
_BRAILLE: Final = 0x2800
_UPPER, _LOWER = 0x1B, 0xE4
"""Dots of the upper and of the lower two rows."""


def _braille(dots: int) -> str:
    return {(True, True): "█", (True, False): "▀", (False, True): "▄", (False, False): " "}[
        bool(dots & _UPPER), bool(dots & _LOWER)
    ]


_FORMS: Final = str.maketrans({**CONSOLE, **{chr(_BRAILLE + dots): _braille(dots) for dots in range(256)}})


def for_console(text: str) -> str:
    """`text` in characters that such a font has, as far as it comes from the screens themselves; as long as before."""
    return text if text.isascii() else text.translate(_FORMS)
