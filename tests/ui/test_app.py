"""The app with a driver that has no monitor behind it: keys, crew actions, themes, units, the end of the loop."""

import io
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace

import pytest
from textual.pilot import Pilot
from textual.widgets import Input

from monitor.core.types import ActionKind, AlarmState, Severity, Snapshot
from monitor.ui.app import StopmarkApp, run_app, sentence_of
from monitor.ui.dialogs import Ask, Help
from monitor.ui.helptext import help_text
from monitor.ui.screens import SCREENS
from monitor.ui.screens.line import number_of
from monitor.ui.screens.session import time_of_day
from monitor.ui.widgets.face import Face
from tests.ui import sample
from tests.ui.drivers import FakeDriver, FakeReplay

Walk = Pilot[int]


@dataclass
class Clock:
    """Seconds that pass when told."""

    now_s: float = 100.0

    def __call__(self) -> float:
        return self.now_s


def shown(app: StopmarkApp) -> str:
    """What is on the screen."""
    canvas = app.screen_stack[0].query_one(Face).shown
    assert canvas is not None
    return canvas.text()


def app_with(snap: Snapshot | None, **driver: object) -> tuple[StopmarkApp, FakeDriver, Clock]:
    """An app, its driver and its clock."""
    clock = Clock()
    fake = FakeDriver(snap, **driver)  # type: ignore[arg-type]
    return StopmarkApp(fake, clock=clock), fake, clock


async def initials(pilot: Walk, text: str = "kr") -> None:
    """Answer the question for initials."""
    assert isinstance(pilot.app.screen, Ask)
    await pilot.press(*text, "enter")
    await pilot.pause()


async def wait(pilot: Walk, clock: Clock, seconds: float) -> None:
    """Let the app's clock pass, and have it look at it."""
    clock.now_s += seconds
    assert isinstance(pilot.app, StopmarkApp)
    pilot.app.tick()
    await pilot.pause()


async def test_every_screen_by_its_key_and_from_the_palette() -> None:
    app, _, _ = app_with(sample.warning())
    async with app.run_test(size=(80, 24)) as pilot:
        for spec in SCREENS:
            await pilot.press(spec.key)
            assert spec.name in shown(app).splitlines()[0]
        titles = [command.title for command in app.get_system_commands(app.screen)]
        assert {spec.name for spec in SCREENS} <= set(titles)
        assert {"Units", "Theme", "Silence"} <= set(titles)


async def test_waits_for_the_first_reading_then_draws() -> None:
    app, driver, _ = app_with(None)
    async with app.run_test(size=(80, 24)) as pilot:
        assert "Waiting for the first reading" in shown(app)
        driver.held = sample.calm()
        app.tick()
        await pilot.pause()
        assert "LOWERING" in shown(app)


async def test_units_and_themes_cycle() -> None:
    app, _, _ = app_with(sample.calm())
    async with app.run_test(size=(120, 40)) as pilot:
        assert "ft/min" in shown(app), "the land rig's default"
        await pilot.press("u")
        assert "m/s" in shown(app)
        assert "Units: SI" in shown(app).splitlines()[-1]
        await pilot.press("u")
        assert " t " in shown(app)
        seen = {app.theme}
        for _ in range(2):
            await pilot.press("t")
            seen.add(app.theme)
        assert len(seen) == 3


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
        assert [act.target for act in driver.acts] == ["lower-limit-past", "circuits-unequal", "holding-low"]


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


async def shelve(pilot: Walk, minutes: str) -> None:
    await pilot.press("h")
    await pilot.pause()
    if isinstance(pilot.app.screen, Ask) and "initials" in str(pilot.app.screen._title):
        await initials(pilot)
    await pilot.press(*minutes, "enter")
    await pilot.pause()


async def test_shelve_takes_minutes_and_refuses_too_long() -> None:
    app, driver, _ = app_with(sample.warning())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("3")
        await shelve(pilot, "999")
        assert driver.acts == []
        assert "Not shelved" in shown(app)
        await shelve(pilot, "30")
        assert [(act.kind, act.target, act.number) for act in driver.acts] == [
            (ActionKind.SHELVE, "lower-limit-brake-now", 1800.0)
        ]


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
        (AlarmState.LATCHED_ACKNOWLEDGED, "r", "", ActionKind.RESET),
        (AlarmState.ACKNOWLEDGED, "o", "yes", ActionKind.OUT_OF_SERVICE),
        (AlarmState.OUT_OF_SERVICE, "o", "", ActionKind.IN_SERVICE),
    ],
)
async def test_reset_and_service(state: AlarmState, key: str, typed: str, kind: ActionKind) -> None:
    alarm = replace(sample.warning().alarms[0], state=state)
    app, driver, _ = app_with(replace(sample.calm(), alarms=(alarm,)))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("w")
        await initials(pilot)
        await pilot.press("3", key)
        await pilot.pause()
        if typed:
            await pilot.press(*typed, "enter")
            await pilot.pause()
        assert [act.kind for act in driver.acts] == [kind]


