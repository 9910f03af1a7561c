"""Trends: axes, limits, alarms on the time axis, gaps, cursor, zoom and pan, and what comes from the record."""

import math
from array import array
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.model.alarm import Severity
from monitor.model.reading import Validity, Value
from monitor.model.snapshot import Snapshot
from monitor.runtime.facts import RunFacts
from monitor.runtime.past import MOST_BINS, Piece, Request
from monitor.runtime.record import Record
from monitor.ui.drawing.canvas import Canvas
from monitor.ui.drawing.theme import MARK_ROLE, SHAPE
from monitor.ui.history import History, Track
from monitor.ui.keys import time_window
from monitor.ui.screens import SCREENS
from monitor.ui.view import ScreenState
from monitor.ui.widgets import plot
from tests.support.recorded import simulated
from tests.ui import sample
from tests.ui.pages import page
from tests.ui.walk import app_with, shown

TRENDS = next(spec for spec in SCREENS if spec.id == "trends")
NOW = sample.T0_NS
S = sample.SECOND
BRAILLE = range(0x2801, 0x2900)


def drawn(history: History, size: tuple[int, int] = (120, 40), **state: object) -> Canvas:
    snap = replace(sample.still(), t_ns=NOW)
    return page(snap, TRENDS, size, history=history, screen_state=ScreenState(**state))  # type: ignore[arg-type]


def fed(numbers: list[tuple[float, dict[str, float]]]) -> History:
    """Seconds before now, and what was known then."""
    history = History()
    for back_s, known in numbers:
        values = {name: Value(number, Validity.VALID) for name, number in known.items()}
        history.feed(replace(sample.still(), t_ns=NOW - round(back_s * S), values=MappingProxyType(values)))
    return history


def dots(canvas: Canvas) -> list[tuple[int, int]]:
    return [
        (x, y)
        for y, row in enumerate(canvas.chars)
        for x, char in enumerate(row)
        if len(char) == 1 and ord(char) in BRAILLE
    ]


def test_noise_at_rest_does_not_fill_the_strip() -> None:
    noise = [(60 - i / 10, {"height": 18.42 + 0.004 * math.sin(7.0 * i)}) for i in range(601)]
    rows = {y for _, y in dots(drawn(fed(noise), span_s=60.0))}
    assert 1 <= len(rows) <= 2
    moved = [(60 - i / 10, {"height": 2.0 + 0.05 * i}) for i in range(601)]
    assert len({y for _, y in dots(drawn(fed(moved), span_s=60.0))}) > 3


def test_an_axis_has_its_least_span_and_never_goes_below_nought_for_nothing() -> None:
    axis = plot.range_of(Track([0.0], [0.02e6], [0.03e6]), least=1e6)
    assert axis is not None
    assert axis.high - axis.low >= 1e6
    assert axis.low >= -0.06e6


def test_limits_are_lines_and_figures() -> None:
    canvas = drawn(fed([(60 - i / 10, {"margin_down": 3.0 - 0.006 * i}) for i in range(601)]), span_s=60.0)
    assert "╌ least 0.00 m" in canvas.text()
    lines = [row for row in canvas.chars if row.count("╌") > 5]
    assert len(lines) == 1


