"""How numbers and words look on the screen: unit systems, figures that are never cut, words where nothing is known.

Everything inside is SI; this is one of the two edges where units change. A figure is at most `WIDEST` characters,
whatever the number: beyond what its decimals can show it turns to fewer decimals and then to an exponent.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from types import MappingProxyType
from typing import Final, Literal

from monitor.core.signals.believable import BEYOND, NO_LOAD
from monitor.language import msgid, tr
from monitor.model.alarm import Severity
from monitor.model.reading import Validity, Value
from monitor.units import UNITS, Dimension, Unit

System = Literal["si", "metric", "field"]
SYSTEMS: Final[tuple[System, ...]] = ("si", "metric", "field")
SYSTEM_LABEL: Final[Mapping[System, str]] = MappingProxyType(
    {"si": "SI (m, kN, bar)", "metric": "metric (m, t, bar)", "field": "field (ft, klbf, psi)"}
)

WIDEST: Final = 7
MINUS: Final = "−"
UNKNOWN_WORD: Final = msgid("unknown")
NOT_FITTED_WORD: Final = msgid("not fitted")
NOT_KNOWN_WORDS: Final = msgid("not known")
"""In a sentence."""
_SHORT: Final[Mapping[str, str]] = MappingProxyType({NO_LOAD: msgid("no load"), BEYOND: msgid("beyond")})


@dataclass(frozen=True, slots=True)
class Shown:
    """How one dimension is shown: the unit, what is printed behind the figure, and the decimals."""

    unit: Unit
    label: str
    decimals: int

    def number(self, si: float) -> float:
        """An SI number in this unit."""
        return self.unit.from_si(si)


def _shown(name: str, label: str, decimals: int) -> Shown:
    return Shown(UNITS[name], label, decimals)


_SI: Final[dict[Dimension, Shown]] = {
    "length": _shown("m", "m", 2),
    "speed": _shown("m/s", "m/s", 2),
    "acceleration": _shown("m/s2", "m/s²", 2),
    "force": _shown("kN", "kN", 0),
    "pressure": _shown("bar", "bar", 0),
    "temperature": _shown("degC", "°C", 0),
    "torque": _shown("kN*m", "kN·m", 1),
    "current": _shown("A", "A", 0),
    "fraction": _shown("percent", "%", 0),
    "count": _shown("counts", "", 0),
    "switch": _shown("switch", "", 0),
    "time": _shown("s", "s", 1),
    "energy": _shown("MJ", "MJ", 0),
    "power": _shown("kW", "kW", 0),
    "mass": _shown("t", "t", 1),
    "ratio": _shown("ratio", "", 2),
    "pressure rate": _shown("bar/min", "bar/min", 2),
    "temperature difference": _shown("K difference", "K", 0),
}
_TABLE: Final[Mapping[System, Mapping[Dimension, Shown]]] = MappingProxyType(
    {
        "si": MappingProxyType(_SI),
        "metric": MappingProxyType(_SI | {"force": _shown("tf", "t", 1)}),
        "field": MappingProxyType(
            _SI
            | {
                "length": _shown("ft", "ft", 1),
                "speed": _shown("ft/min", "ft/min", 0),
                "acceleration": _shown("ft/s2", "ft/s²", 1),
                "force": _shown("klbf", "klbf", 1),
                "pressure": _shown("psi", "psi", 0),
                "pressure rate": _shown("psi/min", "psi/min", 0),
                "temperature": _shown("degF", "°F", 0),
                "temperature difference": _shown("degF difference", "°F", 0),
                "torque": _shown("ft*lbf", "ft·lbf", 0),
                "energy": _shown("ton-mile", "ton-mile", 1),
            }
        ),
    }
)


_MM_S: Final = Unit("mm/s", "speed", 1e-3)
_IN_MIN: Final = Unit("in/min", "speed", UNITS["in"].scale / 60)
_FINE_SI: Final[dict[Dimension, tuple[float, Shown]]] = {
    "length": (0.3, _shown("mm", "mm", 0)),
    "speed": (0.05, Shown(_MM_S, "mm/s", 1)),
    "pressure": (5e5, _shown("bar", "bar", 2)),
}
_FINE_FIELD: Final[dict[Dimension, tuple[float, Shown]]] = {
    "length": (0.3, _shown("in", "in", 1)),
    "speed": (0.05, Shown(_IN_MIN, "in/min", 1)),
    "pressure": (5e5, _shown("psi", "psi", 1)),
}
"""Below the first number (SI) a small quantity is shown in the finer unit."""


def plain(number: float, decimals: int, signed: bool = False) -> str:
    """`number` in at most `WIDEST` characters (one more with `signed`), never cut; NaN is a word.

    Minus zero loses its sign: a block at rest does not read "−0.00".
    """
    if math.isnan(number):
        return tr(UNKNOWN_WORD)
    if math.isinf(number):
        return "∞" if number > 0 else f"{MINUS}∞"
    for places in range(decimals, -1, -1):
        text = f"{number:.{places}f}"
        if float(text) == 0.0:
            text = f"{0.0:.{places}f}"
        if len(text) <= WIDEST:
            break
    else:
        text = f"{number:.0e}".replace("e+", "e")
    if signed and float(text) > 0:
        text = "+" + text
    return text.replace("-", MINUS)


@dataclass(frozen=True, slots=True)
class Units:
    """A unit system in use: turns SI into text."""

    system: System = "si"

    def shown(self, dimension: Dimension) -> Shown:
        """How this system shows `dimension`."""
        return _TABLE[self.system][dimension]

    def label(self, dimension: Dimension) -> str:
        """What is printed behind a figure."""
        return self.shown(dimension).label

    def number(self, si: float, dimension: Dimension, signed: bool = False) -> str:
        """The bare figure."""
        row = self.shown(dimension)
        return plain(row.number(si), row.decimals, signed)

    def text(self, si: float, dimension: Dimension, signed: bool = False) -> str:
        """Figure and unit, or the word when there is no number."""
        figure = self.number(si, dimension, signed)
        label = self.label(dimension)
        if math.isnan(si):
            return figure
        return f"{figure} {label}" if label else figure

    def fine(self, value: Value, dimension: Dimension, beside: float = 0.0, signed: bool = False) -> str:
        """As `value`, small quantities in a finer unit. `beside` is what it is compared with, shown the same way."""
        if value.word:
            return tr(value.word)
        row = self._fine(dimension, max(abs(value.number), abs(beside))) if value.known else None
        if row is None or math.isnan(value.number):
            return self.value(value, dimension, signed)
        text = f"{plain(row.number(value.number), row.decimals, signed)} {row.label}"
        return f"≈{text}" if value.validity is Validity.DEGRADED else text

    def fine_text(self, si: float, dimension: Dimension, beside: float = 0.0) -> str:
        """As `text`, by the same choice of unit as `fine`."""
        row = self._fine(dimension, max(abs(si), abs(beside)))
        return self.text(si, dimension) if row is None else f"{plain(row.number(si), row.decimals)} {row.label}"

    def apart(self, value: Value, limit: float, dimension: Dimension) -> tuple[str, str]:
        """A signal and what it is held against: in the same unit, with as many decimals as it takes to tell them apart.
        Alike where not even three more than usual do."""
        if not value.known or value.word or math.isnan(value.number):
            return self.value(value, dimension), self.fine_text(limit, dimension)
        row = self.beside(value, limit, dimension)
        one, other = row.number(value.number), row.number(limit)
        for decimals in range(row.decimals, row.decimals + 4):
            figures = plain(one, decimals), plain(other, decimals)
            if figures[0] != figures[1]:
                break
        else:
            figures = plain(one, row.decimals), plain(other, row.decimals)
        texts = [f"{figure} {row.label}" if row.label else figure for figure in figures]
        return (f"≈{texts[0]}" if value.validity is Validity.DEGRADED else texts[0]), texts[1]

    def beside(self, value: Value, limit: float, dimension: Dimension) -> Shown:
        """The unit in which `apart` shows the two."""
        size = max(abs(value.number), abs(limit)) if value.known else abs(limit)
        return self._fine(dimension, size) or self.shown(dimension)

    def _fine(self, dimension: Dimension, size: float) -> Shown | None:
        table = _FINE_FIELD if self.system == "field" else _FINE_SI
        below, row = table.get(dimension, (0.0, None))
        return row if size < below else None

    def switch(self, value: Value, on: str = "", off: str = "") -> str:
        """A switch as a word."""
        if value.known and not math.isnan(value.number):
            return (on or tr("on")) if value.number >= 0.5 else (off or tr("off"))
        return word(value)

    def value(self, value: Value, dimension: Dimension, signed: bool = False) -> str:
        """A signal as text: words when there is no number to show, "≈" before a degraded one."""
        if value.word:
            return tr(value.word)
        if not value.known or math.isnan(value.number):
            return word(value)
        text = self.text(value.number, dimension, signed)
        return f"≈{text}" if value.validity is Validity.DEGRADED else text

    def figure(self, value: Value, dimension: Dimension, signed: bool = False) -> str | None:
        """The bare figure of a signal, None when there is none to show."""
        if value.word or not value.known or math.isnan(value.number):
            return None
        return self.number(value.number, dimension, signed)


def ways(text: str) -> tuple[str, ...]:
    """A value in words and figures, and its shorter forms: without its unit, the bare figure; of words fewer."""
    shorter = next((tr(short) for words, short in _SHORT.items() if text in (words, tr(words))), "")
    if shorter:
        return text, shorter
    head = text.partition(" ")[0]
    return (text, head) if head != text and any(char.isdigit() for char in head) else (text,)


def word(value: Value) -> str:
    """What to say instead of a figure."""
    if value.word:
        return tr(value.word)
    return tr(NOT_FITTED_WORD if value.validity is Validity.NOT_FITTED else UNKNOWN_WORD)


def signal_word(severity: Severity) -> str:
    """What a severity is called."""
    return tr(severity.name)


def clock(t_ns: int, date: bool = False) -> str:
    """Stream time as UTC wall clock."""
    try:
        moment = datetime.fromtimestamp(t_ns // 1_000_000_000, UTC)
    except (OverflowError, OSError, ValueError):
        return tr("no time")
    return moment.strftime("%Y-%m-%d %H:%M:%S" if date else "%H:%M:%S")


def span(seconds: float) -> str:
    """A length of time in the largest sensible unit: "0.4 s", "75 s", "12 min", "5 h", "3 days"."""
    if math.isnan(seconds):
        return tr(UNKNOWN_WORD)
    if math.isinf(seconds):
        return tr("never")
    size = abs(seconds)
    if size < 9.95:
        return f"{plain(seconds, 1)} s"
    if size < 120:
        return f"{plain(seconds, 0)} s"
    if size < 7200:
        return f"{plain(seconds / 60, 0)} min"
    if size < 172_800:
        return f"{plain(seconds / 3600, 0)} h"
    return tr("{days} days", days=plain(seconds / 86_400, 0))


SI: Final = Units("si")
