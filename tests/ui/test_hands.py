"""Keys and mouse: hints that are right and reachable, and everything by either hand."""

from typing import Any

import pytest
from textual import events
from textual.containers import Vertical
from textual.widgets import Static

from monitor.model.stream import ActionKind
from monitor.ui.app import StopmarkApp
from monitor.ui.dialogs import Ask, Help
from monitor.ui.drawing.canvas_widget import CanvasWidget
from monitor.ui.help_text import help_text, key_in
from monitor.ui.key_hints import key_at, keys_of
from monitor.ui.screens import SCREENS, ScreenSpec
from tests.ui import sample
from tests.ui.drivers import FakeReplay
from tests.ui.walk import Walk, app_with, initials, shown, wait

REPLAY = {"mode": "REPLAY"}


def foot(app: StopmarkApp) -> str:
    return shown(app).splitlines()[-1]


def replaying(**changes: Any) -> tuple[StopmarkApp, FakeReplay]:
    replay = FakeReplay(**changes)
    app, _, _ = app_with(sample.warning(), mode="REPLAY", replay=replay)
    return app, replay


@pytest.mark.parametrize("size", [(60, 20), (80, 24), (120, 40)], ids=str)
async def test_every_screen_says_how_to_leave_it_and_how_to_get_help(size: tuple[int, int]) -> None:
    app, _, _ = app_with(sample.warning())
    async with app.run_test(size=size) as pilot:
        for spec in SCREENS:
            await pilot.press(spec.key)
            assert "1-9  screens" in foot(app), spec.name
            assert "?  help" in foot(app), spec.name


async def test_live_hints_name_no_replay_key_and_replay_hints_no_crew_key() -> None:
    app, _, _ = app_with(sample.warning())
    async with app.run_test(size=(120, 40)) as pilot:
        await pilot.press("8")
        assert "pause" not in foot(app)
        assert "a  acknowledge" in foot(app)
    app, _ = replaying()
    async with app.run_test(size=(120, 40)) as pilot:
        for spec in SCREENS:
            await pilot.press(spec.key)
            assert "space  pause" in foot(app), spec.name
            assert not any(word in foot(app) for word in ("acknowledge", "silence", "start", "set height", "shelve"))


@pytest.mark.parametrize("spec", SCREENS, ids=lambda spec: spec.id)
async def test_a_replay_is_paused_and_moved_on_every_screen(spec: Any) -> None:
    app, replay = replaying()
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press(spec.key, "space")
        assert replay.paused
        await pilot.press("]", ">")
        assert replay.position_ns == sample.T0_NS + 30 * sample.SECOND
        assert replay.speed == 2.0


def test_help_sets_a_key_beside_its_meaning() -> None:
    lines = help_text(SCREENS, SCREENS[0]).splitlines()
    assert "  n         write a note into the record" in lines
    assert "  will cross" in lines  # too long to stand beside it
    assert any("ease ─▶ brake now ─▶ brake fully now ─▶ will cross" in line for line in lines)


def test_help_of_a_replay_lists_its_keys_on_every_screen() -> None:
    assert "pause or go on" in help_text(SCREENS, SCREENS[0], replay=True)
    assert "pause or go on" not in help_text(SCREENS, SCREENS[0])


async def test_no_command_of_the_palette_is_nameless() -> None:
    app, _, _ = app_with(sample.warning())
    async with app.run_test(size=(80, 24)) as pilot:
        for spec in SCREENS:
            await pilot.press(spec.key)
            assert all(command.title.strip() and command.help for command in app.get_system_commands(app.screen))


async def click(pilot: Walk, word: str, along: int = 0, row: int | None = None) -> None:
    """Click on a word of the screen, `along` columns from its start; on the last line that has it."""
    app = pilot.app
    assert isinstance(app, StopmarkApp)
    lines = shown(app).splitlines()
    y = row if row is not None else max(at for at, line in enumerate(lines) if word in line)
    await pilot.click(offset=(lines[y].index(word) + along, y))
    await pilot.pause()


