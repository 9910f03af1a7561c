"""Widgets as text: large digits, the mast, bars, plots, text fitting, colours."""

import math
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.config.rules_file import default_rules_path, load_rules
from monitor.core.signals.table import SIGNAL_NAMES
from monitor.model.alarm import AlarmState, Severity
from monitor.model.snapshot import HoistState, Limits, Snapshot, StopMarks
from monitor.ui.bell import Bell
from monitor.ui.drawing import digits
from monitor.ui.drawing.canvas import Canvas, printable, words_that_fit, wrapped
from monitor.ui.drawing.canvas_widget import strip
from monitor.ui.drawing.theme import SHAPE, palette
from monitor.ui.frame.banner import banner
from monitor.ui.history import Track
from monitor.ui.view import View
from monitor.ui.widgets import bars, mast, plot
from tests.ui import sample


def test_large_digits() -> None:
    canvas = Canvas(20, 5)
    digits.draw(canvas.area, "4.2", 2)
    assert canvas.text() == "\n".join(
        [
            "██ ██    █████",
            "██ ██       ██",
            "█████    █████",
            "   ██    ██",
            "   ██ ██ █████",
        ]
    )
    assert canvas.figures == ["4.2"]


@given(st.from_regex(r"[+−]?[0-9]{1,4}(\.[0-9]{1,2})?", fullmatch=True), st.sampled_from(digits.SIZES))
def test_every_figure_has_a_large_form_of_the_width_promised(text: str, size: int) -> None:
    rows = digits.large(text, size)
    assert rows is not None
    assert len(rows) == digits.rows_of(size)
    assert max(len(row.rstrip()) for row in rows) <= digits.width_of(text, size) < len(rows[0])


def test_a_figure_too_wide_for_large_is_plain_and_whole() -> None:
    canvas = Canvas(9, 3)
    size = digits.size_that_fits("1234.56", 9, 3)
    digits.draw(canvas.area, "1234.56", size)
    assert canvas.text().strip() == "1234.56"
    assert canvas.cut == []


def test_a_figure_without_room_is_reported() -> None:
    canvas = Canvas(3, 1)
    canvas.area.figure(0, 0, "12.34")
    assert canvas.cut == ["12.34"]
    assert canvas.text() == ""


@given(st.text(max_size=80), st.integers(0, 40))
def test_fitted_words_are_whole_words(text: str, width: int) -> None:
    kept = words_that_fit(text, width).removesuffix("…").split()
    assert kept == printable(text).split()[: len(kept)]


@given(st.text(max_size=120), st.integers(8, 40), st.integers(0, 4))
def test_wrapping_keeps_to_its_rows(text: str, width: int, rows: int) -> None:
    assert len(wrapped(text, width, rows)) <= rows


def test_control_characters_become_visible() -> None:
    assert printable("a\x1b[31mb\u202ec\n") == "a�[31mb�c�"


def drawn_mast(
    snap_height: float, hoist: HoistState = HoistState.STILL, marks: StopMarks | None = None, rows: int = 20
) -> list[str]:
    """The ladder alone, 20 columns wide."""
    snap = replace(sample.still(), hoist=hoist, values=sample.values(height=snap_height))
    if marks is not None:
        snap = replace(snap, marks=marks)
    canvas = Canvas(20, rows)
    mast.draw(canvas.area, View(snap, sample.rig(), "LIVE"))
    return canvas.text().splitlines()


def test_ladder_has_its_limits_in_order() -> None:
    lines = drawn_mast(20.0)
    found = [
        next(index for index, line in enumerate(lines) if figure in line)
        for figure in ("42.00", "37.50", "1.50", "0.00")
    ]
    assert found == sorted(set(found))


@pytest.mark.parametrize("rows", [12, 17, 20, 31, 44])
def test_block_is_never_drawn_on_the_wrong_side_of_a_limit(rows: int) -> None:
    scale = mast.Scale(sample.LIMITS, rows)
    upper, lower = scale.half_row(37.5), scale.half_row(1.5)
    assert 2 <= upper < lower <= 2 * rows - 3
    assert scale.half_row(37.6) <= upper <= scale.half_row(37.4)
    assert scale.half_row(1.6) <= lower <= scale.half_row(1.4)
    heights = [42 - step * 0.1 for step in range(421)]
    assert all(scale.half_row(high) <= scale.half_row(low) for high, low in pairwise(heights))


def test_stop_mark_lies_ahead_of_the_block() -> None:
    marks = StopMarks(expected_m=10.0, assured_up_m=20.0, assured_down_m=6.0, stops=True)
    lines = drawn_mast(20.0, HoistState.LOWERING, marks)
    block = next(index for index, line in enumerate(lines) if "█" in line or "▀" in line)
    expected = next(index for index, line in enumerate(lines) if "◁" in line)
    assured = next(index for index, line in enumerate(lines) if "◀" in line)
    assert block < expected < assured
    assert "▼" in lines[assured]


def test_no_stop_runs_to_the_floor() -> None:
    marks = StopMarks(math.nan, math.nan, math.nan, stops=False)
    lines = drawn_mast(20.0, HoistState.LOWERING, marks)
    assert "▼" in lines[-1]
    assert "no stop" in lines[-1]


