"""A creeping block whose position stands still for minutes and then makes up for it: frozen; one that rests and moves on: not."""

import math

import pytest

from monitor.adapters.tables.cleaning.cell import FROZEN, OPEN, Cell
from monitor.adapters.tables.cleaning.load import LoadChanges
from monitor.adapters.tables.cleaning.position import LONG_RUN, PositionCheck, Reach, rare_repeats

S = 1_000_000_000


def settled(
    heights: list[float], period_s: float, loads_n: list[float] | None = None, usual_m_s: float = math.inf
) -> list[str]:
    """Why each position is dropped; empty where it is a reading."""
    loads = LoadChanges(50e3)
    check = PositionCheck(Reach(2.5, 1.5, 0.1), period_s, 0, loads, usual_m_s)
    cells = [Cell(1 + round(place * period_s * S), height, height, OPEN) for place, height in enumerate(heights)]
    for place, cell in enumerate(cells):
        if loads_n is not None:
            loads.add(loads_n[place])
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


@pytest.mark.parametrize(("period_s", "rows"), [(3.0, 100), (10.0, 40)])
@pytest.mark.parametrize("share", [1.0, 0.7])
def test_a_block_that_creeps_only_after_the_step_was_frozen_as_well(period_s: float, rows: int, share: float) -> None:
    """It froze at rest, or came by hand, and began to creep a while after."""
    before = [2.0, 15.0, 30.0, 33.5] if period_s == 10.0 else [29.0, 31.5, 33.2, 33.5]
    after = crept(20, period_s, 33.5 - 0.012 * share * period_s * rows)
    reasons = settled(before + [33.5] * rows + after, period_s)
    assert reasons == [""] * 4 + [FROZEN] * rows + [""] * 20


@pytest.mark.parametrize(
    "after",
    [
        crept(20, 10.0, 32.6),  # let down by hand a little, then drilled: not as far as it would have crept meanwhile
        crept(20, 10.0, 25.0),  # further than that
        [29.0, 25.0, 21.0, 17.0, 13.0, 9.0],  # no creeping
        [29.0, 29.0, 29.0, 29.0, 29.0, 29.0, 29.0],  # at rest again
        [
            round(33.5 + 0.12 * place, 2) for place in range(10, 20)
        ],  # up, and creeping up from where it never was before
    ],
)
def test_a_block_that_went_by_hand_from_a_rest_was_there(after: list[float]) -> None:
    before = [2.0, 15.0, 30.0, 33.5]
    assert set(settled(before + [33.5] * 40 + after, 10.0)) == {""}


def test_a_step_from_a_long_rest_that_the_block_never_makes_was_a_freeze() -> None:
    strokes = [5.0, 5.0, 9.0, 21.0, 33.0, 33.5, 33.5, 30.0, 18.0, 6.0, 5.0] * 4
    still = [5.0] * (LONG_RUN + 4)
    jump = [25.0, 24.9, 24.7, 24.9, 24.8]  # 20 m in ten seconds from rest, where its strokes make 12
    reasons = settled(strokes + still + jump, 10.0, usual_m_s=1.2)
    # The last of the strokes is where it froze.
    assert reasons == [""] * len(strokes) + [FROZEN] * len(still) + [""] * len(jump)
    assert set(settled(strokes + still + [14.0, 26.0, 33.5, 33.5], 10.0, usual_m_s=1.2)) == {""}
    assert set(settled(strokes + still + jump, 10.0)) == {""}, "where the log does not say what is usual"
    assert set(settled(strokes + [5.0] * 5 + jump, 10.0, usual_m_s=1.2)) == {""}, "a short rest says nothing"
    quick = [5.0, 24.0, 5.0] + [5.0] * 20  # it has gone so before, out and back
    assert FROZEN not in settled([*strokes, 5.0, 26.0, 47.0, 26.0, 5.0, *quick, *still, *jump], 10.0, usual_m_s=1.2)


def test_a_string_that_is_eased_into_the_slips_did_not_freeze_there() -> None:
    """It creeps down for some seconds, the block rests, and goes down without it: by no more than it would have crept."""
    easing, rest = [30.0, 29.95, 29.88, 29.8, 29.73], 28
    heights = [20.0, 23.0, 26.0, 29.0, 30.0, 30.0, *easing, *[29.73] * rest, 29.1, 26.5, 23.7, 20.9]
    alone_from = 6 + len(easing) - 1
    loads = [1000e3 if place < alone_from else 245e3 for place in range(len(heights))]
    assert set(settled(heights, 3.0, loads)) == {""}
    assert FROZEN in settled(heights, 3.0, [1000e3] * len(heights)), "with the string on it all the time it did"


def test_creeping_is_no_noise_of_a_rest() -> None:
    """A position that repeats itself at every rest, and creeps by centimetres between them, is a quiet one."""
    creeping = [round(20.0 - 0.02 * place, 2) for place in range(300)]
    quiet = [*creeping, *[14.0] * 200, 14.3, *[round(14.3 - 0.01 * place, 2) for place in range(300)], *[11.3] * 200]
    assert rare_repeats(quiet * 3, 0.05) >= 100
    noisy = [10.0 + 0.01 * (place % 3 == 0) for place in range(2000)]
    assert rare_repeats(noisy, 0.05) <= 12
