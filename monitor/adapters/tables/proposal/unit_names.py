"""Foreign spellings of units: what stands in the heads and units rows of logs, as the units that Stopmark knows.

Names of WITSML's unit dictionary are among them (``daN``, ``kdaN``, ``klbf``, ``degC``). A unit of mass beside a hook load means
the weight of that mass, as rigs have it.
"""

import re
from collections.abc import Iterable, Mapping
from types import MappingProxyType
from typing import Final

from monitor.adapters.tables.field_map import LogColumn
from monitor.adapters.tables.readers.table import Heads
from monitor.units import UNITS, Dimension

_SPELLINGS: Final[Mapping[Dimension, Mapping[str, str]]] = MappingProxyType(
    {
        "length": {
            "m": "m meter meters metre metres mtr mtrs м метр",
            "ft": "ft f feet foot ftus",
            "cm": "cm см",
            "mm": "mm мм",
            "in": "in inch inches",
        },
        "force": {
            "N": "n newton newtons н",
            "kN": "kn kilonewton kilonewtons кн",
            "N*10": "dan n*10 10n",
            "kN*10": "kdan kn*10 10kn",
            "tf": "t tf te ton tons tonne tonnes mt mton metricton metrictons tonf 1000kgf 1000kg kkgf kkg т тн тс тонн",
            "kgf": "kgf kg kp кгс кг",
            "lbf": "lbf lb lbs pound pounds",
            "klbf": "klbf klb klbs klbm kip kips 1000lbf 1000lb 1000lbs kdlb kpounds klbsf",
        },
        "pressure": {
            "Pa": "pa",
            "kPa": "kpa кпа",
            "MPa": "mpa мпа",
            "bar": "bar bars barg бар",
            "psi": "psi psig psia lbf/in2",
        },
        "temperature": {"degC": "degc c °c celsius", "degF": "degf f °f fahrenheit", "K": "k kelvin degk"},
        "torque": {"N*m": "nm n*m", "kN*m": "knm kn*m", "ft*lbf": "ft*lbf ftlbf ftlb ftlbs lbf*ft lbft"},
        "current": {"A": "a amp amps ampere amperes"},
        "fraction": {"percent": "% percent pct", "fraction": "fraction euc v/v"},
        "count": {"counts": "counts count cnt cts pulses imp"},
        "energy": {
            "J": "j joule joules",
            "MJ": "mj megajoule megajoules",
            "ton-mile": "tonmile tonmiles tonmi tmi tm",
        },
        "switch": {"switch": "switch bool on/off 0/1"},
    }
)
_BY_SPELLING: Final[Mapping[Dimension, Mapping[str, str]]] = MappingProxyType(
    {
        dimension: {spelling: unit for unit, spellings in units.items() for spelling in spellings.split()}
        for dimension, units in _SPELLINGS.items()
    }
)
SECONDS: Final[Mapping[str, float]] = MappingProxyType(
    {
        "s": 1.0,
        "sec": 1.0,
        "secs": 1.0,
        "second": 1.0,
        "seconds": 1.0,
        "ms": 1e-3,
        "min": 60.0,
        "minutes": 60.0,
        "h": 3600.0,
    }
)
"""Seconds of units of time."""


def unit_named(words: str, dimension: Dimension) -> str | None:
    """The unit that `words` spell, where they are a unit of `dimension`."""
    if words in UNITS and UNITS[words].dimension == dimension:
        return words
    plain = re.sub(r"[\s._^·-]", "", words.casefold()).replace("·", "*")
    return _BY_SPELLING.get(dimension, {}).get(plain)


def is_unit(words: str) -> bool:
    """Whether `words` are a unit of any kind."""
    return any(unit_named(words, dimension) for dimension in _SPELLINGS) or words.casefold() in SECONDS


_BRACKETS: Final = re.compile(r"[\[({<]([^\])}>]*)[\])}>]\s*$")
_TAIL: Final = re.compile(r"(?:[,;/]\s*|[\s_])([^\s,;/_]{1,8})\s*$")


def parted(head: str, unit_words: str) -> tuple[str, str]:
    """A head as name and unit: "Hook Load (klbf)", "Block Pos, m" and "bpos_ft" name theirs; `unit_words` of a units row go
    before that."""
    name, unit = head, ""
    found = _BRACKETS.search(head)
    if found:
        name, unit = head[: found.start()], found[1]
    else:
        tail = _TAIL.search(head)
        if tail and is_unit(tail[1]):
            name, unit = head[: tail.start()], tail[1]
    return name.strip(" ,;:_-"), (unit_words or unit).strip()


def contradictions(heads: Heads, columns: Iterable[LogColumn]) -> list[str]:
    """The columns of a map of which the file itself names another unit, in words; the map's is taken."""
    units = dict(zip(heads.names, heads.units, strict=True))
    found = []
    for column in columns:
        words = parted(column.column, units.get(column.column, ""))[1]
        own = unit_named(words, UNITS[column.unit].dimension)
        if own is not None and own != column.unit:
            found.append(
                f"column {column.column!r}: the file says {words!r}, the map {column.unit}; the map's is taken"
            )
    return found
