"""Readings of whole sessions as arrays, without making a payload of every message.

A block stores the numbers of like payloads as columns. For each shape of payload (a topic and the words around its
numbers) it is worked out once which of those numbers is the value, which the source's time, which the sequence; from
then on readings are made for thousands of messages at a time. What has no such shape (arrays, text times, plain text,
anything odd) goes through the core's own decoder, message by message. Both ways give the same readings to the bit.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from pydantic_core import from_json

from monitor.adapters.blocks import LED, PLAIN, SIGNED, Block, Kind, Numbers, Packed, open_block
from monitor.adapters.replay import SessionReader
from monitor.adapters.session import SessionError
from monitor.adapters.tables import NO_TIME
from monitor.config import Rig, Sensor
from monitor.core.decode import Decoder, compile_pointer
from monitor.core.types import RESERVED, Frame, Reject, RejectReason

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

CHUNK_BLOCKS: Final = 256
_MARK: Final = 7_000_000_000_000_000
"""Numbers of a payload's shape are replaced by this plus their place, to see where each comes out."""
_TICK_NS: Final = {"s": 1_000_000_000, "ms": 1_000_000, "us": 1_000, "ns": 1}
_LATEST_NS: Final = 4_102_444_800_000_000_000
_TENS: Final = 10 ** np.arange(19, dtype=np.int64)
_EXACT: Final = 1 << 53
_DTYPES: Final = {1: "<i1", 2: "<i2", 4: "<i4", 8: "<i8"}


@dataclass(frozen=True, slots=True)
class Readings:
    """Good readings in the order of their messages: arrival and source time (ns), sensor (its place in the rig), SI value."""

    t_ns: Ints
    source_ns: Ints
    sensor: NDArray[np.int16]
    value: Floats


@dataclass(frozen=True, slots=True)
class _Token:
    """A number of a payload: its column, and that of its decimals where it has some."""

    whole: int
    decimals: int | None


@dataclass(frozen=True, slots=True)
class _Reading:
    """How one sensor's reading comes out of a payload's numbers."""

    index: int
    sensor: Sensor
    value: _Token
    time: _Token | None
    sequence: _Token | None


@dataclass(frozen=True, slots=True)
class _Shape:
    """All numbers of payloads of one shape, and the readings among them."""

    tokens: tuple[_Token, ...]
    readings: tuple[_Reading, ...]


@dataclass(slots=True)
class _Gathered:
    """Frames of one shape, from several blocks."""

    kinds: list[Kind] = field(default_factory=list)
    places: list[Ints] = field(default_factory=list)
    times: list[Ints] = field(default_factory=list)


class _Odd(Exception):
    """These numbers must go through the decoder."""


