"""The training: a hand on the simulated levers, the monitor's real words, and what the truth says of them afterwards."""

import asyncio
import re
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.model.alarm import Severity
from monitor.presentation.format import SI
from monitor.ui.drawing.canvas import Canvas
from simulators.training import pages
from simulators.training.lesson import Hand, Lesson, driven
from simulators.training.review import Review, review
from simulators.training.screen import TrainingApp
from simulators.training.situations import SITUATIONS
from tests.language.catalogues import language, veiled
from tests.ui.walk import Clock, shown

LIMIT_S = 40.0


def attempt(place: int, word: str | None) -> tuple[Lesson, Review]:
    """A hand that pulls everything at the first `word` of that severity or worse; None: never."""
    lesson = Lesson(SITUATIONS[place])
    lesson.begin()
    if place == 0:
        lesson.hand.pull(-1.0)
    for _ in driven(lesson):
        if word is not None and any(heard.severity >= Severity[word] for heard in lesson.heard):
            lesson.hand.stop()
        if (lesson.now_ns - lesson.yours_ns) * 1e-9 > LIMIT_S:
            break
    return lesson, review(lesson)


@pytest.fixture(scope="module")
def late() -> tuple[Lesson, Review]:
    return attempt(1, None)


def test_whoever_never_brakes_crosses_and_hears_the_whole_chain_in_order(late: tuple[Lesson, Review]) -> None:
    _, found = late
    assert (found.kept, found.struck, found.pulled_s) == (False, True, None)
    chain = [word.name for word in found.words if word.spare_m is not None]
    assert chain == ["ease", "brake now", "brake fully", "will cross"]
    assert [word.spare_m for word in found.words if word.spare_m is not None] == sorted(
        (word.spare_m for word in found.words if word.spare_m is not None), reverse=True
    ), "the later the word, the less a full brake leaves"


def test_the_truth_says_until_when_a_full_brake_would_have_done(late: tuple[Lesson, Review]) -> None:
    lesson, found = late
    assert found.last_s is not None
    again = Lesson(SITUATIONS[1])
    again.begin()
    for wait_s, kept in ((found.last_s - 0.1, True), (found.last_s + 0.3, False)):
        again = Lesson(SITUATIONS[1])
        again.begin()
        again.advance(again.yours_ns + round(wait_s * 1e9))
        again.hand.stop()
        again.advance(again.yours_ns + round(LIMIT_S * 1e9))
        assert review(again).kept is kept
    assert lesson.source.seed == again.source.seed


@pytest.mark.parametrize("place", [1, 2, 3])
def test_whoever_brakes_at_brake_now_keeps_the_limit(place: int) -> None:
    _, found = attempt(place, "WARNING")
    assert found.kept
    assert found.full_s is not None
    now = next(word for word in found.words if word.name == "brake now")
    assert now.spare_m is not None
    assert now.spare_m > 0.0


def test_the_height_is_lost_and_said_to_be() -> None:
    _, found = attempt(4, "WARNING")
    assert found.kept
    assert "height unknown" in [word.name for word in found.words]


def test_the_hand_stays_within_its_levers() -> None:
    hand = Hand(brake=0.95)
    hand.pull(0.1)
    hand.auxiliary(-0.1)
    hand.drive(-1)
    assert (hand.brake, hand.aux, hand.drive_m_s) == (1.0, 0.0, 0.0)
    for _ in range(20):
        hand.drive(1)
    assert hand.drive_m_s == 1.6


async def until_begun(app: TrainingApp, pilot: object) -> None:
    """Take the levers as soon as the lead-in is played."""
    for _ in range(600):
        await pilot.press("enter")  # type: ignore[attr-defined]
        if app.stage == "drive":
            return
        await asyncio.sleep(0.1)
    pytest.fail("the lead-in did not end")


@pytest.mark.parametrize("size", [(80, 24), (120, 40)], ids=str)
async def test_a_situation_is_driven_by_keys_alone(size: tuple[int, int]) -> None:
    clock = Clock()
    app = TrainingApp(clock=clock, depth="full")
    async with app.run_test(size=size) as pilot:
        assert "situation 1 of 5" in shown(app)
        assert "take the levers" in shown(app)
        await until_begun(app, pilot)
        assert "YOUR LEVERS" in shown(app)
        assert "ADVISORY ONLY" in shown(app)
        assert "SIMULATED" in shown(app)
        await pilot.press("home", "full_stop")
        assert (app.lesson.hand.brake, app.lesson.hand.aux) == (0.0, 0.4)
        height_m = app.lesson.plant.height_m
        for _ in range(8):
            clock.now_s += 0.5
            app.lessons.turn()
        assert app.lesson.plant.height_m < height_m - 0.3, "the block goes down"
        await pilot.press("space")
        assert app.lesson.hand.brake == 1.0
        for _ in range(12):
            clock.now_s += 0.5
            app.lessons.turn()
        app.tick()
        assert app.stage == "review"
        text = shown(app)
        assert "KEPT: " in text
        assert "Brake when the stop mark is where you want the block" in text
        await pilot.press("r")
        assert (app.stage, app.place, app.lesson.yours_ns) == ("task", 0, app.lesson.yours_ns)
        assert "situation 1 of 5" in shown(app)


async def test_the_way_leads_through_all_five_to_the_end() -> None:
    app = TrainingApp(clock=Clock(), depth="full")
    async with app.run_test(size=(80, 24)) as pilot:
        for place in range(5):
            assert f"situation {place + 1} of 5" in shown(app)
            await until_begun(app, pilot)
            app.lesson.over = True
            app.tick()
            assert app.stage == "review"
            await pilot.press("enter")
        assert app.stage == "end"
        assert shown(app).count("kept") == 5
        await pilot.press("q", "q")
        await pilot.pause()
    assert app.return_code == 0


@pytest.mark.parametrize("size", [(80, 24), (120, 40)], ids=str)
def test_in_spanish_no_page_is_cut(size: tuple[int, int], late: tuple[Lesson, Review], tmp_path: Path) -> None:
    lesson, found = late
    kept = replace(found, kept=True, words=(), least_m=0.8, struck=False, pulled_s=1.0, full_s=None)

    def every_page() -> str:
        texts = []
        for place, situation in enumerate(SITUATIONS):
            canvas = Canvas(*size)
            pages.task(canvas.area, place, situation)
            texts.append(canvas)
        for one in (found, kept):
            texts.append(Canvas(*size))
            pages.looked_back(texts[-1].area, 0, lesson, one, SI)
        texts.append(Canvas(*size))
        pages.levers(texts[-1].area, lesson, SI)
        texts.append(Canvas(*size))
        pages.end(texts[-1].area, {0: found, 1: kept}, SI)
        assert [canvas.cut for canvas in texts] == [[]] * len(texts)
        return "\n".join(canvas.text() for canvas in texts)

    with language("es"):
        text = every_page()
    assert "…" not in text
    assert text.count("SOLO AVISA") == len(SITUATIONS) + 3
    assert "RESPETADO" in text
    with language("en", veiled(tmp_path)):
        seen = set(re.findall("[A-Za-z]{4,}", every_page()))
    assert not seen - {"STOPMARK", "enter", "space"}


def test_a_computer_that_is_slower_lets_the_time_slip() -> None:
    clock = Clock()
    app = TrainingApp(clock=clock)
    app.lesson.begin()
    app.lessons.start()
    clock.now_s += 60.0
    app.lessons.turn()
    assert app.lesson.now_ns - app.lesson.yours_ns < 600_000_000
