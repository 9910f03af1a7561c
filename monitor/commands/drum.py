"""`stopmark drum`: the drum as the rig file has it, and which drum the heights say it really is."""

import argparse
import math
import re
from typing import TYPE_CHECKING, Final, NamedTuple

from monitor.commands.common.arguments import length, weight
from monitor.commands.common.progress import replaying
from monitor.commands.common.session_range import add_session_range, session_path, session_range
from monitor.errors import UserError
from monitor.text import harmless
from monitor.units import FOOT_M, INCH_M

if TYPE_CHECKING:
    from monitor.analysis.heights import HeightSet
    from monitor.config.rig import Rig
    from monitor.config.sensor import Sensor
    from monitor.core.estimator.height_map import HeightMap

_TURNS: Final = re.compile(r"\s*([+-]?(?:\d+(?:\.\d*)?|\.\d+))\s*(turns?|counts?)\s*$")
_CAUTION: Final = (
    "CAUTION: this is arithmetic on heights and counts. It replaces no measurement, no manual and no licensed or competent"
    " person, and it changes no file. Measure the rope and count the wraps before anything goes into the rig's file; then"
    " `stopmark check`, and compare the height with a tape at two heights, as after every cut and slip."
)


class Given(NamedTuple):
    """One height by hand: m, turns or counts, which of the two, and the hook load then in N (None: not given)."""

    height_m: float
    number: float
    counts: bool
    load_n: float | None


class _Source(NamedTuple):
    """Heights to calibrate with, and the rig whose file is looked at."""

    rig: "Rig"
    sets: "list[HeightSet]"
    encoder: "Sensor | None"
    simulated: bool = False


def seen(text: str) -> Given:
    """A height with turns or counts and perhaps a hook load, as ``--seen`` takes it."""
    parts = text.split(",")
    number = _TURNS.match(parts[1]) if len(parts) in (2, 3) else None
    if number is None:
        raise argparse.ArgumentTypeError(
            f"{text!r}: give HEIGHT,TURNS or HEIGHT,TURNS,LOAD without blanks, as 20.5m,76.4turns or"
            " 67ft,1312900counts,49klbf"
        )
    load = weight(parts[2]) if len(parts) == 3 else None
    return Given(length(parts[0]), float(number[1]), number[2].startswith("count"), load)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's words."""
    kinds = parser.add_subparsers(dest="what", required=True, metavar="WHAT")
    table = kinds.add_parser("table", help="the drum layer by layer as the rig file has it, to hold against its papers")
    table.add_argument("--rig", default="land", help="rig file or shipped rig")
    table.add_argument(
        "--wraps", type=float, metavar="N", help="wraps at the reference height (default: the rig file's)"
    )
    fit = kinds.add_parser(
        "calibrate", help="which drum it really is, by heights at which the block was seen: given, or from sessions"
    )
    fit.add_argument(
        "sessions", metavar="SESSION", nargs="*", type=session_path,
        help="recorded sessions of one rig: files, or names in the user's data folder",
    )  # fmt: skip
    fit.add_argument(
        "--seen", metavar="HEIGHT,TURNS[,LOAD]", action="append", type=seen, default=[],
        help="instead of sessions: a height with the drum's turns or the encoder's counts there, and the hook load, as"
        " 20.5m,76.4turns,220kN; several times",
    )  # fmt: skip
    fit.add_argument("--rig", help="rig file or shipped rig (default: the sessions' own; needed with --seen)")
    fit.add_argument("--encoder", metavar="ID", help="sensor that counts the drum (default: the rig's first)")
    fit.add_argument(
        "--doubt", type=length, metavar="LENGTH",
        help="how well heights were read, standard deviation (default: the rig file's reference.sigma_m)",
    )  # fmt: skip
    add_session_range(fit)


def run(args: argparse.Namespace) -> int:
    """Print the table, or the calibration."""
    if args.what == "table":
        return _table(args)
    if bool(args.sessions) == bool(args.seen):
        raise UserError("give sessions, or heights by hand with --seen HEIGHT,TURNS: one of the two")
    if args.doubt is not None and args.doubt <= 0:
        raise UserError("--doubt: must be above 0")
    return _calibrate(_by_hand(args) if args.seen else _from_sessions(args))


# --- the table ------------------------------------------------------------------------------------------------------


