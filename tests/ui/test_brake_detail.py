"""The chosen row of Brakes: verdict, causes, where to look first, its check; by keys and by mouse."""

from dataclasses import replace
from types import MappingProxyType

import pytest

from monitor.config.rig_file import find_rig
from monitor.core.checks.guided_checks import Checks
from monitor.language import tr
from monitor.model.reading import UNKNOWN
from monitor.model.snapshot import Snapshot
from monitor.presentation.brake_causes import ROWS, judge, ranked
from monitor.presentation.format import Units
from monitor.ui.screens import SCREENS
from monitor.ui.view import ScreenState
from simulators.scenario.scenario import find_scenario
from tests.language.catalogues import language
from tests.ui import sample
from tests.ui.drivers import FakeReplay
from tests.ui.pages import page
from tests.ui.test_hands import click
from tests.ui.test_places import walked
from tests.ui.walk import app_with, shown

BRAKES = SCREENS[1]
SIZES = ((60, 20), (80, 24), (120, 40), (200, 60))


def with_checks(snap: Snapshot) -> Snapshot:
    return replace(snap, checks=Checks(sample.rig()).views())


def detail(snap: Snapshot, name: str, size: tuple[int, int], alone: int = 1, **changes: object) -> str:
    canvas = page(snap, BRAKES, size, screen_state=ScreenState(chosen=name, page=alone), **changes)
    assert canvas.cut == []
    return canvas.text()


def test_every_row_on_the_screen_is_in_the_table() -> None:
    assert set(page(sample.calm(), BRAKES).places) == set(ROWS)


@pytest.mark.parametrize("system", ["si", "field"])
@pytest.mark.parametrize("size", SIZES, ids=str)
@pytest.mark.parametrize("name", ROWS)
def test_every_row_tells_its_verdict_causes_look_and_check_in_full(
    name: str, size: tuple[int, int], system: str
) -> None:
    for snap in (sample.warning(), sample.calm(), replace(sample.calm(), values=MappingProxyType({}))):
        text = detail(with_checks(snap), name, size, units=Units(system))  # type: ignore[arg-type]
        rows = text.splitlines()[7:-1]
        flat = " ".join(" ".join(rows).split())
        assert any(f"{shape} " in flat for shape in "●○△▲?")
        for cause in ROWS[name].causes:
            assert cause.words in flat
        assert f"Look first, by the site's procedure: {ROWS[name].look}" in flat
        assert "g opens its check: " in flat
        # No figure is cut short, and no sentence.
        assert not [row for row in rows[1:] if row.rstrip().endswith("…")]


def test_what_is_not_known_is_said() -> None:
    snap = sample.calm()
    snap = replace(snap, values=MappingProxyType({**snap.values, "accumulator_pressure": UNKNOWN}))
    text = detail(with_checks(snap), "accumulator_pressure", (120, 40))
    assert "? not judged: not known" in text
    assert "not known: accumulator\n" in text.replace(" \n", "\n")


def test_a_figure_and_its_unit_stay_on_one_row() -> None:
    for system in ("si", "field"):
        for name in ROWS:
            for width in (60, 110, 117, 120, 133):
                text = detail(with_checks(sample.warning()), name, (width, 40), alone=0, units=Units(system))  # type: ignore[arg-type]
                rows = [row.partition("│")[2].strip() for row in text.splitlines()[9:-1]]
                assert not [
                    row for row in rows if row.split(" ")[0].rstrip(",;):") in ("%", "A", "bar", "psi", "°C", "°F", "s")
                ]


@pytest.mark.parametrize("code", ["en", "es"])
def test_a_limit_is_told_once_and_a_lost_brake_in_danger(code: str) -> None:
    with language(code):
        at_least = tr("at least")
        assert "◆ 0.00 ×" in page(sample.brake_lost(), BRAKES).text()
        text = detail(sample.brake_lost(), "holding_ratio", (80, 24))
        assert text.count(f"{at_least} 1.50") == 1
        assert f"◆ {tr('holds TOO LITTLE')}" in text
        assert "▲" not in text


def test_what_speaks_for_a_cause_stands_first() -> None:
    rows = [row.strip() for row in detail(with_checks(sample.warning()), "aux_share", (120, 40)).splitlines()]
    first = next(y for y, row in enumerate(rows) if row.startswith("1 "))
    assert rows[first + 1].startswith("for: auxiliary share 41 % (below 50 %)")
    assert "not known: auxiliary brake idle" in rows


def test_the_cursor_starts_on_what_is_wrong() -> None:
    assert page(sample.warning(), BRAKES).places[0] == "aux_share"
    text = page(sample.warning(), BRAKES).text()
    assert "›descent share" in text
    assert "△ took LITTLE" in text
    assert page(sample.calm(), BRAKES).places[0] == "holding_ratio"


@pytest.mark.parametrize(
    ("scenario", "name", "words"),
    [
        ("dragging-caliper", "disc_difference", "a caliper or band drags"),
        ("glazed-pads", "effectiveness", "pads or bands oiled, glazed or worn"),
    ],
)
def test_a_fault_of_the_simulated_rig_is_its_likeliest_cause(scenario: str, name: str, words: str) -> None:
    rig = find_rig(find_scenario(scenario).rig)
    bad = [snap for snap in walked(scenario) if judge(ROWS[name], snap.values, rig) == "bad"]
    first = [ranked(ROWS[name], snap.values, rig)[0].cause.words for snap in bad]
    assert len(first) > 10
    assert first.count(words) >= 0.9 * len(first)


@pytest.mark.parametrize("size", [(60, 20), (80, 24), (120, 40)], ids=str)
async def test_by_keys(size: tuple[int, int]) -> None:
    app, _, _ = app_with(with_checks(sample.calm()))
    async with app.run_test(size=size) as pilot:
        await pilot.press("2", "end")
        assert app.screen_state().chosen == "overtravel_room"
        await pilot.press("home", "down")
        assert app.screen_state().chosen == "emergency_ratio"
        await pilot.press("enter")
        assert "Look first, by the site's procedure: the load against" in " ".join(shown(app).split())
        await pilot.press("down", "down", "down", "down", "down", "down", "down", "g")
        assert app.spec.id == "checks"
        assert app.screen_state().chosen == "pressure-leak-down"


async def test_by_mouse() -> None:
    app, _, _ = app_with(with_checks(sample.warning()))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("2", "home")
        await click(pilot, "effectiveness ")
        assert app.screen_state().chosen == "effectiveness"
        await click(pilot, "causes")
        assert "grips as its file says" in shown(app)
        await click(pilot, "its check")
        assert app.spec.id == "checks"
        assert app.screen_state().chosen == "brake-stops"


async def test_a_rig_without_checks_says_so() -> None:
    app, _, _ = app_with(replace(sample.calm(), checks=()))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("2", "g")
        assert app.spec.id == "brakes"
        assert "no guided check" in shown(app)


async def test_in_a_replay_too() -> None:
    app, _, _ = app_with(with_checks(sample.calm()), mode="REPLAY", replay=FakeReplay())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("2", "enter")
        assert "holds enough" in shown(app)
