"""Every screen as text: what must be on it at every size, and what no snapshot may do to it."""

import re
from dataclasses import replace
from types import MappingProxyType

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.config.rig_file import shipped_rigs
from monitor.model.alarm import AlarmState, Severity
from monitor.model.reading import Validity, Value
from monitor.model.snapshot import Snapshot
from monitor.presentation.format import SYSTEMS, Units
from monitor.ui.drawing.canvas import Canvas
from monitor.ui.frame.act import rows_of_glyphs
from monitor.ui.frame.banner import TEXT_ROWS
from monitor.ui.history import History
from monitor.ui.page import draw_page, draw_waiting
from monitor.ui.queries import standing
from monitor.ui.screens import SCREENS, ScreenSpec
from monitor.ui.view import ReplayView, ScreenState, View
from tests.ui import arbitrary, sample

SIZES = ((60, 20), (80, 24), (120, 40), (200, 50))
DRIVE = SCREENS[0]
RIG = sample.rig()
EMPTY = History()
FULL = sample.history()
DIMENSIONS = ("length", "speed", "force", "pressure", "temperature", "torque", "current", "fraction", "ratio", "time")


def page(snap: Snapshot, spec: ScreenSpec = DRIVE, size: tuple[int, int] = (80, 24), **changes: object) -> Canvas:
    """A screen of the land rig in SI units."""
    return draw_page(replace(View(snap, RIG, "LIVE"), **changes), spec, *size)  # type: ignore[arg-type]


@pytest.mark.parametrize("size", SIZES, ids=str)
@pytest.mark.parametrize("name", sorted(sample.SAMPLES))
@pytest.mark.parametrize("spec", SCREENS, ids=lambda spec: spec.id)
def test_every_screen_shows_what_must_never_go(spec: ScreenSpec, name: str, size: tuple[int, int]) -> None:
    snap = sample.SAMPLES[name]()
    canvas = page(snap, spec, size, history=FULL)
    text = canvas.text()
    assert "ADVISORY ONLY" in text
    assert "LIVE" in text
    assert "REC" in text
    assert re.search("DATA", text)
    assert canvas.cut == [], canvas.cut
    if snap.alarms and name != "flood":
        head = text.splitlines()[1]
        first = standing(snap)[0]
        assert first.severity.name in head
        assert first.message.split()[0] in head


@pytest.mark.parametrize("size", SIZES, ids=str)
@pytest.mark.parametrize("system", SYSTEMS)
def test_drive_shows_height_speed_and_room_at_every_size(system: str, size: tuple[int, int]) -> None:
    snap, units = sample.calm(), Units(system)  # type: ignore[arg-type]
    figures = page(snap, size=size, units=units).figures
    assert units.number(18.42, "length") in figures
    assert units.number(-0.84, "speed", signed=True) in figures
    assert units.number(16.92, "length") in figures


def test_still_shows_the_room_both_ways() -> None:
    text = page(sample.still()).text()
    assert "ROOM UP" in text
    assert "ROOM DOWN" in text
    assert "STILL" in text


@pytest.mark.parametrize("size", SIZES, ids=str)
def test_unknown_height_is_words_and_no_figure(size: tuple[int, int]) -> None:
    canvas = page(sample.height_unknown(), size=size)
    text = canvas.text()
    assert "HEIGHT UNKNOWN" in text
    assert "SPEED UNKNOWN" in text
    assert "ROOM UNKNOWN" in text
    assert not [figure for figure in canvas.figures if figure.startswith(("18.", "16.", "19."))]
    body = text.splitlines()[1 + TEXT_ROWS + rows_of_glyphs(*size) :]
    assert not re.search("[█▀▄]", "\n".join(line[:15] for line in body)), "no block in the mast"


def test_degraded_height_has_its_figure_the_word_and_the_bound() -> None:
    canvas = page(sample.degraded())
    assert "18.42" in canvas.figures
    assert "DEGRADED ±0.41 m" in canvas.text()


def test_no_stop_is_said_in_words() -> None:
    text = page(sample.danger(), size=(120, 40)).text()
    assert "NO STOP" in text
    assert "no stop" in text


