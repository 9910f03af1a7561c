"""What the crew does, by keys: acknowledge, shelve, reset, notes, height, checks; who did it, and what is refused."""

from dataclasses import replace

import pytest

from monitor.model.alarm import AlarmState, Severity
from monitor.model.stream import ActionKind
from monitor.ui.dialogs import Ask
from tests.ui import sample
from tests.ui.walk import Walk, app_with, initials, shown, wait


async def test_acknowledge_asks_for_initials_once_and_not_for_what_just_came_up() -> None:
    app, driver, clock = app_with(sample.warning())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("a")
        assert driver.acts == []
        assert "Just came up" in shown(app)
        await wait(pilot, clock, 1.5)
        await pilot.press("a")
        await pilot.pause()
        await initials(pilot)
        assert [(act.kind, act.target, act.who) for act in driver.acts] == [
            (ActionKind.ACKNOWLEDGE, "lower-limit-brake-now", "KR")
        ]
        await pilot.press("a")
        assert len(driver.acts) == 1, "a held key is one act"
        await wait(pilot, clock, 1.5)
        await pilot.press("a")
        assert len(driver.acts) == 2
        assert not isinstance(app.screen, Ask), "initials are asked once per shift"


async def test_initials_expire_with_the_shift() -> None:
    app, driver, clock = app_with(sample.warning())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("w")
        await initials(pilot)
        await wait(pilot, clock, 2.0)
        later = replace(sample.warning(), t_ns=sample.T0_NS + 13 * 3600 * sample.SECOND)
        driver.held = later
        await wait(pilot, clock, 2.0)
        await pilot.press("a")
        await pilot.pause()
        assert isinstance(app.screen, Ask)
        await pilot.press("escape")
        assert driver.acts == [], "leaving the question does nothing"


async def test_a_new_alarm_does_not_inherit_the_time_on_view_of_the_last() -> None:
    app, driver, clock = app_with(sample.warning())
    async with app.run_test(size=(80, 24)) as pilot:
        await wait(pilot, clock, 5.0)
        driver.held = sample.danger()
        await wait(pilot, clock, 0.2)
        await pilot.press("a")
        assert "Just came up" in shown(app)
        assert driver.acts == []


async def test_acknowledge_all_takes_only_what_was_on_view() -> None:
    app, driver, clock = app_with(sample.danger())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("3")
        await wait(pilot, clock, 2.0)
        extra = sample.alarm("late", Severity.WARNING, "Came just now")
        driver.held = replace(sample.danger(), alarms=(*sample.danger().alarms, extra))
        await wait(pilot, clock, 0.1)
        await pilot.press("A")
        await pilot.pause()
        await initials(pilot)
        assert [act.target for act in driver.acts] == ["lower-limit-crossing", "circuits-unequal", "holding-low"]


async def test_the_cursor_stays_on_its_alarm_when_the_list_reorders() -> None:
    app, driver, clock = app_with(sample.danger())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("3", "down")
        await wait(pilot, clock, 2.0)
        extra = sample.alarm("first", Severity.DANGER, "Worse")
        driver.held = replace(sample.danger(), alarms=(extra, *sample.danger().alarms))
        await wait(pilot, clock, 2.0)
        await pilot.press("a")
        await pilot.pause()
        await initials(pilot)
        assert [act.target for act in driver.acts] == ["circuits-unequal"]


async def test_a_key_does_not_hit_what_slid_under_the_cursor() -> None:
    app, driver, clock = app_with(sample.danger())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("3", "down")
        await wait(pilot, clock, 3.0)
        alarms = sample.danger().alarms
        driver.held = replace(sample.danger(), alarms=(alarms[0], alarms[2]))
        await wait(pilot, clock, 0.1)
        await pilot.press("a")
        assert "read it first" in shown(app)
        assert driver.acts == []


async def shelve(pilot: Walk, minutes: str, *answers: str) -> list[str]:
    """Press h and answer what is asked; what was asked."""
    await pilot.press("h")
    await pilot.pause()
    if isinstance(pilot.app.screen, Ask) and "initials" in str(pilot.app.screen._title):
        await initials(pilot)
    asked = []
    for text in (minutes, *answers):
        assert isinstance(pilot.app.screen, Ask)
        asked.append(pilot.app.screen.explain)
        await pilot.press(*text.replace(" ", "_"), "enter")
        await pilot.pause()
    return asked


async def test_a_warning_is_shelved_with_minutes_a_reason_and_a_confirmation_that_names_it() -> None:
    app, driver, _ = app_with(sample.warning())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("3")
        await shelve(pilot, "31")
        assert driver.acts == []
        assert "Not shelved: give 1 to 30 minutes" in shown(app)
        await shelve(pilot, "20", "valve", "no")
        assert driver.acts == []
        asked = await shelve(pilot, "20", "valve", "yes")
        assert all("▲ WARNING: BRAKE NOW: the block will reach the lower limit" in words for words in asked)
        assert "It will not warn for 20 min. Reason: valve." in asked[-1]
        assert [(act.kind, act.target, act.number, act.text, act.who) for act in driver.acts] == [
            (ActionKind.SHELVE, "lower-limit-brake-now", 1200.0, "valve", "KR")
        ]