async def test_hints_can_be_clicked() -> None:
    app, driver, clock = app_with(sample.warning())
    async with app.run_test(size=(200, 50)) as pilot:
        await click(pilot, " Brakes ")
        assert app.spec.name == "Brakes"
        before = app.units
        await click(pilot, "units")
        assert app.units != before
        await wait(pilot, clock, 5.0)
        await click(pilot, "acknowledge ")
        await initials(pilot)
        assert [act.kind for act in driver.acts] == [ActionKind.ACKNOWLEDGE]
        await wait(pilot, clock, 5.0)
        await click(pilot, "help")
        assert isinstance(app.screen, Help)
        await pilot.click(offset=(100, 2))
        await pilot.pause()
        assert not isinstance(app.screen, Help)


async def test_one_hint_for_all_screens_goes_on_to_the_next() -> None:
    app, _, _ = app_with(sample.warning())
    async with app.run_test(size=(80, 24)) as pilot:
        for spec in (*SCREENS[1:], SCREENS[0]):
            await click(pilot, "screens")
            assert app.spec is spec


async def test_both_halves_of_a_double_key_can_be_clicked() -> None:
    app, replay = replaying()
    async with app.run_test(size=(120, 40)) as pilot:
        await click(pilot, "<>")
        assert replay.speed == 0.5
        await wait_for_hints(pilot)
        await click(pilot, "<>", along=1)
        assert replay.speed == 1.0


async def wait_for_hints(pilot: Walk) -> None:
    app = pilot.app
    assert isinstance(app, StopmarkApp)
    app.clock.now_s += 5.0  # type: ignore[attr-defined]
    app.tick()
    await pilot.pause()


async def wheel(
    pilot: Walk, kind: type[events.MouseScrollDown | events.MouseScrollUp], x: int = 10, y: int = 12
) -> None:
    """Turn the wheel over that cell."""
    app = pilot.app
    app.post_message(
        kind(
            None, x=x, y=y, delta_x=0, delta_y=0, button=0, shift=False, meta=False, ctrl=False, screen_x=x, screen_y=y
        )
    )
    await pilot.pause()


async def test_rows_are_chosen_by_click_and_wheel() -> None:
    app, _, _ = app_with(sample.warning())
    async with app.run_test(size=(80, 24)) as pilot:
        for key, word, chosen in (("3", "CAUTION ", "aux-share-low"), ("4", "hook-load ", "hook-load")):
            await pilot.press(key)
            await click(pilot, word)
            assert app.screen_state().chosen == chosen
        await pilot.press("7")
        await click(pilot, "Pressure leak-down")
        assert app.screen_state().chosen == "pressure-leak-down"
        await pilot.press("3", "home")
        await wheel(pilot, events.MouseScrollDown)
        assert app.screen_state().chosen == "aux-share-low"
        await wheel(pilot, events.MouseScrollUp)
        assert app.screen_state().chosen == "lower-limit-brake-now"


async def test_a_click_on_the_banner_opens_the_alarms_and_does_nothing_else() -> None:
    app, driver, clock = app_with(sample.warning())
    async with app.run_test(size=(80, 24)) as pilot:
        await wait(pilot, clock, 1.2)
        await click(pilot, "BRAKE NOW", row=1)
        assert app.spec.name == "Alarms"
        assert driver.acts == []


async def test_no_click_reaches_through_a_question() -> None:
    app, _, _ = app_with(sample.still())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("w")
        await pilot.pause()
        assert isinstance(app.screen, Ask)
        await click(pilot, "units")
        assert isinstance(app.screen, Ask)
        assert app.units.system == "field"


