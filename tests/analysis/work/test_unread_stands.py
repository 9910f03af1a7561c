"""What the line did while nothing was read, told by the string's weight before and after. No seed here was used for tuning."""

import numpy as np
import pytest

from monitor.analysis.work.log import WorkedLog, worked
from monitor.analysis.work.series import series
from monitor.model.stream import SECOND_NS
from tests.support.known_logs import START_NS, Log, Seen, log_rig


def look(seen: Seen, step_s: float) -> WorkedLog:
    return worked(series(log_rig(step_s), *seen))


def trip(seed: int, out: bool) -> Log:
    log = Log(seed)
    log.string_n = 900e3
    log.trip(30, out)
    return log


def without(seen: Seen, from_s: float, to_s: float) -> Seen:
    """No rows between two times of the truth."""
    t_ns, height, load = seen
    t_s = (t_ns - START_NS) * 1e-9
    read = (t_s <= from_s) | (t_s >= to_s)
    return t_ns[read], height[read], load[read]


@pytest.mark.parametrize("step_s", [0.1, 1.0, 3.0, 10.0])
@pytest.mark.parametrize("out", [True, False])
@pytest.mark.parametrize("begins", [0.0, 0.25, 0.5, 0.75])
def test_stands_that_nobody_saw_are_counted_by_the_load(step_s: float, out: bool, begins: float) -> None:
    """To one of nine, whatever they did where the rows stop, and however long they waited meanwhile."""
    truth = trip(321, out)
    stands = truth.truth.stands
    from_s = stands[9][0] + begins * (stands[10][0] - stands[9][0])
    to_s = stands[17][0] + 0.4 * (stands[18][0] - stands[17][0])
    seen = truth.seen(step_s)
    missing = look(seen, step_s).work_j - look(without(seen, from_s, to_s), step_s).work_j
    assert look(without(seen, from_s, to_s), step_s).unseen.work_j == pytest.approx(missing, rel=0.13)


def test_a_wait_in_the_hole_is_no_work() -> None:
    truth = trip(322, out=False)
    truth.rest(3600.0)
    waited_s = truth.t_s
    truth.trip(12, out=False)
    seen = truth.seen(3.0)
    plain = look(seen, 3.0).work_j
    log = look(without(seen, waited_s - 3500.0, waited_s - 100.0), 3.0)
    assert log.work_j == pytest.approx(plain, rel=0.001)
    assert log.unseen.seconds == pytest.approx(3400.0, abs=10.0)
    assert log.unseen.work_j < 0.01 * plain


def test_the_same_string_in_the_same_stroke_did_that_stroke() -> None:
    truth = Log(323)
    truth.drill(3)
    seen = truth.seen(3.0)
    slowest = max(truth.truth.moves, key=lambda move: move[1] - move[0])
    from_s = slowest[0] + 0.3 * (slowest[1] - slowest[0])
    to_s = min(slowest[0] + 0.8 * (slowest[1] - slowest[0]), from_s + 6000.0)
    log = look(without(seen, from_s, to_s), 3.0)
    missing = look(seen, 3.0).work_j - log.work_j
    assert missing > 5e6
    assert log.unseen.work_j == pytest.approx(missing, rel=0.05)


def test_a_load_too_rough_to_tell_a_stand_leaves_it_to_the_rate() -> None:
    truth = trip(324, out=True)
    stands = truth.truth.stands
    rough = np.random.default_rng(1)
    t_ns, height, load = without(truth.seen(3.0), stands[9][0], stands[15][0])
    which = np.searchsorted([lifted for _, lifted, _, _ in stands], (t_ns - START_NS) * 1e-9)
    load = load * np.where(load > 300e3, rough.normal(1.0, 0.05, len(stands) + 1)[which], 1.0)
    log = look((t_ns, height, load), 3.0)
    missing = look(truth.seen(3.0), 3.0).work_j - log.work_j
    assert log.unseen.work_j == pytest.approx(missing, rel=0.5)


def test_a_hole_after_which_the_load_comes_back_first_is_one() -> None:
    truth = trip(325, out=True)
    t_ns, height, load = truth.seen(10.0)
    later = t_ns.copy()
    middle = len(t_ns) // 2
    later[middle:] += 900 * SECOND_NS
    gone = height.copy()
    gone[middle : middle + 3] = np.nan
    log = look((later, gone, load), 10.0)
    assert log.unseen.times == 1
    assert log.unseen.seconds == pytest.approx(940.0, abs=1.0)
