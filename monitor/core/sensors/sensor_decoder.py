"""From a parsed document to the readings of one sensor in SI, or to a reason why not.

Nearly every message is an object with its fields at the top, of the usual types and in range. `SensorDecoder` takes those
by a short way and all others field by field; only that long way says what is wrong.
"""

from collections.abc import Callable, Iterable, Sequence
from itertools import repeat
from typing import Any, Final

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
from monitor.text import printable

MAX_BATCH: Final = 10_000
_WHOLE: Final = frozenset({int})

Decoded = list[Sample | Reject]
_new: Final = tuple.__new__
"""Makes a named tuple in half the time of its own constructor, which is written in Python."""


class SensorDecoder:
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
        if not 0 < size <= MAX_BATCH:
            return False
        stamps = sequences = None
        if self.time_name is not None:
            stamps = document.get(self.time_name)
            if type(stamps) is not list:
                return False
        if self.sequence_name is not None:
            column = document.get(self.sequence_name)
            # A single sequence number counts messages, not readings.
            sequences = column if type(column) is list else None
        taken = self.usual([t_ns] * size, values, stamps, sequences)
        if taken is None:
            return False
        out += taken
        return True

    def usual(
        self, times: Sequence[int], values: Sequence[Any], stamps: Sequence[Any] | None, sequences: Sequence[Any] | None
    ) -> list[Sample] | None:
        """Readings whose fields were found, each a column: when they came, values, and where the sensor has them times of the
        source and sequence numbers. None if anything about any of them is unusual."""
        size = len(values)
        if not self.kinds.issuperset(map(type, values)):
            return None
        if min(values) < self.low or max(values) > self.high:  # NaN is not in JSON, and infinity is out of range
            return None
        sources: Iterable[int | None] = repeat(None)
        counts: Iterable[int | None] = repeat(None)
        if stamps is not None:
            unit_ns = self.unit_ns
            if len(stamps) != size or not _WHOLE.issuperset(map(type, stamps)):
                return None
            if min(stamps) < 0 or max(stamps) * unit_ns >= LATEST_NS:
                return None
            sources = [stamp * unit_ns for stamp in stamps]
        if sequences is not None:
            if len(sequences) != size or not _WHOLE.issuperset(map(type, sequences)):
                return None
            if min(sequences) < 0 or max(sequences) >= GREATEST_INT:
                return None
            counts = sequences
        index, scale, offset = self.index, self.scale, self.offset
        return [
            _new(Sample, (t_ns, index, scale * value + offset, source, sequence))
            for t_ns, value, source, sequence in zip(times, values, sources, counts, strict=False)
        ]

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
            self.take(t_ns, number, source, sequence, out)
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
                self.take(t_ns, number, source, sequence, out)
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

    def take(self, t_ns: int, number: float, source: int | None, sequence: int | None, out: Decoded) -> None:
        if not self.low <= number <= self.high:
            out.append(Reject(t_ns, self.index, RejectReason.OUT_OF_RANGE, f"{number:.6g}"))
        elif self.whole and number != int(number):
            out.append(Reject(t_ns, self.index, RejectReason.NOT_A_NUMBER, "counts are whole numbers"))
        else:
            out.append(Sample(t_ns, self.index, self.scale * number + self.offset, source, sequence))
