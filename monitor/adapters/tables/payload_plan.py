"""Which of the numbers in payloads of one shape are a sensor's value, its time and its sequence.

Each number of the shape is replaced by a mark, the payload is read as JSON, and every pointer of a sensor is followed in it:
the mark that it finds says which number it means.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from pydantic_core import from_json

from monitor.config.sensor import Sensor
from monitor.core.sensors.payload import UNIT_NS, compile_pointer

Shape = tuple[str, bool, tuple[bytes, ...]]
"""What frames of one kind have in common: topic, whether retained, the words around the numbers."""

_MARK: Final = 7_000_000_000_000_000
"""Numbers of a payload's shape are replaced by this plus their place, to see where each comes out."""


@dataclass(frozen=True, slots=True)
class Token:
    """A number of a payload: its column, and that of its decimals where it has some."""

    whole: int
    decimals: int | None


@dataclass(frozen=True, slots=True)
class PlannedReading:
    """How one sensor's reading comes out of a payload's numbers."""

    index: int
    sensor: Sensor
    value: Token
    time: Token | None
    sequence: Token | None


@dataclass(frozen=True, slots=True)
class Plan:
    """All numbers of payloads of one shape, and the readings among them."""

    tokens: tuple[Token, ...]
    readings: tuple[PlannedReading, ...]


def plan_of(shape: Shape, sensors: Sequence[tuple[int, Sensor]]) -> Plan | None:
    """How the readings of `sensors` (place in the rig, sensor) come out of payloads of one shape; None where only the
    decoder can tell."""
    _, retained, words = shape
    if not sensors or retained or len(words) < 2 or any(sensor.payload == "ascii" for _, sensor in sensors):
        return None
    text, tokens = _marked(words)
    if not _clear(words, tokens):
        return None
    try:
        document = from_json(text, allow_inf_nan=False)
    except ValueError:
        return None
    readings = []
    for index, sensor in sensors:
        reading = _planned(index, sensor, document, tokens)
        if reading is None:
            return None
        readings.append(reading)
    return Plan(tuple(tokens), tuple(readings))


def _marked(words: Sequence[bytes]) -> tuple[bytes, list[Token]]:
    """The payload with a mark in place of each number, and the numbers."""
    text, tokens, place = words[0], list[Token](), 0
    while place < len(words) - 1:
        decimal = words[place + 1] == b"." and place + 1 < len(words) - 1
        text += b"%d" % (_MARK + len(tokens))
        tokens.append(Token(place, place + 1 if decimal else None))
        place += 2 if decimal else 1
        text += words[place]
    return text, tokens


def _planned(index: int, sensor: Sensor, document: Any, tokens: Sequence[Token]) -> PlannedReading | None:
    """One sensor's reading in the marked `document`; None where it is not made of plain numbers alone."""
    value = _token(sensor.value, document, tokens)
    time = None if sensor.time is None else _token(sensor.time, document, tokens)
    sequence = None if sensor.sequence is None else _token(sensor.sequence, document, tokens)
    if value is None or sensor.quality is not None:
        return None
    if sensor.time is not None and (time is None or sensor.time_format not in UNIT_NS):
        return None
    if sensor.sequence is not None and (sequence is None or sequence.decimals is not None):
        return None
    return PlannedReading(index, sensor, value, time, sequence)


def _token(pointer: str, document: Any, tokens: Sequence[Token]) -> Token | None:
    """The number that `pointer` finds in the marked `document`."""
    found: Any = compile_pointer(pointer)(document)
    if type(found) is int and 0 <= found - _MARK < len(tokens):
        return tokens[found - _MARK]
    return None


def _clear(words: Sequence[bytes], tokens: Sequence[Token]) -> bool:
    """Whether every number stands by itself, so that putting another in its place makes no JSON of what was none."""
    for count, token in enumerate(tokens):
        before = words[token.whole]
        if before.endswith((b"+", b"-", b".", b"e", b"E")) or (count and not before):
            return False
        after = words[(token.whole if token.decimals is None else token.decimals) + 1]
        if after.startswith((b"+", b"-", b".", b"e", b"E")):
            return False
    return True
