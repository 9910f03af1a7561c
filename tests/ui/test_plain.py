"""The run as lines of plain words: for a screen reader, and for a terminal that can do nothing."""

import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.cli import main
from monitor.model.alarm import AlarmState, Finding, Severity
from monitor.model.snapshot import HoistState, Snapshot
from monitor.model.stream import ActionKind
from monitor.presentation.format import Units
from monitor.ui.plain import PlainScreen, finding_words, spoken, state_words
from tests.support.recorded import simulated
from tests.ui import sample
from tests.ui.drivers import FakeDriver, FakeReplay
from tests.ui.walk import Clock


def begun(
    snap: Snapshot, sound: bool | None = None, **driver: object
) -> tuple[PlainScreen, FakeDriver, Clock, list[str]]:
    lines: list[str] = []
    clock = Clock()
    screen = PlainScreen(lines.append, sound, clock)
    fake = FakeDriver(snap, **driver)  # type: ignore[arg-type]
    screen.begin(fake)
    return screen, fake, clock, lines


def change(before: AlarmState, after: AlarmState, key: str = "brake-now-down") -> Finding:
    severity = Severity.WARNING
    return Finding(sample.T0_NS, "alarm", key, severity, before, after, "Brake now: lower limit", "Look at the block.")


@pytest.mark.parametrize("name", sorted(sample.SAMPLES))
def test_the_state_is_one_line_of_ascii_with_what_matters(name: str) -> None:
    words = spoken(state_words(sample.SAMPLES[name](), Units("si"), "LIVE"))
    assert words.isascii()
    assert "\n" not in words
    assert "height" in words
    assert "load" in words


def test_the_word_to_act_on_comes_first_with_its_room() -> None:
    words = spoken(state_words(sample.warning(), Units("si"), "LIVE"))
    assert "; BRAKE NOW down 2.8 m, WARNING BRAKE NOW" in words
    assert "; lowering 1.42 m/s; room down 2.81 m; stop mark 1.41 m;" in words
    assert "no alarm" in state_words(sample.calm(), Units("si"), "LIVE")


def test_an_unknown_height_is_words() -> None:
    words = state_words(sample.height_unknown(), Units("si"), "LIVE")
    assert "height unknown" in words
    assert "stop mark" not in words


def test_a_change_is_a_sentence_and_what_makes_way_for_a_worse_word_none() -> None:
    new, seen = AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED
    assert finding_words(change(AlarmState.NORMAL, new)) == "WARNING Brake now: lower limit. Look at the block."
    assert finding_words(change(new, seen)) == "WARNING Brake now: lower limit: acknowledged"
    assert finding_words(change(new, AlarmState.RETURNED)).endswith("over, not acknowledged")
    assert finding_words(change(new, AlarmState.SUPPRESSED)) == ""
    assert finding_words(change(new, AlarmState.SUPPRESSED, "overtravel-height")).endswith(": suppressed")


def test_changes_and_motion_are_told_once() -> None:
    screen, driver, clock, lines = begun(sample.still())
    screen.finding(change(AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED))
    for _ in range(30):
        clock.now_s += 0.1
        assert driver.held is not None
        driver.held = replace(driver.held, t_ns=driver.held.t_ns + 100_000_000)
        screen.look()
    assert [line for line in lines if "Brake now" in line] == [
        "20:26:40 WARNING Brake now: lower limit. Look at the block."
    ]
    assert len([line for line in lines if "STILL" in line]) == 1
    assert driver.held is not None
    driver.held = replace(driver.held, hoist=HoistState.LOWERING)
    screen.look()
    assert "LOWERING" not in lines[-1], "a jerk of the block is not told"
    clock.now_s += 1.1
    screen.look()
    assert " LOWERING at" in lines[-1]


def test_a_monitor_that_stands_still_is_told() -> None:
    screen, _, clock, lines = begun(sample.calm())
    for _ in range(20):
        clock.now_s += 0.1
        screen.look()
    assert sum("MONITOR STOPPED" in line for line in lines) == 1


def test_acknowledging_needs_initials_and_a_moment_to_hear_it() -> None:
    screen, driver, clock, lines = begun(sample.warning())
    screen.look()
    screen.answer("a kr\n")
    assert (driver.acts, lines[-1]) == ([], "Just came up: hear it first, then again.")
    clock.now_s += 1.1
    screen.look()
    screen.answer("a\n")
    assert "Give your initials" in lines[-1]
    screen.answer("a kr\n")
    assert [(act.kind, act.target, act.who) for act in driver.acts] == [
        (ActionKind.ACKNOWLEDGE, "lower-limit-brake-now", "KR")
    ]
    screen.answer("s\n")
    assert driver.acts[-1].kind is ActionKind.SILENCE


def test_alarms_are_listed_and_the_last_word_ends_it() -> None:
    screen, _, _, lines = begun(sample.danger())
    screen.answer("l\n")
    assert sum(line.startswith("DANGER") for line in lines) == 1
    assert lines[-1] == "3 in all."
    screen.answer("q\n")
    assert not screen.left
    screen.answer("\n")
    screen.answer("q\n")
    assert not screen.left, "something else was typed in between"
    screen.answer("q\n")
    assert screen.left


def test_a_replay_is_steered_and_takes_no_action() -> None:
    replay = FakeReplay()
    screen, driver, _, lines = begun(sample.danger(), mode="REPLAY", replay=replay)
    screen.answer("p\n")
    assert replay.paused
    screen.answer("n\n")
    assert replay.position_ns == sample.T0_NS + 30 * sample.SECOND
    screen.answer("a kr\n")
    assert driver.acts == []
    assert "This is a replay" in lines[-1]


def test_the_bell_rings_by_setting() -> None:
    for mode, sound, rings in (
        ("LIVE", None, True),
        ("REPLAY", None, False),
        ("REPLAY", True, True),
        ("LIVE", False, False),
    ):
        replay = FakeReplay() if mode == "REPLAY" else None
        screen, _, _, lines = begun(sample.danger(), sound, mode=mode, replay=replay)
        screen.look()
        assert ("\a" in lines) is rings, (mode, sound)


def test_a_session_is_replayed_as_lines(tmp_path: Path) -> None:
    path = simulated(tmp_path / "floor.stopmark", "late-brake-floor", 40.0)
    command = [sys.executable, "-m", "monitor.cli", "replay", str(path), "--plain", "--speed", "max"]
    done = subprocess.run(command, input="?\n", capture_output=True, text=True, timeout=120, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert "ADVISORY ONLY: it never acts on the rig" in done.stdout
    assert "WARNING Brake now: lower limit. Look at the block" in done.stdout
    assert "End of the session" in done.stdout
    assert done.stdout.isascii()


def test_plain_and_headless_exclude_each_other(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["replay", str(tmp_path / "no.stopmark"), "--plain", "--headless"]) == 2
    assert "--plain are for a person" in capsys.readouterr().err
