"""Load lost: which slack is a danger, and which is a block set down or hung off."""

import math

import pytest

from monitor.config.rig_file import find_rig
from monitor.core.estimator.estimate import Estimate
from monitor.core.hoist.load_loss import LoadLoss
from monitor.core.hoist.state import HoistTracker
from monitor.model.reading import Flag, Validity
from monitor.model.snapshot import HoistState
from monitor.model.stream import GRID_NS

RIG = find_rig("land")
BLOCK_N = 216_000.0
LOST, CALM = (1.0, Validity.VALID), (0.0, Validity.VALID)


def estimate(t_ns: int, height: float, speed: float) -> Estimate:
    known = Validity.INVALID if math.isnan(height) else Validity.VALID
    return Estimate(t_ns, height, speed, 0.0, 0.01, 0.005, 0.05, 0.05, 0.01, known, 90.0, 2, 0.41, False)


class Bench:
    """Drives one `LoadLoss` from grid point to grid point."""

    def __init__(self, height: float = 15.0) -> None:
        self.loss = LoadLoss(RIG)
        self.t_ns = 0
        self.height = height

    def run(self, seconds: float, load_n: float | None, speed: float = 0.0, in_slips: bool = False) -> Flag:
        for _ in range(round(seconds * 1e9 / GRID_NS)):
            self.t_ns += GRID_NS
            self.height += speed * GRID_NS * 1e-9
            load = (math.nan, Validity.INVALID) if load_n is None else (load_n, Validity.VALID)
            self.loss.update(self.t_ns, estimate(self.t_ns, self.height, speed), abs(speed) > 0.05, in_slips, load)
        return self.loss.flag


@pytest.mark.parametrize("speed", [-1.0, -0.1, 0.1, 1.0])
def test_nothing_on_the_line_while_the_drum_turns_is_a_danger(speed: float) -> None:
    bench = Bench()
    assert bench.run(2.0, BLOCK_N, speed) == CALM
    assert bench.run(0.15, 0.0, speed) == CALM
    assert bench.run(0.1, 0.0, speed) == LOST
    assert bench.run(10.0, 0.0, 0.0) == LOST, "a drum that has come to rest does not bring the load back"
    assert bench.run(0.45, BLOCK_N, 0.0) == LOST
    assert bench.run(0.1, BLOCK_N, 0.0) == CALM


@pytest.mark.parametrize(("height", "answer"), [(2.4, CALM), (2.7, LOST)])
def test_a_block_set_down_low_is_no_danger(height: float, answer: Flag) -> None:
    bench = Bench(height)
    bench.run(2.0, BLOCK_N)
    assert bench.run(1.0, 0.0, -0.1) == answer


def test_set_down_in_slips_is_calm_whatever_the_drum_does() -> None:
    bench = Bench()
    bench.run(2.0, 1_000_000.0, -0.15)
    assert bench.run(2.0, BLOCK_N, -0.15) == CALM
    assert bench.run(2.0, BLOCK_N, 1.0, in_slips=True) == CALM


def test_hung_off_with_the_string_in_slips_is_calm_until_the_drum_turns() -> None:
    bench = Bench()
    bench.run(2.0, BLOCK_N, in_slips=True)
    assert bench.run(60.0, 0.0, in_slips=True) == CALM
    assert bench.run(0.1, 0.0, -0.2, in_slips=True) == LOST


def test_a_string_that_is_gone_all_at_once_at_rest_is_a_danger_and_one_taken_off_slowly_is_not() -> None:
    bench = Bench()
    bench.run(2.0, 600_000.0)
    assert bench.run(1.0, 0.0) == LOST
    slow = Bench()
    for load_n in (600_000.0, 400_000.0, 100_000.0, 50_000.0):
        slow.run(1.0, load_n)
    assert slow.run(10.0, 0.0) == CALM


def test_a_bounce_is_none() -> None:
    bench = Bench()
    for _ in range(10):
        bench.run(0.2, 2 * BLOCK_N, 0.5)
        assert bench.run(0.2, 0.0, 0.5) == CALM


def test_where_the_height_was_not_known_it_is_open() -> None:
    bench = Bench(math.nan)
    bench.run(2.0, BLOCK_N, 0.5)
    assert bench.run(2.0, 0.0, 0.5)[1] == Validity.INVALID


def test_a_load_that_is_not_known_leaves_all_as_it_was() -> None:
    bench = Bench()
    bench.run(2.0, BLOCK_N, 0.5)
    bench.run(1.0, 0.0, 0.5)
    assert bench.run(5.0, None, 0.5)[1] == Validity.INVALID
    assert bench.run(0.1, 0.0) == LOST


# --- the word of the motion -------------------------------------------------------------------------------------------


def states(load_n: float, height: float, speed: float) -> list[HoistState]:
    """What the tracker says over two seconds, after two seconds of such motion under a block of 216 kN."""
    tracker, said = HoistTracker(RIG), []
    for point in range(1, 81):
        t_ns = point * GRID_NS
        now = BLOCK_N + 400_000.0 if point <= 40 else load_n
        said.append(tracker.update(t_ns, estimate(t_ns, height, speed), (now, Validity.VALID)))
    assert tracker.set_downs == 0
    return said[40:]


@pytest.mark.parametrize(("speed", "word"), [(0.6, HoistState.HOISTING), (-0.6, HoistState.LOWERING)])
def test_a_drum_that_turns_without_load_moves_no_block(speed: float, word: HoistState) -> None:
    said = states(0.0, 15.0, speed)
    assert said[:4] == [word] * 4
    assert set(said[4:]) == {HoistState.UNKNOWN}
    assert set(states(BLOCK_N + 300_000.0, 15.0, speed)) == {word}


def test_a_lost_load_is_not_still_and_a_block_set_down_is() -> None:
    assert states(0.0, 15.0, 0.0)[-1] is HoistState.UNKNOWN
    assert states(0.0, 2.0, 0.0)[-1] is HoistState.STILL
