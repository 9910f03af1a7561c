"""A report in pieces: what differs from one run in one piece, and by how much; and that the pieces fit together."""

import json
import shutil
import sqlite3
from collections.abc import Mapping, Sequence
from concurrent.futures.process import BrokenProcessPool
from dataclasses import fields
from pathlib import Path
from typing import Any, Final

import numpy as np
import pytest

from monitor.adapters.sessions.chain import SessionChain
from monitor.adapters.sessions.recorder import Recorder
from monitor.analysis import parallel_replay, processes
from monitor.analysis.motion import descents, stops
from monitor.analysis.parallel_replay import TimeRange, cuts_of
from monitor.analysis.pieces import COLUMNS, joined
from monitor.analysis.recording import Recording, collect
from monitor.config.rig_file import find_rig
from monitor.core.engine import Core
from monitor.core.signals.table import SIGNAL_NAMES
from monitor.model.stream import CARRIED_TOPIC, GRID_NS, Frame
from monitor.report.page import make_report
from monitor.runtime.assembly import core_of, header_of
from monitor.runtime.runner import Runner
from monitor.runtime.session_feed import WARM_UP_S
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.scenario import find_scenario
from tests.support.recorded import START_NS, rules, simulated

S = 1_000_000_000
GRID_S = GRID_NS / S

DIFFER: Final[Mapping[str, float]] = {
    "line_work": 2000.0,  # J: the sums are of 32 bits, taken up from the checkpoint
    "string_load": 5000.0,  # N: the weight of the empty block is learned over minutes; the load is known to 5 %
    "disc_modelled": 0.01,  # K
    "effectiveness": 0.01,
    "holding_ratio": 0.05,
    "room_up": 1e-3, "room_down": 1e-3, "late_margin_up": 0.02, "late_margin_down": 0.02,
    "height": 1e-3, "speed": 1e-3, "height_bound": 5e-3, "speed_bound": 1e-3, "turns": 1e-3,
}  # fmt: skip
"""How far a number from pieces may lie from that of one run, SI. All others are equal, but the leak rate: a hold that the
beginning of a piece cuts in two is weighed in its second half only."""