def _table(args: argparse.Namespace) -> int:
    from monitor.analysis.drum_fit import in_both, straight_words
    from monitor.config.optional_tables import ON_DRUM
    from monitor.config.rig_file import find_rig
    from monitor.core.estimator.height_frame import HeightFrame
    from monitor.presentation.missing import require

    rig = find_rig(args.rig)
    require(rig, "the drum's table", *ON_DRUM)
    base = HeightFrame(rig).layers
    drum, lines, reference, limits = base.drum, rig.line.lines, rig.reference, rig.limits
    wraps = reference.turns if args.wraps is None else args.wraps
    if not 0 <= wraps <= drum.capacity_turns:
        raise UserError(f"--wraps {wraps:g}: this drum takes 0 to {drum.capacity_turns:g}")
    layers = base.moved(turns=wraps)
    print(_title(rig))
    whose = "the rig file's" if args.wraps is None else "the given"
    print(f"heights with {whose} {wraps:g} wraps at {in_both(reference.height_m)}")
    print()
    print(
        f"{'layer':<7}{'wraps':<12}{'radius':>10}{'line when full':>16}{'block per turn':>16}{'block from':>11}{'to':>7}"
    )
    for k, begin in enumerate((0.0, *drum.layer_change_turns)):
        end = begin + drum.wraps_per_layer
        radius, full = layers.radii_m[k], drum.line_m(end)
        rise = 2.0 * math.pi * radius / lines
        low, high = layers.height(begin), layers.height(end)
        print(f"{k + 1:<7}{f'{begin:g} to {end:g}':<12}{radius * 1e3:>7.1f} mm{full:>14.1f} m"
              f"{rise:>14.4f} m{low:>9.2f}{high:>7.2f} m")  # fmt: skip
        print(f"{'':<19}{radius / INCH_M:>7.2f} in{full / FOOT_M:>13.1f} ft"
              f"{rise / FOOT_M:>13.3f} ft{low / FOOT_M:>9.1f}{high / FOOT_M:>7.1f} ft")  # fmt: skip
    print()
    ends = []
    for name, height in (("lower", limits.lower_m), ("upper", limits.upper_m)):
        turns = layers.locate(height)[0]
        ends.append(turns)
        spare = drum.dead_wraps_left(turns)
        state = f"{spare:.1f} above" if spare >= 0 else f"{-spare:.1f} TOO FEW for"
        _say(f"at the {name} limit, {in_both(height)}: {turns:.1f} wraps, layer {drum.layer(turns)}, {state} the"
             f" {drum.dead_wraps:g} dead wraps")  # fmt: skip
    if ends[1] > drum.capacity_turns:
        full_m = layers.height(drum.capacity_turns)
        _say(f"THE DRUM IS FULL at {in_both(full_m)}, below the upper limit: look at wraps, lines and max_layers")
    _say(straight_words(*_straight(layers, ends[0], ends[1]), "between the limits", layers))
    return 0


def _title(rig: "Rig") -> str:
    core, rope = rig.drum.core_diameter_m, rig.line.rope_diameter_m
    return harmless(
        f"{rig.name}: drum {core * 1e3:.1f} mm ({core / INCH_M:.2f} in), rope {rope * 1e3:.2f} mm"
        f" ({rope / INCH_M:.3f} in), {rig.line.lines} lines"
    )


def _straight(layers: "HeightMap", from_turns: float, to_turns: float) -> tuple[float, float]:
    """(worst error m, wraps there) of a straight line between two numbers of wraps."""
    from monitor.physics.calibration import straight_line_error_m

    error, at = straight_line_error_m(layers.drum, from_turns, 0.0, to_turns - from_turns, layers.lines)
    return error, from_turns + at


# --- where the heights come from --------------------------------------------------------------------------------------


def _encoder(rig: "Rig", wanted: str | None) -> "Sensor":
    encoders = [sensor for sensor in rig.sensors if sensor.quantity == "drum_counts"]
    if not encoders:
        raise UserError(
            f"rig {rig.name} has no drum encoder (drum_counts), so nothing counts its drum's turns: give heights with turns"
            " by hand, --seen 20.5m,76.4turns"
        )
    for sensor in encoders:
        if wanted in (None, sensor.id):
            return sensor
    raise UserError(f"--encoder {wanted}: rig {rig.name} has {', '.join(sensor.id for sensor in encoders)}")


