"""`stopmark ledger`: what was checked, cut, changed and measured on a rig, by whom and when. Entries are only added."""

import argparse
import contextlib
import shutil
import sys
import time
from datetime import UTC, datetime
from pathlib import Path
from string import ascii_letters
from textwrap import wrap
from typing import TYPE_CHECKING

from monitor.commands.common.progress import SoFar, replaying
from monitor.commands.common.session_range import add_kind, add_sessions
from monitor.errors import UserError
from monitor.text import harmless, one_line

if TYPE_CHECKING:
    from monitor.adapters.ledger.ledger import Ledger

_DIMENSIONS = {"m": "length", "n": "force", "pa": "pressure", "j": "energy"}
"""What a number measures whose name ends so."""
_AGES_H = {"h": 1, "d": 24, "w": 24 * 7}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's words."""
    kinds = parser.add_subparsers(dest="what", required=True, metavar="WHAT")
    show = add_kind(kinds, "show", "list the entries")
    show.add_argument("--kind", metavar="KIND", help="those of one kind (see ledger add --help)")
    show.add_argument("--since", metavar="TIME", help="from then on: 12h, 7d, 8w (before now), or ISO 8601, UTC")
    show.add_argument("--corrected", action="store_true", help="also those that were corrected")
    add = add_kind(kinds, "add", "write an entry; it can be corrected, never changed")
    add.add_argument("kind", metavar="KIND", help="check, reference, line-cut, line-new, line-strung, line-work, brake,"
                     " pads, hand-over, restart, false-alarm or note")  # fmt: skip
    add.add_argument("--text", default="", help="what happened")
    add.add_argument("--number", metavar="NAME=NUMBER", dest="numbers", action="append", default=[],
                     help="a figure, SI with the unit in its name: cut_m=24.4, or in a unit of its own: cut_m=80ft; may be"
                     " given several times")  # fmt: skip
    add.add_argument("--who", metavar="INITIALS", required=True, help="who writes it")
    add.add_argument("--at", metavar="TIME", help="when it happened: ISO 8601, UTC (default: now)")
    add.add_argument("--corrects", metavar="ID", type=int, help="number of the entry that this one replaces")
    take = add_kind(kinds, "take", "take from sessions: brake health by day, checks, cuts, references, line work")
    add_sessions(take)
    take.add_argument("--simulated", action="store_true", help="also take what was only simulated, for practice")
    take.add_argument("--data", metavar="DIR", help="folder of the ledgers (default: the user's data folder)")
    export = add_kind(kinds, "export", "write the entries as CSV")
    export.add_argument("-o", "--out", metavar="FILE", type=Path, required=True, help="table to write: .csv")
    export.add_argument("--force", action="store_true", help="replace the file if it exists")
    verify = add_kind(kinds, "verify", "check that every entry is as it was written")
    trend = add_kind(kinds, "trend", "where effectiveness, response, leak and auxiliary share are heading; when"
                             " they reach the alarms' levels, where that can be told")  # fmt: skip
    trend.add_argument("--bound", metavar="NAME=NUMBER", action="append", default=[],
                       help="say when a series reaches a value: effectiveness=0.7")  # fmt: skip
    trend.add_argument("--rules", metavar="FILE", type=Path,
                       help="rule catalogue with the alarms' levels (default: that of the rig's newest session here, else"
                       " the one that comes with Stopmark)")  # fmt: skip
    for place in (show, add, export, verify, trend):
        place.add_argument("--rig", metavar="NAME", help="name of the rig (default: the only one with a ledger there)")
        place.add_argument("--data", metavar="DIR", help="folder of the ledgers (default: the user's data folder)")


def run(args: argparse.Namespace) -> int:
    """Show, add, take from sessions, export, verify, or look for trends."""
    from monitor.adapters.ledger.ledger import Ledger, ledger_path
    from monitor.adapters.sessions.folder import data_folder

    folder = data_folder(args.data)
    if args.what == "take":
        return _take(folder, args.sessions, args.simulated)
    path = ledger_path(folder, args.rig) if args.rig else only_ledger(folder)
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
            return _export(ledger, args.out, args.force)
        if args.what == "trend":
            return _trend(ledger, args.bound, site_rules(folder, path.stem, args.rules))
        return _show(ledger, args)


