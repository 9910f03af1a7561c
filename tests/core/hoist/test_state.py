"""Hoist state, direction, and the split of the hook load into block and string."""

import math
import random
from collections.abc import Callable, Iterator, Sequence

import pytest

from monitor.config.rig import Rig
from monitor.core.estimator.estimator import Estimate
from monitor.core.hoist.state import HoistTracker
from monitor.model.reading import UNKNOWN_FLAG, Validity
from monitor.model.snapshot import HoistState
from monitor.physics.tackle import dead_line_factor
from tests.core.estimator.motion_bench import rig_with

GRID_NS = 50_000_000
G = 9.80665
VALID = int(Validity.VALID)


def seen(t_ns: int, speed: float, acceleration: float = 0.0, bound: float = 0.03, slow: bool = False) -> Estimate:
    """An estimate that moves so."""
    return Estimate(t_ns, 10.0, speed, acceleration, 0.02, 0.01, 0.1, 0.08, bound, Validity.VALID, 40.0, 2, 0.4, slow)


def stand(up_s: float = 20.0, down_s: float = 15.0) -> Iterator[tuple[float, bool]]:
    """(speed, string hangs) every 50 ms through one stand tripping in: pick up, lower, set, go up empty."""
    for seconds, speed, hangs in (
        (2.0, 0.0, False), (1.5, 0.08, False), (1.0, 0.1, True), (3.0, 0.0, True), (up_s, -0.9, True), (3.0, 0.0, True),
        (1.0, -0.08, True), (1.0, -0.06, False), (20.0, 0.0, False), (down_s, 1.3, False), (3.0, 0.0, False),
        (down_s, -1.2, False), (5.0, 0.0, False),
    ):  # fmt: skip
        for _ in range(int(seconds / 0.05)):
            yield speed, hangs


class Run:
    """A tracker fed with stands; counts how often its verdict on the string was wrong (transitions left out)."""

    def __init__(self, rig: Rig, block_n: float, read: Callable[[float, int], float] | None = None) -> None:
        self.tracker = HoistTracker(rig)
        self.block_n = block_n
        self.read = read or (lambda load, direction: load)
        self.draw = random.Random(2)
        self.t_ns = 1_700_000_000_000_000_000
        self.direction = 0
        self.looks = self.wrong = 0
        self.strings: list[float] = []
        self.watch: Callable[[HoistTracker], None] = lambda tracker: None

    def trip(self, string_n: float, stands: int, every: int = 1, judge: bool = True) -> "Run":
        """`stands` stands with a string of that weight; a new load reading at each `every`-th look."""
        settled, last_hangs, load, k = 0, False, self.block_n, 0
        for _ in range(stands):
            for speed, hangs in stand():
                self.t_ns += GRID_NS
                k += 1
                if speed:
                    self.direction = 1 if speed > 0 else -1
                if k % every == 0:
                    load = self.read(self.block_n + (string_n if hangs else 0.0), self.direction)
                    load += self.draw.gauss(0.0, 6e3)
                self.tracker.update(self.t_ns, seen(self.t_ns, speed), (load, VALID))
                self.watch(self.tracker)
                settled = settled + 1 if hangs == last_hangs else 0
                last_hangs = hangs
                if judge and settled > 30 + 2 * every:
                    self.looks += 1
                    self.wrong += self.tracker.in_slips == hangs
                    if hangs:
                        self.strings.append(self.tracker.string_load_n)
        return self


def test_motion_has_hysteresis_and_keeps_its_direction() -> None:
    tracker, t = HoistTracker(rig_with("land")), 1_700_000_000_000_000_000

    def feed(speeds: Sequence[float]) -> list[HoistState]:
        nonlocal t
        states = []
        for speed in speeds:
            t += GRID_NS
            states.append(tracker.update(t, seen(t, speed), (500e3, VALID)))
        return states

    assert feed([0.0] * 20)[-1] is HoistState.STILL
    assert tracker.direction == 0
    assert set(feed([0.03, 0.04] * 20)) == {HoistState.STILL}
    assert feed([0.2])[-1] is HoistState.HOISTING
    assert tracker.direction == 1
    assert set(feed([0.03] * 40)) == {HoistState.HOISTING}
    assert feed([0.01] * 20)[-1] is HoistState.STILL
    assert tracker.direction == 1
    assert feed([-0.1])[-1] is HoistState.LOWERING
    assert tracker.direction == -1
    feed([0.0] * 30)
    assert tracker.direction == -1