def _by_hand(args: argparse.Namespace) -> "_Source":
    from monitor.analysis.heights import HeightSet, MeasuredHeight
    from monitor.config.rig_file import find_rig

    if args.rig is None:
        raise UserError("--seen needs the rig whose drum it is: --rig FILE")
    if args.start or args.end:
        raise UserError("--from and --to choose a part of sessions; with --seen there are none")
    rig = find_rig(args.rig)
    given: list[Given] = args.seen
    counts = {row.counts for row in given}
    if len(counts) > 1:
        raise UserError("--seen: give turns with every height, or counts with every height")
    if len({row.load_n is None for row in given}) > 1:
        raise UserError(
            "--seen: give the hook load with every height, or with none: unequal stretch looks like another drum"
        )
    encoder, factor, modulus = None, 1.0, math.inf
    if counts == {True}:
        encoder = _encoder(rig, args.encoder)
        factor, modulus = encoder.sense / (encoder.counts_per_turn or 1.0), float(2**encoder.bits)
        if not all(0 <= row.number < modulus for row in given):
            raise UserError(
                f"--seen: {encoder.id} has {encoder.bits} bits, so its counts go from 0 to {modulus - 1:.0f}"
            )
        if modulus * abs(factor) < 2.0 * _travel_turns(rig):
            raise UserError(
                f"--seen: the counts of {encoder.id} ({encoder.bits} bits) run over within the travel: give turns"
            )
    first = given[0].number
    found = HeightSet("heights given by hand", rig.reference.turns, encoder is not None)
    doubt = rig.reference.sigma_m if args.doubt is None else args.doubt
    for row in given:
        more = row.number - first
        if encoder is not None:  # the shorter way round
            more -= modulus * math.floor(more / modulus + 0.5)
        found.heights.append(MeasuredHeight("by hand", row.height_m, (first + more) * factor, row.load_n, doubt))
    found.heights.sort(key=lambda item: item.turns)
    return _Source(rig, [found], encoder)


def _travel_turns(rig: "Rig") -> float:
    """Turns of the drum between floor and crown."""
    from monitor.core.estimator.height_frame import HeightFrame

    layers = HeightFrame(rig).layers
    return layers.locate(rig.mast.crown_m)[0] - layers.locate(rig.mast.floor_m)[0]


def _from_sessions(args: argparse.Namespace) -> "_Source":
    from monitor.adapters.sessions.chain import SessionChain
    from monitor.analysis.heights import heights_of
    from monitor.config.rig_file import find_rig

    with SessionChain(args.sessions) as chain:
        recorded = chain.rig
        encoder = _encoder(recorded, args.encoder)
        rig = recorded if args.rig is None else find_rig(args.rig)
        if rig.name != recorded.name or rig.line.lines != recorded.line.lines:
            raise UserError(
                f"--rig {args.rig} is {rig.name} with {rig.line.lines} lines, {chain.name} of {recorded.name} with"
                f" {recorded.line.lines}: give the file of the same rig"
            )
        from_ns, to_ns = session_range(args, chain)
        simulated = "SIMULATED" in chain.mode
        doubt = recorded.reference.sigma_m if args.doubt is None else args.doubt
        with replaying(chain.seconds, recorded.name):
            items = (
                item for item in chain.inputs(from_ns, damaged="skip")
                if (from_ns is None or item.t_ns >= from_ns) and (to_ns is None or item.t_ns < to_ns)
            )  # fmt: skip
            sets = heights_of(items, recorded, encoder, doubt)
    return _Source(rig, sets, encoder, simulated)


# --- the calibration --------------------------------------------------------------------------------------------------


def _calibrate(source: "_Source") -> int:
    """Fit each set that can be fitted; the last one that can is what the rig file may learn from."""
    from monitor.analysis.drum_fit import DrumFit, problem_of

    rig, sets, encoder, simulated = source
    problems = [problem_of(rig, found) for found in sets]
    if all(problems):
        lines = [f"{_where(found, sets)}{problem}" for found, problem in zip(sets, problems, strict=True)]
        lines += [f"left out: {words}" for found in sets for words in found.left_out]
        raise UserError("\n  ".join(lines))
    if simulated:
        print("SIMULATED: for practice only")
    print(_title(rig))
    for place, (found, problem) in enumerate(zip(sets, problems, strict=True)):
        if place:
            print()
            _say(f"NEW SET from {found.begin}: turns before and after are not comparable")
        for words in found.left_out:
            _say(f"left out: {words}")
        if problem:
            _say(problem)
        else:
            for line in DrumFit(rig, found, encoder).lines(last=place == len(sets) - 1):
                print(line)
    print()
    _say(_CAUTION)
    return 0


def _where(found: "HeightSet", sets: "list[HeightSet]") -> str:
    return "" if len(sets) == 1 else f"from {found.begin}: "


def _say(words: str) -> None:
    """Print words within 80 columns."""
    from monitor.analysis.drum_fit import wrapped

    for line in wrapped(words):
        print(line)
