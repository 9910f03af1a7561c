"""Readings of whole sessions as arrays, without building the payload of every message.

A block stores the numbers of like payloads as columns. For each shape of payload (a topic and the words around its
numbers) it is worked out once which of those numbers is the value, which the source's time, which the sequence; from
then on readings are made for thousands of messages at a time. What has no such shape (arrays, text times, plain text,
anything odd) goes through the core's own decoder, message by message. Both ways give the same readings to the bit. Sessions of
Sparkplug nodes are decoded frame by frame in their order.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from monitor.adapters.sessions.blocks import Block, Table, open_block
from monitor.adapters.sessions.columns import LED, PLAIN, SIGNED, TEXT, Packed
from monitor.adapters.sessions.format import SessionError
from monitor.adapters.sessions.reader import SessionReader
from monitor.adapters.tables.payload_plan import Plan, PlannedReading, Shape, Token, plan_of
from monitor.adapters.tables.table_file import NO_TIME
from monitor.config.rig import Rig
from monitor.config.sensor import Sensor
from monitor.core.recorded import RecordedDecoder
from monitor.core.sensors.decoder import Decoder
from monitor.core.sensors.payload import LATEST_NS, UNIT_NS
from monitor.model.reading import Reject, RejectReason
from monitor.model.stream import RESERVED, SECOND_NS, Frame

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

CHUNK_BLOCKS: Final = 256
CHUNK_ROWS: Final = 50_000
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


class _Odd(Exception):
    """These numbers must go through the decoder."""


class ColumnDecoder:
    """Turns sessions of one rig into arrays of readings. `refused` counts what was left out, by reason."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._decoder = Decoder(rig)
        self._routes: dict[str, list[tuple[int, Sensor]]] = {}
        for index, sensor in enumerate(rig.sensors):
            self._routes.setdefault(rig.topic(sensor), []).append((index, sensor))
        self._plans: dict[Shape, Plan | None] = {}
        self.refused: Counter[str] = Counter()

    def read(self, session: SessionReader, from_ns: int | None = None, to_ns: int | None = None) -> Iterator[Readings]:
        """The session's readings with from_ns <= arrival < to_ns, some thousand at a time.

        Raises:
            SessionError: while iterating, at a damaged block.
        """
        if any(sensor.sparkplug is not None for sensor in self._rig.sensors):
            yield from self._in_order(session, from_ns, to_ns)
            return
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
                yield self._chunk(session, blocks, from_ns, to_ns)
                blocks = []
        if blocks:
            yield self._chunk(session, blocks, from_ns, to_ns)

    def _in_order(self, session: SessionReader, from_ns: int | None, to_ns: int | None) -> Iterator[Readings]:
        """The readings of a rig with Sparkplug nodes: what their data mean depends on the births before them."""
        start_ns = session.t_first_ns + SECOND_NS if from_ns is None else from_ns
        begins_run = from_ns is None and session.header.get("segment", 1) == 1
        kept = None if begins_run else session.checkpoint_before(start_ns)
        decoder = RecordedDecoder(self._rig, None if kept is None else kept.state)
        rows: list[tuple[int, int, int, float]] = []
        for frame in session.inputs(after=kept):
            if to_ns is not None and frame.t_ns >= to_ns:
                break
            if not isinstance(frame, Frame):
                continue
            items = decoder.decode(frame)
            if from_ns is not None and frame.t_ns < from_ns:
                continue
            for item in items:
                if isinstance(item, Reject):
                    self.refused[item.reason.value] += 1
                else:
                    source = NO_TIME if item.source_t_ns is None else item.source_t_ns
                    rows.append((item.t_ns, source, item.sensor, item.value))
            if len(rows) >= CHUNK_ROWS:
                yield _readings_of(rows)
                rows = []
        if rows:
            yield _readings_of(rows)

    def _chunk(
        self, session: SessionReader, blocks: Sequence[Block], from_ns: int | None, to_ns: int | None
    ) -> Readings:
        try:
            chunk = _Chunk(blocks)
        except OverflowError:
            raise SessionError(f"{session.path}: a block is damaged: its numbers are larger than any can be") from None
        wanted = np.ones(len(chunk.t_ns), np.bool_)
        if from_ns is not None:
            wanted &= chunk.t_ns >= from_ns
        if to_ns is not None:
            wanted &= chunk.t_ns < to_ns
        parts: list[tuple[Ints, Ints, Ints, Floats]] = []
        for number, shape in enumerate(chunk.shapes):
            if not shape[0].startswith(RESERVED):
                parts += self._readings(chunk, number, shape, wanted)
        if not parts:
            none = np.empty(0, np.int64)
            return Readings(none, none, none.astype(np.int16), none.astype(np.float64))
        place, source, sensor, value = (np.concatenate([part[i] for part in parts]) for i in range(4))
        held = np.bincount(place, minlength=len(chunk.t_ns))
        if held.max(initial=0) <= 1:
            # At most one reading a message: its row follows from how many came before.
            order = np.empty(len(place), np.int64)
            order[(np.cumsum(held) - 1)[place]] = np.arange(len(place))
        else:
            order = np.argsort(place, kind="stable")
        return Readings(chunk.t_ns[place[order]], source[order], sensor[order].astype(np.int16), value[order])

    def _readings(
        self, chunk: "_Chunk", number: int, shape: Shape, wanted: Bools
    ) -> list[tuple[Ints, Ints, Ints, Floats]]:
        """(place of the frame, source time, sensor, value) of the good readings in frames of one shape."""
        kinds, places = chunk.of(number)
        mine = wanted[places]
        if shape not in self._plans:
            self._plans[shape] = plan_of(shape, self._routes.get(shape[0], ()))
        plan = self._plans[shape]
        if plan is not None:
            try:
                columns = _Columns(chunk, kinds, plan.tokens)
                made = [self._reading(reading, columns, mine) for reading in plan.readings]
            except _Odd:
                pass
            else:
                parts = []
                for reading, (good, source, value, refused) in zip(plan.readings, made, strict=True):
                    self.refused.update(refused)
                    at = places[good]
                    parts.append((at, source[good], np.full(len(at), reading.index, np.int64), value[good]))
                return parts
        return self._one_by_one(chunk, kinds, shape, places, mine)

    def _reading(
        self, reading: PlannedReading, columns: "_Columns", wanted: Bools
    ) -> tuple[Bools, Ints, Floats, Counter[str]]:
        """Which are good, their source times and values in SI, and what was refused. As the core's decoder does it."""
        sensor, good, refused = reading.sensor, wanted.copy(), Counter[str]()

        def refuse(bad: Bools, reason: RejectReason) -> None:
            count = int((good & bad).sum())
            if count:
                refused[reason.value] += count
                good[bad] = False

        number = columns.floats(reading.value)
        source = np.full(len(good), NO_TIME, np.int64)
        if reading.time is not None:
            tick = UNIT_NS[sensor.time_format]
            if reading.time.decimals is None:
                whole = columns.whole(reading.time.whole)
                bad = (whole < 0) | (whole > LATEST_NS // tick)
                source = np.where(bad, 0, whole) * tick
            else:
                exact = np.rint(columns.floats(reading.time) * tick)
                bad = ~((exact >= 0) & (exact < LATEST_NS))
                source = np.where(bad, 0, exact).astype(np.int64)
            refuse(bad | (source >= LATEST_NS), RejectReason.BAD_TIME)
        if reading.sequence is not None:
            refuse(columns.whole(reading.sequence.whole) < 0, RejectReason.MISSING_FIELD)
        low, high = sensor.range
        refuse(~((low <= number) & (number <= high)), RejectReason.OUT_OF_RANGE)
        if sensor.si.dimension == "count":
            refuse(number != np.trunc(number), RejectReason.NOT_A_NUMBER)
        return good, source, sensor.si.scale * number + sensor.si.offset, refused

    def _one_by_one(
        self, chunk: "_Chunk", kinds: Ints, shape: Shape, places: Ints, wanted: Bools
    ) -> list[tuple[Ints, Ints, Ints, Floats]]:
        topic, retained, _ = shape
        times = chunk.t_ns[places].tolist()
        rows: list[tuple[int, int, int, float]] = []
        for place, t_ns, take, payload in zip(
            places.tolist(), times, wanted.tolist(), chunk.payloads(kinds), strict=True
        ):
            if not take:
                continue
            for item in self._decoder.decode(Frame(t_ns, topic, payload, retained)):
                if isinstance(item, Reject):
                    self.refused[item.reason.value] += 1
                else:
                    source = NO_TIME if item.source_t_ns is None else item.source_t_ns
                    rows.append((place, source, item.sensor, item.value))
        if not rows:
            return []
        place_, source_, sensor_, value_ = zip(*rows, strict=True)
        ints = [np.array(column, np.int64) for column in (place_, source_, sensor_)]
        return [(ints[0], ints[1], ints[2], np.array(value_, np.float64))]


def _readings_of(rows: Sequence[tuple[int, int, int, float]]) -> Readings:
    """Rows of arrival, source time, sensor and value."""
    t_ns, source, sensor, value = zip(*rows, strict=True)
    return Readings(
        np.array(t_ns, np.int64), np.array(source, np.int64), np.array(sensor, np.int16), np.array(value, np.float64)
    )


class _Chunk:
    """Several blocks side by side. Every column of a shape is then one array, however many blocks it comes from."""

    def __init__(self, blocks: Sequence[Block]) -> None:
        """Raises OverflowError at numbers that no sound block has."""
        self._blocks = blocks
        self.shapes: list[Shape] = []
        numbered: dict[Shape, int] = {}
        tables: dict[int, tuple[Table, Ints]] = {}
        shape_of = []
        for block in blocks:
            known = tables.get(id(block.table))
            if known is None:
                mine = np.array([numbered.setdefault(row[:3], len(numbered)) for row in block.table], np.int64)
                known = tables[id(block.table)] = block.table, mine
            shape_of.append(known[1])
        self.shapes = list(numbered)
        self._shape_of = np.concatenate(shape_of)
        """Shape of each kind, block after block."""
        counts = np.array([len(block.table) for block in blocks], np.int64)
        self._firsts = np.cumsum(counts) - counts
        """The first kind of each block."""
        self.sizes = np.concatenate([np.array(block.sizes, np.int64) for block in blocks])
        widths = np.array([len(shape[2]) - 1 for shape in self.shapes], np.int64)[self._shape_of]
        self.column_at = np.cumsum(widths) - widths
        """The first column of each kind."""
        raw_at = np.cumsum([0, *(len(block.raw) for block in blocks)])[:-1]
        self._raw = np.frombuffer(b"".join([block.raw for block in blocks]), np.uint8)
        columns = np.array([number for block in blocks for number in block.columns], np.int64).reshape(-1, 4)
        self.modes, self.heads, self._widths, self._starts = columns.T
        self._starts = self._starts + np.repeat(raw_at, [len(block.columns) // 4 for block in blocks])
        which = np.concatenate([_array(block.which) for block in blocks]).astype(np.int64)
        frames = [block.which.size for block in blocks]
        which += np.repeat(self._firsts, frames)
        steps = [_array(block.steps).astype(np.int64) * block.unit_ns for block in blocks]
        self.t_ns = _sums(np.array([block.first_ns for block in blocks], np.int64), np.array(frames), steps)
        shape = self._shape_of[which]
        small = shape.astype(np.int16) if len(self.shapes) < 1 << 15 else shape  # 16 bits are sorted by radix
        self._order = np.argsort(small, kind="stable")
        self._bounds = np.searchsorted(shape[self._order], np.arange(len(self.shapes) + 1))

    def of(self, number: int) -> tuple[Ints, Ints]:
        """The kinds of a shape, and the frames of these kinds."""
        kinds = np.flatnonzero(self._shape_of == number)
        return kinds, self._order[self._bounds[number] : self._bounds[number + 1]]

    def payloads(self, kinds: Ints) -> Iterator[bytes]:
        """The payloads of kinds, one after the other."""
        blocks = np.searchsorted(self._firsts, kinds, side="right") - 1
        for block, kind in zip(blocks.tolist(), (kinds - self._firsts[blocks]).tolist(), strict=True):
            yield from self._blocks[block].kind(kind).payloads()

    def stored(self, columns: Ints, sizes: Ints) -> Ints:
        """The stored numbers of some columns (all of kinds with `sizes` frames), one after the other."""
        starts, widths, counts = self._starts[columns], self._widths[columns], sizes - 1
        total = int(counts.sum())
        run = np.repeat(starts - (np.cumsum(counts) - counts), counts) + np.arange(total)
        found = set(widths.tolist())
        if len(found) == 1:
            steps = self._numbers(run, counts, found.pop())
        else:
            steps = np.empty(total, np.int64)
            wide = np.repeat(widths, counts)
            for width in found:
                mine = wide == width
                steps[mine] = self._numbers(run[mine], counts[widths == width], width)
        return _sums(self.heads[columns], sizes, [steps])

    def _numbers(self, run: Ints, counts: Ints, width: int) -> NDArray[Any]:
        """Signed numbers whose lowest bytes are at `run`, and whose other bytes follow at distances of `counts`."""
        if width == 1:
            return self._raw[run].view(np.int8)
        planes = np.empty((len(run), width), np.uint8)
        planes[:, 0] = self._raw[run]
        apart = np.repeat(counts, counts)
        for plane in range(1, width):
            planes[:, plane] = self._raw[run + apart if plane == 1 else run + plane * apart]
        return planes.view(_DTYPES[width]).reshape(len(run))


def _sums(firsts: Ints, sizes: Ints, steps: Sequence[NDArray[Any]]) -> Ints:
    """Runs of `sizes` numbers from their first ones and the steps between them."""
    starts = np.cumsum(sizes) - sizes
    made = np.zeros(int(sizes.sum()), np.int64)
    inner = np.ones(len(made), np.bool_)
    inner[starts] = False
    made[inner] = np.concatenate(steps)
    np.cumsum(made, out=made)
    made += np.repeat(firsts - made[starts], sizes)
    return made


class _Columns:
    """The numbers of several kinds of one shape, each column made at most once."""

    def __init__(self, chunk: _Chunk, kinds: Ints, tokens: Sequence[Token]) -> None:
        """Raises `_Odd` when some payload among them may be no JSON at all."""
        self._chunk = chunk
        self._at = chunk.column_at[kinds]
        self._sizes = chunk.sizes[kinds]
        self._wholes: dict[int, tuple[Ints, Bools]] = {}
        self._parts: dict[int, tuple[Ints, Ints]] = {}
        for token in tokens:
            # Leading zeros make a whole number no JSON; their way of writing says that some may lead.
            modes = chunk.modes[self._at + token.whole]
            if ((modes == TEXT) | (modes == LED)).any():
                raise _Odd
            if token.decimals is not None:
                self._decimals(token.decimals)

    def _stored(self, place: int) -> tuple[Ints, Ints]:
        """The stored numbers of a column, and how each is written."""
        at = self._at + place
        return self._chunk.stored(at, self._sizes), np.repeat(self._chunk.modes[at], self._sizes)

    def whole(self, place: int) -> Ints:
        """A column of whole numbers."""
        magnitude, negative = self._signed(place)
        return np.where(negative, -magnitude, magnitude)

    def _signed(self, place: int) -> tuple[Ints, Bools]:
        if place not in self._wholes:
            stored, modes = self._stored(place)
            doubled = modes == SIGNED
            negative = np.where(doubled, stored & 1 == 1, stored < 0)
            self._wholes[place] = np.where(doubled, stored >> 1, np.abs(stored)), negative
        return self._wholes[place]

    def _decimals(self, place: int) -> tuple[Ints, Ints]:
        """The digits behind a point as a whole number, and how many there are."""
        if place not in self._parts:
            if (self._chunk.modes[self._at + place] == TEXT).any():
                raise _Odd
            stored, modes = self._stored(place)
            led = modes == LED
            if not (led | (modes == PLAIN)).all() or (stored < 0).any():
                raise _Odd
            digits = np.maximum(np.searchsorted(_TENS, stored, side="right"), 1)
            digits = np.where(led, digits - 1, digits)
            self._parts[place] = np.where(led, stored - _TENS[np.minimum(digits, 18)], stored), digits
        return self._parts[place]

    def floats(self, token: Token) -> Floats:
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


def _array(column: Packed) -> NDArray[Any]:
    if column.width == 1:
        return np.frombuffer(column.planes, np.int8)
    planes = np.frombuffer(column.planes, np.uint8).reshape(column.width, column.size)
    return np.ascontiguousarray(planes.T).view(_DTYPES[column.width]).reshape(column.size)
