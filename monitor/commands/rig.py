"""`stopmark rig new`: a rig's file from about ten answers, asked for or given as options, or looked up in a log."""

import argparse
import math
import re
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from monitor.commands.common.arguments import length, positive, weight
from monitor.commands.common.session_range import add_kind
from monitor.errors import UserError
from monitor.text import harmless
from monitor.units import STANDARD_GRAVITY_M_S2 as GRAVITY
from monitor.units import UNITS

if TYPE_CHECKING:
    from monitor.config.new_rig import Answer
    from monitor.config.sensor import Sensor

PRACTICE: Final = "common practice, no source: put the rig's own"
_SYSTEMS: Final = {"field": {"ft", "in", "lbf", "klbf"}, "metric": {"tf", "kgf"}}
"""Units of a sensor that say how the rig's people read figures."""
_MOST_NAME: Final = 40
_COUNTER_MOST: Final = 2**32 - 1


def _choice(*words: str) -> Callable[[str], str]:
    def read(text: str) -> str:
        if text not in words:
            raise ValueError(f"{text!r} is none of {', '.join(words)}")
        return text

    return read


def _mass(text: str) -> float:
    return round(weight(text) / GRAVITY, 1)


def _whole(text: str) -> int:
    if not text.isdecimal():
        raise ValueError(f"{text!r} is no whole number")
    return int(text)


def _text(text: str) -> str:
    return text.strip()


Given = dict[str, "Answer"]


@dataclass(frozen=True, slots=True)
class Question:
    """One answer that the file wants: the option's name, the question, how to read it, and what stands in where nobody answers
    (None: it must be answered; "": it may be left out)."""

    name: str
    ask: str
    read: Callable[[str], Any]
    default: Callable[[Given], tuple[Any, str] | None] | None = None
    when: Callable[[Given], bool] = lambda given: True


def _value(given: Given, name: str) -> Any:
    return given[name].value


def _encoder(given: Given) -> bool:
    return bool(_value(given, "position") == "drum_counts")


def _reeved(given: Given) -> bool:
    return "lines" in given


QUESTIONS: Final = (
    Question("name", "name of the rig (a-z, 0-9, -)", _text),
    Question("title", "title", _text, lambda given: (_value(given, "name"), "")),
    Question("units", "units on the screen: si, metric, field", _choice("si", "metric", "field"), lambda given: ("si", "")),
    Question("block", "weight of block, hook and top drive, as 22t or 48klb", _mass),
    Question("rated", "rated hook load, as 340t", _mass),
    Question("crown", "height at which the block strikes the crown, as 42m or 138ft", length),
    Question("upper", "upper operating limit", length, lambda given: (round(0.9 * _value(given, "crown"), 2), PRACTICE)),
    Question("lower", "lower operating limit", length, lambda given: (1.5, PRACTICE)),
    Question("overtravel", "height at which the overtravel device is set (leave empty where not known)", length,
             lambda given: None),
    Question("max-speed", "highest speed of the block, m/s", positive, lambda given: (1.6, PRACTICE)),
    Question("position", "what gives the position: block_position or drum_counts", _choice("block_position", "drum_counts"),
             lambda given: ("block_position", "")),
    Question("load", "what gives the load: hook_load or dead_line_tension", _choice("hook_load", "dead_line_tension"),
             lambda given: ("hook_load", "")),
    Question("every", "seconds between two readings", positive, lambda given: (1.0, PRACTICE)),
    Question("lines", "lines strung to the block (leave empty where not known)", _whole, lambda given: None),
    Question("rope", "diameter of the drilling line, as 1.375in or 35mm", length, None, _reeved),
    Question("core", "diameter of the drum's core, as 28in", length, None, _encoder),
    Question("wraps", "wraps on one layer of the drum", positive, None, _encoder),
    Question("counts-per-turn", "counts of the encoder per turn of the drum", positive, None, _encoder),
    Question("reference", "a height at which the wraps are known", length, None, _encoder),
    Question("turns", "wraps on the drum at that height", positive, None, _encoder),
)  # fmt: skip


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's words."""
    kinds = parser.add_subparsers(dest="what", required=True, metavar="WHAT")
    new = add_kind(
        kinds, "new", "write a rig's file: asks what was not given; what nobody knows is left out, not made up"
    )
    new.add_argument(
        "-o", "--out", metavar="FILE", type=Path, help="the file to write (.toml; default: the rig's name)"
    )
    new.add_argument(
        "--from-log", metavar="FILE", type=Path, nargs="+",
        help="look in a log (or a session) for sensors, units, ranges, block weight and limits; each is shown with its reason",
    )  # fmt: skip
    new.add_argument(
        "--map", metavar="MAP.toml", type=Path, help="which column of the log is what (left out: by looking)"
    )
    for question in QUESTIONS:
        new.add_argument(f"--{question.name}", metavar="ANSWER", help=question.ask)
    new.add_argument("--position-unit", choices=_units("length"), help="unit of the block position (m)")
    new.add_argument("--load-unit", choices=_units("force"), help="unit of the load (kN)")
    new.add_argument(
        "--position-topic", metavar="TOPIC", help="MQTT topic of the position (default: by the rig's name)"
    )
    new.add_argument("--load-topic", metavar="TOPIC", help="MQTT topic of the load")


