"""The sign of life of long commands."""

import io

from monitor.commands.common.progress import Progress
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