async def test_the_list_of_commands_gives_way_to_a_new_warning() -> None:
    """It dims the banner and covers the height."""
    app, driver, _ = app_with(sample.calm())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("ctrl+p")
        await pilot.pause()
        assert len(app.screen_stack) == 2
        driver.held = sample.warning()
        app.tick()
        await pilot.pause()
        assert len(app.screen_stack) == 1


async def test_a_question_stays_when_a_warning_comes_and_leaves_banner_and_figures_in_sight() -> None:
    app, driver, _ = app_with(sample.still())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("n")
        await initials(pilot)
        await pilot.press(*"the pads")
        driver.held = sample.warning()
        app.tick()
        await pilot.pause()
        assert isinstance(app.screen, Ask)
        assert app.screen.query_one(Vertical).region.y > 12


@pytest.mark.parametrize("key", ["w", "a", "s"])
async def test_a_replay_asks_for_no_initials(key: str) -> None:
    app, _ = replaying()
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press(key)
        await pilot.pause()
        assert not isinstance(app.screen, Ask)
        assert "This is a replay" in shown(app)


async def test_quitting_a_replay_ends_no_watch() -> None:
    app, _ = replaying()
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("q")
        assert "Press q again to leave the replay." in shown(app)
        assert "watching" not in shown(app)


@pytest.mark.parametrize("key", ["q", "ctrl+q", "ctrl+c"])
async def test_no_single_key_ends_the_monitor(key: str) -> None:
    app, _, _ = app_with(sample.calm())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press(key)
        await pilot.pause()
        assert app.is_running
        assert app.return_code is None
        assert "Press q again to stop the monitor" in shown(app)
        await pilot.press(key)
        await pilot.pause()
    assert app.return_code == 0


async def test_no_key_ends_the_monitor_from_within_a_question() -> None:
    app, _, _ = app_with(sample.still())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("w")
        await pilot.pause()
        await pilot.press("ctrl+q")
        await pilot.pause()
        assert app.return_code is None
        assert isinstance(app.screen, Ask)


async def test_the_page_before_the_first_reading_knows_its_keys() -> None:
    app, _, _ = app_with(None)
    async with app.run_test(size=(60, 20)) as pilot:
        assert "q  quit" in foot(app)
        await pilot.press("q")
        assert "Press q again" in foot(app)


@pytest.mark.parametrize("size", [(60, 20), (120, 40)], ids=str)
@pytest.mark.parametrize("spec", SCREENS, ids=lambda spec: spec.name)
async def test_the_mouse_alone_reaches_every_key(spec: ScreenSpec, size: tuple[int, int]) -> None:
    """By the footer's hints, or by the lines of the help page, which has a hint at every size."""
    app, _, _ = app_with(sample.still())
    async with app.run_test(size=size) as pilot:
        await pilot.press(spec.key)
        canvas = app.query_one(CanvasWidget).shown
        assert canvas is not None
        assert [spot for spot in canvas.spots if spot.kind == "key" and spot.id == "?"]
        lines = help_text(SCREENS, spec).splitlines()
        keys = keys_of(spec, replaying=False)
        reached = {key_in(line, 2 + place) for line in lines if line.startswith("  ") for place in range(2)}
        for key in keys:
            if key.fits(replaying=False):
                assert any(key_at(keys, *found) is key for found in reached), key.key
        assert {other.key for other in SCREENS} <= {printed for printed, _ in reached}


async def test_a_click_on_a_line_of_the_help_page_is_its_key() -> None:
    app, _, _ = app_with(sample.still())
    async with app.run_test(size=(120, 40)) as pilot:
        before = app.units.system
        await pilot.press("question_mark")
        await pilot.pause()
        static = app.screen.query_one(Static)
        line = next(
            y for y, row in enumerate(help_text(SCREENS, SCREENS[0], 79).splitlines()) if row.startswith("  u ")
        )
        await pilot.click(offset=(static.region.x + 2, static.region.y + line))
        await pilot.pause()
        assert not isinstance(app.screen, Help)
        assert app.units.system != before
