"""Which single loads of a log are spikes: those that the block beside them contradicts, and no pull that a hand can make."""

from itertools import pairwise

import pytest

from monitor.adapters.tables.cleaning.cell import OPEN, SPIKE, Cell
from monitor.adapters.tables.cleaning.load import LoadChanges, LoadCheck, Ways

RATED_N, BLOCK_N = 3300e3, 215e3
Rows = list[tuple[float, float]]
"""Position m, load kN."""


def spikes(rows: Rows, period_s: float = 10.0, load_first: bool = False) -> list[int]:
    """Places of the loads that are taken for spikes."""
    ways = Ways()
    check = LoadCheck(RATED_N, BLOCK_N, LoadChanges(0.25 * BLOCK_N), ways)
    cells = []
    for place, (position, load) in enumerate(rows):
        t_ns = round(1e9 * (1 + place * period_s))
        cell = Cell(t_ns, load, load * 1e3, OPEN)
        if not load_first:
            ways.add(t_ns, position)
        check.take(cell)
        if load_first:
            ways.add(t_ns, position)
        cells.append(cell)
    check.finish()
    assert all(cell.settled for cell in cells)
    return [place for place, cell in enumerate(cells) if cell.reason == SPIKE]


UP: Rows = [(5.0, 900.0), (5.0, 903.0), (10.0, 912.0), (18.0, 905.0), (26.0, 898.0), (33.5, 880.0), (33.5, 902.0)]
DOWN: Rows = [(33.5, 900.0), (33.5, 903.0), (26.0, 912.0), (18.0, 905.0), (10.0, 898.0), (5.0, 880.0), (5.0, 902.0)]


def with_load(rows: Rows, place: int, load: float) -> Rows:
    return [(position, load if at == place else before) for at, (position, before) in enumerate(rows)]


@pytest.mark.parametrize("load_first", [True, False])
@pytest.mark.parametrize(
    ("rows", "place", "load"),
    [
        (UP, 3, 2400.0), (UP, 3, 20.0), (UP, 3, 235.0), (UP, 3, 3900.0), (DOWN, 3, 2400.0), (DOWN, 3, 20.0),
        ([(5.0, 216.0)] * 7, 3, 1500.0), ([(5.0, 216.0)] * 7, 3, 3900.0), ([(5.0, 216.0)] * 7, 5, 1500.0),
    ],
)  # fmt: skip
def test_a_load_under_which_the_block_went_on_as_if_nothing_were_is_a_spike(
    rows: Rows, place: int, load: float, load_first: bool
) -> None:
    assert spikes(with_load(rows, place, load), load_first=load_first) == [place]


def test_less_than_the_block_is_a_spike_beside_a_change_of_hands_too() -> None:
    rows = [(5.07, 840.8), (4.99, 17.8), (4.99, 572.9), (4.99, 214.6), (4.99, 215.7)]
    assert spikes(rows, 3.0) == [1]


@pytest.mark.parametrize(
    "rows",
    [
        UP,
        DOWN,
        # The string is set in slips for a moment, and taken up again.
        [(5.0, 900.0), (5.0, 900.0), (4.8, 216.0), (5.0, 902.0), (5.0, 902.0)],
        # It is stuck: pulled hard once, the block comes up by what rope and string give, and goes back.
        [(5.0, 900.0), (5.0, 900.0), (5.4, 2100.0), (5.0, 902.0), (5.0, 902.0)],
        # It stands up on something on its way down, and goes on.
        with_load(DOWN, 3, 216.0),
        # It is torn loose: the stroke begins with the greatest load.
        [(5.0, 900.0), (5.0, 903.0), (5.1, 2000.0), (14.0, 905.0), (24.0, 898.0)],
        # Two hard pulls in a row.
        [(5.0, 900.0), (5.3, 1900.0), (5.4, 2000.0), (5.0, 902.0), (5.0, 902.0)],
        # Line parted: less than the block, for good.
        [(20.0, 900.0), (20.0, 900.0), (20.0, 12.0), (20.0, 10.0), (20.0, 11.0)],
    ],
)
def test_what_a_hand_or_a_hole_can_do_stays(rows: Rows) -> None:
    assert spikes(rows) == []


def test_without_a_position_beside_it_a_slow_load_stays_and_a_quick_one_goes() -> None:
    rows = with_load([(float("nan"), 900.0)] * 7, 3, 2400.0)
    assert spikes(rows) == []
    assert spikes(rows, 1.0) == [3]


def test_positions_of_other_rows_say_nothing() -> None:
    ways = Ways()
    for place, (one, _) in enumerate(pairwise(range(20))):
        ways.add(place, float(one))
    assert ways.at(18) == 18.0
    assert ways.at(3) != ways.at(3), "long gone"