async def test_a_caution_is_shelved_by_its_minutes_alone() -> None:
    app, driver, _ = app_with(sample.warning())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("3", "down")
        assert "△ CAUTION" in (await shelve(pilot, "480"))[0]
        assert [(act.target, act.number) for act in driver.acts] == [("aux-share-low", 28_800.0)]


async def test_an_alarm_is_called_false_with_initials_and_why() -> None:
    app, driver, _ = app_with(sample.danger())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("3", "x")
        await pilot.pause()
        await initials(pilot)
        assert isinstance(app.screen, Ask)
        assert "changes nothing about the alarm" in app.screen.explain
        await pilot.press(*"wave", "enter")
        await pilot.pause()
        (act,) = driver.acts
        assert (act.kind, act.text, act.who) == (ActionKind.FALSE_ALARM, "wave", "KR")
        assert act.target in {alarm.key for alarm in sample.danger().alarms}


@pytest.mark.parametrize("key", ["h", "o"])
async def test_a_danger_that_stands_cannot_be_set_aside(key: str) -> None:
    app, driver, _ = app_with(sample.danger())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("3", key)
        await pilot.pause()
        assert not isinstance(app.screen, Ask)
        assert ("a DANGER is never shelved" if key == "h" else "a DANGER stays in service") in shown(app)
        assert driver.acts == []


async def test_shelved_comes_back_with_the_same_key() -> None:
    shelved = replace(
        sample.warning().alarms[0], state=AlarmState.SHELVED, shelved_until_ns=sample.T0_NS + sample.SECOND
    )
    app, driver, _ = app_with(replace(sample.calm(), alarms=(shelved,)))
    async with app.run_test(size=(120, 40)) as pilot:
        await pilot.press("3")
        assert "shelved, 1.0 s left" in shown(app)
        await pilot.press("h")
        await pilot.pause()
        await initials(pilot)
        assert driver.acts[0].kind is ActionKind.UNSHELVE


@pytest.mark.parametrize(
    ("state", "key", "typed", "kind"),
    [
        (AlarmState.LATCHED_ACKNOWLEDGED, "r", (), ActionKind.RESET),
        (AlarmState.ACKNOWLEDGED, "o", ("valve", "yes"), ActionKind.OUT_OF_SERVICE),
        (AlarmState.OUT_OF_SERVICE, "o", (), ActionKind.IN_SERVICE),
    ],
)
async def test_reset_and_service(state: AlarmState, key: str, typed: tuple[str, ...], kind: ActionKind) -> None:
    alarm = replace(sample.warning().alarms[0], state=state)
    app, driver, _ = app_with(replace(sample.calm(), alarms=(alarm,)))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("w")
        await initials(pilot)
        await pilot.press("3", key)
        await pilot.pause()
        for text in typed:
            await pilot.press(*text, "enter")
            await pilot.pause()
        assert [act.kind for act in driver.acts] == [kind]


async def test_out_of_service_needs_the_whole_word() -> None:
    app, driver, _ = app_with(sample.warning())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("w")
        await initials(pilot)
        await pilot.press("3", "o")
        await pilot.pause()
        await pilot.press(*"valve", "enter", "y", "enter")
        await pilot.pause()
        assert driver.acts == []
        assert "left as it was" in shown(app)


async def test_silence_needs_no_initials_and_acknowledges_nothing() -> None:
    app, driver, _ = app_with(sample.danger())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("s")
        assert [act.kind for act in driver.acts] == [ActionKind.SILENCE]


async def test_note_is_recorded_with_initials() -> None:
    app, driver, _ = app_with(sample.calm())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("n")
        await pilot.pause()
        await initials(pilot, "ab")
        await pilot.press(*"[red]pads", "enter")
        await pilot.pause()
        assert [(act.kind, act.text, act.who) for act in driver.acts] == [(ActionKind.NOTE, "[red]pads", "AB")]


async def line_page(pilot: Walk, key: str) -> None:
    """The Line screen with the question behind `key`."""
    await pilot.press("w")
    await initials(pilot)
    await pilot.press("6", key)
    await pilot.pause()


async def answer(pilot: Walk, text: str) -> None:
    assert isinstance(pilot.app.screen, Ask)
    await pilot.press(*text, "enter")
    await pilot.pause()


async def test_height_is_set_in_the_units_on_the_screen() -> None:
    app, driver, _ = app_with(sample.still())
    async with app.run_test(size=(80, 24)) as pilot:
        await line_page(pilot, "e")
        await answer(pilot, "61.0")
        assert driver.acts[0].kind is ActionKind.REFERENCE_HEIGHT
        assert driver.acts[0].number == pytest.approx(61.0 * 0.3048)
        await pilot.press("e")
        await pilot.pause()
        await answer(pilot, "999")
        assert len(driver.acts) == 1
        assert "Not taken" in shown(app)