def only_ledger(folder: Path) -> Path:
    """The ledger in `folder`, where it holds one.

    Raises:
        UserError: it holds none, or several.
    """
    from monitor.adapters.ledger.ledger import SUFFIX

    found = sorted(path for path in folder.glob("*" + SUFFIX) if path.is_file())
    if len(found) == 1:
        return found[0]
    known = f"has those of {', '.join(path.stem for path in found)}" if found else "has no ledger"
    raise UserError(f"{folder}: {known}; say which with --rig NAME{'' if found else ', or which folder with --data'}")


def numbers_of(words: list[str]) -> dict[str, float]:
    """NAME=NUMBER words as a mapping. A number may have a unit of what the end of its name measures: ``cut_m=80ft``.

    Raises:
        UserError: a word is none.
    """
    numbers = {}
    for word in words:
        name, _, text = word.partition("=")
        if not name.isidentifier():
            raise UserError(f"{word!r}: give NAME=NUMBER, as cut_m=24.4; the name may hold letters, digits and _")
        numbers[name] = _number(name, text, word)
    return numbers


def _number(name: str, text: str, word: str) -> float:
    from monitor.units import UNITS

    try:
        return float(text)
    except ValueError:
        pass
    number = text.rstrip("*/" + ascii_letters)
    unit = UNITS.get(text[len(number) :])
    dimension = _DIMENSIONS.get(name.rpartition("_")[2])
    if dimension is None or unit is None or unit.dimension != dimension:
        units = [] if dimension is None else [unit.name for unit in UNITS.values() if unit.dimension == dimension]
        more = f" with one of {', '.join(units)}" if units else ""
        raise UserError(
            f"{word!r}: give NAME=NUMBER, as cut_m=24.4 or cut_m=80ft; {name} takes a number{more}"
        ) from None
    try:
        return unit.to_si(float(number))
    except ValueError:
        raise UserError(f"{word!r}: {number!r} is no number") from None


def time_of(text: str, option: str) -> int:
    """An ISO 8601 time, UTC where it does not say, in ns.

    Raises:
        UserError: it is none.
    """
    try:
        when = datetime.fromisoformat(text)
        return round((when if when.tzinfo else when.replace(tzinfo=UTC)).timestamp() * 1e6) * 1000
    except (ValueError, OverflowError):
        raise UserError(f"{option} {text}: no time; give it as 2026-01-31T14:30:00") from None


def since_of(text: str, now_ns: int) -> int:
    """A time as an age, ``12h``, ``7d``, ``8w``, or as ISO 8601, in ns.

    Raises:
        UserError: it is neither.
    """
    number, letter = text[:-1], text[-1:]
    if letter in _AGES_H and number.isascii() and number.isdecimal() and len(number) < 6:
        return now_ns - int(number) * _AGES_H[letter] * 3_600_000_000_000
    return time_of(text, "--since")


def _add(ledger: "Ledger", args: argparse.Namespace) -> int:
    now_ns = time.time_ns()
    t_ns = now_ns
    if args.at:
        t_ns = time_of(args.at, "--at")
        if t_ns > now_ns:
            raise UserError(f"--at {args.at}: lies in the future")
    numbers = numbers_of(args.numbers)
    _sensible(args.kind, args.who, args.text, numbers)
    entry = ledger.add(args.kind, t_ns, now_ns, who=args.who, text=args.text, numbers=numbers, corrects=args.corrects)
    print(f"entry {entry.id} written to {ledger.path}")
    return 0


def _sensible(kind: str, who: str, text: str, numbers: dict[str, float]) -> None:
    """Look at what a person wants to enter.

    Raises:
        UserError: it has no content, no author, or figures under names that are not read.
    """
    from monitor.adapters.ledger.entries import BRAKE_FIGURES, FALSE_ALARM, key_called_false

    if not who.strip():
        raise UserError("--who: give the initials of whoever writes it")
    if kind == "note" and not text.strip() and not numbers:
        raise UserError("a note without --text says nothing")
    if kind == FALSE_ALARM and not key_called_false(text):
        raise UserError("--text: begin with the key of the alarm: brake-now-down: the block was stopping")
    if kind == "brake" and not (numbers and set(numbers) <= set(BRAKE_FIGURES)):
        unknown = next((name for name in numbers if name not in BRAKE_FIGURES), "none")
        raise UserError(f"--number: a brake entry has the figures {', '.join(BRAKE_FIGURES)}; here: {unknown}")
    if kind == "line-work" and not numbers.get("work_j", -1.0) >= 0.0:
        raise UserError(
            "--number: a line-work entry has a figure work_j, at least 0: work_j=125ton-mile, or work_j=1.8e9"
        )


