"""Bad stretches of a log cost only themselves: what is kept of dirty logs, held against the truth they were made from."""

import json
from collections import Counter
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from monitor.adapters.tables.field_log import FieldLog
from monitor.adapters.tables.field_map import load_map
from monitor.model.stream import Action, Frame
from tests.support.dirty_logs import START_S, STEP_S, DirtyLog, Truth, dirty_log, log_of, runaway, work
from tests.support.foreign_logs import DT_S, Well

SEED = 31
"""Not one of those that the limits were set with."""
WRONG_M = 0.5


@pytest.fixture(scope="module")
def truth() -> Truth:
    return work(SEED, 2.0)


def kept(folder: Path, truth: Truth, fault: str, period_s: float) -> tuple[FieldLog, int, int, int]:
    """(log, positions kept, wrong ones among them, positions that were right and not kept)."""
    dirty = dirty_log(truth, fault, period_s, SEED)
    log_path, map_path = dirty.write(folder)
    log = FieldLog(log_path, load_map(map_path))
    wrong = good = 0
    for frame in log.frames():
        if frame.topic.endswith("block-position"):
            good += 1
            seconds = frame.t_ns * 1e-9 - START_S
            off = abs(json.loads(frame.payload)["value"] - truth.height_m[truth.at(seconds)])
            wrong += off > WRONG_M
    right = sum(
        abs(_number(position) - truth.height_m[truth.at(seconds)]) < WRONG_M for seconds, position, _ in dirty.rows
    )
    return log, good, wrong, right - (good - wrong)


def _number(word: str) -> float:
    try:
        return float(word)
    except ValueError:
        return 1e9


@pytest.mark.parametrize("period_s", [0.1, 1.0, 3.0, 10.0])
def test_a_clean_log_loses_nothing(tmp_path: Path, truth: Truth, period_s: float) -> None:
    log, good, wrong, lost = kept(tmp_path, truth, "clean", period_s)
    assert (wrong, lost, dict(log.dropped)) == (0, 0, {})
    assert good == log.rows
    assert not log.quality.stretches


@pytest.mark.parametrize("period_s", [0.1, 0.2, 0.5, 1.0, 2.0, 3.0])
@pytest.mark.parametrize(("gain_m_s2", "slowing_m_s2"), [(0.4, 0.8), (0.6, 1.5), (1.2, 3.0)])
def test_a_load_that_runs_away_is_no_bad_stretch(
    tmp_path: Path, period_s: float, gain_m_s2: float, slowing_m_s2: float
) -> None:
    """Up to 6 m/s, three times what the rig may: its positions are what the words before a limit go by."""
    if gain_m_s2 * period_s > 2.0:
        period_s = 1.0  # more is not told from a jump: rules of motion are blind there anyway
    truth = runaway(gain_m_s2, slowing_m_s2)
    assert np.max(np.abs(np.diff(truth.height_m))) / STEP_S > 3.0
    log, _, wrong, lost = kept(tmp_path, truth, "clean", period_s)
    assert (wrong, lost, dict(log.dropped)) == (0, 0, {})


@pytest.mark.parametrize(
    ("fault", "kind", "period_s"),
    [
        ("bad_position", "beyond the mast", 10.0),
        ("spikes", "jumps away and back", 0.1),
        ("spikes", "jumps away and back", 1.0),
        ("frozen", "stood still and then jumped on", 0.1),
        ("frozen", "stood still and then jumped on", 1.0),
        ("cells_gone", "missing", 3.0),
        ("rows_gone", "no rows", 1.0),
        ("load_spikes", "jumps away and back", 1.0),
    ],
)
def test_a_bad_stretch_is_told_by_its_kind_and_costs_only_itself(
    tmp_path: Path, truth: Truth, fault: str, kind: str, period_s: float
) -> None:
    log, good, wrong, lost = kept(tmp_path, truth, fault, period_s)
    assert kind in {stretch.kind for stretch in log.quality.stretches}
    # A freeze that ends near where the block has come to meanwhile cannot be seen; of one that is seen, what repeats where the
    # block stood is dropped with the rest.
    frozen = fault == "frozen"
    assert wrong <= (0.012 if frozen else 0.001) * good
    assert lost <= (0.12 if frozen else 0.002) * good


