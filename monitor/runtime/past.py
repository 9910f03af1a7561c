"""Signals of the past, from the record: a process of its own replays the wanted stretch and hands over what is to be drawn.

Live rules must not wait for a replay, and the screen keeps no hours of everything. So whoever wants to see the past starts
``python -m monitor.runtime.past`` (`command`), gives it a `Request` on standard input, and reads a `Piece` from each line of its
output: the newest stretch first, which is what a screen shows at its right. The child works at a low priority and ends by
itself.
"""

import base64
import json
import math
import os
import sys
from array import array
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Final

from monitor.adapters.sessions.format import SessionError
from monitor.adapters.sessions.reader import SessionReader
from monitor.config.rule import RuleSet
from monitor.core.engine import Core
from monitor.errors import UserError
from monitor.model.alarm import Severity
from monitor.model.reading import Validity
from monitor.model.snapshot import HoistState
from monitor.model.stream import GRID_NS, SECOND_NS
from monitor.runtime.assembly import law_of
from monitor.runtime.record import Record
from monitor.runtime.session_feed import WARM_UP_S, begin

PIECE_NS: Final = 600 * SECOND_NS
"""Stream time of a piece: about a second of work. Each begins at a checkpoint of its own."""
MOST_BINS: Final = 720
"""Points of a request: more than a terminal has dots across."""
MOST_MARKS: Final = 500
STOP_MARK: Final = "stop_mark"
"""Name of the assured stop mark's height among the rows; no signal of the core, which has the way to it."""


def stop_mark(hoist: HoistState, height_m: float, reach_m: float) -> float:
    """Height of the assured stop mark, m; the block's own where it is still, NaN where there is none."""
    if hoist is HoistState.HOISTING:
        return height_m + reach_m
    if hoist is HoistState.LOWERING:
        return height_m - reach_m
    return math.nan if hoist is HoistState.UNKNOWN else height_m


@dataclass(frozen=True, slots=True)
class Request:
    """What is wanted: these signals from `since_ns` to `until_ns`, lowest and highest in every `step_ns`."""

    record: Record
    names: tuple[str, ...]
    since_ns: int
    until_ns: int
    step_ns: int

    def line(self) -> bytes:
        """As the child reads it."""
        return json.dumps(asdict(self)).encode() + b"\n"

    @classmethod
    def of(cls, line: bytes) -> "Request":
        """The request in a line of JSON."""
        parts = json.loads(line)
        record = parts.pop("record")
        where = Record(record["folder"], record["rig"], tuple(record["files"]))
        return cls(where, tuple(parts.pop("names")), **parts)


