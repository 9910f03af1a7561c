"""An entry's figures as a person reads them: the name without its unit, the number in the trade's."""

from collections.abc import Mapping
from typing import Final

from monitor.adapters.ledger.ledger import KINDS, Entry, iso
from monitor.presentation.format import span
from monitor.units import unit

_UNITS: Final = (
    ("_pa_s", "bar/min", "bar/min"),
    ("_pa", "bar", "bar"),
    ("_j", "ton-mile", "ton-miles"),
    ("_n", "kN", "kN"),
    ("_kg", "t", "t"),
    ("_c", "degC", "°C"),
    ("_m", "m", "m"),
)
"""How a name ends, the unit that it is shown in, and that unit in words. The first that fits counts."""
_TIME: Final = "_s"
_UNTOLD: Final = frozenset(("passed", "measured", "limit"))
"""Of a check, for counting: the entry's words say the same, with its unit."""


def figure(name: str, number: float, digits: int = 4, signed: bool = False) -> str:
    """The number of that name, SI, with its unit: ``12.5 ton-miles``."""
    sign = "+" if signed else ""
    for end, name_of_unit, words in _UNITS:
        if name.endswith(end):
            return f"{unit(name_of_unit).from_si(number):{sign}.{digits}g} {words}"
    if not name.endswith(_TIME):
        return f"{number:{sign}.{digits}g}"
    return f"{number:{sign}.{digits}g} s" if abs(number) < 10.0 else span(number)


def figures(numbers: Mapping[str, float]) -> str:
    """All of an entry's numbers in words: ``work 12.5 ton-miles, span 60 min``."""
    return ", ".join(
        f"{_plain(name)} {figure(name, number)}" for name, number in numbers.items() if name not in _UNTOLD
    )


def line_event(entry: Entry) -> tuple[str, str]:
    """When an event in the drilling line's life was (date and time, to the minute, UTC), and what it was."""
    details = ", ".join(part for part in (entry.text, figures(entry.numbers)) if part)
    return iso(entry.t_ns)[:16], f"{KINDS[entry.kind]} {details}".strip()


def _plain(name: str) -> str:
    for end in (*(row[0] for row in _UNITS), _TIME):
        if name.endswith(end):
            name = name.removesuffix(end)
            break
    return name.replace("_", " ")
