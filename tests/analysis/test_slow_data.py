"""What a replay for reports makes of slow data: on the thinned grid the same as on the full one, and near the truth."""

from pathlib import Path

import numpy as np
import pytest

from monitor.adapters.sessions.chain import SessionChain
from monitor.analysis.motion import descents
from monitor.analysis.pieces import STATES
from monitor.analysis.recording import Recording, collect
from monitor.analysis.signal_table import export_signals
from monitor.core.engine import Core
from monitor.model.alarm import Finding
from monitor.model.snapshot import HoistState
from monitor.model.stream import Action, Frame
from tests.support.slow_data import BLOCK_KN, HIGH_M, LOW_M, Pull


def recording(path: Path, jobs: int = 1) -> Recording:
    with SessionChain([path]) as chain:
        return collect(chain, jobs=jobs)


def share(rec: Recording, state: HoistState) -> float:
    return rec.share(rec.hoist == STATES.index(state))


@pytest.mark.parametrize("period_s", [1.0, 3.0, 10.0])
def test_descents_times_and_work_are_those_of_the_truth(tmp_path: Path, period_s: float) -> None:
    pull = Pull(seed=int(period_s), seconds=6000.0)
    rec = recording(pull.session(tmp_path / "slow.stopmark", period_s))
    down = [(to - start) for start, to, low, high, _ in pull.pieces if high < low and to < pull.seconds]
    found = descents(rec)
    assert abs(len(found) - len(down)) <= 1
    assert np.mean([one.seconds for one in found]) == pytest.approx(np.mean(down), abs=2.0 * period_s)
    assert np.mean([one.distance_m for one in found]) == pytest.approx(HIGH_M - LOW_M, abs=0.3 * period_s)
    slips = sum(to - start for start, to, low, high, load in pull.pieces if low == high and load == BLOCK_KN)
    assert share(rec, HoistState.IN_SLIPS) * pull.seconds == pytest.approx(slips, rel=0.15)
    assert float(rec["line_work"][-1]) == pytest.approx(pull.work_j, rel=0.05)
    assert sum(share(rec, state) for state in STATES) == pytest.approx(1.0)
    assert rec.elapsed_ns[-1] == rec.t_ns[-1] - rec.t_ns[0] + 50_000_000
    assert len(rec.t_ns) < 2.3 * 6000.0 / period_s + 10


def test_the_thinned_grid_tells_what_the_full_one_tells(tmp_path: Path) -> None:
    pull = Pull(seed=4, seconds=3000.0)
    one, other = (recording(pull.session(tmp_path / f"{thinned}.stopmark", 10.0, thinned)) for thinned in (True, False))
    assert len(one.t_ns) < len(other.t_ns) / 50
    assert len(descents(one)) == len(descents(other))
    for a, b in zip(descents(one), descents(other), strict=True):
        assert a.seconds == pytest.approx(b.seconds, abs=15.0)
        assert a.distance_m == pytest.approx(b.distance_m, abs=4.0)
    assert one["line_work"][-1] == pytest.approx(other["line_work"][-1], rel=0.05)
    for state in (HoistState.HOISTING, HoistState.LOWERING, HoistState.IN_SLIPS):
        assert share(one, state) == pytest.approx(share(other, state), abs=0.05)


def test_pieces_tell_what_the_whole_tells(tmp_path: Path) -> None:
    path = Pull(seed=5, seconds=15_000.0).session(tmp_path / "long.stopmark", 3.0)
    whole, pieces = recording(path), recording(path, jobs=2)
    assert np.array_equal(whole.t_ns, pieces.t_ns)
    assert [one.t_ns for one in descents(whole)] == [one.t_ns for one in descents(pieces)]
    assert pieces["line_work"][-1] == pytest.approx(whole["line_work"][-1], rel=0.002)


@pytest.mark.parametrize("period_s", [0.2, 10.0])
def test_a_table_of_signals_near_the_end_begins_at_a_checkpoint(
    tmp_path: Path, period_s: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = Pull(seed=6, seconds=900.0 if period_s < 1.0 else 9000.0).session(tmp_path / "long.stopmark", period_s)
    with SessionChain([path]) as chain:
        end_ns, frames = chain.end_ns, chain.frames
    from_ns, names = end_ns - 120_000_000_000, ["height", "hook_load", "line_work"]
    fed: list[int] = []
    feed = Core.feed

    def counted(core: Core, item: Frame | Action) -> list[Finding]:
        fed.append(item.t_ns)
        return feed(core, item)

    export_signals([path], tmp_path / "whole.csv", names=names)
    monkeypatch.setattr(Core, "feed", counted)
    export_signals([path], tmp_path / "end.csv", names=names, from_ns=from_ns)
    assert 0 < len(fed) < frames / 2
    whole, end = ((tmp_path / f"{name}.csv").read_text().splitlines() for name in ("whole", "end"))
    assert end[0] == whole[0]
    assert len(end) > 100
    for one, other in zip(whole[1 - len(end) :], end[1:], strict=True):
        a, b = one.split(","), other.split(",")
        assert a[:2] == b[:2]
        assert [float(x) for x in a[2:]] == pytest.approx([float(x) for x in b[2:]], rel=2e-3, abs=0.02)
