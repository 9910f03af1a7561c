"""A terminal that is behind is painted on only as fast as it answers, and the picture says how old it is."""

import os
import pty
import re
import subprocess
import sys
import termios
import time
from pathlib import Path

import pytest

from monitor.ui.terminal_pace import ASK_AGAIN_S, HELD_S, LATE_S, UNDER_WAY, TerminalPace
from tests.support.broker import GRACE_S
from tests.support.slow_terminal import QUESTION, SlowTerminal


def _place(question: str) -> tuple[int, int]:
    found = QUESTION.search(question.encode())
    assert found is not None, "nothing was asked"
    return int(found[1]), int(found[2])


def _answering(took_s: float) -> TerminalPace:
    """One that has been answered once, after so long, at 100 s."""
    pace = TerminalPace()
    assert pace.answer(*_place(pace.ask(100.0 - took_s)), 100.0)
    return pace


def test_a_terminal_that_never_answers_is_painted_on_as_ever() -> None:
    pace = TerminalPace()
    for moment in range(2000):
        assert pace.may_paint(0.1 * moment)
        assert not pace.late_s(0.1 * moment)
        pace.ask(0.1 * moment)


def test_a_quick_terminal_has_few_pictures_under_way_and_an_answer_to_the_last_frees_all() -> None:
    pace = _answering(0.05)
    places = []
    for moment in range(UNDER_WAY):
        assert pace.may_paint(101.0 + 0.1 * moment)
        places.append(_place(pace.ask(101.0 + 0.1 * moment)))
    assert len(set(places)) == UNDER_WAY
    assert not pace.may_paint(101.4)
    assert pace.answer(*places[-1], 101.5)
    assert pace.may_paint(101.5)
    assert not pace.answer(*places[0], 101.6), "of a question that a later answer has settled"


def test_a_late_answer_leaves_one_picture_at_a_time_and_says_how_old() -> None:
    pace = _answering(4.0)
    assert pace.late_s(100.0) == pytest.approx(4.0)
    assert pace.may_paint(100.0)
    place = _place(pace.ask(100.0))
    assert not pace.may_paint(100.2)
    assert pace.late_s(110.0) == pytest.approx(10.0), "the one that still waits"
    assert pace.answer(*place, 100.5)
    assert pace.late_s(100.5) == 0.0, "in time again"
    assert pace.may_paint(100.5)


def test_an_answer_in_just_time_is_not_late() -> None:
    assert _answering(LATE_S).late_s(100.0) == 0.0


def test_an_answer_that_got_lost_is_asked_for_again_without_a_picture() -> None:
    pace = _answering(0.05)
    for moment in range(UNDER_WAY):
        pace.ask(101.0 + 0.01 * moment)
    last_s = 101.0 + 0.01 * (UNDER_WAY - 1)
    assert pace.ask(last_s + ASK_AGAIN_S - 0.1, picture=False) == ""
    again = pace.ask(last_s + ASK_AGAIN_S, picture=False)
    assert not pace.may_paint(last_s + ASK_AGAIN_S + 0.1)
    assert pace.ask(last_s + 2 * ASK_AGAIN_S, picture=False) == "", "more patient than the first time"
    assert pace.answer(*_place(again), last_s + ASK_AGAIN_S + 0.1)
    assert pace.may_paint(last_s + ASK_AGAIN_S + 0.1)


def test_a_question_without_a_picture_before_it_tells_nothing_of_how_long_a_picture_takes() -> None:
    pace = _answering(20.0)
    pace.ask(100.0)
    again = pace.ask(100.0 + ASK_AGAIN_S, picture=False)
    assert pace.answer(*_place(again), 100.1 + ASK_AGAIN_S), "and the answer before it got lost"
    assert pace.may_paint(100.1 + ASK_AGAIN_S)
    assert pace.late_s(100.1 + ASK_AGAIN_S) == pytest.approx(0.1 + ASK_AGAIN_S), "the picture's, at the most"


def test_one_that_stops_answering_gets_a_picture_a_minute() -> None:
    pace = _answering(2.0)
    pace.ask(100.0)
    assert not pace.may_paint(100.0 + HELD_S - 0.1)
    assert pace.may_paint(100.0 + HELD_S)
    pace.ask(100.0 + HELD_S)
    assert not pace.may_paint(100.1 + HELD_S)
    assert pace.late_s(100.1 + HELD_S) > HELD_S


def test_a_function_key_or_a_stranger_s_report_answers_nothing() -> None:
    pace = TerminalPace()
    row, column = _place(pace.ask(0.0))
    assert not pace.answer(1, column, 0.1)
    assert not pace.answer(row, column + 1, 0.1)


def test_a_slow_terminal_shows_no_picture_much_older_than_it_must_and_says_so(tmp_path: Path) -> None:
    master, slave = pty.openpty()
    termios.tcsetwinsize(slave, (24, 80))
    process = subprocess.Popen(
        [sys.executable, "-m", "monitor.cli", "demo", "--data", str(tmp_path)], stdin=slave, stdout=slave, stderr=slave,
        env=os.environ | {"TERM": "xterm-256color"}, start_new_session=True,
    )  # fmt: skip
    os.close(slave)
    terminal = SlowTerminal(master)
    try:
        assert terminal.read_for(GRACE_S, until=b"ADVISORY ONLY")
        terminal.read_for(1.0)
        assert terminal.asked
        rate = 3000.0
        terminal.read_for(4.0, rate)
        behind = terminal.backlog()
        # Unasked, the screen writes 14 kB a second into 64 kB of buffers: 20 s at this rate.
        assert behind < 5 * rate
        terminal.read_for(GRACE_S, rate, until=b"SLOW TERMINAL")
        assert b"SLOW TERMINAL" in terminal.seen
        terminal.backlog()
        began_s = time.monotonic()
        while time.monotonic() < began_s + GRACE_S:
            mark = len(terminal.seen)
            terminal.read_for(0.3)
            if re.search(rb"\x1b\[1;1H|ADVISORY", terminal.seen[mark:]) and b"SLOW" not in terminal.seen[mark:]:
                break
        assert time.monotonic() - began_s < 4.0, "it is quick again: two seconds, of a busy machine"
    finally:
        process.kill()
        process.wait()
        os.close(master)
