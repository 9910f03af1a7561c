"""A whole-stand round trip recorded reading by reading: the report's line work is the published round-trip formula.

Source of the formula: API RP 9B and the drilling handbooks, as in `monitor.physics.line.round_trip_j`, which
`tests/published/test_line.py` holds against printed values. Two feet of pick-up and set-down around each stand, which the
formula does not know: each stand's string goes two feet up and down again, out and in (derived here).
"""

from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import pytest
from scipy.constants import foot, lbf

from monitor.adapters.sessions.chain import SessionChain
from monitor.analysis.recording import collect
from monitor.model.stream import Frame
from monitor.physics.line import round_trip_j
from tests.core.hoist.test_line_work import trapezoid
from tests.support.recorded import START_NS, by_hand, reading

STANDS: Final = 3
STAND_M: Final = 93 * foot
BLOCK_N, EXCESS_N, PIPE_N_M = 75_000 * lbf, 19_734 * lbf, 17.55 * lbf / foot
STEP_NS: Final = 50_000_000


def looks(pick_up_m: float) -> Iterator[tuple[float, float]]:
    """(height, hook load) twenty times a second."""
    height = 4.0

    def rest(load: float, seconds: float) -> Iterator[tuple[float, float]]:
        for _ in range(round(seconds * 20)):
            yield height, load

    def stroke(travel: float, load: float) -> Iterator[tuple[float, float]]:
        nonlocal height
        start = height
        for distance in trapezoid(abs(travel)):
            yield start + (distance if travel > 0 else -distance), load
        height = start + travel

    for way, order in ((1, range(STANDS, 0, -1)), (-1, range(1, STANDS + 1))):
        for stands in order:
            hanging = BLOCK_N + EXCESS_N + PIPE_N_M * STAND_M * stands
            if way < 0:
                yield from rest(BLOCK_N, 3.0)
                yield from stroke(STAND_M, BLOCK_N)
                yield from rest(BLOCK_N, 3.0)
            yield from rest(hanging, 3.0)
            for lift in (pick_up_m, -pick_up_m) if pick_up_m else ():
                yield from stroke(lift, hanging)
                yield from rest(hanging, 2.0)
            yield from stroke(way * STAND_M, hanging)
            yield from rest(hanging, 3.0)
            yield from rest(BLOCK_N, 3.0)
            if way > 0:
                yield from stroke(-STAND_M, BLOCK_N)
                yield from rest(BLOCK_N, 3.0)


def recorded_j(path: Path, pick_up_m: float) -> float:
    """Line work of the recorded trip by the report."""

    def sensors(config: dict[str, Any]) -> None:
        load = next(sensor for sensor in config["sensors"] if sensor["id"] == "hook-load")
        position = load | {
            "id": "block", "quantity": "block_position", "unit": "m", "topic": "rig/land/hoist/block", "range": [-5, 45],
            "sigma": 0.001,
        }  # fmt: skip
        config["sensors"] = [position, load]
        config["reference"]["counts"] = {}

    items: list[Frame] = []
    for place, (height, load) in enumerate(looks(pick_up_m)):
        t_ns = START_NS + place * STEP_NS
        items += [reading(t_ns, "block", round(height, 5)), reading(t_ns, "hook-load", round(load / 1000, 4))]
    with SessionChain([by_hand(path, items, sensors)]) as chain:
        return float(collect(chain)["line_work"][-1])


def test_the_report_of_a_whole_trip_is_the_published_formula(tmp_path: Path) -> None:
    formula = round_trip_j(STANDS * STAND_M, STAND_M, PIPE_N_M, BLOCK_N, EXCESS_N)
    plain = recorded_j(tmp_path / "plain.stopmark", 0.0)
    assert plain == pytest.approx(formula, rel=1e-3)
    # Two feet up and down again with each stand's string, out and in: four times two feet of it.
    hanging = sum(BLOCK_N + EXCESS_N + PIPE_N_M * STAND_M * stands for stands in range(1, STANDS + 1))
    picked = recorded_j(tmp_path / "picked.stopmark", 2 * foot)
    assert picked - plain == pytest.approx(4 * 2 * foot * hanging, rel=0.02)
    assert picked == pytest.approx(formula + 4 * 2 * foot * hanging, rel=1e-3)
