"""Kinds of fields of configuration files: numbers, names, words, pointers, units; and the model that all files are made of.

What must agree in a file is checked field by field, with what came before (`ValidationInfo.data`), and not at the end over
the whole: so a mistake in one field does not hide those in others, and a person gets all of them at once.
"""

import math
import re
from typing import Annotated, Final

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationInfo

from monitor.model.quantities import QUANTITIES
from monitor.units import UNITS

# Far wider than any machine, and far from where products of such numbers overflow or vanish.
_LEAST, MOST = 1e-9, 1e12
Positive = Annotated[float, Field(ge=_LEAST, le=MOST, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, le=MOST, allow_inf_nan=False)]
Finite = Annotated[float, Field(ge=-MOST, le=MOST, allow_inf_nan=False)]
Share = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)]


def matching(pattern: str, words: str) -> AfterValidator:
    """Text that matches `pattern` as a whole; `words` say what it must be otherwise."""
    compiled = re.compile(pattern)

    def check(text: str) -> str:
        if compiled.fullmatch(text) is None:
            raise ValueError(words)
        return text

    return AfterValidator(check)


Name = Annotated[
    str, matching(r"[a-z0-9][a-z0-9_-]{0,39}", "must be a name of a-z, 0-9, - and _, 40 characters at most")
]
Words = Annotated[
    str,
    matching(
        r"[^\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]*",
        "must be one line, without control characters",
    ),
]
"""Text that is shown: one line, without control characters (a terminal takes some for commands) and without those that turn
the direction of writing."""
Pointer = Annotated[
    str, matching(r"(/([^~/]|~[01])*)*", 'must be a JSON Pointer, as "/value" or "/readings/0/v", or "" for all of it')
]
"""A JSON Pointer (RFC 6901); the empty string is the whole document."""


def _known_quantity(name: str) -> str:
    if name not in QUANTITIES:
        raise ValueError(f"unknown quantity {name!r}, known: {', '.join(QUANTITIES)}")
    return name


def _unit_of_quantity(name: str, info: ValidationInfo) -> str:
    """A unit that is known and measures the quantity beside it (where that one is known)."""
    quantity, unit = QUANTITIES.get(info.data.get("quantity", "")), UNITS.get(name)
    if unit is None or (quantity is not None and unit.dimension != quantity.dimension):
        fits = ", ".join(
            each.name for each in UNITS.values() if quantity is None or each.dimension == quantity.dimension
        )
        if unit is None or quantity is None:
            raise ValueError(f"unknown unit {name!r}, use {fits}")
        raise ValueError(f"{name!r} does not measure {quantity.label} ({quantity.dimension}), use {fits}")
    return name


RECORDED: Final = {"recorded": True}
"""Context in which a record's configuration is read."""


def is_recorded(info: ValidationInfo) -> bool:
    """Whether what is checked was recorded, and not just written by a person."""
    return bool(info.context and info.context.get("recorded"))


def _plain(number: float) -> str:
    return f"{number:,.0f}" if 1e3 <= abs(number) < 1e7 else f"{number:g}"


def between(least: float, most: float) -> AfterValidator:
    """A number that a machine can have here; the error names the range. Ranges are many times wider than any rig known, so
    that they catch a slip of a decimal point or of a unit, and no rig. What was recorded under wider ones stays readable."""

    def check(number: float, info: ValidationInfo) -> float:
        if not math.isfinite(number):
            raise ValueError("must be a finite number")
        if is_recorded(info) and (_LEAST if least > 0.0 else 0.0 if least == 0.0 else -MOST) <= number <= MOST:
            return number
        if not least <= number <= most:
            raise ValueError(f"must be from {_plain(least)} to {_plain(most)}")
        return number

    return AfterValidator(check)


def not_above(other: str, why: str) -> AfterValidator:
    """A number that must not be above the field `other`, which stands before it in its model; `why` is told."""

    def check(number: float, info: ValidationInfo) -> float:
        most = info.data.get(other)
        if most is not None and number > most:
            raise ValueError(f"must not be above {other} ({most:g}): {why}")
        return number

    return AfterValidator(check)


QuantityName = Annotated[str, AfterValidator(_known_quantity)]
UnitName = Annotated[str, AfterValidator(_unit_of_quantity)]
"""A unit's name, in a model that has a `quantity` before it."""


class Model(BaseModel):
    """Frozen, strict, closed to unknown fields. The value of a field that was left out is checked like one that was given."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", strict=True, validate_default=True, ser_json_inf_nan="constants"
    )
