"""The word to act on: there for every warning, the most urgent first, with direction and room, legible from four metres."""

import math
from dataclasses import replace

import pytest

from monitor.config.rules_file import default_rules_path, load_rules
from monitor.core.signals.table import SIGNAL_NAMES
from monitor.model.alarm import AlarmState, Severity
from monitor.presentation.format import SYSTEMS, Units
from monitor.ui.acts import ACTS
from monitor.ui.drawing import digits
from monitor.ui.drawing.canvas import Canvas
from monitor.ui.drawing.theme import THEMES, palette
from monitor.ui.frame.act import rows_of_glyphs
from monitor.ui.queries import standing
from monitor.ui.screens import SCREENS
from monitor.ui.view import ScreenState
from tests.ui import sample
from tests.ui.pages import RIG, SIZES, page

SCREEN_MM = 24 * 25.4 * 9 / math.hypot(16, 9)
"""Height of a screen of 24 inches, 16 to 9."""
DISTANCE_MM = 4000.0


def strip(canvas: Canvas) -> list[str]:
    """The rows that the word stands in."""
    glyphs = rows_of_glyphs(canvas.width, canvas.height)
    return ["".join(row) for row in canvas.chars[2 : 2 + glyphs]]


def starts_with(canvas: Canvas, word: str) -> bool:
    """Whether the strip begins with that word, as large as its rows allow."""
    rows = strip(canvas)
    size = next(size for size in (3, 2, 1) if digits.rows_of(size) <= len(rows))
    drawn = digits.large(word, size)
    assert drawn is not None
    left = min(len(row) - len(row.lstrip()) for row in rows if row.strip())
    return all(row[left:].startswith(line.rstrip()) for row, line in zip(rows, drawn, strict=True))


def test_every_shipped_rule_that_warns_has_a_word() -> None:
    rules = load_rules(default_rules_path(), RIG, SIGNAL_NAMES).rules
    assert {rule.signal for rule in rules if rule.severity >= Severity.WARNING} == set(ACTS)


@pytest.mark.parametrize("signal", [*ACTS, "another_signal"])
@pytest.mark.parametrize("size", [*SIZES, (200, 60)], ids=str)
def test_every_word_is_drawn_whole_at_every_size(size: tuple[int, int], signal: str) -> None:
    alarm = sample.alarm("x", Severity.WARNING, "Something", "Look.", signal=signal)
    for system in SYSTEMS:
        canvas = page(replace(sample.calm(), alarms=(alarm,)), size=size, units=Units(system))
        act = ACTS.get(signal)
        words = (act.word, act.short) if act else ("WARNING",)
        assert any(starts_with(canvas, word) for word in words if word)
        assert canvas.cut == []


@pytest.mark.parametrize(
    ("width", "height"), [(60, 20), (80, 24), (100, 30), (113, 32), (120, 40), (180, 50), (200, 60)]
)
def test_the_word_is_legible_from_four_metres(width: int, height: int) -> None:
    """At least the 20 minutes of arc that ISO 9241-303 prefers, by the formula of NUREG-0700."""
    rows = strip(page(sample.warning(), size=(width, height)))
    left = min(len(row) - len(row.lstrip()) for row in rows if row.strip())
    drawn = sum({"█": 1.0, "▀": 0.5, "▄": 0.5}.get(row[left], 0.0) for row in rows)  # the stroke of the B
    minutes = drawn * SCREEN_MM / height * 21600 / (6.283 * DISTANCE_MM)
    assert minutes >= 20.0


@pytest.mark.parametrize("signal", ["fully_margin_down", "cross_margin_down", "margin_down"])
@pytest.mark.parametrize("size", [*SIZES, (200, 60)], ids=str)
def test_a_room_below_zero_is_drawn_whole(size: tuple[int, int], signal: str) -> None:
    alarm = sample.alarm("x", Severity.DANGER, "Something", "Look.", signal=signal)
    canvas = page(replace(sample.warning(), alarms=(alarm,), values=sample.values(room_down=-1.34)), size=size)
    rows = strip(canvas)
    drawn = digits.large("−1.3", next(size for size in (3, 2, 1) if digits.rows_of(size) <= len(rows)))
    assert drawn is not None
    assert all(line.rstrip() in row for row, line in zip(rows, drawn, strict=True))
    assert any(starts_with(canvas, word) for word in (ACTS[signal].word, ACTS[signal].short) if word)


@pytest.mark.parametrize("size", SIZES, ids=str)
def test_direction_and_room_stand_beside_the_word(size: tuple[int, int]) -> None:
    down, up = sample.warning(), replace(
        sample.hoisting(), values=sample.values(room_up=0.84),
        alarms=(sample.alarm("up", Severity.WARNING, "Brake now: upper limit", signal="margin_up"),),
    )  # fmt: skip
    one, other = page(down, size=size), page(up, size=size)
    assert "2.8" in one.figures
    assert "0.8" in other.figures
    assert ("▼" if size[0] > 60 else "↓") in one.figures
    assert ("▲" if size[0] > 60 else "↑") in other.figures
    unknown = replace(down, values={**down.values, "room_down": sample.UNKNOWN})
    assert "2.8" not in page(unknown, size=size).figures


