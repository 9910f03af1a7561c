"""The readings of a block as numbers, without their payloads being written out and read again.

A kind's words are a document with holes where its numbers were, and the numbers lie in columns. Where the document is a plain
object, read once with marks in its holes, the columns under the names of value, time and sequence number go to the sensor's
decoder as they are. Nothing is decided here about a reading: a column of which any part could mean another thing as text, and one
that has an unusual reading in it, is left to the payloads, which say what is wrong.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

from pydantic_core import from_json

from monitor.adapters.sessions.blocks import open_block
from monitor.adapters.sessions.columns import LED, PLAIN, SIGNED, Kind, Numbers
from monitor.core.sensors.decoder import Decoder
from monitor.model.reading import Sample
from monitor.model.stream import Frame

_MARK: Final = 1_000_000
"""Stands in the first hole of a document; the others follow from there."""
_BEFORE: Final = b" \t\r\n:,["
_AFTER: Final = b" \t\r\n,]}"
"""What stands before and after a number of JSON that is a whole one or has a fraction, and no more."""
_LONGEST: Final = 10**18
"""From here on a fraction is longer than any reading's."""


@dataclass(frozen=True, slots=True)
class Form:
    """How the numbers of a kind lie in its document."""

    names: dict[str, int]
    """Names at the top under which there is a number, and which one of the kind's it is, or begins with."""
    whole: tuple[int, ...]
    """Numbers that must be whole numbers of JSON."""
    fractions: tuple[int, ...]
    """Numbers that are the fraction of the one before."""


@lru_cache(maxsize=512)
def form_of(words: tuple[bytes, ...]) -> Form | None:
    """How numbers lie between `words`; None where that is not plain."""
    text = bytearray(words[0])
    whole: list[int] = []
    fractions: list[int] = []
    quoted = words[0].count(b'"') % 2 == 1
    for place, word in enumerate(words[1:]):
        before = words[place]
        if quoted:
            text += b"%d" % (_MARK + place)  # digits in a text are no numbers
        elif before == b"." and whole and whole[-1] == place - 1 and (word[:1] or b"x") in _AFTER:
            fractions.append(place)
            del text[-1:]  # the point: both together are one number
        elif (before[-1:] or b"x") in _BEFORE and ((word[:1] or b"x") in _AFTER or word == b"."):
            whole.append(place)
            text += b"%d" % (_MARK + place)
        else:
            return None
        text += word
        quoted ^= word.count(b'"') % 2 == 1
    if b"\\" in text:
        return None  # digits after it may say whether the text is one
    try:
        document = from_json(bytes(text), allow_inf_nan=False)
    except ValueError:
        return None
    if type(document) is not dict:
        return None
    names = {name: number - _MARK for name, number in document.items() if type(number) is int}
    known = {name: place for name, place in names.items() if place in whole and not any(map(str.isdigit, name))}
    return Form(known, tuple(whole), tuple(fractions))


def unpack_readings(data: bytes, dictionary: bytes, decoder: Decoder) -> list[Frame | Sample]:
    """The frames of a block, or in their place the one reading that `decoder` finds in each, where it can do without the payload.

    Raises:
        ValueError: as `monitor.adapters.sessions.blocks.open_block`.
    """

    def read(kind: Kind, times: list[int]) -> Sequence[Frame | Sample]:
        samples = _samples(kind, times, decoder)
        return kind.frames(times) if samples is None else samples

    return open_block(data, dictionary).in_order(read)


def _samples(kind: Kind, times: list[int], decoder: Decoder) -> list[Sample] | None:
    """The readings of a kind, one for each of the `times` at which its frames came; None where the payloads are needed."""
    sensor = None if kind.retained else decoder.sole(kind.topic)
    form = None if sensor is None else form_of(kind.words)
    if sensor is None or form is None:
        return None
    numbers = _numbers(kind, form)
    if numbers is None:
        return None
    fields: list[Sequence[Any] | None] = []
    for name in (sensor.value_name, sensor.time_name, sensor.sequence_name):
        if name is not None and name not in form.names:
            return None
        fields.append(None if name is None else numbers[form.names[name]])
    values, stamps, sequences = fields
    return None if values is None else sensor.usual(times, values, stamps, sequences)


def _numbers(kind: Kind, form: Form) -> dict[int, Sequence[float]] | None:
    """The numbers of a kind as JSON has them, whole ones as `int`, by the place where each begins; None where one of them is no
    number of JSON, and where it would be a longer one than any reading has."""
    found: dict[int, Sequence[float]] = {}
    for place in form.whole:
        column = kind.columns[place]
        if not isinstance(column, Numbers) or column.mode not in (PLAIN, SIGNED):
            return None
        whole = list(column.values())
        signed = column.mode == SIGNED
        if signed and min(whole) < 0:
            return None
        if place + 1 not in form.fractions:
            found[place] = [-(number >> 1) if number & 1 else number >> 1 for number in whole] if signed else whole
            continue
        after = kind.columns[place + 1]
        if not isinstance(after, Numbers) or after.mode not in (PLAIN, LED):
            return None
        parts, led = list(after.values()), after.mode == LED
        if min(parts) < (10 if led else 0) or max(parts) >= _LONGEST:
            return None
        found[place] = _decimals(whole, signed, parts, led)
    return found


def _decimals(whole: list[int], signed: bool, parts: list[int], led: bool) -> list[float]:
    """Numbers before and after the point as one. A quotient of whole numbers is the same nearest float as the digits read."""
    found: list[float] = []
    above = 10  # the least power of ten above a part, mostly that of the part before
    for number, part in zip(whole, parts, strict=True):
        while above <= part:
            above *= 10
        while above > 10 * part and above > 10:
            above //= 10
        scale = above
        if led:
            scale //= 10
            part %= scale
        if signed:
            value = ((number >> 1) * scale + part) / scale
            found.append(-value if number & 1 else value)
        elif number < 0:
            found.append((number * scale - part) / scale)
        else:
            found.append((number * scale + part) / scale)
    return found
