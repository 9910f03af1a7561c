"""Signals of the past, read from the record by a process of their own."""

import math
import subprocess
import sys
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from monitor.adapters.sessions.reader import SessionReader
from monitor.core.signals.table import SIGNAL_NAMES
from monitor.model.stream import GRID_NS, SECOND_NS
from monitor.runtime import past
from monitor.runtime.assembly import core_of
from monitor.runtime.past import MOST_BINS, STOP_MARK, Piece, Request, command, read, step_for
from monitor.runtime.record import Record
from tests.support.recorded import simulated

SECONDS = 120.0


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return simulated(tmp_path_factory.mktemp("past") / "land-20260101-000000.stopmark", "late-brake-floor", SECONDS)


def request_of(session: Path, step_ns: int = SECOND_NS) -> Request:
    with SessionReader(session) as opened:
        start_ns = opened.t_first_ns // SECOND_NS * SECOND_NS
    names = ("height", "speed", STOP_MARK)
    return Request(Record(files=(str(session),)), names, start_ns, start_ns + int(SECONDS) * SECOND_NS, step_ns)


def test_the_rows_are_those_of_the_core_at_every_grid_point(session: Path) -> None:
    request = request_of(session, 2 * SECOND_NS)
    (piece,) = read(request)
    seen: dict[int, list[float]] = {}
    with SessionReader(session) as opened:
        core = core_of(opened.rig, opened.rules_text, "test", opened.header)
        at = SIGNAL_NAMES.index("height")

        def look(t_ns: int, _hoist: object, numbers: list[float], validities: list[int]) -> None:
            if validities[at] <= 1:
                seen.setdefault((t_ns - request.since_ns) // request.step_ns, []).append(numbers[at])

        core.observer = look  # type: ignore[assignment]
        for item in opened.inputs():
            core.feed(item)
    assert len(seen) > 50
    for place, heights in seen.items():
        if place < len(piece.low["height"]):
            assert piece.low["height"][place] == pytest.approx(min(heights), abs=1e-4)
            assert piece.high["height"][place] == pytest.approx(max(heights), abs=1e-4)


def test_the_stop_mark_lies_ahead_of_the_block(session: Path) -> None:
    (piece,) = read(request_of(session))
    rows = zip(piece.low["speed"], piece.high["height"], piece.low[STOP_MARK], strict=True)
    fast = [(height, mark) for speed, height, mark in rows if speed < -0.5 and math.isfinite(mark)]
    assert len(fast) > 5
    assert all(mark < height for height, mark in fast)


def test_alarms_come_with_them(session: Path) -> None:
    (piece,) = read(request_of(session))
    assert [words for _, _, words in piece.marks if "Brake now" in words]
    assert all(piece.since_ns <= t_ns < piece.until_ns for t_ns, _, _ in piece.marks)


def test_long_times_come_in_pieces_the_newest_first_and_join(session: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    request = request_of(session)
    (whole,) = read(request)
    monkeypatch.setattr(past, "PIECE_NS", 25 * SECOND_NS)
    pieces = [*read(request)]
    assert len(pieces) == 5
    assert pieces[0].until_ns == request.until_ns
    assert all(later.since_ns == earlier.until_ns for later, earlier in pairwise(pieces))
    joined = [height for piece in reversed(pieces) for height in piece.high["height"]]
    assert joined[40:] == pytest.approx([*whole.high["height"]][40:], abs=0.02, nan_ok=True)


def test_the_child_answers_in_lines_that_say_the_same(session: Path) -> None:
    request = request_of(session)
    ended = subprocess.run(command(), input=request.line(), capture_output=True, check=True)
    assert [Piece.of(line) == piece for line, piece in zip(ended.stdout.splitlines(), read(request), strict=True)]
    assert Request.of(request.line()) == request
    assert command()[0] == sys.executable


def test_what_cannot_be_read_is_unknown(tmp_path: Path, session: Path) -> None:
    broken = tmp_path / "land-20260101-000000.stopmark"
    broken.write_bytes(b"no session")
    (piece,) = read(replace(request_of(session), record=Record(str(tmp_path), "land")))
    assert all(math.isnan(height) for height in piece.high["height"])


@pytest.mark.parametrize("seconds", [1, 60, 3600, 10_800, 86_400])
def test_bins_are_few_and_fall_on_the_grid(seconds: int) -> None:
    step_ns = step_for(0, seconds * SECOND_NS)
    assert step_ns % GRID_NS == 0
    assert seconds * SECOND_NS / step_ns <= MOST_BINS
