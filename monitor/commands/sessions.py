"""`stopmark sessions`: what is recorded, whether it is sound, copies of it, and what is worth keeping."""

import argparse
import os
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.commands.common.session_range import add_kind, session_path
from monitor.errors import UserError
from monitor.text import harmless

if TYPE_CHECKING:
    from monitor.adapters.sessions.catalogue import SessionSummary


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's words."""
    data = "folder of the sessions (default: the user's data folder)"
    one = "a file, or a name in the user's data folder"
    kinds = parser.add_subparsers(dest="what", metavar="WHAT")
    listing = add_kind(kinds, "list", "list them (the default)")
    for place in (parser, listing):
        place.add_argument("--data", metavar="DIR", default=argparse.SUPPRESS, help=data)
        place.add_argument("--rig", metavar="NAME", default=argparse.SUPPRESS, help="those of one rig")
    verify = add_kind(
        kinds, "verify", "read all of a session and say what is wrong with it; exit code 1 when something is"
    )
    verify.add_argument(
        "sessions", metavar="SESSION", nargs="*", type=session_path, help=f"{one} (default: all in the folder)"
    )
    verify.add_argument("--data", metavar="DIR", default=argparse.SUPPRESS, help=data)
    copy = add_kind(kinds, "copy", "a complete copy in one file, even while it is being recorded")
    copy.add_argument("session", metavar="SESSION", type=session_path, help=one)
    copy.add_argument("target", metavar="COPY", type=Path, help="file to write (.stopmark), or a folder")
    flag = add_kind(kinds, "flag", "mark a session as worth keeping: it is removed only with a warning")
    flag.add_argument("session", metavar="SESSION", type=session_path, help=one)
    flag.add_argument("text", metavar="WHY", help="why it is worth keeping")


def run(args: argparse.Namespace) -> int:
    """List, verify, copy or flag; 1 when a session is not sound."""
    from monitor.adapters.sessions.catalogue import copy_session, flag_session, list_sessions
    from monitor.adapters.sessions.folder import data_folder

    if args.what == "copy":
        print(f"{copy_session(args.session, args.target)}: a copy of {args.session}")
        return 0
    if args.what == "flag":
        import time

        if not args.text.strip():
            raise UserError("say WHY it is worth keeping")
        flag_session(args.session, args.text, time.time_ns())
        print(f"{args.session}: flagged")
        return 0
    folder = data_folder(getattr(args, "data", None))
    if args.what == "verify":
        return _verify(args.sessions, folder)
    if not folder.is_dir():
        raise UserError(f"{folder}: no such folder; give one with --data")
    os.scandir(folder).close()  # a folder that may not be looked into would else seem to be empty
    return _print(list_sessions(folder, getattr(args, "rig", None)), folder)


def _print(found: "Iterable[SessionSummary]", folder: Path) -> int:
    """List them, each as soon as it has been looked at; 1 when one cannot be read."""
    count, size, bad = 0, 0, 0
    rigs: dict[str, None] = {}
    for summary in found:
        if not count:
            print(f"{'session':<31}{'from (UTC)':<18}{'length':>8}{'gaps':>5}{'MB':>7}  worst", flush=True)
        for line in _lines(summary):
            print(harmless(line).replace("\n", " "), flush=True)
        count, size, bad = count + 1, size + summary.size_bytes, bad + bool(summary.problem)
        rigs |= {summary.rig: None} if summary.rig else {}
    if not count:
        print(f"{folder}: no sessions")
        return 0
    words = f"{count} session{'s' if count > 1 else ''}{' of ' if rigs else ''}{', '.join(rigs)}"
    print(harmless(f"{words}, {size / 1e6:.1f} MB, in {folder}"))
    return 1 if bad else 0


def _lines(s: "SessionSummary") -> Iterator[str]:
    """One session: a row of 80 columns, and below it what not every session has."""
    from monitor.presentation.format import clock, span

    name = s.path.name
    if s.problem:
        yield f"{name}  CANNOT BE READ: {s.problem.removeprefix(f'{s.path}: ')}"
        return
    if len(name) > 30:
        yield name
        name = ""
    worst = s.worst.name if s.worst is not None else "–"
    length = "empty" if not s.end_ns else span(s.duration_s)
    start = clock(s.t_first_ns, date=True)[:16] if s.end_ns else "–"
    yield f"{name:<31}{start:<18}{length:>8}{len(s.gaps):>5}{s.size_bytes / 1e6:>7.1f}  {worst}"
    if not s.path.name.startswith(f"{s.rig}-"):
        yield f"    rig {s.rig}"
    if s.unacknowledged:
        yield f"    not acknowledged: {', '.join(s.unacknowledged)}"
    for flag in s.flags:
        yield f"    flagged: {flag}"
    for gap in s.gaps[:3]:
        lost = f", {gap.lost} messages lost" if gap.lost else ""
        yield f"    gap at {clock(gap.from_ns, date=True)} for {span((gap.to_ns - gap.from_ns) * 1e-9)}{lost}"
    if len(s.gaps) > 3:
        yield f"    and {len(s.gaps) - 3} more gaps"


def _verify(sessions: list[Path], folder: Path) -> int:
    from monitor.adapters.sessions.catalogue import verify_session
    from monitor.adapters.sessions.format import SUFFIX, SessionError

    if not sessions and folder.is_dir():
        os.scandir(folder).close()  # see above
    paths = sessions or sorted(path for path in folder.glob("*" + SUFFIX) if path.is_file())
    if not paths:
        raise UserError(f"{folder}: no sessions to verify; name them, or give the folder with --data")
    bad = 0
    for path in paths:
        try:
            problems = verify_session(path)
        except SessionError as error:
            problems = [str(error)]
        bad += bool(problems)
        print(harmless(f"{path}: {'sound' if not problems else 'NOT SOUND'}"), flush=True)
        for problem in problems:
            print("\n".join(f"  {harmless(line)}" for line in problem.splitlines()), file=sys.stderr)
    return 1 if bad else 0