def test_a_log_that_is_filled_forward_gives_each_reading_once(tmp_path: Path, truth: Truth) -> None:
    log, good, wrong, _ = kept(tmp_path, truth, "filled", 3.0)
    assert log.reading_s == pytest.approx([3.0, 3.0], rel=0.01)
    assert [sensor.rate_hz for sensor in log.rig.sensors] == pytest.approx([1 / 3, 1 / 3], rel=0.01)
    assert good == pytest.approx(len(log_of(truth, 3.0, SEED).rows), rel=0.02)
    assert wrong == 0
    assert not log.quality.stretches
    assert log.dropped["pos: repeated to fill the row"] == log.rows - good


def test_a_column_can_be_filled_where_others_are_not(tmp_path: Path, truth: Truth) -> None:
    log, good, wrong, lost = kept(tmp_path, truth, "half_filled", 1.0)
    assert log.reading_s == pytest.approx([1.0, 3.0], rel=0.01)
    assert (good, wrong, lost) == (log.rows, 0, 0)


def test_cells_are_counted_once_each(tmp_path: Path, truth: Truth) -> None:
    log, *_ = kept(tmp_path, truth, "marked", 1.0)
    cells = 2 * log.rows
    assert log.readings + sum(log.dropped.values()) == cells
    kinds = Counter[str]()
    for stretch in log.quality.stretches:
        kinds[stretch.kind] += stretch.count
    assert sum(kinds.values()) == sum(log.dropped.values())


def test_a_block_that_moves_on_after_a_hole_is_believed_from_the_first_row_on(tmp_path: Path) -> None:
    dirty = log_of(work(SEED, 0.2), 1.0, SEED)
    before = [(float(place), f"{20.0 - 0.4 * place:.2f}", "900.0") for place in range(20)]
    after = [(1200.0 + place, f"{1.0 + 1.1 * place:.2f}", "900.0") for place in range(20)]
    dirty.rows = before + after
    log_path, map_path = dirty.write(tmp_path)
    log = FieldLog(log_path, load_map(map_path))
    assert len(list(log.frames())) == 2 * 40
    assert dict(log.dropped) == {}


@pytest.mark.parametrize(("period_s", "step_m"), [(1.0, 0.3048), (3.0, 0.01), (3.0, 0.3048), (10.0, 0.01)])
def test_a_quiet_position_that_repeats_itself_at_every_rest_loses_nothing(
    tmp_path: Path, period_s: float, step_m: float
) -> None:
    """As an encoder gives it: without noise, in whole steps; and a hand that eases the string into the slips and out of them."""
    well = Well(32)
    well.rest(60.0)
    well.pull_out(8)
    well.rest(700.0)
    well.run_in(8)
    well.drill_stands(2)
    well.drill_singles(4)
    seconds = np.arange(0.0, len(well.height_m) * DT_S - 1.0, period_s)
    place = (seconds / DT_S).astype(np.int64)
    seen = zip(seconds, well.height_m[place], well.load_n[place], strict=True)
    dirty = DirtyLog(
        period_s, [(s, f"{round(height / step_m) * step_m:.2f}", f"{load / 1e3:.1f}") for s, height, load in seen]
    )
    log_path, map_path = dirty.write(tmp_path)
    log = FieldLog(log_path, load_map(map_path))
    kept = sum(frame.topic.endswith("block-position") for frame in log.frames())
    assert kept >= 0.995 * len(dirty.rows)
    assert kept == len(dirty.rows) or period_s == 10.0


