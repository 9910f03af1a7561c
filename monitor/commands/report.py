"""`stopmark report`: what is in one or more sessions, as one printable page."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.commands.common.place_of_work import add_scheduler, scheduler_of
from monitor.commands.common.progress import SoFar, replaying
from monitor.commands.common.session_range import add_session_range, add_sessions, print_faults, session_range
from monitor.errors import UserError

if TYPE_CHECKING:
    from monitor.adapters.ledger.ledger import Entry


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's words."""
    add_sessions(parser)
    parser.add_argument("-o", "--out", metavar="FILE", type=Path, required=True, help="the page to write (.html)")
    add_session_range(parser)
    parser.add_argument("--data", metavar="DIR", type=Path, help="folder of the rig's ledger, to report from that, too")
    parser.add_argument("--units", choices=("si", "metric", "field"), help="units (default: the rig's)")
    parser.add_argument("--force", action="store_true", help="replace the file if it exists")
    parser.add_argument(
        "--jobs", metavar="N", type=count, help="pieces of a long session at a time (default: processors)"
    )
    add_scheduler(parser)


def count(text: str) -> int:
    """A count of things, 1 to 256."""
    if not text.isascii() or not text.isdigit() or not 1 <= int(text[:4]) <= 256:
        raise argparse.ArgumentTypeError(f"{text!r} is no count: give a whole number from 1 to 256")
    return int(text)


def run(args: argparse.Namespace) -> int:
    """Write the report."""
    from monitor.adapters.host.output_file import check_out, write_whole

    check_out(args.out, (".html", ".htm"), args.force, args.sessions)
    if args.data is not None and not args.data.is_dir():
        raise UserError(f"--data {args.data}: no such folder")
    from monitor.adapters.sessions.chain import SessionChain
    from monitor.analysis.parallel_replay import processors
    from monitor.analysis.recording import collect
    from monitor.report.page import make_report

    place = scheduler_of(args)
    with SessionChain(args.sessions) as chain:
        # First of all: what is missing is said before the long work, not after it.
        entries = None if args.data is None else ledger_entries(args.data, chain.rig.name)
        from_ns, to_ns = session_range(args, chain)
        print_faults(chain)
        first_ns, last_ns = from_ns or chain.t_first_ns, to_ns or chain.end_ns
        so_far = SoFar(first_ns, last_ns)
        with replaying(min((last_ns - first_ns) * 1e-9, chain.seconds), chain.rig.name, so_far):
            jobs, elsewhere = args.jobs or processors(), None if place is None else place.whole
            recording = collect(chain, from_ns, to_ns, jobs, so_far.on_progress, elsewhere)
    write_whole(args.out, make_report(recording, args.units, entries))
    spread = f", in {recording.seconds / 3600:.2f} h" if recording.watched_s < 0.99 * recording.seconds else ""
    print(f"{args.out}: {recording.watched_s / 3600:.2f} h of {recording.rig.name}{spread}")
    return 0


def ledger_entries(folder: Path, rig: str) -> "list[Entry]":
    """All of the rig's ledger in `folder`.

    Raises:
        UserError: there is none.
    """
    from monitor.analysis.ledger_entries import open_ledger

    with open_ledger(folder, rig) as ledger:
        return ledger.entries()
