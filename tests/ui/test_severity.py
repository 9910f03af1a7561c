"""What a severity looks like, on rendered cells: contrast, told apart by every eye, the same wherever it is shown.

Contrast is that of WCAG 2.1. How a colour looks to a dichromat is simulated by colorspacious (Machado, Oliveira and Fernandes
2009, severity 100), and colours are compared as distances in CAM02-UCS, in which 1 is about what can just be seen side by side.
"""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest
from colorspacious import cspace_convert
from rich.color import Color
from rich.style import Style

from monitor.config.rules_file import default_rules_path, load_rules
from monitor.core.signals.table import SIGNAL_NAMES
from monitor.model.alarm import Severity
from monitor.ui.drawing.canvas import Canvas
from monitor.ui.drawing.canvas_widget import strip
from monitor.ui.drawing.theme import BAR_ROLE, FILL_ROLE, LOOKS, MARK_ROLE, SHAPE, TEXT_ROLE, THEMES, ThemeName, palette
from monitor.ui.screens import SCREENS, checks
from tests.ui import sample
from tests.ui.pages import page
from tests.ui.test_pictures import app_of

EYES = (None, "protanomaly", "deuteranomaly", "tritanomaly")
APART = 7.0
"""Least distance of two severities for any eye."""
STATES = ("calm", "warning", "danger", "lost", "degraded", "flood", "unknown")


def _rgb(color: Color | None) -> tuple[int, int, int]:
    assert color is not None
    return color.get_truecolor()