def test_a_block_at_rest_is_not_set_in_motion_by_a_speed_within_its_doubt() -> None:
    tracker = HoistTracker(rig_with("light"))
    draw = random.Random(7)
    states = set()
    for k in range(2000):
        speed = draw.gauss(0.0, 0.03)
        states.add(tracker.update(k * GRID_NS, seen(k * GRID_NS, speed, bound=0.15), (60e3, VALID)))
    assert states <= {HoistState.STILL, HoistState.IN_SLIPS}
    # Beyond the doubt, or at a speed that nobody takes for noise, it moves at once.
    for speed, bound in ((0.16, 0.15), (0.3, 0.45)):
        moving = HoistTracker(rig_with("light"))
        moving.update(GRID_NS, seen(GRID_NS, 0.0), (60e3, VALID))
        assert moving.update(2 * GRID_NS, seen(2 * GRID_NS, speed, bound=bound), (60e3, VALID)) is HoistState.HOISTING


def test_an_unknown_speed_becomes_an_unknown_state_after_a_second() -> None:
    tracker, t = HoistTracker(rig_with("land")), 1_700_000_000_000_000_000
    tracker.update(t, seen(t, 0.5), UNKNOWN_FLAG)
    state = tracker.update(t + 500_000_000, seen(t, 0.5, bound=2.0), UNKNOWN_FLAG)
    assert state is HoistState.HOISTING
    state = tracker.update(t + 1_600_000_000, seen(t, 0.5, bound=2.0), UNKNOWN_FLAG)
    assert state is HoistState.UNKNOWN
    assert tracker.direction == 1
    assert tracker.update(t + 1_700_000_000, seen(t, 0.5), UNKNOWN_FLAG) is HoistState.HOISTING


def test_without_a_load_there_is_no_string_load_and_no_slips() -> None:
    tracker, t = HoistTracker(rig_with("land")), 1_700_000_000_000_000_000
    for k in range(60):
        state = tracker.update(t + k * GRID_NS, seen(t, 0.0), UNKNOWN_FLAG)
    assert state is HoistState.STILL
    assert math.isnan(tracker.string_load_n)


def test_states_of_a_stand() -> None:
    rig = rig_with("land")
    run = Run(rig, rig.block.mass_kg * G)
    states = []
    for speed, hangs in stand():
        run.t_ns += GRID_NS
        load = run.block_n + (900e3 if hangs else 0.0)
        states.append(run.tracker.update(run.t_ns, seen(run.t_ns, speed), (load, VALID)))
    order = [s for i, s in enumerate(states) if i == 0 or s is not states[i - 1]]
    assert HoistState.UNKNOWN not in order
    # Picked up, hangs, lowered, hangs, set down, in slips; block up empty and down empty, in slips between.
    still, up, down, slips = HoistState.STILL, HoistState.HOISTING, HoistState.LOWERING, HoistState.IN_SLIPS
    assert order == [still, slips, up, still, down, still, down, slips, up, slips, down, slips]
    assert run.tracker.set_downs == 2


@pytest.mark.parametrize("string_kn", [50, 100, 250])
def test_a_light_string_under_a_heavy_block(string_kn: int) -> None:
    rig = rig_with("deep").model_copy(update={"block": rig_with("deep").block.model_copy(update={"mass_kg": 66_280})})
    run = Run(rig, 650e3).trip(string_kn * 1e3, 6)
    assert run.wrong < 0.005 * run.looks
    assert sum(run.strings) / len(run.strings) == pytest.approx(string_kn * 1e3, abs=6e3)


@pytest.mark.parametrize("error", [-0.06, 0.04])
def test_the_blocks_weight_is_learned(error: float) -> None:
    """The configured mass is off; after a few stands the split follows the real one."""
    rig = rig_with("deep").model_copy(update={"block": rig_with("deep").block.model_copy(update={"mass_kg": 66_280})})
    block_n = 650e3 * (1.0 + error)
    run = Run(rig, block_n).trip(120e3, 5, judge=False).trip(120e3, 5)
    assert run.tracker.block_load_n == pytest.approx(block_n, abs=8e3)
    assert run.wrong < 0.01 * run.looks
    assert sum(run.strings) / len(run.strings) == pytest.approx(120e3, abs=8e3)