def test_drive_says_how_the_limit_will_be_crossed_and_what_still_helps() -> None:
    text = page(sample.danger(), size=(120, 40)).text()
    assert "0.85 m–NO STOP" in text
    assert "1.31–1.90 m/s" in text
    assert "limit to floor" in text
    assert "KEEP FULLY ON" in text
    narrow = page(sample.danger()).text()
    assert re.search("overrun +NO STOP", narrow)
    assert re.search("passing +1.90 m/s", narrow)
    assert "KEEP ON" in narrow


def test_the_worst_that_is_reached_is_never_cut_away() -> None:
    """A narrow screen said "limit" of a block on its way from the limit to the overtravel device."""
    high = sample.hoisting()
    numbers = {"room_up": 0.3, "cross_margin_up": -0.4, "overrun_least": 0.4, "overrun_most": 1.6, "crossing_speed_least": 0.9,
               "crossing_speed_most": 1.1}  # fmt: skip
    crossing = replace(high, values={**high.values, **{k: Value(v, Validity.VALID) for k, v in numbers.items()}})
    assert "limit to overtravel" in page(crossing, size=(120, 40)).text()
    assert re.search(r"reaches +overtravel", page(crossing).text())
    for size in ((60, 20), (80, 24)):
        assert re.search(r"overrun +(0.40–)?1.60 m", page(crossing, size=size).text())


def test_nothing_that_a_guided_check_brings_about_is_red_on_drive() -> None:
    high = sample.hoisting()
    numbers = {"room_up": -0.1, "margin_up": -0.6, "fully_margin_up": -0.3, "cross_margin_up": -0.2, "overrun_least": 0.2,
               "overrun_most": 0.3, "crossing_speed_least": 0.1, "crossing_speed_most": 0.1, "brake_time_up": 0.0}  # fmt: skip
    values = {**high.values, **{k: Value(v, Validity.VALID) for k, v in numbers.items()}}
    word = sample.alarm(
        "will-cross-up",
        Severity.DANGER,
        "Will cross: upper limit",
        state=AlarmState.SUPPRESSED,
        signal="cross_margin_up",
    )
    text = page(replace(high, values=values, alarms=(replace(word, expected=True),))).text()
    assert "expected while testing" in text
    assert "PAST UPPER" in text  # a fact, in no colour of danger
    assert not [line for line in text.splitlines() if "KEEP" in line or "NOW" in line or "overrun" in line]
    assert "KEEP ON" in page(replace(high, values=values)).text()


def test_no_bar_is_drawn_for_a_number_that_says_nothing() -> None:
    empty = replace(
        sample.calm(), values=sample.values(slack=1.0, holding_ratio=40.0, emergency_ratio=20.0, hook_load=0.0)
    )
    line = next(line for line in page(empty, size=(120, 40)).text().splitlines() if "HOLDING" in line)
    assert "no load to speak of" in line
    full = next(line for line in page(sample.calm(), size=(120, 40)).text().splitlines() if "HOLDING" in line)
    assert full.count("▄") > line.count("▄")


def test_drive_says_when_nothing_but_a_full_brake_stops_short() -> None:
    late = sample.warning()
    values = {**late.values, "fully_margin_down": Value(-0.05, Validity.VALID)}
    assert "FULLY NOW" in page(replace(late, values=values), size=(120, 40)).text()
    assert "◆ FULLY" in page(replace(late, values=values)).text()
    assert "FULLY" not in page(late, size=(120, 40)).text()


def test_calm_is_never_claimed_over_blind_rules() -> None:
    text = page(replace(sample.calm(), blind_rules=2, sensors=sample.sensors(RIG, silent=("lever",)))).text()
    assert "2 rules cannot be judged" in text
    assert "2 rules blind" in text
    early = page(replace(sample.calm(), blind_rules=1)).text()
    assert "No alarm; 1 rule not judged yet" in early
    assert "No alarm\n" not in text + early


def test_frozen_monitor_is_announced_over_every_alarm() -> None:
    text = page(sample.warning(), frozen_s=12.0).text()
    assert "MONITOR STOPPED: nothing new for 12 s" in text


