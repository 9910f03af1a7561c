"""A creeping block whose position stands still for minutes and then makes up for it: frozen; one that rests and moves on: not."""

import pytest

from monitor.adapters.tables.cleaning.cell import FROZEN, OPEN, Cell
from monitor.adapters.tables.cleaning.position import PositionCheck, Reach

S = 1_000_000_000


def settled(heights: list[float], period_s: float) -> list[str]:
    """Why each position is dropped; empty where it is a reading."""
    check = PositionCheck(Reach(2.5, 1.5, 0.1), period_s)
    cells = [Cell(1 + round(place * period_s * S), height, height, OPEN) for place, height in enumerate(heights)]
    for cell in cells:
        check.take(cell)
    check.finish()
    return [cell.reason for cell in cells]


def crept(rows: int, period_s: float, from_m: float = 20.0, m_s: float = -0.012) -> list[float]:
    return [round(from_m + m_s * period_s * place, 2) for place in range(rows)]


@pytest.mark.parametrize("period_s", [1.0, 3.0, 10.0])
@pytest.mark.parametrize("caught_up", [1.0, 0.4])
def test_a_creeping_block_that_stood_and_made_up_for_it_was_frozen(period_s: float, caught_up: float) -> None:
    before, still = crept(round(60.0 / period_s) + 4, period_s), round(240.0 / period_s)
    after = crept(20, period_s, before[-1] - 0.012 * caught_up * period_s * (still + 1))
    reasons = settled(before + [before[-1]] * still + after, period_s)
    first = len(before)
    assert reasons == [""] * first + [FROZEN] * still + [""] * len(after)


@pytest.mark.parametrize(
    ("what", "after"),
    [
        ("goes on creeping from where it stood", crept(12, 10.0, -0.12)),
        ("is lifted", [1.8 * place for place in range(1, 12)]),
        ("goes further than it would have crept", [-4.5 * place for place in range(1, 3)]),
    ],
)
def test_a_block_that_rested_was_there(what: str, after: list[float]) -> None:
    before = crept(12, 10.0)
    reasons = settled(before + [before[-1]] * 24 + [round(before[-1] + off, 2) for off in after], 10.0)
    assert set(reasons) == {""}, what


def test_a_block_that_came_by_hand_and_rested_was_there() -> None:
    before = [30.0, 22.0, 14.5, 12.7, 12.6]
    assert set(settled(before + [12.6] * 24 + [10.5, 10.5, 10.4], 10.0)) == {""}