def test_slow_load_readings_work() -> None:
    rig = rig_with("deep").model_copy(update={"block": rig_with("deep").block.model_copy(update={"mass_kg": 66_280})})
    run = Run(rig, 650e3).trip(150e3, 6, every=80)
    assert run.looks > 1000
    assert run.wrong < 0.02 * run.looks


def test_a_dead_line_whose_friction_differs_from_the_configured() -> None:
    """The load comes from the dead line corrected with K = 1.04 where the sheaves are better, 1.02."""
    rig = rig_with("light")
    lines, block_n = rig.line.lines, rig.block.mass_kg * G

    def read(load_n: float, direction: int) -> float:
        return load_n * dead_line_factor(1.02, lines, direction) / dead_line_factor(1.04, lines, direction)

    run = Run(rig, block_n, read).trip(60e3, 8, judge=False).trip(60e3, 5)
    assert run.wrong < 0.02 * run.looks


def test_accelerating_an_empty_block_is_not_a_string() -> None:
    rig = rig_with("land")
    tracker, t, block_n = HoistTracker(rig), 1_700_000_000_000_000_000, rig.block.mass_kg * G
    for k in range(400):
        t += GRID_NS
        phase = k % 200
        speed = 0.0 if phase < 100 else min(1.4, 1.4 * (phase - 100) / 20)
        a = 1.4 if 100 <= phase < 120 else 0.0
        load = block_n * (1.0 + a / G)
        tracker.update(t, seen(t, speed, a), (load, VALID))
        if k > 20:
            assert tracker.in_slips
            assert tracker.string_load_n == 0.0


def test_the_string_changes_hands_twice_a_stand() -> None:
    rig = rig_with("land")
    run = Run(rig, rig.block.mass_kg * G)
    changes = []
    run.watch = lambda tracker: changes.append(tracker.in_slips) if tracker.changed_hands else None
    run.trip(600e3, 5)
    assert changes[-9:] == [True, *[False, True] * 4]
    assert len(changes) <= 11, "where it stands at first may count as once more"


@pytest.mark.parametrize("speed", [0.6, 1.2])
def test_an_empty_block_that_rings_after_a_hard_stop_changes_nothing_between_hands(speed: float) -> None:
    """The line is a spring: what is stopped hard swings on it for seconds, and its load with it."""
    rig = rig_with("land")
    tracker, t, block_n = HoistTracker(rig), 1_700_000_000_000_000_000, rig.block.mass_kg * G
    lifted = 0
    for k in range(600):
        t += GRID_NS
        rest_s = 0.05 * (k - 300)
        v = -speed if 100 <= k < 300 else 0.0
        ring = 0.35 * math.exp(-rest_s / 0.8) * (1.0 + math.sin(rest_s * 14.0)) if 0.0 <= rest_s < 6.0 else 0.0
        tracker.update(t, seen(t, v), (block_n * (1.0 + ring), VALID))
        lifted += not tracker.in_slips and k > 300
        assert not tracker.changed_hands or k < 100, rest_s
    assert lifted, "the load alone looks like a string's"


def test_a_load_below_the_block_is_no_string() -> None:
    rig = rig_with("land")
    tracker, t = HoistTracker(rig), 1_700_000_000_000_000_000
    for k in range(100):
        tracker.update(t + k * GRID_NS, seen(t, 0.0), (20e3, VALID))
    assert tracker.string_load_n == 0.0
    assert tracker.block_load_n == pytest.approx(rig.block.mass_kg * G, rel=0.16)


def test_an_empty_block_that_speeds_up_between_slow_readings_takes_up_no_string() -> None:
    tracker, block_n, t_ns = HoistTracker(rig_with("land")), 215.7e3, 1_700_000_000_000_000_000
    for place in range(60):
        t_ns += 3 * 10**9
        up = place % 6 in (3, 4)
        load = block_n * (1.0 + (0.04 if place % 6 == 3 else 0.0)) + (3e3 if place % 2 else -3e3)
        for later in (0, 10**9):
            tracker.update(t_ns + later, seen(t_ns + later, 1.0 if up else 0.0, slow=True), (load, VALID))
    assert tracker.set_downs <= 1, "once, at the beginning"
    assert tracker.in_slips