def test_limits_out_of_order_draw_no_mast() -> None:
    snap = replace(sample.still(), limits=Limits(0.0, 40.0, 1.0, 42.0))
    canvas = Canvas(20, 20)
    mast.draw(canvas.area, View(snap, sample.rig(), "LIVE"))
    assert canvas.text().strip() == "limits unknown"


def test_bar_fills_and_marks() -> None:
    canvas = Canvas(10, 1)
    bars.level(canvas.area, 0, 0, 10, 0.5, mark=0.0)
    assert canvas.text() == "┃▄▄▄▄─────"
    canvas = Canvas(10, 1)
    bars.level(canvas.area, 0, 0, 10, math.nan)
    assert canvas.text() == "─" * 10


def test_plot_draws_a_rise_and_leaves_gaps() -> None:
    track = Track([-9.0 + i for i in range(10)], [float(i) for i in range(10)], [float(i) for i in range(10)])
    axis = plot.range_of(track)
    assert axis is not None
    canvas = Canvas(10, 4)
    plot.line(canvas.area, track, 9.0, axis)
    rows = canvas.text().splitlines()
    assert rows[-1][0] != " ", "starts at the bottom left"
    assert rows[0].rstrip()[-1] != " "
    assert len(rows[0]) == 10, "ends at the top right"
    hole = Track(track.t_s, [*track.low[:4], math.nan, math.nan, math.nan, *track.low[7:]], track.high)
    canvas = Canvas(10, 4)
    plot.line(canvas.area, hole, 9.0, axis)
    assert any(all(row[x : x + 1] in ("", " ") for row in canvas.text().splitlines()) for x in range(4, 8))


def test_flat_and_unknown_tracks() -> None:
    flat = plot.range_of(Track([0.0], [5.0], [5.0]))
    assert flat is not None
    assert flat.low < 5.0 < flat.high
    assert plot.range_of(Track([0.0], [math.nan], [math.nan])) is None


def test_wide_characters_keep_the_row_aligned() -> None:
    canvas = Canvas(12, 1)
    canvas.area.say(0, 0, "鑽 rig")
    row = strip(canvas, 0, palette("day"))
    assert row.cell_length == 12
    assert canvas.text() == "鑽 rig"


@pytest.mark.parametrize("width", [60, 80, 120])
def test_every_rule_fits_the_banner(width: int) -> None:
    """Message and guidance of each rule, whole, with other alarms waiting behind it."""
    for rule in load_rules(default_rules_path(), sample.rig(), SIGNAL_NAMES).rules:
        alarm = sample.alarm(rule.id, Severity.WARNING, rule.message, rule.guidance)
        snap = replace(sample.still(), alarms=(alarm, *sample.warning().alarms))
        canvas = Canvas(width, 6)
        banner(canvas.area, View(snap, sample.rig(), "LIVE"), 3)
        shown = " ".join(canvas.text().split())
        for word in (*rule.message.split(), *rule.guidance.split()):
            assert word in shown, (rule.id, width, word)
        assert "…" not in shown


def test_night_has_no_white_and_no_blue() -> None:
    for role, style in palette("night").items():
        for color in (style.color, style.bgcolor):
            assert color is not None
            red, green, blue = color.get_truecolor()
            assert blue <= red, role
            assert min(red, green, blue) < 128, role


def test_severities_differ_without_colour() -> None:
    assert len(set(SHAPE.values())) == len(Severity)
    plain = palette("day", "none")
    assert plain["fill_danger"] != plain["fill_caution"]
    assert all(style.color is None and style.bgcolor is None for style in plain.values())


def rung(snap: Snapshot, seconds: float) -> list[float]:
    """When the bell rings, looked at ten times a second."""
    bell = Bell()
    return [tick / 10 for tick in range(round(10 * seconds)) if bell.due(snap, tick / 10)]


def test_bell_rings_in_the_rhythm_of_the_severity() -> None:
    assert rung(sample.danger(), 4.0) == [0.0, 0.3, 0.6, 2.0, 2.3, 2.6]
    assert rung(sample.warning(), 10.0) == [0.0, 0.3, 5.0, 5.3]
    assert rung(sample.degraded(), 60.0) == [0.0]


def test_bell_is_silent_when_told_also_within_a_row() -> None:
    bell = Bell()
    danger = sample.danger()
    assert bell.due(danger, 0.0)
    assert not bell.due(replace(danger, silenced=True), 0.4)
    assert not bell.due(danger, 0.8), "the rest of the row is not rung later"
    assert bell.due(danger, 2.0)
    assert not bell.due(sample.calm(), 2.4)


def test_bell_rings_once_for_caution_never_for_notice_and_not_once_acknowledged() -> None:
    bell = Bell()
    caution = sample.degraded()
    assert bell.due(caution, 0.0)
    assert not bell.due(caution, 60.0)
    notice = replace(caution, alarms=(sample.alarm("note", Severity.NOTICE, "Ease"),))
    assert not bell.due(notice, 61.0)
    seen = replace(caution, alarms=(replace(sample.danger().alarms[0], state=AlarmState.ACKNOWLEDGED),))
    assert not bell.due(seen, 62.0)
