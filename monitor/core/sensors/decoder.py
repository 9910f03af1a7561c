"""From the bytes of a message to readings in SI, or to a reason why not.

Payloads are a JSON number, a JSON object or array in which JSON Pointers (RFC 6901) find the value and optionally the
source's time, a sequence number and a quality mark, or a plain ASCII number. A pointer may find an array: one message then
carries many readings. Whatever comes in, the answer is a list of `Sample` and `Reject`: nothing raises, nothing is coerced
(the string ``"12"`` is not a number), and text from outside is cut and stripped of control characters before it is kept.

Nearly every message is an object with its fields at the top, of the usual types and in range. `_SensorDecoder` takes those
by a short way and all others field by field; only that long way says what is wrong.
"""

import re
from collections.abc import Callable, Iterable, Mapping
from itertools import repeat
from typing import Any, Final

from pydantic_core import from_json

from monitor.config.rig import Rig
from monitor.config.sensor import Sensor
from monitor.core.sensors.payload import (
    GREATEST_INT,
    LATEST_NS,
    MISSING,
    UNIT_NS,
    Refused,
    compile_pointer,
    number_of,
    switch_of,
    time_ns_of,
    top_name,
)
from monitor.model.reading import Reject, RejectReason, Sample
from monitor.model.stream import Frame
from monitor.text import printable

MAX_PAYLOAD: Final = 256 * 1024
"""Bytes. A hundred batched readings take about 4 kB; anything far above that is not a reading."""
MAX_BATCH: Final = 10_000
_ASCII_NUMBER: Final = re.compile(rb"\s*[-+]?(?:\d{1,40}(?:\.\d{0,40})?|\.\d{1,40})(?:[eE][-+]?\d{1,3})?\s*\Z")
_WHOLE: Final = frozenset({int})

Decoded = list[Sample | Reject]
_new: Final = tuple.__new__
"""Makes a named tuple in half the time of its own constructor, which is written in Python."""


