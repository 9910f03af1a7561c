"""What the driller takes from the screen at one look: no figure that is not known, none that runs into another."""

import re
from dataclasses import replace
from itertools import pairwise
from types import MappingProxyType

import pytest

from monitor.core.checks.overtravel import OVERTRAVEL
from monitor.model.check import CheckReading, CheckStepView
from monitor.model.reading import UNKNOWN, Validity, Value
from monitor.model.snapshot import HoistState, Snapshot
from monitor.model.stream import Health
from monitor.presentation.format import System, Units
from monitor.runtime.facts import RecordingFile, RunFacts
from monitor.ui.drawing import digits
from monitor.ui.drawing.canvas import Canvas
from monitor.ui.screens import SCREENS, ScreenSpec
from monitor.ui.view import ReplayView, ScreenState
from tests.ui import sample
from tests.ui.pages import DRIVE, FIGURES, SIZES, never_seen_moving, page, unconnected
from tests.ui.walk import app_with, shown


@pytest.mark.parametrize("size", SIZES, ids=str)
def test_no_speed_is_shown_while_the_motion_is_unknown(size: tuple[int, int]) -> None:
    canvas = page(never_seen_moving(), size=size)
    assert "MOTION UNKNOWN" in canvas.text()
    assert "SPEED UNKNOWN" in canvas.text()
    assert not [figure for figure in canvas.figures if "0.07" in figure]


async def test_trends_keep_no_speed_of_an_unknown_motion() -> None:
    snap = never_seen_moving()
    app, driver, _ = app_with(snap)
    async with app.run_test(size=(120, 40)) as pilot:
        await pilot.press("5", "u")
        driver.held = replace(snap, t_ns=snap.t_ns + sample.SECOND)
        app.tick()
        await pilot.pause()
        assert "block speed  unknown" in shown(app)
        assert "0.07 m/s" not in shown(app)


def test_a_known_motion_keeps_its_degraded_speed() -> None:
    snap = sample.degraded()
    assert snap.hoist is not HoistState.UNKNOWN
    assert "−0.80" in page(snap).figures


def columns_of(canvas: Canvas, word: str) -> int:
    line = next(line for line in canvas.text().splitlines() if word in line)
    return line.index(word)


@pytest.mark.parametrize("size", SIZES, ids=str)
@pytest.mark.parametrize("system", ["si", "field"])
@pytest.mark.parametrize(("height_m", "speed_m_s"), [(38.1, 0.0), (38.1, 0.4), (30.37, -1.42), (30.37, 1.5)])
def test_height_and_speed_are_told_apart(
    size: tuple[int, int], system: System, height_m: float, speed_m_s: float
) -> None:
    """As large as each other, and further apart than the digits of one figure."""
    units, large = Units(system), FIGURES[size]
    snap = replace(sample.calm(), values=sample.values(height=height_m, speed=speed_m_s))
    canvas = page(snap, size=size, units=units)
    start = columns_of(canvas, "HEIGHT") + digits.width_of(units.number(height_m, "length"), large)
    speed = columns_of(canvas, "SPEED")
    gap = digits.width_of("00", large) - 2 * digits.width_of("0", large)
    assert speed - start >= 2 * gap
    assert speed + digits.width_of(units.number(speed_m_s, "speed", signed=True), large) <= size[0]
    assert large_rows(canvas, start - 2) == digits.rows_of(large)


def large_rows(canvas: Canvas, before: int) -> int:
    """Rows of the large figure that ends in column `before`."""
    rows = canvas.chars[first_row(canvas, "HEIGHT") : first_row(canvas, "±")]
    return sum(any(char in "█▀▄" for char in row[columns_of(canvas, "HEIGHT") : before]) for row in rows)


def first_row(canvas: Canvas, word: str) -> int:
    return next(y for y, line in enumerate(canvas.text().splitlines()) if word in line)


@pytest.mark.parametrize("size", [(80, 24), (100, 30), (120, 40)], ids=str)
def test_limits_have_their_names_beside_the_mast(size: tuple[int, int]) -> None:
    text = page(sample.calm(), size=size).text()
    assert "upper" in text
    assert "lower" in text
    assert "crown" in text or size == (80, 24), "the name has no row there, its height has"


def test_bars_of_neighbouring_rows_do_not_run_into_one() -> None:
    canvas = page(sample.still(), SCREENS[1], (120, 40))
    for above, below in pairwise(canvas.chars):
        assert not any(a == b == "█" for a, b in zip(above, below, strict=True))


