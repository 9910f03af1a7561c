"""Words and values that several commands take, for argparse: numbers, sizes, figures with their unit."""

import argparse
import math
import re
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Final

from monitor.commands.common.screen import add_screen_arguments
from monitor.units import (
    FOOT_M,
    GALLON_M3,
    POUND_FORCE_N,
    POUND_KG,
    STANDARD_GRAVITY_M_S2,
    TON_MILE_J,
    UNITS,
    Dimension,
)

if TYPE_CHECKING:
    from monitor.adapters.sessions.chain import SessionChain
    from monitor.adapters.sessions.segments import Retention


def positive(text: str) -> float:
    """A number above zero, for argparse."""
    try:
        number = float(text)
    except ValueError:
        number = 0.0
    if not 0.0 < number < 1e9:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number above 0")
    return number


def add_session_arguments(parser: argparse.ArgumentParser) -> None:
    """Words that every live run with a screen shares."""
    parser.add_argument(
        "--headless", action="store_true", help="print findings as JSON Lines, a summary last; no screen"
    )
    parser.add_argument("--no-record", action="store_true", help="keep no session")
    add_screen_arguments(parser)
    add_run_arguments(parser)


def add_run_arguments(parser: argparse.ArgumentParser) -> None:
    """Words that every live run shares."""
    parser.add_argument("--data", metavar="DIR", help="folder for sessions (default: the user's data folder)")
    parser.add_argument("--rules", metavar="FILE", help="rule catalogue (default: the one that comes with Stopmark)")
    parser.add_argument(
        "--for", dest="seconds", metavar="SECONDS", type=positive, help="stop after so many stream seconds"
    )


def add_rig_arguments(parser: argparse.ArgumentParser) -> None:
    """Which rigs, and how to reach them."""
    which = parser.add_mutually_exclusive_group(required=True)
    which.add_argument(
        "--rig",
        dest="rigs",
        action="append",
        default=[],
        help="rig file (.toml), or the name of a shipped rig; several times: several rigs at once, each in a process of its"
        " own, each with a folder of its own for its sessions",
    )
    which.add_argument("--fleet", metavar="FILE", type=Path, help="file that names several rigs (.toml)")
    parser.add_argument(
        "--broker", metavar="URL", help="mqtt://host[:port] or mqtts://host[:port]; a fleet's file may name it"
    )
    add_credentials_arguments(parser)


def add_credentials_arguments(parser: argparse.ArgumentParser) -> None:
    """Who the monitor is to the broker."""
    parser.add_argument(
        "--credentials",
        metavar="FILE",
        help="TOML file with user, password, ca, cert, key (or use STOPMARK_MQTT_USER, and STOPMARK_MQTT_PASSWORD or the name"
        " of a file in STOPMARK_MQTT_PASSWORD_FILE)",
    )
    parser.add_argument(
        "--allow-open-credentials",
        action="store_true",
        help="use a password or key even from a file that everybody on this machine can read",
    )


def add_retention_arguments(parser: argparse.ArgumentParser) -> None:
    """How long recordings stay. The defaults are those of `Retention`; None is no bound, and "none" says so."""
    group = parser.add_argument_group(
        "how long sessions stay",
        "The oldest go first, never the newest. Each removal is written into the session being recorded; one that was flagged,"
        " or held findings that nobody had acknowledged, is removed only with a warning that names them.",
    )
    group.add_argument(
        "--keep-days",
        metavar="DAYS",
        type=bound(days),
        help="remove older ones (default: 90; none: never); a stretch without any recording counts as a day at most",
    )
    group.add_argument(
        "--keep-share", metavar="PERCENT", type=bound(share), help="of the disk, for recordings (default: 50%%; none)"
    )
    group.add_argument(
        "--keep-free",
        metavar="SIZE",
        type=bound(size),
        help="room to keep free, as 500MB or 2GB (default: 200MB; none)",
    )


def bound(read: Callable[[str], float]) -> Callable[[str], float]:
    """For argparse: what `read` makes of a word, or infinity for "none"."""

    def take(text: str) -> float:
        if text.strip().lower() == "none":
            return math.inf
        try:
            return read(text.strip())
        except ValueError as error:
            raise argparse.ArgumentTypeError(f"{text!r} is not {error}, nor none") from None

    return take


def days(text: str) -> float:
    """A number of days above zero. Raises ValueError."""
    return _number_up_to(text, 36_500.0, "a number of days above 0")


