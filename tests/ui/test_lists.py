"""Search, filter, order, copy and files: the same on every list, and nothing hidden unnoticed."""

import base64
import os
from dataclasses import replace
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

from monitor.model.alarm import AlarmState, Severity
from monitor.model.stream import ActionKind
from monitor.runtime.facts import RecordingFile, RunFacts
from monitor.ui import key_hints
from monitor.ui.drawing import screen_file
from monitor.ui.help_text import help_text
from monitor.ui.screens import SCREENS
from monitor.ui.view import ScreenState
from monitor.ui.widgets.listing import Row, arranged, first_row
from tests.ui import sample
from tests.ui.drivers import FakeReplay
from tests.ui.walk import Walk, app_with, initials, shown, wait

SIZES = ((60, 20), (80, 24), (120, 40))
LISTS = {"2": "brakes", "3": "alarms", "4": "instruments", "6": "line", "7": "checks", "8": "session"}
HOUR_NS = 3_600 * sample.SECOND
MIDNIGHT_NS = sample.T0_NS // (24 * HOUR_NS) * 24 * HOUR_NS


async def search(pilot: Walk, text: str) -> None:
    await pilot.press("slash")
    await pilot.pause()
    await pilot.press(*("space" if char == " " else char for char in text), "enter")
    await pilot.pause()


def rows(*severities: Severity | None) -> list[Row]:
    return [Row(str(place), f"row {place}", severity) for place, severity in enumerate(severities)]


@pytest.mark.parametrize("size", SIZES, ids=str)
@pytest.mark.parametrize("key", LISTS, ids=LISTS.get)
async def test_every_list_searches_and_says_how_many_it_shows(key: str, size: tuple[int, int]) -> None:
    app, _, _ = app_with(sample.warning())
    async with app.run_test(size=size) as pilot:
        await pilot.press(key)
        before = shown(app)
        shown_always = 1 if key == "7" else 0  # a check that runs is never filtered away
        assert " shown" not in before
        if key != "2" or size[0] >= 80:  # below, the two keys of Brakes fill the row
            assert "/  find" in before.splitlines()[-1]
        await search(pilot, "e no-such-word")
        assert f"{shown_always} of " in shown(app)
        assert shown_always or "Nothing fits. esc shows everything again." in shown(app)
        await pilot.press("escape")
        assert shown(app) == before


@pytest.mark.parametrize("mode", ["LIVE", "REPLAY"])
async def test_instruments_are_found_by_name_filtered_and_sorted(mode: str) -> None:
    replay = FakeReplay() if mode == "REPLAY" else None
    app, driver, _ = app_with(sample.flood(), mode=mode, replay=replay)
    assert driver.held is not None
    total = len(driver.held.sensors)
    async with app.run_test(size=(120, 40)) as pilot:
        await pilot.press("4")
        await search(pilot, "HOOK-load")
        assert f'1 of {total} shown · search "HOOK-load" · esc ends it' in shown(app)
        assert "› hook-load" in shown(app)
        await pilot.press("escape", "f")
        assert f"2 of {total} shown · CAUTION and worse" in shown(app)
        await pilot.press("escape", "b")
        assert f"{total} of {total} shown · by state" in shown(app)
        await pilot.press("b")
        names = [line.split()[0] for line in shown(app).splitlines() if "· good" in line]
        assert len(names) > 3
        assert names == sorted(names)


async def test_a_waiting_danger_is_never_filtered_away_and_the_list_says_so() -> None:
    app, _, _ = app_with(sample.danger())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("3")
        await search(pilot, "circuits")
        assert '2 of 3 shown · search "circuits" · DANGER always · esc ends it' in shown(app)
        assert "◆ DANGER" in shown(app)
        assert "▲ WARNING" in shown(app)


async def test_in_the_smallest_window_the_danger_that_stays_is_seen_and_said() -> None:
    """Failed first: of a list one row high the row after the chosen one was drawn."""
    app, _, _ = app_with(sample.danger())
    async with app.run_test(size=(60, 20)) as pilot:
        await pilot.press("3", "f")
        await search(pilot, "circuits")
        assert "2 of 3 shown · search, filter · DANGER always" in shown(app)
        assert "›◆ DANGER" in shown(app)
        assert "▲ WARNING" in shown(app)


