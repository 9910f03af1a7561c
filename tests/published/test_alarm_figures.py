"""Alarm rates against the published figures of the alarm-management standard."""

import pytest

from monitor.analysis.alarm_figures import AlarmFigures, figures
from monitor.model.alarm import AlarmState, Finding, Severity
from tests.published.rows import Row, check, rows

ISA = "ANSI/ISA-18.2-2016, 16.4, as restated in public (day figures from memory)"
DAY_S = 86_400


def day_of(alarms: int) -> AlarmFigures:
    """Figures of a day on which so many alarms ring, evenly, each over after five seconds."""
    every = DAY_S / alarms
    found = [
        Finding(round((i * every + after) * 1e9), "alarm", "a", Severity.CAUTION, "", state, "x")
        for i in range(alarms)
        for after, state in ((0.0, AlarmState.UNACKNOWLEDGED), (5.0, AlarmState.RETURNED))
    ]
    return figures(found, 0, DAY_S * 1_000_000_000)


TABLE = [
    # 144 and 288 exactly; the standard prints about 150 and 300.
    Row("alarms in 10 min on a day of about 150", ISA, lambda: day_of(150).per_10_min, 1, 5e-2),
    Row("alarms in 10 min on a day of about 300", ISA, lambda: day_of(300).per_10_min, 2, 5e-2),
    Row("alarms in 10 min on a day of 144", "derived here", lambda: day_of(144).per_10_min, 1, 1e-9),
    Row("alarms in 10 min on a day of 288", "derived here", lambda: day_of(288).per_10_min, 2, 1e-9),
]


@rows(TABLE)
def test_value(row: Row) -> None:
    check(row)


def test_a_day_has_144_intervals_and_an_even_one_no_flood() -> None:
    # ISA-18.2: a flood begins above 10 alarms in 10 minutes.
    assert day_of(150).intervals == 144
    assert day_of(300).flood_share == 0.0
    assert day_of(144 * 12).flood_share == pytest.approx(1.0, abs=0.01)