async def test_out_of_service_needs_the_whole_word() -> None:
    app, driver, _ = app_with(sample.warning())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("w")
        await initials(pilot)
        await pilot.press("3", "o")
        await pilot.pause()
        await pilot.press("y", "enter")
        await pilot.pause()
        assert driver.acts == []
        assert "Left in service" in shown(app)


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


async def test_height_is_set_in_the_units_on_the_screen() -> None:
    app, driver, _ = app_with(sample.still())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("w")
        await initials(pilot)
        await pilot.press("6", "e")
        await pilot.pause()
        await pilot.press(*"10.0", "enter")
        await pilot.pause()
        assert driver.acts[0].kind is ActionKind.REFERENCE_HEIGHT
        assert driver.acts[0].number == pytest.approx(3.048)
        await pilot.press("e")
        await pilot.pause()
        await pilot.press(*"999", "enter")
        await pilot.pause()
        assert len(driver.acts) == 1
        assert "Not taken" in shown(app)


async def test_cut_and_slip_takes_wraps() -> None:
    app, driver, _ = app_with(sample.still())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("w")
        await initials(pilot)
        await pilot.press("6", "c")
        await pilot.pause()
        await pilot.press(*"14,5", "enter")
        await pilot.pause()
        assert [(act.kind, act.number) for act in driver.acts] == [(ActionKind.SLIP_AND_CUT, 14.5)]


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


async def test_a_replay_is_driven_and_takes_no_crew_action() -> None:
    replay = FakeReplay()
    app, driver, clock = app_with(sample.warning(), mode="REPLAY", replay=replay)
    async with app.run_test(size=(120, 40)) as pilot:
        await pilot.press("8", "space")
        assert replay.paused
        assert "REPLAY paused" in shown(app)
        await pilot.press("space", "right")
        assert replay.position_ns == sample.T0_NS + 10 * sample.SECOND
        await pilot.press("left", "left")
        assert replay.position_ns == sample.T0_NS - 10 * sample.SECOND
        await pilot.press(">")
        assert replay.speed == 2.0
        await pilot.press("<", "<")
        assert replay.speed == 0.5
        await pilot.press("]")
        assert replay.position_ns == sample.T0_NS + 20 * sample.SECOND
        replay.found = False
        await pilot.press("[")
        assert "No earlier alarm" in shown(app)
        await pilot.press("j")
        await pilot.pause()
        await pilot.press(*"20:30", "enter")
        await pilot.pause()
        assert replay.position_ns == sample.T0_NS + 200 * sample.SECOND
        await wait(pilot, clock, 2.0)
        await pilot.press("a")
        assert driver.acts == []
        assert "This is a replay" in shown(app)


async def test_replay_keys_outside_a_replay_say_so() -> None:
    app, _, _ = app_with(sample.calm())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("8", "space")
        assert "Only a replay" in shown(app)


async def test_trends_group_span_and_cursor() -> None:
    app, _, _ = app_with(sample.warning())
    app.history = sample.history()
    async with app.run_test(size=(120, 40)) as pilot:
        await pilot.press("5")
        assert "Motion: the last 5 min" in shown(app)
        await pilot.press("g", "minus")
        assert "Load: the last 60 s" in shown(app)
        await pilot.press("left")
        assert "1.0 s ago" in shown(app)
        await pilot.press("right")
        assert "(now)" in shown(app)


async def test_history_page_of_alarms() -> None:
    app, _, _ = app_with(sample.warning())
    app.history = sample.history()
    async with app.run_test(size=(120, 40)) as pilot:
        await pilot.press("3", "l")
        assert "Auxiliary brake takes only 41 % of the descent: acknowledged" in shown(app)


