"""A ready-made position that lost the height finds its way back by itself, where there is evidence, and only there."""

import json

import pytest

from monitor.config.rig import Rig
from monitor.config.rig_file import find_rig
from monitor.config.toml_file import validate
from monitor.core.estimator.estimator import Estimator
from monitor.core.estimator.regain import BACK_WORDS, OWN_WORDS, PLACE_WORDS
from monitor.model.reading import Sample, Validity

START_NS = 1_767_225_600_000_000_000


def rig_with_position(rate_hz: float) -> Rig:
    plain = find_rig("land").model_dump(mode="json", exclude_none=True)
    load = next(sensor for sensor in plain["sensors"] if sensor["id"] == "hook-load")
    position = {
        "id": "pos", "quantity": "block_position", "unit": "m", "value": "/value", "rate_hz": rate_hz,
        "stale_after_s": 3.5 / rate_hz, "range": [-2, 44], "sigma": 0.02,
    }  # fmt: skip
    plain["sensors"] = [position, load]
    plain["reference"]["counts"] = {}
    return validate(Rig, plain, "test")


class Feed:
    """Positions at an even rate; the string changes hands where it is told to."""

    def __init__(self, period_s: float) -> None:
        self.estimator = Estimator(rig_with_position(1.0 / period_s))
        self.period_ns = round(period_s * 1e9)
        self.t_ns = START_NS

    def take(self, *heights: float) -> None:
        for height in heights:
            self.t_ns += self.period_ns
            self.estimator.ingest(Sample(self.t_ns, 0, height, None, None))

    def rest(self, height: float, count: int) -> None:
        self.take(*[height + 0.01 * (place % 3) for place in range(count)])

    def stroke(self, low: float, high: float, shift: float = 0.0) -> None:
        """Up and down, with the string taken low and set high."""
        up = [low + (high - low) * place / 200 for place in range(201)]
        self.rest(low + shift, 12)
        self.estimator.connection(self.t_ns)
        self.take(*[height + shift for height in up])
        self.rest(high + shift, 12)
        self.estimator.connection(self.t_ns)
        self.take(*[height + shift for height in reversed(up)])

    @property
    def validity(self) -> Validity:
        return self.estimator.estimate(self.t_ns + self.period_ns // 2).validity

    @property
    def words(self) -> str:
        return self.estimator.fusion(0).diagnosis


@pytest.mark.parametrize("period_s", [0.5, 1.0, 3.0, 10.0])
def test_one_reading_below_the_floor_costs_a_few_readings_not_the_night(period_s: float) -> None:
    feed = Feed(period_s)
    feed.rest(5.0, 30)
    assert feed.validity is not Validity.INVALID
    feed.take(-1.94)
    feed.rest(5.0, 2)
    feed.rest(5.0, 60)
    assert feed.validity is not Validity.INVALID
    assert feed.estimator.estimate(feed.t_ns).height_m == pytest.approx(5.0, abs=0.3)


def test_what_came_back_is_said_for_a_minute() -> None:
    feed = Feed(10.0)
    feed.rest(5.0, 30)
    feed.take(-1.94)
    assert feed.validity is Validity.INVALID
    feed.rest(5.0, 4)
    assert feed.words == BACK_WORDS
    feed.rest(5.0, 10)
    assert feed.words == ""


def test_a_position_that_stays_below_the_floor_stays_lost() -> None:
    feed = Feed(1.0)
    feed.rest(5.0, 30)
    feed.rest(-1.8, 200)
    assert feed.validity is Validity.INVALID


def test_a_jump_stays_lost_until_the_string_is_handled_at_a_height_as_before() -> None:
    feed = Feed(0.5)
    for _ in range(3):
        feed.stroke(2.0, 30.0)
    feed.rest(2.0, 30)
    feed.rest(14.0, 200)  # twelve metres in half a second
    assert feed.validity is Validity.INVALID
    feed.estimator.connection(feed.t_ns)  # nowhere near a place known before
    assert feed.validity is Validity.INVALID
    feed.take(*[14.0 + 16.0 * place / 200 for place in range(201)])
    feed.rest(30.0, 40)
    feed.estimator.connection(feed.t_ns)
    assert feed.validity is not Validity.INVALID
    assert feed.words == PLACE_WORDS


def test_a_zero_that_was_set_anew_is_taken_once_connections_agree_among_themselves() -> None:
    feed = Feed(0.5)
    for _ in range(3):
        feed.stroke(2.0, 30.0)
    feed.rest(2.0, 30)
    shift = 5.0
    feed.rest(2.0 + shift, 60)
    assert feed.validity is Validity.INVALID
    feed.stroke(2.0, 30.0, shift)
    assert feed.validity is Validity.INVALID
    for _ in range(2):
        feed.stroke(2.0, 30.0, shift)
    assert feed.validity is not Validity.INVALID
    assert feed.words in (OWN_WORDS, "")


def test_a_restart_does_not_forget_what_was_lost_and_from_where() -> None:
    feed = Feed(10.0)
    feed.rest(5.0, 30)
    feed.take(-1.94)
    saved = feed.estimator.state()
    after = Feed(10.0)
    after.t_ns = feed.t_ns
    after.estimator.restore(saved, 10.0)
    assert after.validity is Validity.INVALID
    after.rest(5.0, 8)
    assert after.validity is not Validity.INVALID


def test_slow_readings_do_not_carry_a_stroke_beyond_the_limits_of_the_work() -> None:
    feed = Feed(10.0)
    feed.rest(5.0, 10)
    feed.take(15.0, 27.0, 37.0)
    upper = find_rig("land").limits.upper_m
    assert feed.estimator.estimate(feed.t_ns + 9 * 10**9).height_m <= upper + 0.1


@pytest.mark.parametrize("period_s", [0.5, 1.0, 3.0])
def test_a_jump_that_who_looked_ahead_tells_of_loses_the_height_until_it_jumps_back(period_s: float) -> None:
    feed = Feed(period_s)
    for _ in range(3):
        feed.stroke(5.0, 25.0)
    feed.rest(5.0, 20)
    assert feed.validity is not Validity.INVALID
    feed.estimator.doubt_height(4.0)
    feed.rest(9.0, 30)
    estimate = feed.estimator.estimate(feed.t_ns)
    assert estimate.validity is Validity.INVALID
    assert abs(estimate.speed_m_s) < 0.3, "the jump is no motion"
    feed.estimator.doubt_height(-4.0)
    feed.rest(5.0, 10)
    assert feed.validity is not Validity.INVALID
    assert feed.estimator.estimate(feed.t_ns).height_m == pytest.approx(5.0, abs=0.3)


def test_a_position_that_may_be_off_is_shown_with_that_bound_until_it_no_longer_may() -> None:
    feed = Feed(10.0)
    feed.rest(5.0, 20)
    assert feed.estimator.estimate(feed.t_ns).validity is Validity.VALID
    feed.estimator.bound_height(3.2)
    feed.rest(5.0, 3)
    seen = feed.estimator.estimate(feed.t_ns)
    assert (seen.validity, 3.2 < seen.height_bound_m < 3.6) == (Validity.DEGRADED, True)
    later = Estimator(rig_with_position(0.1))
    later.restore(json.loads(json.dumps(feed.estimator.state())), 10.0)
    later.ingest(Sample(feed.t_ns + feed.period_ns, 0, 5.0, None, None))
    assert later.estimate(feed.t_ns + feed.period_ns).height_bound_m > 3.2
    feed.estimator.bound_height(0.0)
    feed.rest(5.0, 3)
    assert feed.estimator.estimate(feed.t_ns).validity is Validity.VALID


def test_a_position_that_is_back_for_certain_is_a_height_again() -> None:
    feed = Feed(1.0)
    feed.rest(5.0, 20)
    feed.estimator.doubt_height(8.0)
    feed.rest(13.0, 10)
    assert feed.validity is Validity.INVALID
    feed.estimator.doubt_height(-9.5)
    feed.rest(5.0, 3)
    assert feed.validity is Validity.INVALID
    feed.estimator.bound_height(0.0)
    feed.rest(5.0, 10)
    assert feed.estimator.estimate(feed.t_ns).validity is Validity.VALID


def test_nobody_bounds_a_drum() -> None:
    estimator = Estimator(find_rig("land"))
    before = estimator.state()
    estimator.bound_height(3.0)
    assert estimator.state() == before