def luminance(color: Color | None) -> float:
    """Relative luminance after WCAG 2.1."""
    shares = [part / 255 for part in _rgb(color)]
    linear = [share / 12.92 if share <= 0.04045 else ((share + 0.055) / 1.055) ** 2.4 for share in shares]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(style: Style) -> float:
    light, dark = sorted((luminance(style.color), luminance(style.bgcolor)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def seen(color: Color | None, eye: str | None) -> np.ndarray:
    """The colour in CAM02-UCS as that eye sees it."""
    rgb = np.array(_rgb(color)) / 255
    if eye is not None:
        rgb = np.clip(cspace_convert(rgb, {"name": "sRGB1+CVD", "cvd_type": eye, "severity": 100}, "sRGB1"), 0.0, 1.0)
    return np.asarray(cspace_convert(rgb, "sRGB1", "CAM02-UCS"))


def distance(one: Style, other: Style, eye: str | None) -> float:
    """Of two styles: of their grounds or of their inks, whichever lie further apart."""
    return max(
        float(np.linalg.norm(seen(one.bgcolor, eye) - seen(other.bgcolor, eye))),
        float(np.linalg.norm(seen(one.color, eye) - seen(other.color, eye))),
    )


def cells(canvas: Canvas, theme: ThemeName) -> Iterator[tuple[int, str, Style]]:
    """Every cell as it is painted: row, character, style."""
    for y in range(canvas.height):
        for segment in strip(canvas, y, palette(theme)):
            assert segment.style is not None
            for char in segment.text:
                yield y, char, segment.style


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("state", STATES)
def test_every_word_on_every_screen_can_be_read(state: str, theme: ThemeName) -> None:
    """4.5 asks WCAG 2.1 of text; the high-contrast theme has 7. Lines and tracks are no text."""
    quiet = {palette(theme)[role] for role in ("frame", "track")}
    for spec in SCREENS:
        for y, char, style in cells(page(sample.SAMPLES[state](), spec, history=sample.history()), theme):
            if char.isalnum() and style not in quiet:
                assert contrast(style) >= (7.0 if theme == "contrast" else 4.5), (spec.id, y, char, style)


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("severity", list(Severity))
def test_the_banner_has_seven_to_one(severity: Severity, theme: ThemeName) -> None:
    alarm = sample.alarm("x", severity, "Something is wrong", "Look at it.", signal="margin_down")
    canvas = page(replace(sample.calm(), alarms=(alarm,)))
    fill = palette(theme)[FILL_ROLE[severity]]
    painted = {style for y, _, style in cells(canvas, theme) if y == 1}
    assert painted == {fill}
    assert contrast(fill) >= 7.0


@pytest.mark.parametrize("eye", EYES)
@pytest.mark.parametrize("theme", THEMES)
def test_every_eye_tells_the_severities_apart(theme: ThemeName, eye: str | None) -> None:
    look = palette(theme)
    for roles in (TEXT_ROLE, FILL_ROLE, MARK_ROLE):
        for one in Severity:
            for other in Severity:
                if one < other:
                    apart = distance(look[roles[one]], look[roles[other]], eye)
                    assert apart >= APART, (one.name, other.name, round(apart, 1))
        for severity in (Severity.CAUTION, Severity.WARNING, Severity.DANGER):
            assert distance(look[roles[severity]], look["base"], eye) >= APART, severity.name


@pytest.mark.parametrize("theme", THEMES)
def test_bars_are_seen_and_danger_is_no_warning(theme: ThemeName) -> None:
    """WCAG 2.1 asks 3 of graphics. A bar stands beside words that tell its severity; danger and warning differ all the same."""
    look = palette(theme)
    assert all(contrast(look[role]) >= 3.0 for role in BAR_ROLE.values())
    assert contrast(look["bar"]) >= 3.0
    danger, warning = look[BAR_ROLE[Severity.DANGER]], look[BAR_ROLE[Severity.WARNING]]
    assert all(distance(danger, warning, eye) >= 3.0 for eye in EYES)


def test_nothing_of_a_severity_is_left_to_colour() -> None:
    assert len(set(SHAPE.values())) == len(Severity)
    assert len({look.plain for look in LOOKS.values()}) == len(Severity)
    for depth in ("sixteen", "none"):
        for theme in THEMES:
            look = palette(theme, depth)  # type: ignore[arg-type]
            assert len({look[TEXT_ROLE[severity]] for severity in Severity}) == len(Severity)
    assert all(style.color is None and style.bgcolor is None for style in palette("day", "none").values())


@pytest.mark.parametrize("state", ["warning", "danger", "lost"])
def test_room_and_stop_mark_have_the_severity_of_the_banner(state: str) -> None:
    canvas = page(sample.SAMPLES[state](), size=(120, 40))
    severity = Severity.WARNING if state == "warning" else Severity.DANGER
    assert canvas.roles[1][2] == FILL_ROLE[severity]
    used = {role for row in canvas.roles for role in row}
    assert MARK_ROLE[severity] in used
    assert not used & {MARK_ROLE[other] for other in Severity if other is not severity}


@pytest.mark.parametrize("size", [(60, 20), (80, 24), (120, 40)], ids=str)
def test_a_chosen_row_keeps_its_severity(size: tuple[int, int]) -> None:
    canvas = page(sample.danger(), SCREENS[2], size)
    y = next(y for y, row in enumerate(canvas.chars) if "›" in row)
    assert canvas.roles[y][2:10] == ["fill_danger"] * 8
    assert "select" in canvas.roles[y]


async def test_the_list_of_commands_leaves_the_banner_as_it_is() -> None:
    app = app_of(sample.danger())
    async with app.run_test(size=(80, 24)) as pilot:
        before = [strip_of(app, y) for y in range(1, 7)]
        await pilot.press("ctrl+p")
        await pilot.pause()
        assert len(app.screen_stack) > 1
        assert [strip_of(app, y) for y in range(1, 7)] == before


def strip_of(app: object, y: int) -> list[tuple[str, str, str]]:
    """Row `y` of the terminal as painted, whatever lies on top."""
    screen = app.screen  # type: ignore[attr-defined]
    return [
        (segment.text, str(segment.style.color), str(segment.style.bgcolor))
        for segment in screen._compositor.render_strips()[y]
        if segment.style is not None
    ]


SHAPES = {shape: severity for severity, shape in SHAPE.items()}


@pytest.mark.parametrize("state", [*STATES, "still", "hoisting", "bare"])
@pytest.mark.parametrize("size", [(60, 20), (120, 40)], ids=str)
def test_a_shape_before_a_word_is_that_of_the_severity_it_is_drawn_in(state: str, size: tuple[int, int]) -> None:
    """On every screen, and the other way round: nothing else begins with such a shape."""
    looks = [dict(zip(roles.values(), roles, strict=True)) for roles in (TEXT_ROLE, FILL_ROLE, MARK_ROLE)]
    severity_of = {role: severity for look in looks for role, severity in look.items()}
    for spec in SCREENS:
        canvas = page(sample.SAMPLES[state](), spec, size)
        for chars, roles in zip(canvas.chars, canvas.roles, strict=True):
            for x, char in enumerate(chars[:-2]):
                if char in SHAPES and chars[x + 1] == " " and (chars[x + 2].isalnum() or chars[x + 2] == "["):
                    words = "".join(chars[x : x + 20])
                    plain = roles[x] in ("select", "dim")  # the chosen row, and alarms that are set aside
                    assert plain or severity_of.get(roles[x]) is SHAPES[char], (spec.name, words, roles[x])


def test_a_check_that_is_due_looks_as_grave_as_the_rule_that_tells_of_it() -> None:
    catalogue = load_rules(default_rules_path(), sample.rig(), SIGNAL_NAMES)
    due = next(rule for rule in catalogue.rules if rule.id == "overtravel-untested")
    check = next(check for check in sample.checks() if check.due)
    assert checks.state(check) == (f"{SHAPE[due.severity]} DUE", TEXT_ROLE[due.severity])