@pytest.fixture(scope="module")
def long_trip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Stands with a heavy hand."""
    return simulated(tmp_path_factory.mktemp("pieces") / "trip.stopmark", "clumsy-trip", 400.0)


@pytest.fixture(scope="module")
def whole(long_trip: Path) -> Recording:
    return collected(long_trip)


@pytest.fixture(autouse=True)
def short_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parallel_replay, "PIECE_NS", 100 * S)
    monkeypatch.setattr(parallel_replay, "_NEAR_NS", 45 * S)


def collected(*paths: Path, from_ns: int | None = None, jobs: int = 1) -> Recording:
    with SessionChain(paths) as chain:
        assert jobs == 1 or len(cuts_of(chain, from_ns, chain.end_ns)) >= 2
        return collect(chain, from_ns, jobs=jobs)


def agree(whole: Recording, cut: Recording) -> None:
    assert np.array_equal(whole.t_ns, cut.t_ns)
    # The weight of the empty block decides when the string hangs in the slips: that may be seen a second later.
    same = whole.hoist == cut.hoist
    assert np.count_nonzero(~same) <= 1.0 / GRID_S
    assert np.array_equal(whole.validity, cut.validity)
    assert (whole.frames, whole.restarts, whole.actions) == (cut.frames, cut.restarts, cut.actions)
    assert (whole.findings, whole.gaps, whole.notes) == (cut.findings, cut.gaps, cut.notes)
    assert whole.watched_s == pytest.approx(cut.watched_s, abs=1e-6)
    assert dict(whole.snapshot.rejects) == dict(cut.snapshot.rejects)
    counted = [[(view.id, view.fused, view.rejected) for view in rec.snapshot.sensors] for rec in (whole, cut)]
    assert counted[0] == counted[1]
    for name in COLUMNS:
        if name == "leak_rate":
            continue
        one, other = whole[name].astype(np.float64)[same], cut[name].astype(np.float64)[same]
        assert np.array_equal(np.isnan(one), np.isnan(other)), name
        finite = np.isfinite(one) & np.isfinite(other)
        assert np.array_equal(one[~finite], other[~finite], equal_nan=True), name
        assert np.abs(one[finite] - other[finite]).max(initial=0.0) <= DIFFER.get(name, 0.0), name


def test_pieces_agree_with_one_run(long_trip: Path, whole: Recording) -> None:
    cut = collected(long_trip, jobs=2)
    agree(whole, cut)
    pairs: list[tuple[Sequence[Any], Sequence[Any]]] = [(found(whole), found(cut)) for found in (stops, descents)]
    for one, other in pairs:
        assert len(one) == len(other) > 0
        for left, right in zip(one, other, strict=True):
            for field in fields(left):
                expected = getattr(left, field.name)
                near = pytest.approx(expected, rel=2e-3, abs=2e-3, nan_ok=True)
                assert getattr(right, field.name) == (near if isinstance(expected, float) else expected), field.name


def test_a_report_has_the_same_bytes_whatever_the_number_of_processes(long_trip: Path) -> None:
    with SessionChain([long_trip]) as chain:
        assert len(cuts_of(chain, None, chain.end_ns)) >= 2
        one, other = (collect(chain, jobs=jobs) for jobs in (1, 2))
    assert [name for name in COLUMNS if one[name].tobytes() != other[name].tobytes()] == []
    assert make_report(one) == make_report(other)


@pytest.mark.parametrize("jobs", [1, 2])
def test_a_replay_tells_how_far_it_is(jobs: int, long_trip: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(processes, "_LOOK_S", 0.02)
    told: list[tuple[int, int]] = []
    with SessionChain([long_trip]) as chain:
        frames = collect(chain, jobs=jobs, on_progress=lambda rows, t_ns: told.append((rows, t_ns))).frames
        bounds = chain.t_first_ns, chain.end_ns
    assert told == sorted(told)
    assert len({rows for rows, _ in told}) > 5
    assert 0.5 * frames < told[-1][0] <= frames
    assert bounds[0] <= told[0][1] < told[-1][1] <= bounds[1] + S
    assert told[-1][1] > bounds[0] + 0.5 * (bounds[1] - bounds[0])


def test_a_part_in_pieces_agrees_with_the_part_in_one(long_trip: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from_ns = START_NS + 130 * S
    cut = collected(long_trip, from_ns=from_ns, jobs=2)
    monkeypatch.undo()
    agree(collected(long_trip, from_ns=from_ns), cut)
    assert cut.start_ns == from_ns
    assert 0.0 <= cut["line_work"][0] < 1e5


def test_pieces_begin_a_warm_up_after_a_checkpoint_and_follow_the_record_alone(long_trip: Path) -> None:
    with SessionChain([long_trip]) as chain:
        cuts = cuts_of(chain, None, chain.end_ns)
        times = chain.checkpoint_times()
    assert cuts == sorted(set(cuts))
    for at_ns in cuts:
        assert at_ns % GRID_NS == 0
        assert any(0 <= at_ns - WARM_UP_S * S - t_ns < GRID_NS for t_ns in times)


def test_a_short_session_or_one_without_checkpoints_stays_in_one_piece(long_trip: Path, tmp_path: Path) -> None:
    with SessionChain([long_trip]) as chain:
        assert cuts_of(chain, None, START_NS + 110 * S) == []
        assert cuts_of(chain, None, 1 << 62)[: len(cuts_of(chain, None, chain.end_ns))] == cuts_of(
            chain, None, chain.end_ns
        )
    bare = tmp_path / "bare.stopmark"
    shutil.copy(long_trip, bare)
    with sqlite3.connect(bare) as base:
        base.execute("DELETE FROM checkpoint")
    base.close()
    with SessionChain([bare]) as chain:
        assert cuts_of(chain, None, chain.end_ns) == []


def test_a_checkpoint_that_cannot_be_taken_up_whole_begins_no_piece(
    long_trip: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Core, "restore", lambda *_, **__: ["height (broken)"])
    with SessionChain([long_trip]) as chain:
        assert cuts_of(chain, None, chain.end_ns) == []


@pytest.mark.parametrize(
    "error", [OSError("no more processes"), BrokenProcessPool("killed"), ImportError("no semaphores")]
)
def test_where_there_are_no_processes_it_is_one_after_another(
    long_trip: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture, error: Exception
) -> None:
    tried: list[object] = []

    def refuse(*given: object) -> None:
        tried.append(given)
        raise error

    monkeypatch.setattr(parallel_replay, "_in_parallel", refuse)
    rec = collected(long_trip, jobs=2)
    assert len(tried) == 1
    assert len(rec.t_ns) == 8001
    assert str(error) in caplog.text, "never without a word"


def test_pieces_over_a_restart_and_two_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The second file is a later run that took up what the first left: line work goes on, the counts add up."""
    rig = find_rig("land")
    paths, state = [tmp_path / "one.stopmark", tmp_path / "two.stopmark"], "{}"
    done_j = 0.0
    for place, path in enumerate(paths):
        source = PlantSource(rig, find_scenario("calm-trip"), 1, START_NS + place * 200 * S, duration_s=190.0)
        core = core_of(rig, rules(), "rules")
        with Recorder(path, header_of(rig, rules(), "LIVE", source.origin_ns), wait=True) as recorder:
            runner = Runner(core, recorder)
            runner.start_from_state(source.origin_ns, json.loads(state))
            for item in source.items():
                if isinstance(item, Frame):
                    runner.frame(item)
                else:
                    runner.action(item)
            runner.advance(source.end_ns)
        state = json.dumps(core.state())
        done_j += core.values[SIGNAL_NAMES.index("line_work")][0]
    cut = collected(*paths, jobs=2)
    monkeypatch.undo()
    whole = collected(*paths)
    agree(whole, cut)
    with SessionChain(paths) as chain:
        carried = [item for item in chain.inputs() if isinstance(item, Frame) and item.topic == CARRIED_TOPIC]
    assert len(carried) == 2
    steps = np.diff(whole["line_work"])
    assert steps.min() >= 0.0
    assert whole["line_work"][-1] == pytest.approx(done_j, rel=1e-4)
    drum = next(view for view in whole.snapshot.sensors if view.id == "drum")
    assert drum.fused == pytest.approx(2 * 190 * 20, rel=0.01)
    assert whole.watched_s == pytest.approx(380.0, abs=0.1)


def test_joined_pieces_are_the_whole(long_trip: Path) -> None:
    """The same pieces one after another in this process, so that what is tested is how they are joined."""
    with SessionChain([long_trip]) as chain:
        cuts = cuts_of(chain, None, chain.end_ns)
        made = [
            parallel_replay._Replay(chain, TimeRange(start, stop, chain.end_ns)).run()
            for start, stop in zip((None, *cuts), (*cuts, None), strict=True)
        ]
    for piece, at_ns in zip(made[1:], cuts, strict=True):
        assert piece.t_ns[0] == at_ns
        assert piece.columns["line_work"][0] >= 0.0
    one = joined(made)
    assert np.all(np.diff(one.t_ns) == GRID_NS)
    assert np.all(np.diff(one.sigma_at) > 0)
    assert len(one.sigma_at) == len(one.sigma) == len(one.energy)
    assert one.watched_s == pytest.approx(400.0, abs=0.1)
