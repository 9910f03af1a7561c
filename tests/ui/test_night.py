"""The mechanic's view of a replayed night: the line with its marks, jumps by kind, notes, the brake a week before."""

from pathlib import Path

import pytest

from monitor.adapters.ledger.entries import DAY_NS
from monitor.adapters.ledger.ledger import Entry, Ledger
from monitor.adapters.ledger.week_before import brake_week_before
from monitor.adapters.sessions.remarks import Remark
from monitor.model.alarm import Severity
from monitor.runtime.facts import Mark, Replayed, RunFacts
from monitor.ui.dialogs import Ask
from tests.ui import sample
from tests.ui.drivers import FakeReplay
from tests.ui.walk import app_with, initials, shown

S = sample.SECOND
T0 = sample.T0_NS


def mark(at_s: int, key: str, severity: Severity, alarm: bool = True) -> Mark:
    return Mark(T0 + at_s * S, key, severity, f"{key} came", alarm)


MARKS = (
    mark(-500, "brake-now-down", Severity.WARNING),
    mark(-300, "brake-fully-down", Severity.DANGER),
    mark(-100, "brake-now-down", Severity.WARNING),
    mark(50, "brake-holding", Severity.NOTICE, alarm=False),
    mark(200, "sensor-silent", Severity.CAUTION),
    mark(400, "brake-now-down", Severity.WARNING),
)
WEEK = Entry(1, T0 - 7 * DAY_NS, 0, "brake", "", "", {"effectiveness": 0.95, "response_s": 0.61})
FACTS = RunFacts(
    replayed=Replayed(
        "night.stopmark",
        0,
        "live",
        5,
        "",
        marks=MARKS,
        remarks=(Remark(T0 - 200 * S, 0, "KR", "pads?"),),
        week_before=WEEK,
    )
)


@pytest.mark.parametrize("size", [(80, 24), (120, 40)], ids=str)
async def test_the_line_has_a_mark_where_each_thing_was(size: tuple[int, int]) -> None:
    app, _, _ = app_with(sample.calm(), mode="REPLAY", replay=FakeReplay(), run_facts=FACTS)
    async with app.run_test(size=size) as pilot:
        await pilot.press("8")
        lines = shown(app).splitlines()
        row = {name: next(line for line in lines if line.lstrip().startswith(name)) for name in ("DANGER", "WARNING")}
        assert (row["DANGER"].count("◆"), row["WARNING"].count("▲")) == (1, 3)
        left, width = 1 + 9, size[0] - 2 - 9
        # The session goes from -600 s to 600 s: its middle is now, the danger a quarter of the way.
        assert row["DANGER"].index("◆") == left + round(300 / 1200 * (width - 1))
        assert "✎" in shown(app)
        assert "20:26:40" in shown(app)


async def test_where_there_is_no_room_the_marks_stand_in_one_row() -> None:
    app, _, _ = app_with(sample.calm(), mode="REPLAY", replay=FakeReplay(), run_facts=FACTS)
    async with app.run_test(size=(60, 20)) as pilot:
        await pilot.press("8")
        row = next(line for line in shown(app).splitlines() if line.lstrip().startswith("marks"))
        assert [row.count(mark) for mark in "◆▲△■✎"] == [1, 3, 1, 1, 1]


async def test_the_brake_stands_beside_that_of_a_week_before() -> None:
    app, _, _ = app_with(sample.calm(), mode="REPLAY", replay=FakeReplay(), run_facts=FACTS)
    async with app.run_test(size=(120, 40)) as pilot:
        await pilot.press("8")
        text = shown(app)
        assert "A WEEK BEFORE" in text
        assert "was 0.95" in text
        assert "pads?" in text


async def test_a_jump_stays_with_the_kind_where_the_replay_stands() -> None:
    replay = FakeReplay(position_ns=T0 - 90 * S)
    app, _, _ = app_with(sample.calm(), mode="REPLAY", replay=replay, run_facts=FACTS)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("right_curly_bracket")
        assert replay.position_ns == T0 + 400 * S + 50_000_000
        assert "brake-now-down, one of 3" in shown(app)
        await pilot.press("right_curly_bracket")
        assert "No later brake-now-down" in shown(app)
        await pilot.press("left_curly_bracket", "left_curly_bracket")
        assert replay.position_ns == T0 - 500 * S + 50_000_000


async def test_a_note_is_kept_beside_the_session_with_initials_once() -> None:
    replay = FakeReplay()
    app, driver, _ = app_with(sample.calm(), mode="REPLAY", replay=replay, run_facts=FACTS)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("n")
        await pilot.pause()
        await initials(pilot)
        assert isinstance(app.screen, Ask)
        await pilot.press(*"pads", "enter")
        await pilot.pause()
        await pilot.press("n")
        await pilot.pause()
        assert isinstance(app.screen, Ask)
        assert "What was recorded stays as it is" in app.screen.explain
        await pilot.press(*"oil", "enter")
        await pilot.pause()
    assert replay.remarks == [(T0, "pads", "KR"), (T0, "oil", "KR")]
    assert driver.acts == []


def test_the_week_before_is_the_nearest_day_of_the_ledger(tmp_path: Path) -> None:
    assert brake_week_before(tmp_path, "land", T0) is None
    with Ledger(tmp_path / "land.ledger") as ledger:
        for days, number in ((20, 0.99), (8, 0.95), (6.5, 0.94), (1, 0.90)):
            ledger.add("brake", T0 - round(days * DAY_NS), T0, numbers={"effectiveness": number})
    found = brake_week_before(tmp_path, "land", T0)
    assert found is not None
    assert found.numbers == {"effectiveness": 0.94}
    assert brake_week_before(tmp_path, "land", T0 + 40 * DAY_NS) is None