def _units(dimension: str) -> list[str]:
    return [unit.name for unit in UNITS.values() if unit.dimension == dimension]


def run(args: argparse.Namespace) -> int:
    """Ask, look, write."""
    from monitor.adapters.host.output_file import check_out, write_whole
    from monitor.config.new_rig import Answer, rig_text

    if args.map is not None and args.from_log is None:
        raise UserError("--map: goes with --from-log")
    if args.out is not None:
        check_out(args.out, (".toml",), None, args.from_log or ())
    found: Mapping[str, Answer] = {}
    more: Sequence[Sensor] = ()
    if args.from_log is not None:
        from monitor.analysis.rig_from_log import found_in_log

        found, more = found_in_log(args.from_log, args.map)
        print(f"found in {', '.join(path.name for path in args.from_log)}:")
        for name, answer in found.items():
            print(harmless(f"  {name.replace('_', ' '):<18}{_shown(answer.value):<16} {answer.source}"))
        for sensor in more:
            print(harmless(f"  {sensor.label:<18}{sensor.unit:<16} also in the log"))
    found = _beside(args, found) | dict(found)
    given = _answers(args, found)
    _complete(given, args, found)
    text = rig_text({name.replace("-", "_"): answer for name, answer in given.items()}, more)
    out = args.out or Path(f"{_value(given, 'name')}.toml")
    if args.out is None:
        check_out(out, (".toml",), None)
    write_whole(out, text)
    print(f"{out}: written. Look at every line of it, then: stopmark check --rig {out}")
    return 0


def _beside(args: argparse.Namespace, found: Mapping[str, "Answer"]) -> dict[str, "Answer"]:
    """What the names of files and the sensors' units suggest: the rig's name and the units on the screen."""
    from monitor.config.new_rig import Answer

    answers: dict[str, Answer] = {}
    file = args.out or (args.from_log[0] if args.from_log else None)
    if file is not None:
        name = re.sub(r"[^a-z0-9]+", "-", file.name.partition(".")[0].lower()).strip("-")
        if name:
            answers["name"] = Answer(name[:_MOST_NAME], f"by the name of {file.name}")
    units = [getattr(args, name) or _value(dict(found), name) for name in ("position_unit", "load_unit")
             if getattr(args, name) or name in found]  # fmt: skip
    system = next((system for system, of in _SYSTEMS.items() if not of.isdisjoint(units)), None)
    if system is not None:
        answers["units"] = Answer(system, f"the sensors' units: {' and '.join(units)}")
    return answers


def _shown(value: Any) -> str:
    if isinstance(value, tuple):
        return " to ".join(f"{number:.6g}" for number in value)
    return value if isinstance(value, str) else f"{value:.6g}"


def _answers(args: argparse.Namespace, found: Mapping[str, "Answer"]) -> Given:
    """Every answer, from options, from the log, from the person at the keyboard, or by default.

    Raises:
        UserError: some must be answered, and nobody is there to ask; or an option cannot be read. All are named.
    """
    from monitor.config.new_rig import Answer

    asks = sys.stdin.isatty() and sys.stdout.isatty()
    given: Given = {}
    problems: list[str] = []
    for question in QUESTIONS:
        if not question.when(given):
            continue
        word = getattr(args, question.name.replace("-", "_"))
        if word is not None:
            try:
                given[question.name] = Answer(question.read(word), f"given: {word}")
            except (ValueError, argparse.ArgumentTypeError) as error:
                problems.append(f"--{question.name}: {error}")
                given[question.name] = Answer(math.nan, "")
            continue
        answer = _default(question, given, found)
        if asks:
            answer = _asked(question, answer)
        elif answer is None and question.default is None:
            problems.append(f"--{question.name}: {question.ask}")
            given[question.name] = Answer(math.nan, "")
        if answer is not None:
            given[question.name] = answer
    if problems:
        raise UserError("these answers are missing or cannot be read:\n  " + "\n  ".join(problems))
    return given