def _take(folder: Path, sessions: list[Path], simulated: bool) -> int:
    """Write what the sessions show and the ledger does not have yet."""
    from monitor.adapters.ledger.entries import add_entries
    from monitor.adapters.ledger.ledger import Ledger, ledger_path
    from monitor.adapters.sessions.chain import SessionChain
    from monitor.analysis.ledger_entries import candidates
    from monitor.analysis.parallel_replay import processors
    from monitor.analysis.recording import collect

    with SessionChain(sessions) as chain:
        if "SIMULATED" in chain.mode and not simulated:
            raise UserError(
                f"{chain.name}: is a simulation, and has no place in the ledger of a rig;"
                " for practice give --simulated, and --data with a folder of its own"
            )
        so_far = SoFar(chain.t_first_ns, chain.end_ns)
        with replaying(chain.seconds, chain.rig.name, so_far):
            recording = collect(chain, jobs=processors(), on_progress=so_far.on_progress)
    folder.mkdir(parents=True, exist_ok=True)
    path = ledger_path(folder, recording.rig.name)
    with Ledger(path) as ledger:
        new, known = add_entries(ledger, candidates(recording), time.time_ns())
    print(f"{path}: {new} new entries; {known} were there already")
    return 0


def _show(ledger: "Ledger", args: argparse.Namespace) -> int:
    from monitor.adapters.ledger.ledger import KINDS
    from monitor.presentation.figures import figures
    from monitor.presentation.format import clock

    if args.kind is not None and args.kind not in KINDS:
        raise UserError(f"{args.kind!r} is no kind of entry; known: {', '.join(KINDS)}")
    from_ns = since_of(args.since, time.time_ns()) if args.since else None
    entries = ledger.entries(args.kind, from_ns, corrected=args.corrected)
    mended = {entry.corrects: entry.id for entry in ledger.entries(corrected=True) if entry.corrects is not None}
    room = shutil.get_terminal_size().columns if sys.stdout.isatty() else 100_000
    for entry in entries:
        text, who = one_line(entry.text), one_line(entry.who)
        words = "  ".join(part for part in (text, figures(entry.numbers)) if part)
        mends = f"  (corrects {entry.corrects})" if entry.corrects is not None else ""
        mends += f"  (corrected by {mended[entry.id]})" if entry.id in mended else ""
        row = f"{entry.id:>5}  {clock(entry.t_ns, date=True)}  {entry.kind:<11}  {who:<4}  {words}{mends}".rstrip()
        print(harmless("\n".join(wrap(row, max(40, room), subsequent_indent=" " * 12, drop_whitespace=True) or [row])))
    print(f"{len(entries)} entries; times are UTC")
    return 0


def _export(ledger: "Ledger", out: Path, force: bool) -> int:
    from io import StringIO

    from monitor.adapters.host.output_file import check_out, write_whole
    from monitor.adapters.ledger.ledger import write_csv

    check_out(out, (".csv",), force, (ledger.path,))
    entries = ledger.entries(corrected=True)
    text = StringIO(newline="")
    write_csv(entries, text)
    write_whole(out, text.getvalue())
    print(f"{out}: {len(entries)} entries")
    return 0


def _trend(ledger: "Ledger", bounds: list[str], rules: tuple[str, str]) -> int:
    from monitor.adapters.ledger.alarm_levels import alarm_levels
    from monitor.presentation.brake_trend import SERIES, trend_words

    wanted = numbers_of(bounds)
    unknown = [name for name in wanted if name not in SERIES]
    if unknown:
        raise UserError(f"--bound {unknown[0]}: no such series; there are {', '.join(SERIES)}")
    for words, text in trend_words(ledger.entries(), wanted, alarm_levels(*rules)):
        print(f"{words}: {text}")
    return 0


def site_rules(folder: Path, rig: str, given: Path | None = None) -> tuple[str, str]:
    """Rules that `rig` is watched with, and where they stand: the `given` file, else those that its newest live session in
    `folder` was recorded with, else the shipped ones."""
    from monitor.adapters.sessions.folder import session_files
    from monitor.adapters.sessions.format import SessionError
    from monitor.adapters.sessions.reader import SessionReader
    from monitor.config.rules_file import default_rules_path
    from monitor.config.toml_file import read_text

    if given is None:
        for path in reversed([*session_files(folder, rig)]):
            # One that cannot be read hides none of those before it.
            with contextlib.suppress(SessionError), SessionReader(path) as session:
                if session.mode == "LIVE":
                    return session.rules_text, f"{path}: rules"
    path = given or Path(default_rules_path())
    return read_text(path), str(path)