def test_the_most_urgent_of_the_worst_comes_first_and_the_banner_tells_of_it() -> None:
    snap = sample.brake_lost()
    assert [alarm.signal for alarm in standing(snap)] == ["service_brake_lost", "fully_margin_down"]
    canvas = page(snap)
    assert "No service brake left" in canvas.text().splitlines()[1]
    assert starts_with(canvas, "NO BRAKE")
    worse = sample.alarm("oil", Severity.WARNING, "Accumulator pressure low", signal="accumulator_margin")
    assert standing(replace(snap, alarms=(worse, *snap.alarms)))[-1] is worse
    gone = replace(snap.alarms[1], state=AlarmState.RETURNED, active=False)
    assert standing(replace(snap, alarms=(gone, worse)))[0] is worse, "what is gone asks for nothing"


@pytest.mark.parametrize("spec", SCREENS, ids=lambda spec: spec.id)
@pytest.mark.parametrize("size", SIZES, ids=str)
def test_a_lost_service_brake_is_said_by_the_whole_screen(spec: object, size: tuple[int, int]) -> None:
    canvas = page(sample.brake_lost(), spec, size)  # type: ignore[arg-type]
    red = [[role == "fill_danger" for role in row] for row in canvas.roles]
    assert all(red[0]), "the top bar"
    assert all(red[-2]), "the line of the data"
    below = 1 + 3 + rows_of_glyphs(*size)
    assert all(row[0] and row[-1] for row in red[below:-1]), "both sides"
    assert all(row[0] and row[-1] for row in red[1:-1]), "no gap beside the banner"
    assert sum(map(sum, red)) > 0.15 * size[0] * size[1]
    assert starts_with(canvas, "NO BRAKE")
    calm = page(sample.calm(), spec, size)  # type: ignore[arg-type]
    assert not any(role == "fill_danger" for row in calm.roles for role in row)


@pytest.mark.parametrize("spec", SCREENS, ids=lambda spec: spec.id)
def test_oil_on_its_way_to_the_caliper_is_no_lost_brake(spec: object) -> None:
    """Every quick pull of the lever is ahead of the oil: the screen waits as long as the alarm does."""
    lost = sample.brake_lost()
    on_its_way = replace(lost, alarms=tuple(alarm for alarm in lost.alarms if alarm.signal != "service_brake_lost"))
    canvas = page(on_its_way, spec)  # type: ignore[arg-type]
    assert not all(role == "fill_danger" for role in canvas.roles[0])
    assert not any(row[-1] == "fill_danger" for row in canvas.roles[-6:])


def test_drive_and_brakes_say_what_is_lost() -> None:
    for spec in SCREENS[:2]:
        canvas = page(sample.brake_lost(), spec)
        rows = canvas.text().splitlines()
        y = next(y for y, row in enumerate(rows) if "◆ 0.00 ×" in row)
        assert canvas.roles[y][rows[y].index("◆")] == "danger"


def test_the_words_stand_out_in_every_theme() -> None:
    for theme in THEMES:
        for depth in ("full", "sixteen", "none"):
            look = palette(theme, depth)  # type: ignore[arg-type]
            assert look["fill_danger"] != look["base"]
            assert look["fill_warning"] != look["base"]


def test_a_stopped_monitor_says_to_watch_the_block() -> None:
    assert starts_with(page(sample.calm(), frozen_s=12.0), "WATCH BLOCK")


def test_initials_are_shown_while_they_count() -> None:
    for spec in SCREENS:
        assert "by KR" in page(sample.calm(), spec, who="KR").text().splitlines()[0]
        assert " by " not in page(sample.calm(), spec).text().splitlines()[0]


def test_a_failed_check_says_where_to_look_next() -> None:
    failed = sample.checks()[2]
    text = " ".join(page(replace(sample.still(), checks=(failed,)), SCREENS[6], (120, 40)).text().split())
    assert "Next: look for oil at hoses and calipers" in text


def test_work_of_the_line_is_in_the_units_of_the_screen_first() -> None:
    for system, first in (("field", "ton-miles"), ("si", "MJ")):
        rows = page(sample.still(), SCREENS[5], units=Units(system)).text().splitlines()  # type: ignore[arg-type]
        assert first in next(row for row in rows if "since start" in row)


@pytest.mark.parametrize("size", [(60, 20), (80, 24)], ids=str)
def test_brakes_is_paged_by_whole_sections(size: tuple[int, int]) -> None:
    """No title without its rows, and every row on some page."""
    titles: list[str] = []
    places = page(sample.still(), SCREENS[1], size).places
    assert len(places) > 1
    for chosen in places:
        canvas = page(sample.still(), SCREENS[1], size, screen_state=ScreenState(chosen=chosen))
        rows = canvas.text().splitlines()[7:-1]
        for title in (
            "HOLDING",
            "SERVICE BRAKE",
            "HOW IT BRAKES",
            "HYDRAULICS",
            "AUXILIARY BRAKE",
            "HEAT",
            "OVERTRAVEL DEVICE",
        ):
            for y, row in enumerate(rows):
                if f"{title} ─" in row:
                    titles.append(title)
                    assert rows[y + 1][row.index(title) :].strip()
        assert canvas.cut == []
    assert len(set(titles)) == 7