@pytest.mark.parametrize(("word", "taken"), [("yes", 1), ("no", 0)])
async def test_a_height_far_from_the_one_shown_is_asked_about(word: str, taken: int) -> None:
    """A slip of the finger would move every limit."""
    app, driver, _ = app_with(sample.still())
    async with app.run_test(size=(80, 24)) as pilot:
        await line_page(pilot, "e")
        await answer(pilot, "10.0")
        assert driver.acts == []
        assert isinstance(app.screen, Ask)
        assert "60.4 ft" in app.screen.explain
        await answer(pilot, word)
        assert [act.number for act in driver.acts] == [pytest.approx(3.048)] * taken


async def test_a_height_is_not_asked_about_twice_where_none_is_known() -> None:
    app, driver, _ = app_with(sample.height_unknown())
    async with app.run_test(size=(80, 24)) as pilot:
        await line_page(pilot, "e")
        await answer(pilot, "10.0")
        assert len(driver.acts) == 1


@pytest.mark.parametrize("key", ["e", "c"])
async def test_height_and_wraps_are_not_taken_while_the_block_moves(key: str) -> None:
    app, driver, _ = app_with(sample.calm())
    async with app.run_test(size=(80, 24)) as pilot:
        await line_page(pilot, key)
        assert not isinstance(app.screen, Ask)
        assert "The block moves" in shown(app)
        driver.held = sample.still()
        await pilot.press(key)
        await pilot.pause()
        driver.held = sample.calm()
        await answer(pilot, "60.5")
        assert "The block moves" in shown(app)
        assert driver.acts == []


async def test_cut_and_slip_takes_wraps_once_confirmed() -> None:
    app, driver, _ = app_with(sample.still())
    async with app.run_test(size=(80, 24)) as pilot:
        await line_page(pilot, "c")
        await answer(pilot, "14,5")
        assert driver.acts == [], "it ends the count of the line's work: asked about"
        await answer(pilot, "yes")
        assert [(act.kind, act.number) for act in driver.acts] == [(ActionKind.SLIP_AND_CUT, 14.5)]
        await pilot.press("c")
        await pilot.pause()
        await answer(pilot, "900")
        assert "Not taken: give the wraps on the drum" in shown(app), "more than the drum holds"
        assert len(driver.acts) == 1


async def test_a_check_is_started_stepped_and_broken_off() -> None:
    waiting = replace(sample.still(), checks=sample.checks()[1:])
    app, driver, _ = app_with(waiting)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("w")
        await initials(pilot)
        await pilot.press("7", "space")
        assert "It is not running" in shown(app)
        await pilot.press("enter")
        started = replace(sample.checks()[1], running=True)
        crew = replace(started, steps=(replace(started.steps[0], state="now"), started.steps[1]))
        driver.held = replace(waiting, checks=(crew,))
        app.tick()
        assert "space: done with this step" in shown(app)
        await pilot.press("space", "x")
        await pilot.pause()
        await pilot.press(*"yes", "enter")
        await pilot.pause()
        assert [(act.kind, act.target, act.who) for act in driver.acts] == [
            (ActionKind.CHECK_START, "overtravel-function", "KR"),
            (ActionKind.CHECK_STEP, "overtravel-function", "KR"),
            (ActionKind.CHECK_ABORT, "overtravel-function", "KR"),
        ]


async def test_the_running_check_is_shown_and_its_measured_step_takes_no_key() -> None:
    app, driver, _ = app_with(sample.still())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("7")
        assert "▶ Nothing is touched" in shown(app)
        assert "Waits: the block is not yet at rest" in shown(app)
        await pilot.press("space")
        assert "This step ends by itself" in shown(app)
        await pilot.press("end", "enter")
        assert "Not possible on this rig" in shown(app)
        assert driver.acts == []


async def test_a_second_check_is_not_said_to_have_started() -> None:
    app, driver, _ = app_with(sample.still())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("7", "down", "enter")
        assert "Brake holding test is running: end it first" in shown(app)
        assert driver.acts == []


async def test_a_step_that_is_not_yet_done_is_not_said_to_be() -> None:
    running = sample.checks()[0]
    crew = replace(running, steps=(replace(running.steps[0], state="now"), replace(running.steps[1], state="open")))
    app, driver, _ = app_with(replace(sample.still(), checks=(crew,)))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("w")
        await initials(pilot)
        await pilot.press("7", "space")
        assert "Not yet: the block is not yet at rest" in shown(app)
        driver.held = replace(sample.still(), checks=(replace(crew, hint=""),))
        await pilot.press("space")
        assert "Next step" in shown(app)