def test_recording_failure_and_bare_rig() -> None:
    text = page(sample.bare()).text()
    assert "RECORDING FAILED" in text
    assert "not fitted" not in text, "equipment that the rig does not have is left out, not listed as missing"


@pytest.mark.parametrize("state", ["still", "warning"])
def test_past_a_limit_is_a_word_and_not_only_a_minus(state: str) -> None:
    snap = sample.SAMPLES[state]()
    past = Value(-0.4, Validity.VALID)
    text = page(replace(snap, values=MappingProxyType({**snap.values, "room_down": past}))).text()
    assert "PAST LOWER" in text
    assert "ROOM DOWN" not in text


def test_markup_and_escapes_are_plain_text() -> None:
    text = page(sample.flood(), size=(120, 40)).text()
    assert "[red]Alarm[/red] number 1" in text
    assert "\x1b" not in text


def test_replay_says_so_with_its_speed() -> None:
    replay = ReplayView(sample.T0_NS, sample.T0_NS + 10**9, sample.T0_NS, 4.0, False)
    assert "REPLAY ×4" in page(sample.calm(), mode="REPLAY", replay=replay).text()
    assert "REPLAY paused" in page(sample.calm(), mode="REPLAY", replay=replace(replay, paused=True)).text()
    assert "SIMULATED" in page(sample.calm(), mode="SIMULATED").text()


def test_too_small_a_window_asks_for_more() -> None:
    text = page(sample.calm(), size=(59, 20)).text()
    assert "Make it 60 by 20" in text
    assert "ADVISORY ONLY" in text


def test_waiting_page_has_no_figures() -> None:
    canvas = draw_waiting(RIG, "LIVE", 80, 24)
    assert "Waiting for the first reading" in canvas.text()
    assert canvas.figures == []


def _hidden_figures(units: Units) -> list[str]:
    """How the number inside INVALID values would look."""
    return [units.number(arbitrary.SENTINEL, dimension) for dimension in DIMENSIONS]  # type: ignore[arg-type]


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(
    snap=arbitrary.snapshots,
    spec=st.sampled_from(SCREENS),
    width=st.integers(60, 220),
    height=st.integers(20, 60),
    system=st.sampled_from(SYSTEMS),
    history=st.sampled_from([EMPTY, FULL]),
    screen_state=st.builds(
        ScreenState,
        chosen=st.text(max_size=3),
        page=st.integers(0, 9),
        cursor_ns=st.sampled_from([0, sample.T0_NS - 42 * sample.SECOND, 1]),
    ),
)
def test_any_snapshot_no_exception_no_cut_figure_no_number_for_invalid(
    snap: Snapshot, spec: ScreenSpec, width: int, height: int, system: str, history: History, screen_state: ScreenState
) -> None:
    units = Units(system)  # type: ignore[arg-type]
    canvas = page(snap, spec, (width, height), units=units, history=history, screen_state=screen_state)
    assert canvas.cut == [], canvas.cut
    assert all(len(row) == width for row in canvas.chars)
    text = canvas.text()
    assert "ADVISORY ONLY" in text
    assert "\x1b" not in text
    for hidden in _hidden_figures(units):
        assert len(hidden) >= 4, "too short to be told from other figures"
        assert hidden not in canvas.figures
        assert not re.search(rf"(?<![\w.,]){re.escape(hidden)}(?![\w.,])", text), hidden
    if spec is DRIVE and snap.value("height").validity >= Validity.INVALID:
        assert "HEIGHT UNKNOWN" in text or "HEIGHT NOT FITTED" in text


@pytest.mark.parametrize("rig", sorted(shipped_rigs()))
@pytest.mark.parametrize("spec", SCREENS, ids=lambda spec: spec.id)
def test_every_shipped_rig_has_every_screen(spec: ScreenSpec, rig: str) -> None:
    canvas = page(sample.warning(), spec, (80, 24), rig=sample.rig(rig), history=FULL)
    assert spec.name in canvas.text()
    assert canvas.cut == []
