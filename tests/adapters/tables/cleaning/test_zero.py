"""A position that counts from another zero for a while: told by its steps and by where the string changes hands."""

import json
from pathlib import Path

import pytest

from monitor.adapters.tables.cleaning.quality import MAY_BE_OFF
from monitor.adapters.tables.cleaning.zero import HELD_ROWS, ZeroWatch
from monitor.adapters.tables.field_log import FieldLog
from monitor.adapters.tables.field_map import load_map
from monitor.model.stream import Action, ActionKind
from tests.support.dirty_logs import START_S, DirtyLog, Truth, dirty_log, log_of, work

SEED = 47
S = 1_000_000_000
BLOCK_N = 200e3


@pytest.fixture(scope="module")
def truth() -> Truth:
    return work(SEED, 5.0)


def looked_at(folder: Path, dirty: DirtyLog, truth: Truth) -> tuple[FieldLog, float, float]:
    """(log, share of positions further off than is said, share of right ones that are said to be off)."""
    log_path, map_path = dirty.write(folder)
    log = FieldLog(log_path, load_map(map_path))
    off_m, count, wrong, needless, last_ns = 0.0, 0, 0, 0, 0
    for item in log.inputs():
        assert item.t_ns >= last_ns
        last_ns = item.t_ns
        if isinstance(item, Action):
            off_m = item.number or 0.0 if item.kind == ActionKind.BOUND_HEIGHT else off_m
        elif item.topic.endswith("block-position"):
            count += 1
            seconds = item.t_ns * 1e-9 - START_S
            off = abs(json.loads(item.payload)["value"] - truth.height_m[truth.at(seconds)])
            wrong += off > off_m + 0.3
            needless += off <= 0.3 and off_m > 0.0
    return log, wrong / count, needless / count


@pytest.mark.parametrize("period_s", [1.0, 3.0, 10.0])
def test_a_position_that_is_metres_off_for_a_while_is_said_to_be(tmp_path: Path, truth: Truth, period_s: float) -> None:
    dirty = dirty_log(truth, "shifted", period_s, SEED)
    log, wrong, needless = looked_at(tmp_path, dirty, truth)
    assert dirty.unknowable
    assert wrong <= 0.001
    assert needless <= 0.01
    assert log.quality.kinds()[MAY_BE_OFF][1] == pytest.approx(sum(b - a for a, b in dirty.unknowable), rel=0.1)
    assert sum(log.dropped.values()) <= 0.01 * log.rows


@pytest.mark.parametrize("period_s", [1.0, 3.0, 10.0])
def test_nothing_is_said_of_a_position_that_is_right(tmp_path: Path, truth: Truth, period_s: float) -> None:
    log, _, needless = looked_at(tmp_path, log_of(truth, period_s, SEED), truth)
    assert needless == 0.0
    assert not log.quality.stretches


def played(rows: list[tuple[float, float]], watch: ZeroWatch, from_s: float = 0.0, period_s: float = 10.0) -> float:
    """(position, load in blocks) every `period_s`; the time after the last, s."""
    for position, blocks in rows:
        from_s += period_s
        watch.take(round(from_s * S), position, blocks * BLOCK_N)
    return from_s


def stand(off: float = 0.0, low: float = 5.0, top: float = 33.0) -> list[tuple[float, float]]:
    """A stand run in: up alone, the string taken from its slips, lowered, set."""
    way = [low + off + (top - low) * share for share in (0.3, 0.7)]
    up = [(at, 1.0) for at in way]
    hands = [(top + off, 1.0)] * 3 + [(top + off, 4.0)] * 3
    return up + hands + [(at, 4.0) for at in reversed(way)] + [(low + off, 4.0)] * 3 + [(low + off, 1.0)] * 3


def test_a_zero_that_moves_unseen_in_a_stroke_is_told_by_two_places() -> None:
    watch = ZeroWatch(BLOCK_N)
    at = played(stand() * 3, watch)
    assert watch.doubts == []
    began = at
    at = played(stand(2.6) * 3, watch, at)
    assert [by for _, by in watch.doubts] == [pytest.approx(2.6, abs=0.05)]
    assert watch.doubts[0][0] <= (began + 10.0) * S
    played(stand() * 2, watch, at)
    assert watch.doubts[-1][1] == 0.0
    assert watch.doubts[-1][0] <= (at + 80.0) * S


def test_other_work_at_other_heights_is_no_other_zero() -> None:
    watch = ZeroWatch(BLOCK_N)
    at = played(stand() * 4, watch)
    played(stand(low=6.5, top=18.0) * 4, watch, at)
    assert watch.doubts == []


def test_a_block_that_is_lifted_and_lands_where_the_string_is_always_set_has_moved() -> None:
    watch = ZeroWatch(BLOCK_N)
    at = played(stand() * 3, watch)
    lifted = [(7.4, 1.0)] * 6 + [(6.0, 1.0)] * 5 + [(5.0, 1.0)] * 5
    played(lifted + stand() * 2, watch, at)
    assert watch.doubts == []


def test_a_zero_that_stays_is_believed_in_the_end() -> None:
    watch = ZeroWatch(BLOCK_N)
    at = played(stand() * 3, watch)
    played(stand(3.0) * 160, watch, at)
    assert [by for _, by in watch.doubts] == [pytest.approx(3.0, abs=0.05), 0.0]


def test_rows_are_held_back_for_hours_at_the_most() -> None:
    watch = ZeroWatch(BLOCK_N)
    for row in range(5000):
        watch.take(row * 10 * S + S, 12.0, 4.0 * BLOCK_N)
        assert row * 10 * S + S - watch.settled_ns <= 7200 * S
    for row in range(2 * HELD_ROWS):
        watch.take((50_000 + row // 100) * S + row, 12.0, 4.0 * BLOCK_N)
    watch.pass_to(10**15)
    assert watch.settled_ns == 10**15
