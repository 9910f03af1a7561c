"""The hand-over of the tour: one page, and the oncoming driller's signature."""

from dataclasses import replace

import pytest

from monitor.adapters.ledger.trend import BrakeTrend, Trend
from monitor.adapters.sessions.tour import Done, Raised, Tour
from monitor.model.alarm import AlarmState, Severity
from monitor.model.snapshot import Snapshot
from monitor.model.stream import ActionKind
from monitor.presentation.format import Units
from monitor.presentation.hand_over import Row, parts, summary
from monitor.runtime.facts import RunFacts
from tests.ui import sample
from tests.ui.drivers import FakeReplay
from tests.ui.walk import app_with, initials, shown, wait

HOUR_NS = 3600 * sample.SECOND
TOUR = Tour(
    sample.T0_NS - 5 * HOUR_NS,
    "AB",
    (Raised("brake-now-down", Severity.WARNING, "BRAKE NOW", 2, sample.T0_NS - HOUR_NS, sample.T0_NS - HOUR_NS // 2),),
    (
        Done(sample.T0_NS - 3 * HOUR_NS, "check", "Brake holding test: crept 2 mm", verdict="pass"),
        Done(sample.T0_NS - 2 * HOUR_NS, ActionKind.REFERENCE_HEIGHT, "block at 18.40 m", who="AB"),
        Done(sample.T0_NS - 1 * HOUR_NS, ActionKind.NOTE, "pads look thin", who="AB"),
    ),
)
FALLING = BrakeTrend("effectiveness", 12, None, sample.T0_NS, None, Trend(12, 30.0, 0.91, -2e-3, -3e-3, -1e-3))
FACTS = RunFacts(tour=TOUR, brake_trends=(FALLING,))


async def pages(size: tuple[int, int]) -> str:
    """All pages of the screen, one after the other."""
    app, _, _ = app_with(sample.warning(), run_facts=FACTS)
    async with app.run_test(size=size) as pilot:
        await pilot.press("9")
        text = shown(app)
        for _ in range(8):
            await pilot.press("down")
            text += shown(app)
    return text


@pytest.mark.parametrize("size", [(60, 20), (80, 24), (120, 40), (200, 60)], ids=str)
async def test_the_page_has_all_of_it_at_every_size(size: tuple[int, int]) -> None:
    text = " ".join((await pages(size)).split())
    for words in (
        "signed by AB", "▲ BRAKE NOW", "2 × WARNING", "▲ Pressure leak-down", "Brake holding test", "pads look thin",
        "brake effectiveness: 0.91", "block at 18.40 m", "ton-miles", "SET ASIDE", "nothing",
    ):  # fmt: skip
        assert words in text, words


def test_what_is_set_aside_and_what_only_was_raised_are_apart() -> None:
    shelved = replace(
        sample.warning().alarms[0], state=AlarmState.SHELVED, shelved_until_ns=sample.T0_NS + 600 * sample.SECOND
    )
    snap = replace(sample.warning(), alarms=(shelved,))
    page = {part.title: part.rows for part in parts(snap, sample.rig(), Units("si"), TOUR)}
    assert [row.label for row in page["STANDS NOW"]] == ["nothing"]
    assert [(row.label, row.severity) for row in page["SET ASIDE"]] == [("shelved", Severity.WARNING)]
    assert "back in 10 min" in page["SET ASIDE"][0].words
    assert page["RAISED IN THE TOUR"][0].severity is None, "it need not stand now"


def test_a_height_that_is_not_known_stands_out() -> None:
    rows = {part.title: part.rows for part in parts(sample.height_unknown(), sample.rig(), Units("si"), Tour())}
    assert (rows["HEIGHT"][0].words, rows["HEIGHT"][0].severity) == ("unknown", Severity.CAUTION)


def test_a_brake_that_holds_too_little_stands_out() -> None:
    def brake(snap: Snapshot) -> tuple[Row, ...]:
        return {part.title: part.rows for part in parts(snap, sample.rig(), Units("si"), Tour())}["BRAKE"]

    holding, effectiveness = brake(sample.brake_lost())[:2]
    assert (holding.words, holding.severity) == ("0.00 × LOW (at least 1.50)", Severity.WARNING)
    assert effectiveness.words == "97 %", "as on Brakes"
    assert brake(sample.calm())[0].severity is None


async def test_the_oncoming_driller_signs_and_is_the_crew_from_then_on() -> None:
    app, driver, clock = app_with(sample.warning(), run_facts=FACTS)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("9", "i")
        await pilot.pause()
        assert "1 of WARNING or DANGER stands" in app.screen.explain  # type: ignore[attr-defined]
        await initials(pilot, "cd")
        (act,) = driver.acts
        assert (act.kind, act.who) == (ActionKind.HAND_OVER, "CD")
        assert act.text.startswith("AB to CD, tour since ")
        assert "tests due: Pressure leak-down" in act.text
        assert "raised: 2 WARNING" in act.text
        await wait(pilot, clock, 2.0)
        await pilot.press("a")
        await pilot.pause()
        assert [act.who for act in driver.acts] == ["CD", "CD"], "no question: the signature gave the initials"


async def test_the_crew_that_signed_at_another_screen_is_the_crew_here() -> None:
    app, driver, clock = app_with(sample.warning(), run_facts=FACTS)
    async with app.run_test(size=(80, 24)) as pilot:
        await wait(pilot, clock, 2.0)
        await pilot.press("a")
        await pilot.pause()
        assert [act.who for act in driver.acts] == ["AB"]
        driver.run_facts = RunFacts(tour=replace(TOUR, signed_by="CD", since_ns=sample.T0_NS - 1))
        await wait(pilot, clock, 2.0)
        await pilot.press("a")
        await pilot.pause()
        assert [act.who for act in driver.acts] == ["AB", "CD"]


async def test_a_replay_is_not_signed() -> None:
    app, driver, _ = app_with(sample.calm(), mode="REPLAY", replay=FakeReplay(), run_facts=FACTS)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("9", "i")
        assert "This is a replay" in shown(app)
        assert driver.acts == []


def test_the_summary_is_never_longer_than_a_record_keeps() -> None:
    words = summary(sample.flood(), Units("si"), TOUR, "CD")
    assert len(words) <= 400
    assert words.startswith("AB to CD")
    assert words.endswith("…")
