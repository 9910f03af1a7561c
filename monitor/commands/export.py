"""`stopmark export`: sessions as tables for other programs: CSV, Parquet, xlsx."""

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from monitor.commands.common.progress import Progress, SoFar
from monitor.commands.common.session_range import add_session_range, add_sessions, print_faults, session_range
from monitor.errors import UserError

PLAIN: Final = ("readings", "resampled", "signals", "findings")
SESSION: Final = "session"
WORK: Final = ("strokes", "stands", "trips", "line-work", "stops", "limits")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's words."""
    from monitor.commands.common.arguments import positive

    add_sessions(parser)
    parser.add_argument(
        "-o", "--out", metavar="FILE", type=Path, required=True, help="table to write: .csv, .parquet, .xlsx"
    )
    parser.add_argument(
        "--what", choices=(*PLAIN, *WORK, SESSION), default="readings",
        help="readings as they came; resampled, one column per sensor; derived signals; what was said; or of the block's work:"
        " strokes, stands, trips (stands an hour), line-work by activity, stops by the motion alone, time beyond limits;"
        " or session: the piece from --from to --to as one of its own, which replays",
    )  # fmt: skip
    parser.add_argument(
        "--every",
        metavar="SECONDS",
        type=positive,
        help="step of resampled and signals (1); a silence of more than a minute has no rows after that, and is told",
    )
    parser.add_argument("--signals", metavar="NAME,NAME", help="some of the signals only")
    parser.add_argument("--own-units", action="store_true", help="each sensor's own unit instead of SI")
    add_session_range(parser)
    parser.add_argument("--force", action="store_true", help="replace the file if it exists")


def check_words(args: argparse.Namespace) -> None:
    """Look for options that do not go together.

    Raises:
        UserError: some do not.
    """
    if args.signals and args.what != "signals":
        raise UserError("--signals: goes with --what signals")
    if args.every is not None and args.what not in ("resampled", "signals"):
        raise UserError(
            f"--every: {args.what} are exported as they came; for a row per step add --what resampled or signals"
        )
    if args.own_units and args.what not in ("readings", "resampled"):
        raise UserError(f"--own-units: {args.what} are SI")
    if args.what == SESSION and args.force:
        raise UserError("--force: a session is never written over; give another name")
    if args.what == "findings" and (args.start or args.end):
        raise UserError("--from and --to: findings are exported whole")


def run(args: argparse.Namespace) -> int:
    """Export."""
    from monitor.adapters.host.output_file import check_out
    from monitor.adapters.sessions.chain import SessionChain
    from monitor.adapters.tables import export
    from monitor.adapters.tables.table_file import FORMATS
    from monitor.analysis.signal_table import export_signals

    check_words(args)
    if args.what == SESSION:
        return _cut_out(args)
    check_out(args.out, [f".{ending}" for ending in FORMATS], args.force, args.sessions)
    with SessionChain(args.sessions) as chain:
        from_ns, to_ns = session_range(args, chain)
        print_faults(chain)
        sessions = [session.path for session in chain.sessions]
        so_far = SoFar(from_ns or chain.t_first_ns, to_ns or chain.end_ns)
    every_ns = round((1.0 if args.every is None else args.every) * 1e9)
    with Progress(f"writing {args.out.name}", done=so_far):
        if args.what == "readings":
            result = export.export_readings(sessions, args.out, from_ns, to_ns, args.own_units, so_far.on_progress)
        elif args.what == "resampled":
            result = export.export_resampled(
                sessions, args.out, every_ns, from_ns, to_ns, args.own_units, so_far.on_progress
            )
        elif args.what == "signals":
            names = [name.strip() for name in args.signals.split(",")] if args.signals else ()
            result = export_signals(sessions, args.out, every_ns, names, from_ns, to_ns, so_far.on_progress)
        elif args.what in WORK:
            from monitor.analysis.work.tables import export_work

            result = export_work(args.sessions, args.out, args.what, from_ns, to_ns, so_far.on_progress)
        else:
            result = export.export_findings(sessions, args.out)
    print(f"{result.path}: {result.rows} rows")
    for reason, count in result.refused.items():
        print(f"  left out: {count} {reason}")
    if result.silences:
        print(f"  {silence_words(result.silences)}")
    if result.message:
        print(f"  {result.message}")
    return 0


def _cut_out(args: argparse.Namespace) -> int:
    """Write a piece as a session of its own."""
    from monitor.adapters.sessions.chain import SessionChain
    from monitor.presentation.format import clock
    from monitor.runtime.cut import check_name, cut_out

    check_name(args.out)
    with SessionChain(args.sessions) as chain:
        from_ns, to_ns = session_range(args, chain)
        start_ns = chain.t_first_ns if from_ns is None else from_ns
        last_ns = chain.end_ns if to_ns is None else to_ns
        so_far = SoFar(start_ns, last_ns)
        with Progress(f"writing {args.out.name}", done=so_far):
            piece = cut_out(chain, start_ns, last_ns, args.out, so_far.on_progress)
    words = f"from {clock(piece.from_ns, date=True)} to {clock(piece.to_ns)} UTC"
    print(f"{piece.path}: {words}, {piece.frames} messages, {piece.findings} findings; stopmark replay {piece.path}")
    return 0


def silence_words(silences: Sequence[tuple[int, int]]) -> str:
    """What to say of stretches (from, to; ns) without rows."""
    from monitor.presentation.format import clock, span

    first_ns, last_ns = max(silences, key=lambda silence: silence[1] - silence[0])
    where = f"from {clock(first_ns, date=True)} to {clock(last_ns, date=True)} UTC"
    if len(silences) == 1:
        return f"no rows {where}: nothing was recorded there"
    total = span(sum(to_ns - from_ns for from_ns, to_ns in silences) * 1e-9)
    return f"no rows in {len(silences)} stretches ({total} in all) in which nothing was recorded; the longest: {where}"