class _SensorDecoder:
    """Everything of one sensor that decoding needs, prepared once."""

    __slots__ = (
        "good", "high", "index", "item", "kinds", "low", "offset", "quality", "scale", "sequence", "sequence_name", "short",
        "time", "time_format", "time_name", "unit_ns", "value", "value_name", "whole",
    )  # fmt: skip

    def __init__(self, index: int, sensor: Sensor) -> None:
        self.index = index
        self.value = compile_pointer(sensor.value)
        self.time = None if sensor.time is None else compile_pointer(sensor.time)
        self.sequence = None if sensor.sequence is None else compile_pointer(sensor.sequence)
        self.quality = None if sensor.quality is None else compile_pointer(sensor.quality)
        self.time_format = sensor.time_format
        self.good = sensor.good
        self.low, self.high = sensor.range
        self.scale, self.offset = sensor.si.scale, sensor.si.offset
        self.item = switch_of if sensor.si.dimension == "switch" else number_of
        self.whole = sensor.si.dimension == "count"
        # For the short way: types of a usual value, and the names under which value, time and sequence lie.
        self.kinds = frozenset({int}) if self.whole else frozenset({int, float})
        self.unit_ns = UNIT_NS.get(sensor.time_format, 0)
        self.value_name = top_name(sensor.value)
        self.time_name = top_name(sensor.time)
        self.sequence_name = top_name(sensor.sequence)
        self.short = (
            self.quality is None
            and self.value_name is not None
            and (sensor.time is None or (self.time_name is not None and self.unit_ns > 0))
            and (sensor.sequence is None or self.sequence_name is not None)
        )

    def decode(self, t_ns: int, document: Any, out: Decoded) -> None:
        """Readings of this sensor in a parsed `document`, appended to `out`."""
        if self.short and type(document) is dict:
            value: Any = document.get(self.value_name)
            kind = type(value)
            if kind in self.kinds and self.low <= value <= self.high:
                # The usual reading, unless its time or its sequence number is not what it should be.
                source = sequence = None
                usual = True
                if self.time_name is not None:
                    source = document.get(self.time_name)
                    if type(source) is int:
                        source *= self.unit_ns
                        usual = 0 <= source < LATEST_NS
                    else:
                        usual = False
                if self.sequence_name is not None:
                    sequence = document.get(self.sequence_name)
                    usual = usual and type(sequence) is int and 0 <= sequence < GREATEST_INT
                if usual:
                    out.append(_new(Sample, (t_ns, self.index, self.scale * value + self.offset, source, sequence)))
                    return
            elif kind is list and self._usual_batch(t_ns, document, value, out):
                return
        self._decode(t_ns, document, out)

    def _usual_batch(self, t_ns: int, document: dict[str, Any], values: list[Any], out: Decoded) -> bool:
        """Take a message of many readings if nothing about any of them is unusual."""
        size = len(values)
        if not 0 < size <= MAX_BATCH or not self.kinds.issuperset(map(type, values)):
            return False
        if min(values) < self.low or max(values) > self.high:  # NaN is not in JSON, and infinity is out of range
            return False
        sources: Iterable[int | None] = repeat(None)
        sequences: Iterable[int | None] = repeat(None)
        if self.time_name is not None:
            stamps, unit_ns = document.get(self.time_name), self.unit_ns
            if type(stamps) is not list or len(stamps) != size or not _WHOLE.issuperset(map(type, stamps)):
                return False
            if min(stamps) < 0 or max(stamps) * unit_ns >= LATEST_NS:
                return False
            sources = [stamp * unit_ns for stamp in stamps]
        if self.sequence_name is not None:
            column = document.get(self.sequence_name)
            # A single sequence number counts messages, not readings.
            if type(column) is list:
                if len(column) != size or not _WHOLE.issuperset(map(type, column)):
                    return False
                if min(column) < 0 or max(column) >= GREATEST_INT:
                    return False
                sequences = column
        index, scale, offset = self.index, self.scale, self.offset
        out += [
            _new(Sample, (t_ns, index, scale * value + offset, source, sequence))
            for value, source, sequence in zip(values, sources, sequences, strict=False)
        ]
        return True

    def _decode(self, t_ns: int, document: Any, out: Decoded) -> None:
        """Decode field by field, with the reason for every refusal."""
        try:
            if self.quality is not None:
                mark = self.quality(document)
                if mark is MISSING:
                    raise Refused(RejectReason.MISSING_FIELD, "quality")
                if not any(type(mark) is type(good) and mark == good for good in self.good):
                    raise Refused(RejectReason.BAD_QUALITY, printable(str(mark)))
            value = self.value(document)
            if type(value) is list:
                self._batch(t_ns, document, value, out)
                return
            number = self.item(value)
            source = None if self.time is None else time_ns_of(self.time(document), self.time_format)
            sequence = None if self.sequence is None else self._sequence(self.sequence(document))
            self._take(t_ns, number, source, sequence, out)
        except Refused as refused:
            out.append(Reject(t_ns, self.index, refused.reason, refused.detail))

    def _batch(self, t_ns: int, document: Any, values: list[Any], out: Decoded) -> None:
        """Readings of one message that carries many, each taken or refused alone."""
        size = len(values)
        if size > MAX_BATCH:
            raise Refused(RejectReason.TOO_LARGE, f"{size} readings in one message")
        times = self._column(self.time, document, size, "time")
        sequences = self._column(self.sequence, document, size, "sequence")
        for i in range(size):
            try:
                number = self.item(values[i])
                source = None if times is None else time_ns_of(times[i], self.time_format)
                # A single sequence number counts messages, not readings.
                sequence = None if sequences is None else self._sequence(sequences[i])
                self._take(t_ns, number, source, sequence, out)
            except Refused as refused:
                out.append(Reject(t_ns, self.index, refused.reason, refused.detail))

    @staticmethod
    def _column(pointer: Callable[[Any], Any] | None, document: Any, size: int, name: str) -> list[Any] | None:
        if pointer is None:
            return None
        column = pointer(document)
        if type(column) is not list:
            if name == "sequence":
                return None
            raise Refused(RejectReason.LENGTHS_DIFFER, f"{name} is not an array")
        if len(column) != size:
            raise Refused(RejectReason.LENGTHS_DIFFER, f"{size} values, {len(column)} of {name}")
        return column

    @staticmethod
    def _sequence(item: Any) -> int:
        if type(item) is not int or not 0 <= item < GREATEST_INT:
            raise Refused(RejectReason.MISSING_FIELD, "sequence")
        return item

    def _take(self, t_ns: int, number: float, source: int | None, sequence: int | None, out: Decoded) -> None:
        if not self.low <= number <= self.high:
            out.append(Reject(t_ns, self.index, RejectReason.OUT_OF_RANGE, f"{number:.6g}"))
        elif self.whole and number != int(number):
            out.append(Reject(t_ns, self.index, RejectReason.NOT_A_NUMBER, "counts are whole numbers"))
        else:
            out.append(Sample(t_ns, self.index, self.scale * number + self.offset, source, sequence))


