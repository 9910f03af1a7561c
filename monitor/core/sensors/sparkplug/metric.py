"""From one metric to a number, or to a reason why not.

Whole numbers travel unsigned: a negative one is its two's complement, in the width of its type or, as some libraries
send it, extended to the width of the field. A DataSet, a template, a text or a list is no reading, and is named for what
it is.
"""

from typing import Any, Final

from monitor.core.sensors.payload import LATEST_NS, Refused
from monitor.core.sensors.sparkplug.schema import DecodeError, Payload, PropertySet
from monitor.model.reading import RejectReason
from monitor.model.sparkplug import NUMERIC_TYPES, TYPE_NAMES, TYPES

MAX_METRICS: Final = 10_000
"""In one message. A large node has some hundred."""
_MS_NS: Final = 1_000_000
_BITS: Final = {
    TYPES["Int8"]: 8, TYPES["Int16"]: 16, TYPES["Int32"]: 32, TYPES["Int64"]: 64,
    TYPES["UInt8"]: 8, TYPES["UInt16"]: 16, TYPES["UInt32"]: 32, TYPES["UInt64"]: 64,
}  # fmt: skip
"""Width of whole numbers."""
_SIGNED: Final = frozenset(TYPES[name] for name in ("Int8", "Int16", "Int32", "Int64"))
_FRACTIONAL: Final = frozenset((TYPES["Float"], TYPES["Double"]))
_FIELD_BITS: Final = {"int_value": 32, "long_value": 64}
_UNREADABLE: Final = {"string_value": "text", "dataset_value": "DataSet", "template_value": "Template"}
_COMPRESSED: Final = b"SPBV1.0_COMPRESSED"
"""Identifier of a payload that holds another one, packed: no part of the standard."""
_QUALITY: Final = b"Quality"
_GOOD: Final = 192
"""Of the property Quality: 192 is good, 0 bad, 500 stale (Sparkplug 3.0.0, section 6.4.14)."""


def read_payload(data: bytes) -> Any:
    """The message in a payload.

    Raises:
        Refused: it is none, or holds more metrics than any node sends at once.
    """
    message = Payload()
    try:
        message.ParseFromString(data)
    except DecodeError:
        raise Refused(RejectReason.NOT_SPARKPLUG, "not the protobuf of a Sparkplug payload") from None
    if message.uuid == _COMPRESSED:
        raise Refused(
            RejectReason.NOT_SPARKPLUG, "compressed, which only some libraries know: have the node send it plain"
        )
    count = len(message.metrics)
    if count > MAX_METRICS:
        raise Refused(RejectReason.TOO_LARGE, f"{count} metrics in one message")
    return message


def value_of(metric: Any, datatype: int) -> float | bool:
    """The number (or switch) in a metric. `datatype` is its type, 0 where neither message nor birth tells one.

    Raises:
        Refused: there is none, and why.
    """
    field: str | None = metric.WhichOneof("value")
    if metric.is_null or field is None:
        raise Refused(RejectReason.NO_VALUE)
    if datatype and datatype not in NUMERIC_TYPES:
        raise Refused(RejectReason.NOT_A_NUMBER, TYPE_NAMES.get(datatype, f"type {datatype}"))
    if field == "float_value" or field == "double_value":
        if not datatype or datatype in _FRACTIONAL:
            number: float = getattr(metric, field)
            return number
    elif field == "boolean_value":
        if not datatype or datatype == TYPES["Boolean"]:
            return bool(metric.boolean_value)
    elif field in _FIELD_BITS:
        if datatype in _BITS:
            return whole_number(getattr(metric, field), datatype, _FIELD_BITS[field])
        if not datatype:
            raise Refused(RejectReason.NOT_A_NUMBER, "whole number whose type is not known before the birth")
    what = _UNREADABLE.get(field, field.removesuffix("_value"))
    raise Refused(RejectReason.NOT_A_NUMBER, f"{TYPE_NAMES[datatype]} sent as {what}" if datatype else what)


def whole_number(sent: int, datatype: int, field_bits: int) -> int:
    """The whole number of that type in an unsigned field of so many bits.

    Raises:
        Refused: no number of the type is sent so.
    """
    bits = _BITS[datatype]
    half, full = 1 << (bits - 1), 1 << bits
    if datatype not in _SIGNED:
        if sent < full:
            return sent
    elif sent < half:
        return sent
    elif sent < full:
        return sent - full
    elif sent >= (1 << field_bits) - half:
        return sent - (1 << field_bits)
    elif field_bits == 64 and (1 << 32) - half <= sent < 1 << 32:  # a field of 32 bits, copied
        return sent - (1 << 32)
    raise Refused(RejectReason.NOT_A_NUMBER, f"{sent} does not fit {TYPE_NAMES[datatype]}")


def check_quality(properties: bytes) -> None:
    """Look at a metric's properties, as they were sent.

    Raises:
        Refused: they say that the value is not good, or cannot be read.
    """
    found = PropertySet()
    try:
        found.ParseFromString(properties)
    except DecodeError:
        raise Refused(RejectReason.NOT_SPARKPLUG, "properties cannot be read") from None
    for key, value in zip(found.keys, found.values, strict=False):
        if key == _QUALITY and not value.is_null:
            code = getattr(value, value.WhichOneof("value") or "int_value")
            if code != _GOOD:
                raise Refused(RejectReason.BAD_QUALITY, f"Quality {code}")


def time_ns_of(stamp_ms: int) -> int | None:
    """Unix time in ns of a time stamp; None where there is none.

    Raises:
        Refused: it is no time of this century.
    """
    if not stamp_ms:
        return None
    if stamp_ms * _MS_NS >= LATEST_NS:
        raise Refused(RejectReason.BAD_TIME, "not in this century: time stamps count milliseconds")
    return stamp_ms * _MS_NS
