"""The screen's memory: what it keeps, how it thins out, what a seek does."""

import math
from dataclasses import replace
from types import MappingProxyType

import pytest

from monitor.model.alarm import AlarmState
from monitor.model.reading import UNKNOWN, Validity, Value
from monitor.model.snapshot import Snapshot
from monitor.ui.history import FINE_POINTS, MOST_POINTS, History
from tests.ui import sample

BASE = sample.still()


def snap(t_s: float, height: float = 1.0) -> Snapshot:
    """A snapshot with one signal; NaN makes it unknown."""
    value = UNKNOWN if math.isnan(height) else Value(height, Validity.VALID)
    return replace(BASE, t_ns=sample.T0_NS + round(t_s * 1e9), values=MappingProxyType({"height": value}))


def fed(seconds: float, step_s: float = 0.1) -> History:
    """Memory of a sine in height."""
    history = History()
    for index in range(round(seconds / step_s) + 1):
        history.feed(snap(index * step_s, math.sin(index * step_s)))
    return history


def test_last_minute_comes_point_for_point() -> None:
    track = fed(90.0).track("height", 60.0)
    assert len(track.t_s) == 601
    assert track.t_s[-1] == 0.0
    assert track.t_s[0] == pytest.approx(-60.0)
    assert track.high[-1] == pytest.approx(math.sin(90.0))


def test_long_spans_are_thinned_and_keep_extremes() -> None:
    history = fed(1500.0)
    track = history.track("height", 1200.0)
    assert 300 < len(track.t_s) <= MOST_POINTS
    assert min(track.low) == pytest.approx(-1.0, abs=0.01)
    assert max(track.high) == pytest.approx(1.0, abs=0.01)
    assert all(low <= high for low, high in zip(track.low, track.high, strict=True))


def test_memory_is_bounded() -> None:
    history = fed(FINE_POINTS * 0.1 + 50.0)
    assert len(history.track("height", 119.0).t_s) <= FINE_POINTS
    assert history.reach_s == pytest.approx(FINE_POINTS * 0.1 + 50.0, abs=1.1)


def test_unknown_stays_a_gap() -> None:
    history = History()
    for t_s, height in ((0.0, 1.0), (0.1, math.nan), (0.2, 3.0)):
        history.feed(snap(t_s, height))
    track = history.track("height", 60.0)
    assert track.low[0] == 1.0
    assert math.isnan(track.low[1])
    assert track.low[2] == 3.0


def test_a_signal_that_starts_later_is_unknown_before() -> None:
    history = History()
    history.feed(replace(snap(0.0), values=MappingProxyType({})))
    history.feed(snap(0.1, 5.0))
    assert math.isnan(history.track("height", 60.0).high[0])


def test_a_seek_back_starts_over_and_a_repeat_is_ignored() -> None:
    history = fed(30.0)
    history.feed(snap(30.0, 99.0))
    assert history.track("height", 60.0).high[-1] != 99.0
    history.feed(snap(2.0, 7.0))
    assert history.track("height", 60.0).high == [7.0]


def test_unknown_names_have_no_points() -> None:
    assert fed(1.0).track("no such signal", 60.0).t_s == []


def test_changes_of_alarms_are_logged_once_each() -> None:
    history = History()
    first = sample.warning()
    later = replace(first, t_ns=first.t_ns + 10**9)
    seen = tuple(replace(alarm, state=AlarmState.ACKNOWLEDGED) for alarm in first.alarms)
    for shown in (first, later, replace(first, t_ns=first.t_ns + 2 * 10**9, alarms=seen)):
        history.feed(shown)
    states = [(alarm.key, alarm.state) for _, alarm in history.alarms]
    assert states == [
        ("lower-limit-brake-now", AlarmState.UNACKNOWLEDGED),
        ("aux-share-low", AlarmState.ACKNOWLEDGED),
        ("lower-limit-brake-now", AlarmState.ACKNOWLEDGED),
    ]
