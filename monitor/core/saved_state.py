"""Reading the state of an earlier run, or of an earlier moment: plain JSON values, untrusted input.

Each part of the core gives its own `state` and takes it back by `restore`, with these to look at every value before it
is believed.
"""

import math
from collections.abc import Mapping
from typing import Any, Final

FORMAT: Final = 1
"""Of the whole state. A state of another format is not restored."""
_GREATEST: Final = 1e18


def number(saved: Mapping[str, Any], name: str, low: float = -_GREATEST, high: float = _GREATEST) -> float:
    """The number under `name`, from `low` to `high`.

    Raises:
        ValueError: there is none, or it lies outside.
    """
    value = saved.get(name)
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        raise ValueError(f"{name}: {value!r} is no number from {low:g} to {high:g}")
    return float(value)


def optional(saved: Mapping[str, Any], name: str) -> float | None:
    """The number under `name`; None where that is kept.

    Raises:
        ValueError: there is neither.
    """
    return None if name in saved and saved[name] is None else number(saved, name)


def numbers(saved: Mapping[str, Any], name: str, length: int | None = None, most: int = 1000) -> tuple[float, ...]:
    """The list of numbers under `name`, of that length (any up to `most` when None).

    Raises:
        ValueError: there is no such list.
    """
    values = saved.get(name)
    if not isinstance(values, list) or len(values) > most or (length is not None and len(values) != length):
        raise ValueError(f"{name}: no list of {length if length is not None else f'up to {most}'} numbers")
    return tuple(number({name: value}, name) for value in values)


def whole(saved: Mapping[str, Any], name: str, low: int = 0, high: int = 1 << 62) -> int:
    """The whole number under `name`, from `low` to `high`.

    Raises:
        ValueError: there is none, or it lies outside.
    """
    value = saved.get(name)
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        raise ValueError(f"{name}: {value!r} is no whole number from {low} to {high}")
    return value


def part(saved: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    """The mapping under `name`.

    Raises:
        ValueError: there is none.
    """
    value = saved.get(name)
    if not isinstance(value, Mapping):
        raise ValueError(f"{name}: missing")
    return value


def words(saved: Mapping[str, Any], name: str, most: int = 200) -> str:
    """The text under `name`.

    Raises:
        ValueError: there is none, it is too long, or it holds what cannot be printed.
    """
    value = saved.get(name)
    if not isinstance(value, str) or len(value) > most or not (value.isprintable() or not value):
        raise ValueError(f"{name}: no short text")
    return value


def plain(value: float) -> float | None:
    """`value` as JSON takes it: None for what is not finite."""
    return value if math.isfinite(value) else None
