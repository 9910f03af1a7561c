"""The sign of life of long commands."""

import io
import math

from monitor.commands.common.progress import Progress, SoFar
from tests.support.broker import wait_until


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_a_terminal_is_told_and_left_clean() -> None:
    screen = Terminal()
    with Progress("replaying 3 h of land\x1b[2J", screen, 0.001, 0.001):
        wait_until(lambda: screen.getvalue().count("so far") >= 3, "it speaks")
    reported = screen.getvalue()
    assert reported.startswith("\rreplaying 3 h of land")
    assert "\x1b" not in reported
    assert reported.rpartition("\r")[2] == ""
    assert reported.rstrip("\r").rpartition("\r")[2].strip() == ""


def test_a_pipe_gets_nothing() -> None:
    pipe = io.StringIO()
    with Progress("replaying", pipe, 0.001, 0.001) as sign:
        assert sign._thread is None
    assert pipe.getvalue() == ""


def test_what_is_quick_needs_no_sign() -> None:
    screen = Terminal()
    with Progress("replaying", screen, 60.0):
        pass
    assert screen.getvalue() == ""


def test_rows_share_and_time_left_are_told_where_they_are_known() -> None:
    for done, words in (
        ((12_000, 0.25), "12,000 rows, "),
        ((12_000, 0.25), " 25 %, about "),
        ((7, math.nan), "7 rows, "),
    ):
        screen = Terminal()
        with Progress("reading log.csv", screen, 0.001, 0.001, lambda done=done: done):
            wait_until(lambda screen=screen: screen.getvalue().count("so far") >= 2, "it speaks")
        assert words in screen.getvalue()
        assert ("left" in screen.getvalue()) is not math.isnan(done[1])


def test_how_far_work_is_follows_the_stream_time_that_it_tells() -> None:
    so_far = SoFar(1_000, 3_000)
    assert so_far() == (0, 0.0)
    so_far.on_progress(500, 1_500)
    assert so_far() == (500, 0.25)
    so_far.on_progress(900, 9_000)
    assert so_far() == (900, 1.0)
