"""What the report finds in a recording: stops, descents."""

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.adapters.sessions.chain import SessionChain
from monitor.analysis.known import runs
from monitor.analysis.motion import descents, stops
from monitor.analysis.recording import Recording, collect
from monitor.model.stream import GRID_NS
from tests.support.recorded import simulated


def test_a_full_stop_is_found_with_its_figures(crown_rec: Recording) -> None:
    (stop,) = stops(crown_rec)
    assert stop.direction == 1
    assert stop.full
    assert not stop.dragged
    assert stop.speed_m_s == pytest.approx(1.5, abs=0.1)
    # The load is the bare block's; the simulated machine differs from its file by less than the configured doubt.
    assert stop.load_n == pytest.approx(22_000 * 9.80665, rel=0.05)
    assert stop.layer == 5
    assert stop.pressure_pa == pytest.approx(14e6, rel=0.05)
    assert stop.reach_m == pytest.approx(stop.reach_full_m, rel=0.3)
    assert stop.reach_applied_m == pytest.approx(stop.reach_full_m, rel=0.05)
    # Rest within v / a of the highest speed.
    assert stop.deceleration_m_s2 == pytest.approx(stop.speed_m_s / 0.65, rel=0.4)


def test_descents_add_up_and_the_auxiliary_brake_took_them(trip_rec: Recording) -> None:
    found = descents(trip_rec)
    assert len(found) >= 3
    for descent in found:
        assert descent.energy_j == pytest.approx(descent.load_n * descent.distance_m)
        assert 3.0 <= descent.distance_m < 40.0
        assert descent.top_speed_m_s < 1.6
        assert descent.measured
    heavy = [d for d in found if d.load_n > 800_000]
    assert heavy
    assert all(0.8 < d.aux_share <= 1.0 for d in heavy)
    assert all(d.friction_j < 0.2 * d.energy_j for d in heavy)
    light = [d for d in found if d.load_n < 300_000]
    assert light
    assert all(np.isnan(d.aux_share) for d in light)


def test_line_work_is_the_sum_of_loads_times_ways(trip_rec: Recording) -> None:
    height, load = trip_rec["height"].astype(np.float64), trip_rec["hook_load"].astype(np.float64)
    known = np.isfinite(height) & np.isfinite(load)
    height, load = height[known], load[known]
    direct = float((np.abs(np.diff(height)) * (load[1:] + load[:-1]) / 2).sum())
    assert float(trip_rec["line_work"][-1]) == pytest.approx(direct, rel=0.01)


@given(st.lists(st.booleans(), max_size=60))
def test_runs_are_the_stretches_where_it_holds(mask: list[bool]) -> None:
    found = runs(np.array(mask, dtype=bool))
    rebuilt = [any(first <= i < after for first, after in found) for i in range(len(mask))]
    assert rebuilt == mask
    assert all(after < first for (_, after), (first, _) in pairwise(found))


def test_runs_close_to_one_another_can_be_one() -> None:
    mask = np.array([True, True, False, True, False, False, False, True])
    assert runs(mask, 0.1, np.arange(9) * GRID_NS) == [(0, 4), (7, 8)]


def test_hard_stops_that_leave_the_block_swinging_are_found_and_foretold(tmp_path: Path) -> None:
    with SessionChain([simulated(tmp_path / "pads.stopmark", "glazed-pads", 70.0)]) as chain:
        found = stops(collect(chain))
    assert len(found) >= 3
    for stop in found:
        assert stop.full
        assert stop.direction == -1
        assert stop.speed_m_s == pytest.approx(0.5, abs=0.05)
        # The block is read to a centimetre or two; the prediction uses the effectiveness that was known before.
        assert stop.reach_m == pytest.approx(stop.reach_applied_m, abs=0.08)