def share(text: str) -> float:
    """A share of the disk, 0 to 1, from percent. Raises ValueError."""
    return _number_up_to(text.removesuffix("%"), 100.0, "a share in percent, above 0 and at most 100") / 100.0


def size(text: str) -> float:
    """Bytes, from a number with MB, GB or TB. Raises ValueError."""
    words = "a size such as 500MB or 2GB"
    for unit, factor in (("MB", 1e6), ("GB", 1e9), ("TB", 1e12)):
        if text.upper().endswith(unit):
            return _number_up_to(text[: -len(unit)], 1e15 / factor, words) * factor
    raise ValueError(words)


def _number_up_to(text: str, most: float, words: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = 0.0
    if not 0.0 < number <= most:
        raise ValueError(words)
    return number


def retention_of(args: argparse.Namespace) -> "Retention":
    """The bounds that were given, and the defaults for those that were not."""
    from monitor.adapters.sessions.segments import Retention

    usual = Retention()

    def pick(given: float | None, default: float | None) -> float | None:
        return default if given is None else None if given == math.inf else given

    free = pick(args.keep_free, usual.min_free_bytes)
    return Retention(
        pick(args.keep_days, usual.max_age_days),
        pick(args.keep_share, usual.max_disk_share),
        None if free is None else int(free),
    )


def port(text: str) -> int:
    """A port, for argparse."""
    if not text.isascii() or not text.isdecimal() or int(text) > 65535:
        raise argparse.ArgumentTypeError(f"{text!r} is no port: give a number from 0 to 65535")
    return int(text)


_NUMBER: Final = re.compile(r"\s*([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?)\s*([A-Za-z/*0-9]*)\s*$")


_POUND_PER_FOOT: Final = POUND_FORCE_N / FOOT_M


PER_LENGTH: Final = {
    "N/m": 1.0,
    "kN/m": 1e3,
    "kg/m": STANDARD_GRAVITY_M_S2,
    "lb/ft": _POUND_PER_FOOT,
    "lbf/ft": _POUND_PER_FOOT,
}


WEIGHTS: Final = {
    "kg": STANDARD_GRAVITY_M_S2,
    "t": 1e3 * STANDARD_GRAVITY_M_S2,
    "lb": POUND_FORCE_N,
    "klb": 1e3 * POUND_FORCE_N,
}
"""Masses that are meant as weights, in N."""


DENSITIES: Final = {"kg/m3": 1.0, "ppg": POUND_KG / GALLON_M3, "sg": 1000.0}


def _read(text: str, units: dict[str, float], what: str, example: str) -> float:
    match = _NUMBER.match(text)
    if match is None or match[2] not in units:
        raise argparse.ArgumentTypeError(f"{text!r} is no {what}: give a number with {', '.join(units)}, as {example}")
    if match[1].startswith("-"):
        raise argparse.ArgumentTypeError(f"{text!r}: must not be below 0")
    return float(match[1]) * units[match[2]]


def _dimension(dimension: Dimension) -> dict[str, float]:
    return {unit.name: unit.scale for unit in UNITS.values() if unit.dimension == dimension}


def length(text: str) -> float:
    """A length with its unit, in m."""
    return _read(text, _dimension("length"), "length", "12090ft or 3685m")


def weight(text: str) -> float:
    """A weight with its unit, in N; kg, t and lb are taken as weights."""
    return _read(text, _dimension("force") | WEIGHTS, "weight", "75000lb or 22t")


def weight_per_length(text: str) -> float:
    """A weight per length with its unit, in N/m."""
    return _read(text, PER_LENGTH, "weight per length", "17.55lb/ft or 26kg/m")


def density(text: str) -> float:
    """A density with its unit, in kg/m3."""
    return _read(text, DENSITIES, "density", "9.6ppg or 1150kg/m3")


def power(text: str) -> float:
    """A power with its unit, in W."""
    return _read(text, _dimension("power"), "power", "1500hp or 1100kW")


def work(text: str) -> float:
    """Line work with its unit, in J."""
    return _read(
        text, _dimension("energy") | {"ton-miles": TON_MILE_J, "tonmile": TON_MILE_J}, "work", "800tonmile or 900MJ"
    )


def rules_text(name: str, chain: "SessionChain") -> tuple[str, str]:
    """(TOML text, where it is from) of ``recorded``, ``shipped``, or a file."""
    from monitor.config.rules_file import default_rules_path
    from monitor.config.toml_file import read_text

    if name == "recorded":
        return chain.rules_text, f"{chain.path}: rules"
    path = Path(default_rules_path() if name == "shipped" else name)
    return read_text(path), str(path)
