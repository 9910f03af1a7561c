"""The app with a driver that has no monitor behind it: keys, crew actions, themes, units, the end of the loop."""

import io
import sys
from collections.abc import Callable
from dataclasses import dataclass

import pytest
from textual.widgets import Input

from monitor.errors import sentence_of
from monitor.runtime.facts import RecordingFile, RunFacts
from monitor.ui.app import StopmarkApp, run_app
from monitor.ui.dialogs import Help
from monitor.ui.drawing.canvas_widget import CanvasWidget
from monitor.ui.help_text import help_text
from monitor.ui.keys.height_reference import number_of
from monitor.ui.keys.replay_keys import date_and_time, time_of_day
from monitor.ui.screens import SCREENS
from tests.ui import sample
from tests.ui.drivers import FakeDriver, FakeReplay
from tests.ui.walk import Clock, app_with, initials, shown, wait


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
        assert "acknowledged: Auxiliary brake takes only 41 % of the descent" in shown(app)


async def test_help_names_every_key_and_closes_with_any() -> None:
    app, _, _ = app_with(sample.calm())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("3", "question_mark")
        await pilot.pause()
        assert isinstance(app.screen, Help)
        before = app.spec, app.units.system
        for key in ("u", "2", "enter"):
            await pilot.press(key)
            await pilot.pause()
            assert not isinstance(app.screen, Help)
            assert (app.spec, app.units.system) == before, "it closes, and does nothing else"
            await pilot.press("question_mark")
            await pilot.pause()
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


async def test_the_bell_rings_live_and_in_a_replay_only_when_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    for mode, sound, expected in (
        ("LIVE", None, True),
        ("REPLAY", None, False),
        ("REPLAY", True, True),
        ("LIVE", False, False),
    ):
        rung: list[float] = []
        clock = Clock()
        app = StopmarkApp(FakeDriver(sample.danger(), mode=mode), clock=clock, sound=sound)  # type: ignore[arg-type]
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
        canvas = app.screen_stack[0].query_one(CanvasWidget).shown
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


def test_a_date_and_time_to_jump_to() -> None:
    assert date_and_time("2026-01-02 03:04") == 1_767_323_040 * sample.SECOND
    assert date_and_time(" 2026-01-02 03:04:05 ") == 1_767_323_045 * sample.SECOND
    assert date_and_time("99") is None
    assert date_and_time("2026-13-02 03:04") is None


@dataclass
class Recording(FakeDriver):
    """A driver that records, and whose run is over at once."""

    async def run(self) -> None:
        return


@pytest.mark.parametrize("recording", [True, False])
def test_the_end_says_where_the_record_is(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], recording: bool
) -> None:
    real_run = StopmarkApp.run
    monkeypatch.setattr(StopmarkApp, "run", lambda app: real_run(app, headless=True, size=(80, 24)))
    file = RecordingFile("land-1.stopmark", 300_000, "/srv/data", 78_100_000_000) if recording else None
    assert run_app(Recording(sample.calm(), run_facts=RunFacts(recording=file))) == 0
    words = capsys.readouterr().out.strip()
    assert words == ("stopmark: recorded land-1.stopmark, 0.3 MB, in /srv/data, 78.1 GB free" if recording else "")
