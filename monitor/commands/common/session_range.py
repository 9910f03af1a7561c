"""What several commands ask in the same words: which sessions, and which part of them."""

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final

from monitor.errors import UserError

if TYPE_CHECKING:
    from monitor.adapters.sessions.chain import SessionChain


def add_kind(
    kinds: "argparse._SubParsersAction[argparse.ArgumentParser]", name: str, words: str, epilog: str | None = None
) -> argparse.ArgumentParser:
    """A command within a command, which says what it does in its own help, too."""
    return kinds.add_parser(name, help=words, description=words, epilog=epilog)


def session_path(text: str) -> Path:
    """A session as a person names it: a file, or the bare name of one in the user's data folder."""
    from monitor.adapters.sessions.folder import data_folder

    path = Path(text)
    if path.name == text and not path.exists():
        kept = data_folder(None) / text
        if kept.is_file():
            return kept
    return path


def add_sessions(parser: argparse.ArgumentParser) -> None:
    """The sessions to read."""
    parser.add_argument(
        "sessions", metavar="SESSION", nargs="+", type=session_path,
        help="recorded sessions of one rig, read in a row: files, or names in the user's data folder",
    )  # fmt: skip


MOST_FAULTS: Final = 5


def print_faults(chain: "SessionChain") -> list[str]:
    """What is wrong with the sessions, said on standard error and given back: figures of such a record have holes."""
    from monitor.text import harmless

    found = chain.faults()
    for words in found[:MOST_FAULTS]:
        print(harmless(f"NOT SOUND: {words}"), file=sys.stderr)
    if len(found) > MOST_FAULTS:
        print(f"NOT SOUND: and {len(found) - MOST_FAULTS} more; sessions verify lists them", file=sys.stderr)
    return found


def add_session_range(parser: argparse.ArgumentParser, *, begin: argparse._ActionsContainer | None = None) -> None:
    """A part of them. `begin` is the group that the beginning belongs to."""
    (begin or parser).add_argument(
        "--from", dest="start", metavar="TIME",
        help="begin there: +SECONDS after the start, HH:MM[:SS] or ISO 8601, all UTC",
    )  # fmt: skip
    parser.add_argument("--to", dest="end", metavar="TIME", help="end there, a time in the same words")


def session_range(
    args: argparse.Namespace, chain: "SessionChain", from_ns: int | None = None
) -> tuple[int | None, int | None]:
    """Beginning and end in ns, None where not given. `from_ns` is a beginning that was given otherwise.

    Raises:
        UserError: one is no time, outside the sessions, or the end is not after the beginning.
    """
    from monitor.presentation.format import clock

    if args.start:
        from_ns = chain.moment(args.start)
    to_ns = chain.moment(args.end, from_ns) if args.end else None
    first_ns = chain.t_first_ns if from_ns is None else from_ns
    if to_ns is not None and to_ns <= first_ns:
        raise UserError(
            f"--to {args.end}: {clock(to_ns, date=True)} UTC is not after the beginning, {clock(first_ns, date=True)} UTC"
        )
    return from_ns, to_ns
