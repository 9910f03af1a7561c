"""`stopmark line`: work of the drilling line by the textbook formulas, and as it was measured in sessions."""

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Final

from monitor.commands.common.arguments import density, length, power, weight, weight_per_length, work
from monitor.commands.common.progress import SoFar, replaying
from monitor.commands.common.session_range import add_kind, add_sessions, session_path
from monitor.errors import UserError
from monitor.presentation.line_work import both_units, compared_sums
from monitor.units import (
    FOOT_M,
    HORSEPOWER_W,
    POUND_FORCE_N,
    STANDARD_GRAVITY_M_S2,
    TON_MILE_J,
)

if TYPE_CHECKING:
    from monitor.analysis.recording import Recording
    from monitor.config.rig import Rig

_UNITS_TOLD: Final = (
    "Figures carry their unit: a LENGTH as 12090ft or 3685m, a WEIGHT as 75000lb, 75klb, 22t or 216kN, a WEIGHT/LENGTH as"
    " 17.55lb/ft, 26kg/m or 256N/m, a DENSITY as 9.6ppg, 1150kg/m3 or 1.15sg, WORK as 800tonmile or 900MJ, a POWER as"
    " 1500hp or 1100kW."
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's words."""
    kinds = parser.add_subparsers(dest="what", required=True, metavar="WHAT")
    plan = add_kind(kinds, "plan", "work by formula, before or after the job")
    jobs = plan.add_subparsers(dest="job", required=True, metavar="JOB")
    for name, words, depths in (
        ("round-trip", "out of the hole and back in", ("depth",)),
        ("drilling", "drilling from one depth to another", ("start", "depth")),
        ("coring", "coring from one depth to another", ("start", "depth")),
        ("short-trip", "between two depths and back", ("start", "depth")),
        ("casing", "setting casing", ("depth",)),
    ):
        place = add_kind(jobs, name, f"{words}: work by formula", _UNITS_TOLD)
        _add_string(place, depths, casing=name == "casing")
        if name == "drilling":
            place.add_argument("--reamings", type=int, default=1, help="times each stand is reamed (1)")
        _add_measured(place)
    cut = add_kind(jobs, "cut", "when the next cut is due, and how much to slip until then", _UNITS_TOLD)
    cut.add_argument("--rig", default="land", help="rig file or shipped rig: rope, goal (land)")
    cut.add_argument("--cut", type=length, metavar="LENGTH", required=True, help="length of the programme's cut")
    cut.add_argument("--done", type=work, metavar="WORK", default=0.0, help="work since the last cut (0tonmile)")
    cut.add_argument(
        "--data",
        metavar="DIR",
        help="also count the work in the rig's ledger there since its last cut; with --measured, once",
    )
    cut.add_argument("--since-slip", type=work, metavar="WORK", default=None, help="work since the last slip")
    cut.add_argument("--load", type=weight, metavar="WEIGHT", help="heaviest usual hook load, for the design factor")
    _add_measured(cut)
    load = add_kind(jobs, "load", "what a hook load asks of line, derrick and drive", _UNITS_TOLD)
    load.add_argument("--rig", default="land", help="rig file or shipped rig: lines, rope, sheaves (land)")
    load.add_argument("--load", type=weight, metavar="WEIGHT", required=True, help="hook load, block included")
    load.add_argument("--power", type=power, metavar="POWER", help="power at the drum, for the speed it allows")
    load.add_argument("--stroke", type=length, metavar="LENGTH", help="hoisting stroke, for its time at that speed")
    seen = add_kind(kinds, "measured", "work done in sessions: in all, by activity, trip by trip")
    add_sessions(seen)


def _add_string(place: argparse.ArgumentParser, depths: tuple[str, ...], casing: bool) -> None:
    for name in depths:
        place.add_argument(f"--{name}", type=length, metavar="LENGTH", required=True, help=f"{name} of the bit")
    what = "joint" if casing else "stand"
    place.add_argument(
        f"--{what}", dest="stand", type=length, metavar="LENGTH", required=True, help=f"length of a {what}"
    )
    place.add_argument("--pipe", type=weight_per_length, metavar="WEIGHT/LENGTH", required=True,
                       help="weight of pipe: buoyed, or in air with --mud")  # fmt: skip
    place.add_argument(
        "--block", type=weight, metavar="WEIGHT", help="block and what hangs with it (default: the rig's)"
    )
    place.add_argument("--rig", default="land", help="rig file or shipped rig, for the block's weight (land)")
    if not casing:
        place.add_argument("--assembly", type=weight, metavar="WEIGHT", default=0.0, help="collars and heavy pipe")
        place.add_argument("--assembly-length", type=length, metavar="LENGTH", default=0.0, help="their length")
        place.add_argument("--excess", type=weight, metavar="WEIGHT", default=None,
                           help="buoyed assembly less the same length of pipe, instead of the two")  # fmt: skip
    place.add_argument("--mud", type=density, metavar="DENSITY", help="mud; pipe and assembly are then weights in air")


def _add_measured(place: argparse.ArgumentParser) -> None:
    place.add_argument(
        "--measured",
        metavar="SESSION",
        nargs="+",
        type=session_path,
        default=[],
        help="sessions of the job, to put beside it",
    )


def run(args: argparse.Namespace) -> int:
    """Work it out and print it."""
    from monitor.config.rig_file import find_rig

    if args.what == "measured":
        _print_work(_print_measured(args.sessions))
        return 0
    rig = find_rig(args.rig)
    try:
        if args.job == "load":
            _print_load(rig, args.load, args.power, args.stroke)
            return 0
        if args.job == "cut":
            _print_cut(args, rig)
            return 0
        if args.stand <= 0.0:
            raise ValueError(f"{'--joint' if args.job == 'casing' else '--stand'}: must be above 0")
        planned = JOBS[args.job](args, rig)
    except ValueError as error:
        raise UserError(str(error)) from None
    print(f"{args.job}: {both_units(planned)} by formula")
    print(f"  {_assumed(args, rig)}")
    if args.measured:
        seen = work_in(_print_measured(args.measured))
        if planned > 0:
            print(
                f"measured over formula: {(seen / planned - 1) * 100:+.1f} % (3 to 10 % more is usual: pick-up, drag)"
            )
    return 0


def _assumed(args: argparse.Namespace, rig: "Rig") -> str:
    """What the formula was given that does not stand in the command in these words."""
    from monitor.physics.line import buoyancy_factor

    block = _block(args, rig)
    words = f"block {block / 1e3:.1f} kN ({block / POUND_FORCE_N:,.0f} lb)"
    words += "" if args.block is not None else f", of rig {rig.name}"
    if args.mud is None:
        return words + "; weights as given, taken as buoyed"
    return words + f"; weights in air, times {buoyancy_factor(args.mud):.4f} in mud of {args.mud:.0f} kg/m3"


def _trip(args: argparse.Namespace, rig: "Rig", depth: float) -> float:
    from monitor.physics.line import buoyancy_factor, excess_assembly_n, round_trip_j

    factor = 1.0 if args.mud is None else buoyancy_factor(args.mud)
    pipe = args.pipe * factor
    excess = args.excess
    if excess is None:
        excess = excess_assembly_n(args.assembly * factor, args.assembly_length, pipe)
    return round_trip_j(depth, args.stand, pipe, _block(args, rig), excess)


def _block(args: argparse.Namespace, rig: "Rig") -> float:
    return float(args.block) if args.block is not None else rig.block.mass_kg * STANDARD_GRAVITY_M_S2


def _two(args: argparse.Namespace, rig: "Rig") -> tuple[float, float]:
    if not 0 <= args.start < args.depth:
        raise ValueError("--start: must be above --depth, and not below 0")
    return _trip(args, rig, args.start), _trip(args, rig, args.depth)


def _drilling(args: argparse.Namespace, rig: "Rig") -> float:
    from monitor.physics.line import drilling_j

    return drilling_j(*_two(args, rig), args.reamings)


def _coring(args: argparse.Namespace, rig: "Rig") -> float:
    from monitor.physics.line import coring_j

    return coring_j(*_two(args, rig))


def _short_trip(args: argparse.Namespace, rig: "Rig") -> float:
    from monitor.physics.line import short_trip_j

    return short_trip_j(*_two(args, rig))


def _casing(args: argparse.Namespace, rig: "Rig") -> float:
    from monitor.physics.line import buoyancy_factor, casing_j

    factor = 1.0 if args.mud is None else buoyancy_factor(args.mud)
    return casing_j(args.depth, args.stand, args.pipe * factor, _block(args, rig))


JOBS: Final[dict[str, Callable[[argparse.Namespace, "Rig"], float]]] = {
    "round-trip": lambda args, rig: _trip(args, rig, args.depth),
    "drilling": _drilling,
    "coring": _coring,
    "short-trip": _short_trip,
    "casing": _casing,
}
"""Work of each job by its formula, J."""


def _factor(rig: "Rig", load_n: float) -> tuple[float, float]:
    """(fast-line tension hoisting, N; design factor)."""
    from monitor.physics.tackle import design_factor, fast_line_n

    tension = fast_line_n(load_n, rig.line.sheave_factor, rig.line.lines, 1)
    return tension, design_factor(rig.line.breaking_strength_n, tension)


def _print_load(rig: "Rig", load_n: float, power_w: float | None, stroke_m: float | None) -> None:
    """Fast line and derrick under a hook load; with a power, the speed it allows and the time of a stroke."""
    from monitor.physics.tackle import (
        DESIGN_FACTORS,
        derrick_efficiency,
        derrick_load_n,
        efficiency_hoisting,
        equivalent_derrick_load_n,
    )
    from monitor.presentation.missing import require

    require(rig, "--load", "line")
    if load_n <= 0:
        raise ValueError("--load: must be above 0")
    if stroke_m is not None and power_w is None:
        raise ValueError("--stroke: its time needs --power")
    tension, factor = _factor(rig, load_n)
    lines = rig.line.lines
    print(f"fast line, hoisting: {tension / 1e3:.1f} kN ({tension / POUND_FORCE_N:,.0f} lbf) on {lines} lines")
    print(f"design factor: {factor:.2f} (breaking strength {rig.line.breaking_strength_n / 1e3:.0f} kN)")
    for words, least in (*DESIGN_FACTORS, ("this site", rig.line.min_design_factor)):
        print(f"  {words}: at least {least:g}: {'met' if factor >= least else 'NOT MET'}")
    efficiency = efficiency_hoisting(rig.line.sheave_factor, lines)
    derrick, worst = derrick_load_n(load_n, lines, efficiency), equivalent_derrick_load_n(load_n, lines)
    print(
        f"derrick, hoisting: {derrick / 1e3:.0f} kN ({derrick / POUND_FORCE_N:,.0f} lbf), less the crown block's weight"
    )
    print(
        f"  four times its most loaded leg: {worst / 1e3:.0f} kN ({worst / POUND_FORCE_N:,.0f} lbf), derrick efficiency"
        f" {derrick_efficiency(load_n, lines, efficiency) * 100:.1f} %"
    )
    if power_w is not None:
        _print_stroke(load_n, efficiency, power_w, stroke_m)


def _print_stroke(load_n: float, efficiency: float, power_w: float, stroke_m: float | None) -> None:
    """Power at the hook, the speed it allows, and the time of a stroke at that speed."""
    from monitor.physics.tackle import hoisting_speed_at_power_m_s, hook_power_w

    if power_w <= 0:
        raise ValueError("--power: must be above 0")
    at_hook, speed = hook_power_w(power_w, efficiency), hoisting_speed_at_power_m_s(power_w, load_n, efficiency)
    print(
        f"power at the hook: {at_hook / 1e3:.0f} kW ({at_hook / HORSEPOWER_W:.1f} hp), {efficiency * 100:.1f} % of the drum's"
    )
    print(f"hoisting in the best gear: at most {speed:.3f} m/s ({speed / FOOT_M * 60:.1f} ft/min)")
    if stroke_m is not None:
        seconds = stroke_m / speed
        print(
            f"a stroke of {stroke_m:.1f} m ({stroke_m / FOOT_M:.0f} ft): {seconds:.0f} s ({seconds / 60:.1f} min) at that speed,"
            " starting and stopping not counted"
        )


def _print_cut(args: argparse.Namespace, rig: "Rig") -> None:
    from monitor.physics.line import cut_due_m, slip_share_m, work_until_cut_j
    from monitor.presentation.missing import require

    require(rig, "--cut", "line")
    if args.cut <= 0:
        raise ValueError("--cut: must be above 0")
    factor = _factor(rig, args.load)[1] if args.load else None
    goal = rig.line.goal_j_m(factor or 5.0)
    words = "usual for the rope's diameter" + (f", scaled to a design factor of {factor:.1f}" if factor else "")
    if rig.line.goal_ton_miles_per_ft is not None:
        words = "the site's own goal"
    done = args.done
    recording = recorded(args.measured) if args.measured else None
    if args.data is not None:
        done += ledger_work_j(Path(args.data), rig.name, recording)
    elif recording is not None:
        done += work_in(recording)
    trust = trust_in(recording) if recording is not None else ""
    left = work_until_cut_j(done, args.cut, goal)
    print(f"goal: {goal * FOOT_M / TON_MILE_J:.1f} ton-miles per foot, {goal / 1e6:.0f} MJ per metre ({words})")
    print(f"programme: cut {args.cut:.1f} m ({args.cut / FOOT_M:.0f} ft) every {both_units(args.cut * goal)}")
    due = cut_due_m(done, goal)
    print(f"done: {both_units(done)}{trust}: {due:.2f} m ({due / FOOT_M:.1f} ft) of line due")
    print(f"until the cut: {both_units(left)}" if left > 0 else f"OVERDUE by {both_units(-left)}")
    if args.since_slip is not None:
        slip = slip_share_m(args.cut, args.cut * goal, args.since_slip)
        print(f"slip now: {slip:.2f} m ({slip / FOOT_M:.1f} ft), for {both_units(args.since_slip)} since the last slip")


def ledger_work_j(folder: Path, rig: str, recording: "Recording | None") -> float:
    """Line work in the rig's ledger since the line was last cut or renewed, J, with what only `recording` has of it.

    Raises:
        UserError: the rig has no ledger there.
    """
    from monitor.adapters.ledger.entries import pending
    from monitor.analysis.ledger_entries import candidates, open_ledger, work_since_cut_j

    with open_ledger(folder, rig) as ledger:
        more = pending(ledger, candidates(recording)) if recording is not None else []
        return work_since_cut_j([*ledger.entries(), *more])[0]


def recorded(paths: list[Path]) -> "Recording":
    """What is in the sessions."""
    from monitor.adapters.sessions.chain import SessionChain
    from monitor.analysis.parallel_replay import processors
    from monitor.analysis.recording import collect

    with SessionChain(paths) as chain:
        so_far = SoFar(chain.t_first_ns, chain.end_ns)
        with replaying(chain.seconds, chain.rig.name, so_far):
            return collect(chain, jobs=processors(), on_progress=so_far.on_progress)


def work_in(recording: "Recording") -> float:
    """Line work in it, J."""
    return float(recording["line_work"][-1])


def trust_in(recording: "Recording") -> str:
    """What to say of the trustworthiness of line work that was measured."""
    known = min(recording.known("height"), recording.known("hook_load"))
    trust = f", ± {recording.rig.uncertainty.load * 100:.0f} % with the load"
    if known < 0.999:
        trust += f"; height and load known {known * 100:.1f} % of the time, the rest is missing"
    return trust


def _print_measured(paths: list[Path]) -> "Recording":
    """What is in the sessions; its line work is printed."""
    recording = recorded(paths)
    print(f"measured, counted on the way: {both_units(work_in(recording))}{trust_in(recording)}")
    return recording


def _print_work(recording: "Recording") -> None:
    """Line work by activity, the empty block's moves apart; stands an hour; the log's own counter beside it."""
    from monitor.analysis.work.log import series_of_recording, worked
    from monitor.presentation.format import clock

    log = worked(series_of_recording(recording))
    activities = log.activities
    if not activities.work:
        return
    print(f"\nstroke by stroke, by activity, {'by the log’s own code' if activities.by_code else 'by the motion'}:")
    print(f"  {'':<30}{'ton-miles':>11}{'MJ':>9}{'string, MJ':>12}{'block alone, MJ':>17}{'strokes':>9}")
    for one in activities.work:
        print(f"  {one.activity:<30}{one.total_j / TON_MILE_J:>11.2f}{one.total_j / 1e6:>9.0f}{one.with_string_j / 1e6:>12.0f}"
              f"{one.block_alone_j / 1e6:>17.0f}{one.strokes:>9}")  # fmt: skip
    print(f"  {'all':<30}{log.work_j / TON_MILE_J:>11.2f}{log.work_j / 1e6:>9.0f}")
    print(f"  {compared_sums(work_in(recording), log.work_j)}")
    other_block = log.other_block(recording.rig)
    if other_block:
        print(f"  DOUBTFUL: {other_block}")
    if log.unseen.times:
        print(f"  not in it: the position was not read {log.unseen.times} times, {log.unseen.seconds / 60:.0f} min in all;"
              f" estimated {both_units(log.unseen.work_j)} more")  # fmt: skip
        if log.unseen.not_estimated_s > 0.0:
            print(f"  of that time nothing is said of {log.unseen.not_estimated_s / 60:.0f} min: too long a hole")
    for trip in activities.trips:
        pauses = f"{trip.pauses} pause{'s' * (trip.pauses > 1)}"
        pace = f" ({trip.pace_per_hour:.1f} without {pauses})" if trip.pauses else ""
        print(f"{trip.activity}, {clock(log.series.ns(trip.from_s), date=True)} UTC: {trip.stands} stands,"
              f" {trip.per_hour:.1f} an hour{pace};"
              f" connection {trip.connection_s:.0f} s, slips to slips {trip.hanging_s:.0f} s")  # fmt: skip
    if log.counter is not None:
        own, over_same = both_units(log.counter.own_j), both_units(log.counter.worked_out_j)
        print(f"the log's own counter: {own}; worked out over the same time: {over_same}")
