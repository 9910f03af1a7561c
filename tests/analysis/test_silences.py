"""A report over long silences: nights that lie apart, an hour without a network."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from monitor.adapters.sessions.chain import SessionChain
from monitor.analysis.recording import Recording, collect
from monitor.model.alarm import Finding, Severity
from monitor.model.stream import Action, ActionKind, Frame
from monitor.presentation.format import Units
from monitor.report.context import ReportContext
from monitor.report.page import make_report
from monitor.report.plots import band, bins
from tests.support.recorded import START_NS, by_hand, reading

S = 1_000_000_000
DAY = 86_400 * S


def standing(count: int, from_ns: int = START_NS) -> list[Frame | Action]:
    """A block at rest: drum and load readings at 20 Hz."""
    items: list[Frame | Action] = []
    for i in range(count):
        t_ns = from_ns + i * 50_000_000
        items += [reading(t_ns, "drum", 1_020_000, seq=i), reading(t_ns, "hook-load", 500.0)]
    return items


def alarm(t_ns: int, after: str, before: str = "normal") -> Finding:
    return Finding(t_ns, "alarm", "slack-line", Severity.WARNING, before, after, "Slack line")


@pytest.fixture(scope="module")
def nights(tmp_path_factory: pytest.TempPathFactory) -> Recording:
    """Half a minute each, three weeks apart, with three alarms in the second."""
    folder = tmp_path_factory.mktemp("nights")
    second = START_NS + 21 * DAY
    said = [alarm(second + k * 5 * S, "unacknowledged") for k in (1, 2, 3)]
    said = sorted([*said, *(alarm(f.t_ns + S, "normal", "unacknowledged") for f in said)], key=lambda f: f.t_ns)
    one = by_hand(folder / "one.stopmark", standing(600))
    two = by_hand(folder / "two.stopmark", standing(600, second), findings=said, start_ns=second)
    with SessionChain([one, two]) as chain:
        found = collect(chain)
    return replace(found, findings=[finding for finding in found.findings if finding.key == "slack-line"])


def test_what_the_crew_said_of_the_height_holds_on_over_an_hour_without_readings(tmp_path: Path) -> None:
    items = standing(400)
    items.append(Action(items[-1].t_ns, ActionKind.REFERENCE_HEIGHT, number=7.0, who="ab"))
    items += standing(400, START_NS + 3600 * S)
    with SessionChain([by_hand(tmp_path / "hour.stopmark", items)]) as chain:
        found = collect(chain)
    assert found.restarts == 1
    assert found["height"][300] != pytest.approx(7.0, abs=0.5)
    assert found["height"][-1] == pytest.approx(7.0, abs=0.1)


def test_weeks_between_two_sessions_make_no_rig_look_quiet(nights: Recording) -> None:
    alarms = ReportContext(nights, Units("si")).alarms
    assert alarms.raised == 3
    assert alarms.seconds == pytest.approx(62.0, abs=2.0)
    assert alarms.per_10_min == pytest.approx(3 / 62.0 * 600.0, rel=0.05)
    assert alarms.intervals == 1
    page = make_report(nights)
    assert "recorded, in 21 days" in page


def test_in_more_than_a_day_a_time_has_its_date(nights: Recording) -> None:
    page = make_report(nights)
    assert page.count("01-22 00:00:05") >= 2  # what to look at, timeline
    assert ">00:00:05<" not in page
    short = ReportContext(replace(nights, end_ns=nights.start_ns + 3600 * S), Units("si"))
    assert short.when(nights.start_ns) == "00:00:00"


def test_a_curve_stands_where_its_time_is() -> None:
    t_ns = np.concatenate((np.arange(1000), 9000 + np.arange(1000))).astype(np.int64) * 50_000_000
    numbers = np.repeat(np.array([1.0, 2.0], np.float32), 1000)
    starts = bins(t_ns, 0, 500 * S)
    low, high = band(numbers, starts)
    share = np.arange(len(low)) / len(low)
    assert np.all(low[share < 0.09] == 1.0)
    assert not np.isfinite(low[(share > 0.11) & (share < 0.89)]).any()
    assert np.all(high[share > 0.91] == 2.0)
    assert np.nanmax(high[share < 0.5]) == 1.0


def test_curves_of_years_stand_where_their_time_is() -> None:
    year = 365 * DAY
    starts = bins(np.array([0, year, 2 * year - 1], np.int64), 0, 2 * year)
    assert np.flatnonzero(np.diff(starts, append=3)).tolist() == [0, 450, 899]
