"""From one JSON value to a number, a time, or a reason why not; and JSON Pointers (RFC 6901), which find the value."""

import math
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any, Final

from monitor.model.reading import RejectReason

UNIT_NS: Final = {"s": 1_000_000_000, "ms": 1_000_000, "us": 1_000, "ns": 1}
"""Nanoseconds per unit of a numeric `time_format`."""
GREATEST_INT: Final = 1 << 64
"""Whole numbers from here on are refused; so are negative ones beyond half of it. A sensor's range ends far below both."""
LATEST_NS: Final = 4_102_444_800_000_000_000  # year 2100: a later "time" is a wrong unit


class Refused(Exception):
    """A field that cannot be used; carries the reject's reason and detail."""

    def __init__(self, reason: RejectReason, detail: str = "") -> None:
        super().__init__(reason)
        self.reason = reason
        self.detail = detail


MISSING: Final = object()


def _keys(pointer: str) -> list[str]:
    return [part.replace("~1", "/").replace("~0", "~") for part in pointer[1:].split("/")]


def compile_pointer(pointer: str) -> Callable[[Any], Any]:
    """A function that follows a JSON Pointer (RFC 6901) and returns a private marker where it leads nowhere."""
    if not pointer:
        return lambda document: document
    keys = _keys(pointer)

    def follow(document: Any) -> Any:
        for key in keys:
            document = _step(document, key)
            if document is MISSING:
                return MISSING
        return document

    return follow


def _step(document: Any, key: str) -> Any:
    if type(document) is dict:
        return document.get(key, MISSING)
    if type(document) is list and key.isascii() and key.isdigit() and (key == "0" or key[0] != "0"):
        index = int(key) if len(key) < 7 else len(document)
        return document[index] if index < len(document) else MISSING
    return MISSING


def number_of(item: Any) -> float:
    """The number in a field. Raises Refused."""
    if type(item) is float:
        if math.isfinite(item):
            return item
        raise Refused(RejectReason.NOT_FINITE)
    if type(item) is int:
        if -GREATEST_INT // 2 <= item < GREATEST_INT:
            return float(item)
        raise Refused(RejectReason.NOT_FINITE, "integer too large")
    if item is MISSING:
        raise Refused(RejectReason.MISSING_FIELD, "value")
    raise Refused(RejectReason.NOT_A_NUMBER, type(item).__name__)


def switch_of(item: Any) -> float:
    """Switches may also come as true and false."""
    return float(item) if type(item) is bool else number_of(item)


def time_ns_of(item: Any, time_format: str) -> int:
    """Unix time in ns of a time in `time_format`. Raises Refused."""
    if item is MISSING or item is None:
        raise Refused(RejectReason.MISSING_FIELD, "time")
    try:
        if time_format == "iso8601":
            if type(item) is not str or len(item) > 40:
                raise ValueError
            moment = datetime.fromisoformat(item)
            moment = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
            delta = moment - datetime(1970, 1, 1, tzinfo=UTC)
            result = (delta.days * 86_400 + delta.seconds) * 1_000_000_000 + delta.microseconds * 1_000
        elif type(item) is int:
            result = item * UNIT_NS[time_format]
        elif type(item) is float and math.isfinite(item):
            result = round(item * UNIT_NS[time_format])
        else:
            raise ValueError
    except (ValueError, OverflowError):
        raise Refused(RejectReason.BAD_TIME) from None
    if not 0 <= result < LATEST_NS:
        raise Refused(RejectReason.BAD_TIME, "not in this century: is time_format right?")
    return result


def top_name(pointer: str | None) -> str | None:
    """The name that a pointer to the top of an object holds; None for every other pointer, and for none."""
    keys = _keys(pointer) if pointer else []
    return keys[0] if len(keys) == 1 else None