def test_the_stop_mark_has_its_course() -> None:
    going = replace(sample.calm(), t_ns=NOW)
    history = History()
    for i in range(601):
        height = 30.0 - i / 40
        values = {**going.values, "height": Value(height, Validity.VALID), "reach_assured": Value(3.0, Validity.VALID)}
        history.feed(replace(going, t_ns=NOW - (600 - i) * S // 10, values=MappingProxyType(values)))
    mark = history.track("stop_mark", 60.0)
    assert mark.high[-1] == pytest.approx(30.0 - 15.0 - 3.0)
    text = page(going, TRENDS, (120, 40), history=history, screen_state=ScreenState(span_s=60.0)).text()
    assert "stop mark 12.00 m" in text


def test_alarms_stand_on_the_time_axis_and_under_the_cursor() -> None:
    canvas = page(sample.warning(), TRENDS, (120, 40), history=sample.history(), screen_state=ScreenState())
    grave = [
        (x, y)
        for y, row in enumerate(canvas.roles[:-2])
        if y > 30
        for x, role in enumerate(row)
        if role == MARK_ROLE[Severity.WARNING] and canvas.chars[y][x] == SHAPE[Severity.WARNING]
    ]
    assert len(grave) == 1
    raised_ns = sample.history().marks(0, NOW)[-1][0]
    state = ScreenState(cursor_ns=raised_ns)
    text = page(sample.warning(), TRENDS, (120, 40), history=sample.history(), screen_state=state).text()
    assert "▲ BRAKE NOW: the block will reach the lower limit" in text


def test_a_gap_is_a_gap_and_a_single_look_between_jumps_is_no_dot() -> None:
    course = [(300 - i / 5, {"height": 10.0}) for i in range(500)]
    lone = [(150.0, {"height": 25.0})]
    rest = [(60 - i / 5, {"height": 12.0}) for i in range(301)]
    canvas = drawn(fed(course + lone + rest), span_s=300.0)
    columns = {x for x, _ in dots(canvas)}
    width = 118 - 11
    left, right = 1 + width * 101 // 300, 1 + width * 239 // 300
    assert not columns & set(range(left + 1, right))
    assert {min(columns), max(columns)} <= {1, width}


@given(
    st.lists(st.sampled_from(["longer", "shorter", "earlier", "later", "left", "right", "click"]), max_size=30),
    st.floats(0.0, 1.0),
)
def test_the_cursor_never_leaves_the_window_nor_the_window_the_past(moves: list[str], share: float) -> None:
    state = ScreenState()
    for move in moves:
        before = time_window.window(state, NOW)
        at_ns = before.since_ns + round(share * (before.until_ns - before.since_ns))
        match move:
            case "longer" | "shorter":
                state = time_window.zoom(state, NOW, 1 if move == "longer" else -1, at_ns)
            case "earlier" | "later":
                state = time_window.pan(state, NOW, -0.5 if move == "earlier" else 0.5)
            case "left" | "right":
                state = time_window.cursor_by(state, NOW, -1 if move == "left" else 1)
            case _:
                state = time_window.cursor_to(state, NOW, at_ns)
        after = time_window.window(state, NOW)
        assert after.since_ns <= after.cursor_ns <= after.until_ns <= NOW
        assert after.span_s == pytest.approx(state.span_s)


def test_zooming_keeps_the_moment_under_the_pointer_in_its_place() -> None:
    state = ScreenState(span_s=900.0, until_ns=NOW - 3600 * S)
    before = time_window.window(state, NOW)
    at_ns = before.since_ns + 225 * S
    after = time_window.window(time_window.zoom(state, NOW, -1, at_ns), NOW)
    assert (at_ns - after.since_ns) / (after.until_ns - after.since_ns) == pytest.approx(0.25)


async def test_the_mouse_sets_the_cursor_pulls_and_zooms() -> None:
    app, _, _ = app_with(sample.warning())
    app.history = sample.history()
    async with app.run_test(size=(120, 40)) as pilot:
        await pilot.press("5")
        await pilot.click(offset=(40, 20))
        clicked = app.screen_state().cursor_ns
        assert NOW - 240 * S < clicked < NOW - 120 * S
        await pilot.mouse_down(offset=(30, 20))
        await pilot.hover(offset=(60, 20))
        await pilot.mouse_up(offset=(60, 20))
        assert NOW - 120 * S < app.screen_state().until_ns < NOW - 60 * S
        await pilot.press("0", "plus")
        assert app.screen_state().span_s == 900.0
        assert app.screen_state().until_ns == 0


def test_the_record_fills_what_the_screen_has_not_seen() -> None:
    history = fed([(20 - i / 10, {"height": 5.0}) for i in range(201)])
    wanted = history.past_wanted(NOW - 300 * S, NOW)
    assert wanted is not None
    since_ns, until_ns, step_ns = wanted
    assert (since_ns, until_ns) == (NOW - 300 * S, NOW - 20 * S)
    history.request = Request(Record(), ("height",), *wanted)
    assert history.past_wanted(NOW - 300 * S, NOW) is None
    count = -(-(until_ns - since_ns) // step_ns)
    rows = {"height": array("f", [7.0]) * count}
    history.take_past(Piece(since_ns, until_ns, step_ns, rows, rows, ((NOW - 100 * S, Severity.WARNING, "Brake now"),)))
    track = history.track("height", 300.0)
    assert track.t_s[0] == pytest.approx(-300.0, abs=1.0)
    assert track.t_s == sorted(track.t_s)
    assert {*track.high} == {5.0, 7.0}
    assert history.marks(NOW - 300 * S, NOW)[0][2] == "Brake now"
    assert count <= MOST_BINS


def test_what_a_quick_replay_showed_too_seldom_is_read_from_the_record() -> None:
    quick = fed([(300 - 20 * i, {"height": 5.0}) for i in range(16)])
    wanted = quick.past_wanted(NOW - 300 * S, NOW)
    assert wanted is not None
    assert wanted[:2] == (NOW - 300 * S, NOW)
    assert fed([(300 - 2 * i, {"height": 5.0}) for i in range(151)]).past_wanted(NOW - 300 * S, NOW) is None


@pytest.mark.parametrize(("lowest", "drawn_lines"), [(2.0, 2), (15.0, 1), (25.0, 1)])
def test_a_limit_near_the_curve_is_drawn(lowest: float, drawn_lines: int) -> None:
    limits = sample.rig().limits
    course = [(i / 4, {"height": lowest + i * (limits.upper_m - 2.0 - lowest) / 240}) for i in range(241)]
    rows = drawn(fed(course[::-1]), span_s=60.0).text().splitlines()
    top = next(y for y, row in enumerate(rows) if "block height" in row)
    bottom = next(y for y, row in enumerate(rows) if "block speed" in row)
    assert sum("╌ ╌" in row for row in rows[top + 1 : bottom]) == drawn_lines


async def test_now_is_said_of_the_newest_moment_only() -> None:
    app, _, _ = app_with(sample.calm())
    async with app.run_test(size=(120, 40)) as pilot:
        await pilot.press("5")
        assert "(now)" in shown(app)
        await pilot.press("e")
        assert "(now)" not in shown(app)
        assert "ago" in shown(app)


async def test_a_screen_that_just_began_shows_the_record(tmp_path: Path) -> None:
    """By the real child, from a real session."""
    session = simulated(tmp_path / "land-20260101-000000.stopmark", "late-brake-floor", 60.0)
    snap = _end_of(session)
    app, _, _ = app_with(snap, run_facts=RunFacts(record=Record(files=(str(session),))))
    async with app.run_test(size=(120, 40)) as pilot:
        await pilot.press("5")
        for _ in range(3000):
            await pilot.pause(0.1)
            if app.history.pieces and not app.history.reads_past:
                break
        app.tick()
        track = app.history.track("height", 50.0)
        assert sum(math.isfinite(height) for height in track.high) > 100
        assert "reading the record" not in shown(app)


def _end_of(session: Path) -> Snapshot:
    from monitor.adapters.sessions.reader import SessionReader

    with SessionReader(session) as opened:
        return replace(sample.still(), t_ns=opened.end_ns)