class ColumnDecoder:
    """Turns sessions of one rig into arrays of readings. `refused` counts what was left out, by reason."""

    def __init__(self, rig: Rig) -> None:
        self._decoder = Decoder(rig)
        self._routes: dict[str, list[tuple[int, Sensor]]] = {}
        for index, sensor in enumerate(rig.sensors):
            self._routes.setdefault(rig.topic(sensor), []).append((index, sensor))
        self._shapes: dict[tuple[str, bool, tuple[bytes, ...]], _Shape | None] = {}
        self.refused: Counter[str] = Counter()

    def read(self, session: SessionReader, from_ns: int | None = None, to_ns: int | None = None) -> Iterator[Readings]:
        """The session's readings with from_ns <= arrival < to_ns, some thousand at a time.

        Raises:
            SessionError: while iterating, at a damaged block.
        """
        blocks: list[Block] = []
        for block_id, data in session.packed(from_ns):
            try:
                block = open_block(data, session.dictionary)
            except ValueError as error:
                raise SessionError(f"{session.path}: block {block_id} is damaged: {error}") from None
            if to_ns is not None and block.first_ns >= to_ns:
                break
            blocks.append(block)
            if len(blocks) == CHUNK_BLOCKS:
                yield self._chunk(blocks, from_ns, to_ns)
                blocks = []
        if blocks:
            yield self._chunk(blocks, from_ns, to_ns)

    def _chunk(self, blocks: Sequence[Block], from_ns: int | None, to_ns: int | None) -> Readings:
        gathered: dict[tuple[str, bool, tuple[bytes, ...]], _Gathered] = {}
        start = 0
        for block in blocks:
            which = _array(block.which)
            steps = _array(block.steps).astype(np.int64)
            times = np.empty(len(which), np.int64)
            times[0] = block.first_ns
            np.cumsum(steps * block.unit_ns, out=times[1:])
            times[1:] += block.first_ns
            order = np.argsort(which, kind="stable")
            at = 0
            for kind in block.kinds:
                mine = order[at : at + kind.size]
                at += kind.size
                shape = (kind.topic, kind.retained, kind.words)
                group = gathered.get(shape)
                if group is None:
                    group = gathered[shape] = _Gathered()
                group.kinds.append(kind)
                group.places.append(mine + start)
                group.times.append(times[mine])
            start += len(which)
        parts: list[tuple[Ints, Ints, Ints, Ints, Floats]] = []
        for (topic, _, _), group in gathered.items():
            if not topic.startswith(RESERVED):
                parts += self._readings(group, from_ns, to_ns)
        if not parts:
            none = np.empty(0, np.int64)
            return Readings(none, none, none.astype(np.int16), none.astype(np.float64))
        place, t_ns, source, sensor, value = (np.concatenate([part[i] for part in parts]) for i in range(5))
        order = np.argsort(place, kind="stable")
        return Readings(t_ns[order], source[order], sensor[order].astype(np.int16), value[order])

    def _readings(
        self, group: _Gathered, from_ns: int | None, to_ns: int | None
    ) -> list[tuple[Ints, Ints, Ints, Ints, Floats]]:
        """(place, arrival, source time, sensor, value) of a group's good readings."""
        places, times = np.concatenate(group.places), np.concatenate(group.times)
        wanted = np.ones(len(times), np.bool_)
        if from_ns is not None:
            wanted &= times >= from_ns
        if to_ns is not None:
            wanted &= times < to_ns
        first = group.kinds[0]
        shape = (first.topic, first.retained, first.words)
        if shape not in self._shapes:
            self._shapes[shape] = self._shape(first)
        found = self._shapes[shape]
        if found is not None:
            try:
                columns = _Columns(group.kinds, found.tokens)
                made = [self._reading(reading, columns, wanted) for reading in found.readings]
            except _Odd:
                pass
            else:
                parts = []
                for reading, (good, source, value, refused) in zip(found.readings, made, strict=True):
                    self.refused.update(refused)
                    sensor = np.full(int(good.sum()), reading.index, np.int64)
                    parts.append((places[good], times[good], source[good], sensor, value[good]))
                return parts
        return self._one_by_one(group, places, times, wanted)

    def _reading(
        self, reading: _Reading, columns: "_Columns", wanted: NDArray[np.bool_]
    ) -> tuple[NDArray[np.bool_], Ints, Floats, Counter[str]]:
        """Which are good, their source times and values in SI, and what was refused. As the core's decoder does it."""
        sensor, good, refused = reading.sensor, wanted.copy(), Counter[str]()

        def refuse(bad: NDArray[np.bool_], reason: RejectReason) -> None:
            count = int((good & bad).sum())
            if count:
                refused[reason.value] += count
                good[bad] = False

        number = columns.floats(reading.value)
        source = np.full(len(good), NO_TIME, np.int64)
        if reading.time is not None:
            tick = _TICK_NS[sensor.time_format]
            if reading.time.decimals is None:
                whole = columns.whole(reading.time.whole)
                bad = (whole < 0) | (whole > _LATEST_NS // tick)
                source = np.where(bad, 0, whole) * tick
            else:
                exact = np.rint(columns.floats(reading.time) * tick)
                bad = ~((exact >= 0) & (exact < _LATEST_NS))
                source = np.where(bad, 0, exact).astype(np.int64)
            refuse(bad | (source >= _LATEST_NS), RejectReason.BAD_TIME)
        if reading.sequence is not None:
            refuse(columns.whole(reading.sequence.whole) < 0, RejectReason.MISSING_FIELD)
        low, high = sensor.range
        refuse(~((low <= number) & (number <= high)), RejectReason.OUT_OF_RANGE)
        if sensor.si.dimension == "count":
            refuse(number != np.trunc(number), RejectReason.NOT_A_NUMBER)
        return good, source, sensor.si.scale * number + sensor.si.offset, refused

    def _one_by_one(
        self, group: _Gathered, places: Ints, times: Ints, wanted: NDArray[np.bool_]
    ) -> list[tuple[Ints, Ints, Ints, Ints, Floats]]:
        payloads = (payload for kind in group.kinds for payload in kind.payloads())
        topic, retained = group.kinds[0].topic, group.kinds[0].retained
        rows: list[tuple[int, int, int, int, float]] = []
        for place, t_ns, take, payload in zip(places.tolist(), times.tolist(), wanted.tolist(), payloads, strict=True):
            if not take:
                continue
            for item in self._decoder.decode(Frame(t_ns, topic, payload, retained)):
                if isinstance(item, Reject):
                    self.refused[item.reason.value] += 1
                else:
                    source = NO_TIME if item.source_t_ns is None else item.source_t_ns
                    rows.append((place, t_ns, source, item.sensor, item.value))
        if not rows:
            return []
        place_, t_, source_, sensor_, value_ = zip(*rows, strict=True)
        ints = [np.array(column, np.int64) for column in (place_, t_, source_, sensor_)]
        return [(ints[0], ints[1], ints[2], ints[3], np.array(value_, np.float64))]

    def _shape(self, kind: Kind) -> "_Shape | None":
        """How readings come out of payloads like `kind`'s; None where only the decoder can tell."""
        sensors = self._routes.get(kind.topic)
        if not sensors or kind.retained or not kind.columns or any(sensor.payload == "ascii" for _, sensor in sensors):
            return None
        text, tokens, place = kind.words[0], list[_Token](), 0
        while place < len(kind.columns):
            decimal = kind.words[place + 1] == b"." and place + 1 < len(kind.columns)
            text += b"%d" % (_MARK + len(tokens))
            tokens.append(_Token(place, place + 1 if decimal else None))
            place += 2 if decimal else 1
            text += kind.words[place]
        if not _clear(kind.words, tokens):
            return None
        try:
            document = from_json(text, allow_inf_nan=False)
        except ValueError:
            return None

        def token(pointer: str) -> _Token | None:
            found: Any = compile_pointer(pointer)(document)
            if type(found) is int and 0 <= found - _MARK < len(tokens):
                return tokens[found - _MARK]
            return None

        readings = []
        for index, sensor in sensors:
            value = token(sensor.value)
            time = None if sensor.time is None else token(sensor.time)
            sequence = None if sensor.sequence is None else token(sensor.sequence)
            if value is None or sensor.quality is not None:
                return None
            if sensor.time is not None and (time is None or sensor.time_format not in _TICK_NS):
                return None
            if sensor.sequence is not None and (sequence is None or sequence.decimals is not None):
                return None
            readings.append(_Reading(index, sensor, value, time, sequence))
        return _Shape(tuple(tokens), tuple(readings))


def _clear(words: Sequence[bytes], tokens: Sequence[_Token]) -> bool:
    """Whether every number stands by itself, so that putting another in its place makes no JSON of what was none."""
    for count, token in enumerate(tokens):
        before = words[token.whole]
        if before.endswith((b"+", b"-", b".", b"e", b"E")) or (count and not before):
            return False
        after = words[(token.whole if token.decimals is None else token.decimals) + 1]
        if after.startswith((b"+", b"-", b".", b"e", b"E")):
            return False
    return True


class _Columns:
    """The numbers of several kinds of one shape, each column made at most once."""

    def __init__(self, kinds: Sequence[Kind], tokens: Sequence[_Token]) -> None:
        """Raises `_Odd` when some payload among them may be no JSON at all."""
        self._kinds = kinds
        self._sizes = np.array([kind.size for kind in kinds], np.int64)
        self._starts = np.cumsum(self._sizes) - self._sizes
        self._wholes: dict[int, tuple[Ints, NDArray[np.bool_]]] = {}
        self._parts: dict[int, tuple[Ints, Ints]] = {}
        for token in tokens:
            # Leading zeros make a whole number no JSON; their way of writing says that some may lead.
            modes = [column.mode for kind in kinds if isinstance(column := kind.columns[token.whole], Numbers)]
            if len(modes) < len(kinds) or LED in modes:
                raise _Odd
            if token.decimals is not None:
                self._decimals(token.decimals)

    def _stored(self, place: int) -> tuple[Ints, Ints]:
        """The stored numbers of a column, and how each is written."""
        columns = [kind.columns[place] for kind in self._kinds]
        total = int(self._sizes.sum())
        steps = np.zeros(total, np.int64)
        inner = np.ones(total, np.bool_)
        inner[self._starts] = False
        firsts, modes = [], []
        arrays = []
        for column in columns:
            assert isinstance(column, Numbers)
            firsts.append(column.first)
            modes.append(column.mode)
            arrays.append(_array(column))
        steps[inner] = np.concatenate(arrays)
        run = np.cumsum(steps)
        run += np.repeat(np.array(firsts, np.int64) - run[self._starts], self._sizes)
        return run, np.repeat(np.array(modes, np.int64), self._sizes)

    def whole(self, place: int) -> Ints:
        """A column of whole numbers."""
        magnitude, negative = self._signed(place)
        return np.where(negative, -magnitude, magnitude)

    def _signed(self, place: int) -> tuple[Ints, NDArray[np.bool_]]:
        if place not in self._wholes:
            stored, modes = self._stored(place)
            doubled = modes == SIGNED
            negative = np.where(doubled, stored & 1 == 1, stored < 0)
            self._wholes[place] = np.where(doubled, stored >> 1, np.abs(stored)), negative
        return self._wholes[place]

    def _decimals(self, place: int) -> tuple[Ints, Ints]:
        """The digits behind a point as a whole number, and how many there are."""
        if place not in self._parts:
            if not all(isinstance(kind.columns[place], Numbers) for kind in self._kinds):
                raise _Odd
            stored, modes = self._stored(place)
            led = modes == LED
            if not (led | (modes == PLAIN)).all() or (stored < 0).any():
                raise _Odd
            digits = np.maximum(np.searchsorted(_TENS, stored, side="right"), 1)
            digits = np.where(led, digits - 1, digits)
            self._parts[place] = np.where(led, stored - _TENS[np.minimum(digits, 18)], stored), digits
        return self._parts[place]

    def floats(self, token: _Token) -> Floats:
        """The numbers of a token, as their decimal text would be read."""
        magnitude, negative = self._signed(token.whole)
        if token.decimals is None:
            return np.where(negative, -magnitude, magnitude).astype(np.float64)
        decimals, digits = self._decimals(token.decimals)
        scale = _TENS[np.minimum(digits, 18)]
        # Below 2^53 both parts of the division are exact, so its result is the number nearest to the decimal text.
        if (digits > 15).any() or (magnitude > (_EXACT - decimals) // scale).any():
            raise _Odd
        number = (magnitude * scale + decimals) / scale
        return np.where(negative, -number, number)


def _array(column: Packed | Numbers) -> NDArray[Any]:
    if column.width == 1:
        return np.frombuffer(column.planes, np.int8)
    planes = np.frombuffer(column.planes, np.uint8).reshape(column.width, column.size)
    return np.ascontiguousarray(planes.T).view(_DTYPES[column.width]).reshape(column.size)
