"""What the commands with a screen share."""

import argparse
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from monitor.runtime.driver import Driver

THEMES: Final = ("day", "night", "contrast")
"""As in `monitor.ui.drawing.theme`, which is not imported before there is a screen."""


def add_screen_arguments(parser: argparse.ArgumentParser) -> None:
    """Words for the screen."""
    parser.add_argument(
        "--theme", choices=THEMES, default="day", help="colours that the screen begins with (a key changes them)"
    )


def show(driver: "Driver", args: argparse.Namespace) -> int:
    """Run the screen until it is left; the exit code."""
    from monitor.ui.app import run_app

    return run_app(driver, args.theme)