def _default(question: Question, given: Given, found: Mapping[str, "Answer"]) -> "Answer | None":
    """What the log has, else what stands in."""
    from monitor.config.new_rig import Answer

    if question.name.replace("-", "_") in found:
        return found[question.name.replace("-", "_")]
    default = question.default(given) if question.default is not None else None
    return None if default is None else Answer(*default)


def _asked(question: Question, default: "Answer | None") -> "Answer | None":
    """What the person says; the default for an empty line."""
    from monitor.config.new_rig import Answer

    shown = "" if default is None else f" [{_shown(default.value)}]"
    while True:
        word = input(f"{question.ask}{shown}: ").strip()
        if not word:
            if default is not None or question.default is not None:
                return default
            continue
        try:
            return Answer(question.read(word), f"given: {word}")
        except (ValueError, argparse.ArgumentTypeError) as error:
            print(f"  {error}")


def _complete(given: Given, args: argparse.Namespace, found: Mapping[str, "Answer"]) -> None:
    """What follows from the answers."""
    from monitor.config.new_rig import Answer

    given["floor"] = Answer(0.0, "heights are measured from the rig floor")
    every_s = _value(given, "every")
    for role in ("position", "load"):
        encoder = role == "position" and _encoder(given)
        unit = getattr(args, f"{role}_unit") or ("m" if role == "position" else "kN")
        source = "given" if getattr(args, f"{role}_unit") else ""
        if f"{role}_unit" in found and not getattr(args, f"{role}_unit"):
            unit, source = _value({**found}, f"{role}_unit"), found[f"{role}_unit"].source
        given[f"{role}_unit"] = Answer("counts" if encoder else unit, "" if encoder else source)
        given[f"{role}_rate"] = Answer(1.0 / every_s, f"a reading every {every_s:g} s")
        given[f"{role}_stale"] = Answer(3.0 * every_s, "three readings missing")
        given[f"{role}_range"] = found.get(f"{role}_range") or _range(role, encoder, given, unit)
        given[f"{role}_sigma"] = found.get(f"{role}_sigma") or _sigma(role, encoder, unit)
        topic = getattr(args, f"{role}_topic")
        if topic is not None:
            given[f"{role}_topic"] = Answer(topic, "given")
    if _encoder(given):
        given["position_counts_per_turn"] = given.pop("counts-per-turn")
        given["reference_load"] = Answer(_value(given, "block") * GRAVITY, "the block alone")
    if _reeved(given):
        _line(given)


def _range(role: str, encoder: bool, given: Given, unit: str) -> "Answer":
    from monitor.config.new_rig import Answer

    if encoder:
        return Answer((0, _COUNTER_MOST), "a counter of 32 bits")
    row = UNITS[unit]
    if role == "position":
        low, high = row.from_si(-2.0), row.from_si(_value(given, "crown") + 2.0)
        return Answer((round(low, 1), round(high, 1)), "2 m beyond floor and crown")
    most = 1.5 * _value(given, "rated") * GRAVITY
    low, high = row.from_si(-0.05 * most), row.from_si(most)
    return Answer((round(low, 1), round(high, 1)), "to one and a half times the rating")


def _sigma(role: str, encoder: bool, unit: str) -> "Answer":
    from monitor.config.new_rig import Answer

    if encoder:
        return Answer(2.0, PRACTICE)
    si = 0.01 if role == "position" else 5e3
    return Answer(float(f"{UNITS[unit].from_si(si):.3g}"), PRACTICE)


def _line(given: Given) -> None:
    """The line's numbers that follow from its diameter and the mast."""
    from monitor.config.new_rig import Answer
    from monitor.physics.line import breaking_strength_n

    rope = _value(given, "rope")
    try:
        given["strength"] = Answer(
            breaking_strength_n(rope, "EIPS"), "rope tables for EIPS of this diameter: see the certificate"
        )
    except ValueError as error:
        raise UserError(f"--rope: {error}; write the file without --lines, then fill in [line]") from None
    crown = _value(given, "crown")
    for name in ("fast_line", "dead_line"):
        given[name] = Answer(round(crown + 4.0, 1), "the crown's height and 4 m (derived here)")
    if _encoder(given):
        radius = 0.5 * _value(given, "core")
        wide = _value(given, "wraps") * rope
        # Half of a solid cylinder of steel: J = m r^2 / 2, 7850 kg/m3.
        inertia = 0.5 * (0.5 * 7850.0 * math.pi * radius**2 * wide) * radius**2
        words = "the bare drum, half of it steel (derived here); counts once [brake] is known: put the maker's then"
        given["inertia"] = Answer(round(inertia, 0), words)