def guided(step: int) -> Snapshot:
    """An overtravel test at one of its steps, with the words that the core gives."""
    words = [entry.words for entry in OVERTRAVEL.steps]
    steps = tuple(
        CheckStepView(text, "done" if place < step else "now" if place == step else "open", place == 0)
        for place, text in enumerate(words)
    )
    readings = (
        CheckReading("hook load", Value(208_000.0, Validity.VALID), "force"),
        CheckReading("block height", Value(34.6, Validity.VALID), "length"),
        CheckReading("overtravel device, electric", Value(0.0, Validity.VALID), "switch"),
        CheckReading("overtravel device, air", Value(1.0, Validity.VALID), "switch"),
    )
    check = replace(
        sample.checks()[1], running=True, steps=steps, readings=readings, hint="11.7 ft to the device's height",
        about=OVERTRAVEL.about, progress=0.3,
    )  # fmt: skip
    return replace(sample.still(), checks=(check, *sample.checks()[2:]))


@pytest.mark.parametrize("size", SIZES, ids=str)
@pytest.mark.parametrize("step", range(len(OVERTRAVEL.steps)))
def test_a_guided_check_always_shows_step_wait_readings_and_keys(size: tuple[int, int], step: int) -> None:
    canvas = page(guided(step), SCREENS[6], size)
    text = " ".join(" ".join(canvas.text().replace("│", " ").split()).split())
    assert "x: break off" in text
    assert ("space: done with this step" in text) == (step == 0)
    right = "\n".join(line.partition("│")[2] or line for line in canvas.text().splitlines())
    assert OVERTRAVEL.steps[step].words in " ".join(right.split()), "the step at hand is never shortened"
    assert "Waits: 11.7 ft" in text
    assert "hook load 208 kN" in text
    if size[1] >= 24:
        assert "overtravel device, electric not tripped" in text
        assert "overtravel device, air TRIPPED" in text


def test_switches_are_called_the_same_everywhere() -> None:
    snap = sample.still()
    assert "not tripped" in page(snap, SCREENS[1], (120, 40)).text()
    rows = page(snap, SCREENS[3], (120, 40)).text().splitlines()
    assert "not tripped" in next(row for row in rows if "overtravel-air" in row)
    assert "released" in next(row for row in rows if "clutch" in row)


@pytest.mark.parametrize("size", SIZES[1:], ids=str)
def test_paths_and_notes_of_the_session_are_told_whole(size: tuple[int, int]) -> None:
    file = RecordingFile("land-20261125-182848.stopmark", 300_000, "/srv/data/rigs/stopmark", 214_000_000_000)
    facts = RunFacts(recording=file)
    left = size[0] // (3 if size[0] >= 150 else 2)
    told = ""
    for chosen in "012345":  # the last words may stand on a later page
        canvas = page(unconnected(), SCREENS[7], size, facts=facts, screen_state=ScreenState(chosen=chosen))
        for start in range(0, size[0], left):
            told += "".join("".join(row[start : start + left]) for row in canvas.chars).replace(" ", "")
    assert "land-20261125-182848.stopmark,0.3MB" in told
    assert "/srv/data/rigs/stopmark,214.0GBfree" in told
    assert "isthebrokerrunning" in told, "the last words may stand on a later page"


@pytest.mark.parametrize("failed", [False, True])
def test_a_replay_does_not_claim_to_record(failed: bool) -> None:
    snap = replace(sample.calm(), health=Health(recording="failed" if failed else "on"))
    replay = ReplayView(sample.T0_NS, sample.T0_NS + 10**9, sample.T0_NS, 4.0, False)
    for spec in (DRIVE, SCREENS[7]):
        text = page(snap, spec, mode="REPLAY", replay=replay).text()
        assert "● REC" not in text
        assert "not recording" not in text
        assert "● on" not in text


@pytest.mark.parametrize("size", [(59, 20), (40, 10), (30, 8), (60, 19)], ids=str)
def test_a_window_too_small_still_tells_the_worst_alarm_and_the_height(size: tuple[int, int]) -> None:
    text = page(sample.danger(), size=size).text()
    assert "ADVISORY ONLY" in text
    assert "Make it 60 by 20" in text or size[0] < 33
    assert f"{size[0]} by {size[1]}" in text or size[0] < 59
    assert "◆ DANGER" in text
    assert "KEEP FULLY ON ▼ 0.5 m" in text
    assert "↑ 35.48 m" in text
    assert "LOAD 986 kN" in text
    assert "HOLDING" in text or size[1] < 10
    assert "2.02 m" in text
    assert "−1.77 m/s" in text
    assert "HEIGHT UNKNOWN" in page(sample.height_unknown(), size=size).text()
    assert page(sample.danger(), size=size).cut == []


def test_rope_and_drum_are_in_inches_in_field_units() -> None:
    text = page(sample.still(), SCREENS[5], (120, 40), units=Units("field")).text()
    assert re.search(r"diameter +1\.37\d in", text)
    assert re.search(r"core diameter +28\.0 in", text)
    assert re.search(r"diameter +34\.9 mm", page(sample.still(), SCREENS[5], (120, 40)).text())