class Decoder:
    """Turns frames of one rig into readings."""

    def __init__(self, rig: Rig) -> None:
        routes: dict[str, tuple[list[_SensorDecoder], list[_SensorDecoder]]] = {}
        for index, sensor in enumerate(rig.sensors):
            json_ones, ascii_ones = routes.setdefault(rig.topic(sensor), ([], []))
            (ascii_ones if sensor.payload == "ascii" else json_ones).append(_SensorDecoder(index, sensor))
        self._routes: Mapping[str, tuple[list[_SensorDecoder], list[_SensorDecoder]]] = routes

    def decode(self, frame: Frame) -> Decoded:
        """All readings in `frame`, each a `Sample` in SI or a `Reject` with its reason. Never raises."""
        route = self._routes.get(frame.topic)
        if route is None:
            return [Reject(frame.t_ns, None, RejectReason.UNKNOWN_TOPIC, printable(frame.topic))]
        json_ones, ascii_ones = route
        t_ns, payload = frame.t_ns, frame.payload
        if frame.retained or not 0 < len(payload) <= MAX_PAYLOAD:
            reason, detail = _unread(frame)
            return [Reject(t_ns, decoder.index, reason, detail) for decoder in (*json_ones, *ascii_ones)]
        out: Decoded = []
        if json_ones:
            try:
                document = from_json(payload, allow_inf_nan=False)
            except ValueError as error:
                reason, detail = _json_problem(payload, error)
                out += [Reject(t_ns, decoder.index, reason, detail) for decoder in json_ones]
            else:
                for decoder in json_ones:
                    decoder.decode(t_ns, document, out)
        for decoder in ascii_ones:
            if _ASCII_NUMBER.match(payload):
                decoder.decode(t_ns, float(payload), out)
            else:
                shown = printable(payload[:30].decode("utf-8", "replace"))
                out.append(Reject(t_ns, decoder.index, _ascii_problem(payload), shown))
        return out


def _unread(frame: Frame) -> tuple[RejectReason, str]:
    """Why a payload is not looked into."""
    if frame.retained:
        return RejectReason.RETAINED, ""
    return (RejectReason.TOO_LARGE, f"over {MAX_PAYLOAD} bytes") if frame.payload else (RejectReason.EMPTY, "")


def _json_problem(payload: bytes, error: ValueError) -> tuple[RejectReason, str]:
    try:
        text = payload.decode("utf-8")
    except UnicodeDecodeError:
        return RejectReason.NOT_UTF8, ""
    if text.strip() in ("NaN", "Infinity", "-Infinity"):
        return RejectReason.NOT_FINITE, text.strip()
    return RejectReason.NOT_JSON, printable(str(error))


def _ascii_problem(payload: bytes) -> RejectReason:
    if payload.strip().lower().lstrip(b"+-") in (b"nan", b"inf", b"infinity"):
        return RejectReason.NOT_FINITE
    return RejectReason.NOT_A_NUMBER