@pytest.mark.parametrize("seed", [41, 42, 43])
def test_freezes_in_rows_ten_seconds_apart_are_found(tmp_path: Path, seed: int) -> None:
    """A block that drills is frozen for minutes, while the string is set in slips, or taken up, or neither."""
    truth = work(seed, 5.0)
    dirty = dirty_log(truth, "frozen", 10.0, seed)
    log_path, map_path = dirty.write(tmp_path)
    log = FieldLog(log_path, load_map(map_path))
    frames = [frame for frame in log.frames() if frame.topic.endswith("block-position")]
    wrong = [
        frame.t_ns
        for frame in frames
        if abs(json.loads(frame.payload)["value"] - truth.height_m[truth.at(frame.t_ns * 1e-9 - START_S)]) > WRONG_M
    ]
    assert len(wrong) <= 0.002 * len(frames)


def test_a_freeze_of_minutes_in_slow_rows_is_found_by_what_the_load_did(tmp_path: Path, truth: Truth) -> None:
    dirty = log_of(truth, 10.0, SEED)
    loads = [float(load) for _, _, load in dirty.rows]
    taken_up = [abs(after - before) > 300.0 for before, after in pairwise(loads)]
    # From a stroke's middle on, over 18 rows in which the string is set in slips and taken from them.
    first = next(
        i for i in range(60, len(loads) - 40) if sum(taken_up[i : i + 17]) >= 2 and not any(taken_up[i - 3 : i])
    )
    stuck = dirty.rows[first][1]
    dirty.rows[first : first + 18] = [(s, stuck, load) for s, _, load in dirty.rows[first : first + 18]]
    log_path, map_path = dirty.write(tmp_path)
    log = FieldLog(log_path, load_map(map_path))
    assert list(log.frames())
    assert [stretch.kind for stretch in log.quality.stretches] == ["stood still and then jumped on"]


@pytest.mark.parametrize(
    ("heights", "wrong"),
    [
        # On the way down at 1 m/s: within reach upwards, but not from there to where the block goes on.
        ([20.42, 17.07, 14.07, 13.16, 13.16, 11.63, 8.91, 13.64, 4.90, 4.89, 4.89, 3.37, 1.61, 1.55], 7),
        # On the way up: out of reach, but not from there to where the block goes on.
        ([1.32, 1.45, 1.95, 4.19, 7.46, 19.60, 13.99, 17.24, 20.52, 23.77, 27.04, 29.69, 30.22, 30.24], 5),
        # Within reach both ways, beside a way that is nearly even.
        ([2.0, 2.0, 4.6, 7.7, 10.8, 16.9, 17.2, 20.1, 23.4, 26.3, 28.9, 30.0, 30.0, 30.0], 5),
    ],
)
def test_one_wrong_position_in_a_stroke_is_taken_out_and_no_jump(
    heights: list[float], wrong: int, tmp_path: Path
) -> None:
    rest = [(heights[0] + 0.01 * (place % 2), 220.0) for place in range(30)]
    rows = [
        *rest,
        *((height, 220.0) for height in heights),
        *((heights[-1] + 0.01 * (k % 2), 220.0) for k in range(30)),
    ]
    dirty = DirtyLog(3.0, [(3.0 * place, f"{height:.2f}", f"{load:.1f}") for place, (height, load) in enumerate(rows)])
    log_path, map_path = dirty.write(tmp_path)
    log = FieldLog(log_path, load_map(map_path))
    inputs = list(log.inputs())
    assert [item for item in inputs if isinstance(item, Action)] == []
    assert {kind: count for kind, (count, _) in log.quality.kinds().items()} == {"jumps away and back": 1}
    positions = [
        json.loads(item.payload)["value"] for item in inputs if isinstance(item, Frame) and "position" in item.topic
    ]
    assert positions == [round(height, 2) for place, (height, _) in enumerate(rows) if place != 30 + wrong]


def test_a_jump_to_another_level_is_still_one(tmp_path: Path) -> None:
    heights = [5.0 + 0.01 * (k % 2) for k in range(40)] + [27.0 + 0.01 * (k % 2) for k in range(40)]
    dirty = DirtyLog(3.0, [(3.0 * place, f"{height:.2f}", "220.0") for place, height in enumerate(heights)])
    log_path, map_path = dirty.write(tmp_path)
    jumps = [item for item in FieldLog(log_path, load_map(map_path)).inputs() if isinstance(item, Action)]
    assert [round(jump.number) for jump in jumps] == [22]