@pytest.mark.parametrize("spec", [SCREENS[1], SCREENS[5], SCREENS[7]], ids=lambda spec: spec.id)
@pytest.mark.parametrize("size", [(60, 20), (80, 24)], ids=str)
def test_the_hint_that_more_follows_covers_nothing(spec: ScreenSpec, size: tuple[int, int]) -> None:
    facts = RunFacts(recording=RecordingFile("x" * 100, 0, "/" + "y" * 100, 0))
    canvas = page(sample.still(), spec, size, facts=facts)
    row = next("".join(row) for row in canvas.chars if "↓ more" in "".join(row))
    # On Brakes the verdict of the chosen row stands before it.
    assert re.fullmatch(r"page 1 of \d+  ↓ more", row[-24:].strip())
    last = canvas.places[-1]
    end = page(sample.still(), spec, size, facts=facts, screen_state=ScreenState(chosen=last)).text()
    assert "↑ more" in end


def test_where_readings_come_from_stands_in_one_place() -> None:
    file = RecordingFile("a.stopmark", 300_000, "/srv", None)
    facts = RunFacts(broker="mqtt://127.0.0.1:1883", topics=14, recording=file)
    lines = page(sample.still(), SCREENS[7], (120, 40), facts=facts).text().splitlines()
    heads = {
        word: next(y for y, line in enumerate(lines) if word in line) for word in ("RECORDING ─", "INTAKE", "REFUSED")
    }
    assert heads["RECORDING ─"] < next(y for y, line in enumerate(lines) if "a.stopmark" in line) < heads["INTAKE"]
    assert next(y for y, line in enumerate(lines) if "mqtt://" in line) > heads["INTAKE"]
    assert sum("broker" in line for line in lines) == 1


@pytest.mark.parametrize("size", SIZES, ids=str)
def test_long_names_of_sensors_stay_apart(size: tuple[int, int]) -> None:
    """Names may have 40 characters and no blank."""
    named = tuple(
        replace(sensor, id=f"drawworks-north-side-unit-7-{sensor.id}"[:40]) for sensor in sample.still().sensors
    )
    canvas = page(replace(sample.still(), sensors=named), SCREENS[3], size)
    rows = [line for line in canvas.text().splitlines() if "· good" in line]
    heads = [row.partition("· good")[0].strip("› ") for row in rows]
    assert len(set(heads)) == len(heads) >= (8 if size[1] > 20 else 5)
    assert all(head.startswith("draw") for head in heads)


def test_reasons_for_refusing_are_told_whole() -> None:
    reasons = MappingProxyType({"not a number": 12, "topic not configured": 3})
    text = " ".join(page(replace(sample.still(), rejects=reasons), SCREENS[7]).text().split())
    assert "12 not a number" in text
    assert "3 topic not configured" in text


def test_pressures_not_known_are_one_word() -> None:
    lost: dict[str, float | Value] = {"service_pressure_1": UNKNOWN, "service_pressure_2": UNKNOWN}
    snap = replace(sample.calm(), values=sample.values(**lost))
    canvas = page(snap)
    assert "unknown / unknown" not in canvas.text()
    assert "BRAKE      unknown" in canvas.text()


def test_one_application_left_is_one() -> None:
    for number, words in ((1.0, "1 application left"), (0.0, "0 applications left"), (12.0, "12 applications left")):
        snap = replace(sample.calm(), values=sample.values(applications_left=number))
        assert words in page(snap).text()


def test_band_brakes_have_rims_and_calipers_discs() -> None:
    for name, word, other in (("light", "rim", "disc"), ("land", "disc", "rim")):
        for spec in (DRIVE, SCREENS[1]):
            text = page(sample.calm(), spec, (120, 40), rig=sample.rig(name)).text().lower()
            assert f"{word} left" in text or f"{word}s  " in text
            assert f"{other} left" not in text
            assert f"{other}s  " not in text


@pytest.mark.parametrize("size", SIZES, ids=str)
def test_no_word_on_the_drive_screen_is_left_out_by_half(size: tuple[int, int]) -> None:
    for name in ("degraded", "still", "calm", "hoisting", "unknown", "bare"):
        for system in ("si", "metric", "field"):
            text = page(sample.SAMPLES[name](), size=size, units=Units(system)).text()
            assert "…" not in text.split("HEIGHT", 1)[1], (name, system)


@pytest.mark.parametrize("size", SIZES, ids=str)
@pytest.mark.parametrize(("lost", "word"), [(1.0, "◆ LOAD LOST"), (0.0, "? LINE SLACK")])
def test_a_drum_that_turns_on_a_slack_line_is_called_neither_hoisting_nor_lowering(
    size: tuple[int, int], lost: float, word: str
) -> None:
    snap = replace(
        sample.calm(),
        hoist=HoistState.UNKNOWN,
        values=sample.values(load_lost=lost, slack=1.0, hook_load=1_000.0, speed=UNKNOWN),
    )
    text = page(snap, size=size).text()
    assert word in text
    assert "HOISTING" not in text
    assert "LOWERING" not in text
    assert "SPEED UNKNOWN" in text