@pytest.mark.parametrize("state", list(AlarmState)[1:])
@pytest.mark.parametrize("active", [True, False])
async def test_which_danger_stays(state: AlarmState, active: bool) -> None:
    base = sample.danger()
    danger = replace(base.alarms[0], state=state, active=active)
    app, _, _ = app_with(replace(base, alarms=(*base.alarms[1:], danger)))
    async with app.run_test(size=(120, 40)) as pilot:
        await pilot.press("3")
        await search(pilot, "circuits")
        stays = active or state in (
            AlarmState.UNACKNOWLEDGED,
            AlarmState.RETURNED,
            AlarmState.LATCHED_UNACKNOWLEDGED,
        )
        assert (f"{1 + stays} of 3 shown" in shown(app)) is True


async def test_no_key_acknowledges_what_is_not_shown() -> None:
    app, driver, clock = app_with(replace(sample.danger(), alarms=sample.danger().alarms[1:]))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("w")
        await initials(pilot)
        await pilot.press("3")
        await search(pilot, "circuits")
        await wait(pilot, clock, 2.0)
        await pilot.press("A")
        assert [act.target for act in driver.acts if act.kind is ActionKind.ACKNOWLEDGE] == ["circuits-unequal"]
        await search(pilot, "no-such-word")
        await wait(pilot, clock, 2.0)
        await pilot.press("a")
        assert "No alarm is chosen." in shown(app)
        await pilot.press("A")
        assert "Those that wait are not shown" in shown(app)
        assert len(driver.acts) == 1


async def test_history_is_searched_and_sorted() -> None:
    app, _, _ = app_with(sample.warning())
    app.history = sample.history()
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("3", "l")
        await search(pilot, "takes only")
        assert '1 of 2 shown · search "takes only"' in shown(app)
        await pilot.press("escape", "b")
        assert "2 of 2 shown · by severity" in shown(app)


async def test_a_session_that_replays_finds_its_rows_and_keeps_its_keys() -> None:
    replay = FakeReplay()
    app, _, _ = app_with(sample.calm(), mode="REPLAY", replay=replay)
    async with app.run_test(size=(60, 20)) as pilot:
        await pilot.press("8")
        await search(pilot, "upper limit")
        assert "1 of " in shown(app)
        assert "upper limit" in shown(app)
        await pilot.press("space")
        assert replay.paused


async def test_a_row_of_brakes_is_found_and_copied() -> None:
    app, _, _ = app_with(sample.danger())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("2")
        await search(pilot, "circuit 2")
        assert 'shown · search "circuit 2"' in shown(app)
        await pilot.press("y")
        assert app.clipboard.startswith(("SERVICE BRAKE: circuit 2", "HOLDING: service"))
        assert "\n" not in app.clipboard


async def test_a_row_is_copied_as_text(monkeypatch: pytest.MonkeyPatch) -> None:
    app, _, _ = app_with(sample.flood())
    async with app.run_test(size=(80, 24)) as pilot:
        written: list[str] = []
        assert app._driver is not None
        monkeypatch.setattr(app._driver, "write", written.append)
        await pilot.press("3", "down", "y")
        await pilot.pause()
        copied = app.clipboard
        assert "UTC DANGER acknowledged: " in copied
        assert "Alarm[/red] number 1:" in copied
        assert "\x1b" not in copied
        assert "Copied: 2026-05-28" in shown(app)
        osc = "\x1b]52;c;" + base64.b64encode(copied.encode()).decode()
        assert any(osc in text for text in written)
        await pilot.press("1")
        drive = shown(app).splitlines()[:-1]
        await pilot.press("y")
        assert app.clipboard.splitlines()[1:-1] == drive[1:]
        assert "Screen copied as text." in shown(app)


