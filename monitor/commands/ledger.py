"""`stopmark ledger`: what was checked, cut, changed and measured on a rig, by whom and when. Entries are only added."""

import argparse
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.errors import UserError

if TYPE_CHECKING:
    from monitor.adapters.ledger import Ledger


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's words."""
    kinds = parser.add_subparsers(dest="what", required=True, metavar="WHAT")
    show = kinds.add_parser("show", help="list the entries")
    show.add_argument("--kind", help="those of one kind")
    show.add_argument("--corrected", action="store_true", help="also those that were corrected")
    add = kinds.add_parser("add", help="write an entry; it can be corrected, never changed")
    add.add_argument("kind", metavar="KIND", help="check, reference, line-cut, line-new, line-strung, pads, note, …")
    add.add_argument("--text", default="", help="what happened")
    add.add_argument("--number", metavar="NAME=NUMBER", dest="numbers", action="append", default=[],
                     help="a figure, SI, with its unit in the name: cut_m=24.4; may be given several times")  # fmt: skip
    add.add_argument("--who", required=True, help="initials")
    add.add_argument("--at", metavar="TIME", help="when it happened: ISO 8601, UTC (default: now)")
    add.add_argument("--corrects", metavar="ID", type=int, help="number of the entry that this one replaces")
    take = kinds.add_parser("take", help="take from sessions: brake health by day, checks, cuts, references, line work")
    take.add_argument("sessions", metavar="SESSION", nargs="+", type=Path, help="recorded sessions of one rig")
    take.add_argument("--simulated", action="store_true", help="also take what was only simulated, for practice")
    take.add_argument("--data", metavar="DIR", help="folder of the ledgers (default: the user's data folder)")
    export = kinds.add_parser("export", help="write the entries as CSV")
    export.add_argument("-o", "--out", metavar="FILE.csv", type=Path, required=True)
    verify = kinds.add_parser("verify", help="check that every entry is as it was written")
    trend = kinds.add_parser("trend", help="where effectiveness, response, leak and auxiliary share are heading")
    trend.add_argument("--bound", metavar="NAME=NUMBER", action="append", default=[],
                       help="say when a series reaches a value: effectiveness=0.7")  # fmt: skip
    for place in (show, add, export, verify, trend):
        place.add_argument("--rig", required=True, help="name of the rig")
        place.add_argument("--data", metavar="DIR", help="folder of the ledgers (default: the user's data folder)")


def run(args: argparse.Namespace) -> int:
    """Show, add, take from sessions, export, verify, or look for trends."""
    from monitor.adapters.ledger import Ledger, ledger_path
    from monitor.live import data_folder

    folder = data_folder(args.data)
    if args.what == "take":
        return _take(folder, args.sessions, args.simulated)
    path = ledger_path(folder, args.rig)
    if "/" in args.rig or "\\" in args.rig or args.rig.startswith("."):
        raise UserError(f"{args.rig!r} is no rig's name")
    if args.what != "add" and not path.exists():
        raise UserError(f"{path}: this rig has no ledger yet; it begins with its first entry")
    if args.what == "add":
        folder.mkdir(parents=True, exist_ok=True)
    with Ledger(path) as ledger:
        if args.what == "add":
            return _add(ledger, args)
        if args.what == "verify":
            problems = ledger.verify()
            print("\n".join(problems) or f"{path}: sound, {len(ledger.entries(corrected=True))} entries")
            return 1 if problems else 0
        if args.what == "export":
            return _export(ledger, args.out)
        if args.what == "trend":
            return _trend(ledger, args.bound)
        return _show(ledger, args)


def numbers_of(words: list[str]) -> dict[str, float]:
    """NAME=NUMBER words as a mapping.

    Raises:
        UserError: a word is none.
    """
    numbers = {}
    for word in words:
        name, _, text = word.partition("=")
        try:
            numbers[name] = float(text)
        except ValueError:
            raise UserError(f"{word!r}: give NAME=NUMBER, as cut_m=24.4") from None
        if not name.isidentifier():
            raise UserError(f"{word!r}: the name may hold letters, digits and _")
    return numbers


def _add(ledger: "Ledger", args: argparse.Namespace) -> int:
    now_ns = time.time_ns()
    t_ns = now_ns
    if args.at:
        try:
            when = datetime.fromisoformat(args.at)
        except ValueError:
            raise UserError(f"--at {args.at}: no time; give it as 2026-01-31T14:30:00") from None
        t_ns = round((when if when.tzinfo else when.replace(tzinfo=UTC)).timestamp() * 1e6) * 1000
        if t_ns > now_ns:
            raise UserError(f"--at {args.at}: lies in the future")
    entry = ledger.add(
        args.kind, t_ns, now_ns, who=args.who, text=args.text, numbers=numbers_of(args.numbers), corrects=args.corrects
    )
    print(f"entry {entry.id} written to {ledger.path}")
    return 0


def _take(folder: Path, sessions: list[Path], simulated: bool) -> int:
    """Write what the sessions show and the ledger does not have yet."""
    from monitor.adapters.chain import SessionChain
    from monitor.adapters.drafts import enter
    from monitor.adapters.ledger import Ledger, ledger_path
    from monitor.report.collect import collect
    from monitor.report.ledgered import drafts

    with SessionChain(sessions) as chain:
        if "SIMULATED" in chain.mode and not simulated:
            raise UserError(
                f"{chain.name}: is a simulation, and has no place in the ledger of a rig;"
                " for practice give --simulated, and --data with a folder of its own"
            )
        recording = collect(chain)
    folder.mkdir(parents=True, exist_ok=True)
    path = ledger_path(folder, recording.rig.name)
    with Ledger(path) as ledger:
        new, known = enter(ledger, drafts(recording), time.time_ns())
    print(f"{path}: {new} new entries; {known} were there already")
    return 0


def _show(ledger: "Ledger", args: argparse.Namespace) -> int:
    from monitor.adapters.ledger import KINDS, iso

    if args.kind is not None and args.kind not in KINDS:
        raise UserError(f"{args.kind!r} is no kind of entry; known: {', '.join(KINDS)}")
    entries = ledger.entries(args.kind, corrected=args.corrected)
    for entry in entries:
        numbers = " ".join(f"{name}={number:g}" for name, number in entry.numbers.items())
        words = "".join(ch if ch.isprintable() else " " for ch in f"{entry.who:<4} {entry.text}")
        mends = f" (corrects {entry.corrects})" if entry.corrects is not None else ""
        print(f"{entry.id:>5}  {iso(entry.t_ns)[:19]}  {entry.kind:<12}{words}  {numbers}{mends}".rstrip())
    print(f"{len(entries)} entries")
    return 0


def _export(ledger: "Ledger", out: Path) -> int:
    from monitor.adapters.ledger import write_csv

    entries = ledger.entries(corrected=True)
    try:
        with out.open("x", encoding="utf-8", newline="") as file:
            write_csv(entries, file)
    except FileExistsError:
        raise UserError(f"{out}: exists already") from None
    except OSError as error:
        raise UserError(f"{out}: cannot be written ({error.strerror})") from None
    print(f"{out}: {len(entries)} entries")
    return 0


def _trend(ledger: "Ledger", bounds: list[str]) -> int:
    from monitor.report.ledgered import SERIES, trend_words

    wanted = numbers_of(bounds)
    unknown = [name for name in wanted if name not in {row[0] for row in SERIES}]
    if unknown:
        raise UserError(f"--bound {unknown[0]}: no such series; there are {', '.join(row[0] for row in SERIES)}")
    for words, text in trend_words(ledger.entries("brake"), wanted):
        print(f"{words}: {text}")
    return 0