Mark = tuple[int, Severity, str]
"""When an alarm was raised, ns; how grave; its words."""


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of the past. Row `i` of a signal belongs to the bin that begins at ``since_ns + i * step_ns``."""

    since_ns: int
    until_ns: int
    step_ns: int
    low: Mapping[str, "array[float]"]
    high: Mapping[str, "array[float]"]
    """NaN where the signal was not known, or nothing was recorded."""
    marks: tuple[Mark, ...] = field(default=())

    def line(self) -> bytes:
        """As the child writes it."""
        rows = {
            name: [base64.b64encode(row.tobytes()).decode() for row in (low, self.high[name])]
            for name, low in self.low.items()
        }
        parts = {
            "since": self.since_ns,
            "until": self.until_ns,
            "step": self.step_ns,
            "rows": rows,
            "marks": self.marks,
        }
        return json.dumps(parts).encode() + b"\n"

    @classmethod
    def of(cls, line: bytes) -> "Piece":
        """The piece in a line.

        Raises:
            ValueError, KeyError, TypeError: it is none.
        """
        parts: dict[str, Any] = json.loads(line)
        rows = {name: tuple(_numbers(text) for text in pair) for name, pair in parts["rows"].items()}
        marks = tuple((int(t_ns), Severity(grave), str(words)) for t_ns, grave, words in parts["marks"])
        low, high = ({name: pair[side] for name, pair in rows.items()} for side in (0, 1))
        return cls(int(parts["since"]), int(parts["until"]), int(parts["step"]), low, high, marks)


def _numbers(text: str) -> "array[float]":
    row = array("f")
    row.frombytes(base64.b64decode(text))
    return row


def step_for(since_ns: int, until_ns: int) -> int:
    """The width of a bin, ns: a multiple of the grid's, so that a request has at most `MOST_BINS`."""
    return max(1, -(-(until_ns - since_ns) // (MOST_BINS * GRID_NS))) * GRID_NS


def read(request: Request) -> Iterator[Piece]:
    """The pieces of a request, the newest first. What cannot be read stays unknown."""
    bins = max(1, PIECE_NS // request.step_ns)
    until_ns = request.until_ns
    paths = request.record.paths()
    while until_ns > request.since_ns:
        # Counted from the request's own begin, so that the bins of all pieces fall into one row.
        count = -(-(until_ns - request.since_ns) // request.step_ns)
        since_ns = request.since_ns + max(0, count - bins) * request.step_ns
        yield _piece(paths, request, since_ns, until_ns)
        until_ns = since_ns


def _piece(paths: Iterable[Path], request: Request, since_ns: int, until_ns: int) -> Piece:
    count = -(-(until_ns - since_ns) // request.step_ns)
    gatherer = _Gatherer(request.names, since_ns, until_ns, request.step_ns, count)
    marks: list[Mark] = []
    for path in paths:
        try:
            with SessionReader(path) as session:
                if session.end_ns >= since_ns and session.t_first_ns < until_ns:
                    gatherer.replay(session)
                    marks += (
                        (found.t_ns, found.severity, found.message)
                        for found in session.findings()
                        if found.raised and since_ns <= found.t_ns < until_ns
                    )
        except (SessionError, UserError, ValueError, OSError):
            continue  # a gap in the picture says it
    return Piece(since_ns, until_ns, request.step_ns, gatherer.low, gatherer.high, tuple(marks[-MOST_MARKS:]))


class _Gatherer:
    """Lowest and highest of every bin, from the grid points of a core without rules."""

    def __init__(self, names: Sequence[str], since_ns: int, until_ns: int, step_ns: int, count: int) -> None:
        self._wanted = [name for name in names if name != STOP_MARK]
        self._since_ns, self._until_ns, self._step_ns = since_ns, until_ns, step_ns
        self.low = {name: array("f", [math.nan]) * count for name in names}
        self.high = {name: array("f", [math.nan]) * count for name in names}
        self._names: tuple[str, ...] = ()

    def replay(self, session: SessionReader) -> None:
        core = Core(session.rig, RuleSet(()), law=law_of(session.header))
        # The stop mark is worked out of these two.
        self._names = core.observe(self._on_grid_point, {*self._wanted, "height", "reach_assured"})
        early = self._since_ns - session.t_first_ns < 2 * WARM_UP_S * SECOND_NS
        for item in begin(core, session, None if early else self._since_ns, damaged="skip"):
            if item.t_ns >= self._until_ns:
                break
            core.feed(item)

    def _on_grid_point(self, t_ns: int, hoist: HoistState, numbers: Sequence[float], validities: Sequence[int]) -> None:
        if not self._since_ns <= t_ns < self._until_ns:
            return
        place = (t_ns - self._since_ns) // self._step_ns
        height = reach = math.nan
        for name, number, validity in zip(self._names, numbers, validities, strict=True):
            if validity > Validity.DEGRADED:
                continue
            if name in self.low:
                self._take(name, place, number)
            if name == "height":
                height = number
            elif name == "reach_assured":
                reach = number
        if STOP_MARK in self.low:
            self._take(STOP_MARK, place, stop_mark(hoist, height, reach))

    def _take(self, name: str, place: int, number: float) -> None:
        if number != number:
            return
        low, high = self.low[name], self.high[name]
        if not low[place] <= number:
            low[place] = number
        if not high[place] >= number:
            high[place] = number


def command() -> list[str]:
    """How the child is started."""
    return [sys.executable, "-m", "monitor.runtime.past"]


def main() -> int:
    """The child: answer one request."""
    os.nice(10)
    request = Request.of(sys.stdin.buffer.readline())
    try:
        for piece in read(request):
            sys.stdout.buffer.write(piece.line())
            sys.stdout.buffer.flush()
    except BrokenPipeError:
        os._exit(0)  # the screen wants something else by now
    return 0


if __name__ == "__main__":
    sys.exit(main())
