"""What the commands with a screen share."""

import argparse
import asyncio
import os
import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Final, Protocol

if TYPE_CHECKING:
    from monitor.model.alarm import Finding
    from monitor.runtime.driver import Driver

THEMES: Final = ("day", "night", "contrast")
"""As in `monitor.ui.drawing.theme`, which is not imported before there is a screen."""
LANGUAGES: Final = ("en", "es")
"""English, and the catalogues in `monitor.language`."""
_SOUND: Final = {"auto": None, "on": True, "off": False}


def add_screen_arguments(parser: argparse.ArgumentParser) -> None:
    """Words for the screen."""
    parser.add_argument(
        "--theme", choices=THEMES, default="day", help="colours that the screen begins with (a key changes them)"
    )
    parser.add_argument(
        "--sound", choices=tuple(_SOUND), default="auto",
        help="the terminal's bell: DANGER three rings every two seconds, WARNING two every five, CAUTION one (auto: on when"
        " live, off in a replay)",
    )  # fmt: skip
    parser.add_argument(
        "--plain", action="store_true",
        help="no screen: a line of plain words per change, the present state on Enter; for a screen reader or a dumb terminal",
    )  # fmt: skip
    add_language_arguments(parser)


def add_language_arguments(parser: argparse.ArgumentParser) -> None:
    """In whose words the crew reads."""
    parser.add_argument(
        "--language",
        choices=LANGUAGES,
        help="language of the screen (default: that of LC_ALL, LC_MESSAGES or LANG, else en)",
    )
    parser.add_argument(
        "--words", metavar="FILE.po",
        help="a catalogue of words of your own, gettext's PO; what it lacks is shown in English",
    )  # fmt: skip


def choose_words(args: argparse.Namespace) -> None:
    """Show everything from now on in the words asked for.

    Raises:
        UserError: the file of words cannot be used.
    """
    from monitor.language.catalogue import choose, language_of

    choose(args.language or language_of(os.environ), args.words)


class Screen(Protocol):
    """What a person sees of a run."""

    sinks: "tuple[Callable[[Finding], None], ...]"
    """What the driver is to give its findings to."""

    def show(self, driver: "Driver") -> int:
        """Run it until it is left; the exit code."""


def screen_of(args: argparse.Namespace) -> Screen:
    """The screen that the words ask for, before there is a driver.

    Raises:
        UserError: the file of words cannot be used.
    """
    choose_words(args)
    return _Plain(_SOUND[args.sound]) if args.plain else _Full(args.theme, _SOUND[args.sound])


class _Full:
    def __init__(self, theme: str, sound: bool | None) -> None:
        self.sinks: tuple[Callable[[Finding], None], ...] = ()
        self._theme, self._sound = theme, sound

    def show(self, driver: "Driver") -> int:
        from monitor.ui.app import run_app

        return run_app(driver, self._theme, self._sound)  # type: ignore[arg-type]


class _Plain:
    def __init__(self, sound: bool | None) -> None:
        from monitor.adapters.host.line_writer import LineWriter
        from monitor.ui.plain import PlainScreen

        self._output = LineWriter()
        self._screen = PlainScreen(self._output, sound)
        self.sinks: tuple[Callable[[Finding], None], ...] = (self._screen.finding,)

    def show(self, driver: "Driver") -> int:
        from monitor.errors import sentence_of
        from monitor.text import harmless
        from monitor.ui.plain import run_plain

        try:
            asyncio.run(run_plain(driver, self._screen, lambda: self._output.gone))
        except KeyboardInterrupt:
            pass
        except Exception as error:  # the person gets its sentence, never a traceback
            print(f"stopmark: {harmless(sentence_of(error))}", file=sys.stderr)
            return 1
        finally:
            self._output.close()
        return 0