async def test_the_screen_is_written_to_files_whose_name_is_shown(tmp_path: Path) -> None:
    facts = RunFacts(recording=RecordingFile("a.stopmark", 1, str(tmp_path), None))
    app, _, _ = app_with(sample.warning(), run_facts=facts)
    async with app.run_test(size=(60, 20)) as pilot:
        await pilot.press("3")
        text = shown(app)
        await pilot.press("p")
        await pilot.pause()
        assert "stopmark-alarms-20260528-202640.svg and .txt" in shown(app)
        await pilot.press("p")
    stem = "stopmark-alarms-20260528-202640"
    names = set(os.listdir(tmp_path))
    assert names == {f"{stem}{number}.{kind}" for number in ("", "-2") for kind in ("svg", "txt")}
    assert (tmp_path / f"{stem}.txt").read_text(encoding="utf-8") == text + "\n"
    assert ElementTree.parse(tmp_path / f"{stem}.svg").getroot().tag.endswith("svg")


def test_a_folder_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    told = screen_file.write(str(tmp_path / "none"), "x", "<svg/>", "text")
    assert told == f"Not written to {tmp_path / 'none'}: No such file or directory."


async def test_in_a_browser_the_files_are_downloads(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.chdir(tmp_path)
    app, _, _ = app_with(sample.warning())
    sent: dict[str, str] = {}

    def deliver(content: Any, *, save_filename: str) -> None:
        sent[save_filename] = content.read()

    monkeypatch.setattr(type(app), "is_web", property(lambda _: True))
    monkeypatch.setattr(app, "deliver_text", deliver)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("p")
        assert "Sent to the browser" in shown(app)
    assert sorted(sent) == [f"stopmark-drive-20260528-202640.{kind}" for kind in ("svg", "txt")]
    assert "BRAKE NOW" in sent["stopmark-drive-20260528-202640.txt"]
    assert not os.listdir(tmp_path)


@pytest.mark.parametrize("replaying", [False, True])
def test_no_key_has_two_meanings_and_all_are_in_the_help(replaying: bool) -> None:
    common = {"y", "p"}
    for spec in SCREENS:
        own = [key.key for key in spec.keys]
        assert len(set(own)) == len(own), spec.name
        assert not common & set(own), spec.name
        keys = {key.key for key in key_hints.keys_of(spec, replaying)}
        listed = spec.key in LISTS or spec.name == "Tour"  # which is one page, and is searched and filtered like a list
        wanted = common | ({"slash", "f", "escape"} if listed else set())
        assert wanted <= keys, spec.name
        text = help_text(SCREENS, spec, replay=replaying)
        assert ("  /         search" in text) is listed, spec.name
        assert "  p         write the screen to a file" in text


def test_filter_steps_and_their_words() -> None:
    listed = rows(None, Severity.CAUTION, Severity.WARNING, Severity.DANGER)
    counts = [len(arranged(listed, ScreenState(least=step)).ids) for step in range(5)]
    assert counts == [4, 3, 2, 1, 4]
    assert arranged(listed, ScreenState()).words == ()
    assert arranged(listed, ScreenState(least=3)).words[0] == "1 of 4 shown · DANGER · esc ends it"


@pytest.mark.parametrize(
    ("term", "hours"),
    [("02:00-03:00", [2, 3]), ("02:00:00-02:00:00", [2]), ("22:00-01:00", [0, 1, 22, 23]), ("2-3", [])],
)
def test_a_search_by_time_of_day(term: str, hours: list[int]) -> None:
    listed = [Row(str(hour), "row", t_ns=MIDNIGHT_NS + hour * HOUR_NS) for hour in range(24)]
    found = arranged([*listed, Row("no time", "row")], ScreenState(search=term))
    assert [int(id) for id in found.ids] == hours


def test_sorting_is_stable_and_keeps_danger_on_top() -> None:
    listed = [Row("a", "", order=("z",)), Row("b", "", order=("y",)), Row("c", "", order=("z",), kept=True)]
    assert arranged(listed, ScreenState(column=1), ("name",)).ids == ("c", "b", "a")
    assert arranged(listed, ScreenState(column=2), ("name",)).ids == ("a", "b", "c")


@pytest.mark.parametrize("below", [0, 1])
@pytest.mark.parametrize("rows", [1, 2, 5, 9])
def test_the_chosen_entry_is_seen_and_no_row_is_left_empty(rows: int, below: int) -> None:
    for chosen in range(7):
        first = first_row(chosen, 7, rows, below)
        shown_places = range(first, min(7, first + rows))
        assert chosen in shown_places
        assert len(shown_places) == min(7, rows)
        assert rows == 1 or min(6, chosen + below) in shown_places
