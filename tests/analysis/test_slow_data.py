"""What a report makes of slow data: on the thinned grid the same as on the full one, and near the truth."""

from pathlib import Path

import numpy as np
import pytest

from monitor.adapters.sessions.chain import SessionChain
from monitor.analysis.motion import descents, stands
from monitor.analysis.recording import Recording, collect
from monitor.model.snapshot import HoistState
from tests.support.slow_data import Pull


def recording(path: Path, jobs: int = 1) -> Recording:
    with SessionChain([path]) as chain:
        return collect(chain, jobs=jobs)


@pytest.mark.parametrize("period_s", [1.0, 3.0, 10.0])
def test_stands_times_and_work_are_those_of_the_truth(tmp_path: Path, period_s: float) -> None:
    pull = Pull(seed=int(period_s), seconds=6000.0)
    rec = recording(pull.session(tmp_path / "slow.stopmark", period_s))
    found = stands(rec)
    assert abs(len(found) - pull.stands) <= 1
    assert all(one.way == "out" for one in found)
    connections = [to - start for start, to, _, end, load in pull.pieces[2::5]]
    assert np.mean([one.connection_s for one in found]) == pytest.approx(
        np.mean(connections) + np.mean([to - start for start, to, *_ in pull.pieces[3::5]])
        + np.mean([to - start for start, to, *_ in pull.pieces[4::5]]), abs=2.0 * period_s,
    )  # fmt: skip
    assert float(rec["line_work"][-1]) == pytest.approx(pull.work_j, rel=0.05)
    assert sum(rec.share(rec.hoist == place) for place in range(len(HoistState))) == pytest.approx(1.0)
    assert len(rec.t_ns) < 2.3 * 6000.0 / period_s + 10


def test_the_thinned_grid_tells_what_the_full_one_tells(tmp_path: Path) -> None:
    pull = Pull(seed=4, seconds=3000.0)
    one, other = (recording(pull.session(tmp_path / f"{thinned}.stopmark", 10.0, thinned)) for thinned in (True, False))
    assert len(one.t_ns) < len(other.t_ns) / 50
    assert len(stands(one)) == len(stands(other))
    assert len(descents(one)) == len(descents(other))
    for a, b in zip(stands(one), stands(other), strict=True):
        assert a.seconds == pytest.approx(b.seconds, abs=20.0)
        assert a.travel_m == pytest.approx(b.travel_m, abs=1.0)
    assert one["line_work"][-1] == pytest.approx(other["line_work"][-1], rel=0.05)


def test_pieces_tell_what_the_whole_tells(tmp_path: Path) -> None:
    path = Pull(seed=5, seconds=15_000.0).session(tmp_path / "long.stopmark", 3.0)
    whole, pieces = recording(path), recording(path, jobs=2)
    assert np.array_equal(whole.t_ns, pieces.t_ns)
    assert [one.t_ns for one in stands(whole)] == [one.t_ns for one in stands(pieces)]
    assert pieces["line_work"][-1] == pytest.approx(whole["line_work"][-1], rel=0.002)
