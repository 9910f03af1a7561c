"""`stopmark sessions`: what is recorded, whether it is sound, copies of it, and what is worth keeping."""

import argparse
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.errors import UserError, harmless

if TYPE_CHECKING:
    from monitor.adapters.sessions import SessionSummary


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's words."""
    kinds = parser.add_subparsers(dest="what", metavar="WHAT")
    listing = kinds.add_parser("list", help="list them (the default)")
    for place in (parser, listing):
        place.add_argument("--data", metavar="DIR", default=argparse.SUPPRESS, help="folder of the sessions")
        place.add_argument("--rig", default=argparse.SUPPRESS, help="those of one rig")
    verify = kinds.add_parser("verify", help="read all of a session and say what is wrong with it")
    verify.add_argument("sessions", metavar="SESSION", nargs="*", type=Path, help="default: all in the folder")
    verify.add_argument("--data", metavar="DIR", default=argparse.SUPPRESS, help="folder of the sessions")
    copy = kinds.add_parser("copy", help="a complete copy in one file, even while it is being recorded")
    copy.add_argument("session", metavar="SESSION", type=Path)
    copy.add_argument("target", metavar="COPY", type=Path)
    flag = kinds.add_parser("flag", help="mark a session as worth keeping")
    flag.add_argument("session", metavar="SESSION", type=Path)
    flag.add_argument("text", metavar="WHY")


def run(args: argparse.Namespace) -> int:
    """List, verify, copy or flag; 1 when a session is not sound."""
    from monitor.adapters.folder import data_folder
    from monitor.adapters.sessions import copy_session, flag_session, list_sessions

    if args.what == "copy":
        copy_session(args.session, args.target)
        print(f"{args.target}: a copy of {args.session}")
        return 0
    if args.what == "flag":
        import time

        flag_session(args.session, args.text, time.time_ns())
        print(f"{args.session}: flagged")
        return 0
    folder = data_folder(getattr(args, "data", None))
    if args.what == "verify":
        return _verify(args.sessions, folder)
    if not folder.is_dir():
        raise UserError(f"{folder}: no such folder; give one with --data")
    os.scandir(folder).close()  # a folder that may not be looked into would else seem to be empty
    found = list(list_sessions(folder, getattr(args, "rig", None)))
    _print(found, folder)
    return 1 if any(summary.problem for summary in found) else 0


def _print(found: list["SessionSummary"], folder: Path) -> None:
    from monitor.ui.format import clock, span

    if not found:
        print(f"{folder}: no sessions")
        return
    print(f"{'session':<36}{'rig':<10}{'from (UTC)':<21}{'length':>9}{'gaps':>6}{'said':>6}{'MB':>8}  worst")
    for s in found:
        name = s.path.name if len(s.path.name) <= 35 else s.path.name[:34] + "…"
        if s.problem:
            print(harmless(f"{name:<36}CANNOT BE READ: {s.problem.removeprefix(f'{s.path}: ')}"))
            continue
        worst = s.worst.name if s.worst is not None else "–"
        tail = f"; not acknowledged: {', '.join(s.unacknowledged)}" if s.unacknowledged else ""
        tail += "".join(f"; flagged: {flag}" for flag in s.flags)
        row = (
            f"{name:<36}{s.rig:<10}{clock(s.t_first_ns, date=True):<21}{span(s.duration_s):>9}{len(s.gaps):>6}"
            f"{s.findings:>6}{s.size_bytes / 1e6:>8.1f}  {worst}{tail}"
        )
        print(harmless(row).replace("\n", " "))
        for gap in s.gaps[:3]:
            lost = f", {gap.lost} messages lost" if gap.lost else ""
            print(f"    gap at {clock(gap.from_ns, date=True)} for {span((gap.to_ns - gap.from_ns) * 1e-9)}{lost}")
        if len(s.gaps) > 3:
            print(f"    and {len(s.gaps) - 3} more gaps")
    total = sum(s.size_bytes for s in found)
    print(f"{len(found)} sessions, {total / 1e6:.1f} MB, in {folder}")


def _verify(sessions: list[Path], folder: Path) -> int:
    from monitor.adapters.folder import session_files
    from monitor.adapters.session import SessionError
    from monitor.adapters.sessions import verify_session

    if not sessions and folder.is_dir():
        os.scandir(folder).close()  # see above
    paths = sessions or list(session_files(folder))
    if not paths:
        raise UserError(f"{folder}: no sessions to verify; name them, or give the folder with --data")
    bad = 0
    for path in paths:
        try:
            problems = verify_session(path)
        except SessionError as error:
            problems = [str(error)]
        bad += bool(problems)
        print(harmless(f"{path}: {'sound' if not problems else 'NOT SOUND'}"))
        for problem in problems:
            print(f"  {harmless(problem)}", file=sys.stderr)
    return 1 if bad else 0