async def test_help_names_every_key_and_closes_with_any() -> None:
    app, _, _ = app_with(sample.calm())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("3", "question_mark")
        await pilot.pause()
        assert isinstance(app.screen, Help)
        await pilot.press("x")
        await pilot.pause()
        assert not isinstance(app.screen, Help)
    for spec in SCREENS:
        text = help_text(SCREENS, spec)
        assert "ADVISORY ONLY" in text
        assert all(key.help in " ".join(text.split()) for key in spec.keys)


async def test_help_gives_way_to_a_new_warning() -> None:
    app, driver, _ = app_with(sample.calm())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("question_mark")
        await pilot.pause()
        assert isinstance(app.screen, Help)
        driver.held = sample.warning()
        app.tick()
        await pilot.pause()
        assert not isinstance(app.screen, Help)


async def test_quit_takes_two_presses() -> None:
    app, _, clock = app_with(sample.calm())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("q")
        assert app.is_running
        assert "Press q again" in shown(app)
        clock.now_s += 10.0
        await pilot.press("q")
        assert app.is_running, "the first press is forgotten after a while"
        await pilot.press("q")
        await pilot.pause()
    assert app.return_code == 0


async def test_a_snapshot_that_stands_still_is_announced() -> None:
    app, _, clock = app_with(sample.calm())
    async with app.run_test(size=(80, 24)) as pilot:
        await wait(pilot, clock, 7.0)
        assert "MONITOR STOPPED: nothing new for 7.0 s" in shown(app)


async def test_the_bell_rings_live_and_never_in_a_replay(monkeypatch: pytest.MonkeyPatch) -> None:
    for mode, expected in (("LIVE", True), ("REPLAY", False)):
        rung: list[float] = []
        app, _, clock = app_with(sample.danger(), mode=mode)
        monkeypatch.setattr(app, "bell", lambda rung=rung: rung.append(1.0))
        async with app.run_test(size=(80, 24)) as pilot:
            await wait(pilot, clock, 2.0)
        assert bool(rung) is expected


async def test_input_refuses_letters_where_a_number_is_wanted() -> None:
    app, _, _ = app_with(sample.still())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("w")
        await initials(pilot)
        await pilot.press("6", "e")
        await pilot.pause()
        await pilot.press(*"1x2")
        assert app.screen.query_one(Input).value == "12"


@pytest.mark.parametrize("size", [(60, 20), (80, 24), (200, 50), (30, 8)])
async def test_resizing_redraws(size: tuple[int, int]) -> None:
    app, _, _ = app_with(sample.calm())
    async with app.run_test(size=(120, 40)) as pilot:
        await pilot.resize_terminal(*size)
        await pilot.pause()
        app.tick()
        canvas = app.screen_stack[0].query_one(Face).shown
        assert canvas is not None
        assert (canvas.width, canvas.height) == size


def _sentence(make: Callable[[], BaseException]) -> str:
    return sentence_of(make())


def test_errors_become_one_sentence() -> None:
    assert _sentence(lambda: ValueError("no broker at host 1.2.3.4")) == "no broker at host 1.2.3.4"
    assert _sentence(lambda: ExceptionGroup("tasks", [OSError("disk full")])) == "disk full"
    assert _sentence(KeyError) == "KeyError"


def test_a_monitor_that_fails_ends_the_app_with_its_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    """`run_app` as the command line calls it, on a terminal that is not there."""
    words = io.StringIO()
    monkeypatch.setattr(sys, "stderr", words)
    real_run = StopmarkApp.run
    monkeypatch.setattr(StopmarkApp, "run", lambda app: real_run(app, headless=True, size=(80, 24)))
    code = run_app(FakeDriver(sample.calm(), fails=RuntimeError("rig/land/hoist/drum: permission denied")))
    assert code == 1
    assert words.getvalue().strip() == "stopmark: rig/land/hoist/drum: permission denied"


@pytest.mark.parametrize(("text", "number"), [("1.5", 1.5), ("1,5", 1.5), ("", None), (".", None)])
def test_typed_numbers(text: str, number: float | None) -> None:
    assert number_of(text) == number


def test_times_of_day_are_found_after_the_start() -> None:
    day = 86_400 * sample.SECOND
    start = sample.T0_NS
    assert time_of_day("20:26:40", start) == start
    assert time_of_day("20:26:39", start) == start + day - sample.SECOND
    assert time_of_day("25:00", start) is None
    assert time_of_day("12", start) is None
    assert time_of_day("²:00", start) is None
