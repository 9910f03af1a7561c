"""A creeping block whose position stands still for minutes and then makes up for it: frozen; one that rests and moves on: not."""

import pytest

from monitor.adapters.tables.cleaning.cell import FROZEN, OPEN, Cell
from monitor.adapters.tables.cleaning.load import LoadChanges
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


def test_a_position_that_froze_in_a_stroke_and_is_back_in_another_was_frozen() -> None:
    down = [26.2, 23.8, 21.4, 19.0, 16.6]
    reasons = settled(down + [16.6] * 40 + [26.7, 25.2, 23.6, 22.1, 20.6, 19.1, 17.6], 3.0)
    assert reasons == [""] * 5 + [FROZEN] * 40 + [""] * 7


def test_a_position_that_repeats_itself_for_long_while_the_string_is_taken_up_was_frozen() -> None:
    """In one change of the load as in more of them: it moves the block by some centimetres."""
    loads = LoadChanges(50e3)
    check = PositionCheck(Reach(2.5, 1.5, 0.1), 10.0, 24, loads)
    heights = [5.0, 12.5, 22.0, 31.5] + [31.5] * 56 + [23.9, 23.7, 23.5, 23.3]
    cells = [Cell(1 + 10 * S * place, height, height, OPEN) for place, height in enumerate(heights)]
    for place, cell in enumerate(cells):
        loads.add(220e3 if place < 20 else 900e3)
        check.take(cell)
    check.finish()
    assert {cell.reason for cell in cells[4:60]} == {FROZEN}
    assert {cell.reason for cell in cells[:4] + cells[60:]} == {""}


def test_a_heavy_string_that_is_jerked_changes_no_load() -> None:
    loads = LoadChanges(50e3)
    for load_n in (1400e3, 1340e3, 1400e3, 1460e3, 1400e3, 220e3, 225e3, 1400e3):
        loads.add(load_n)
    assert loads.count == 2
