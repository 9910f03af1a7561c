"""The ledgers of many rigs for one command."""

import argparse
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from monitor.fleet.ledgers import Ledgers


def add_ledgers(parser: argparse.ArgumentParser) -> None:
    """Where ledgers are."""
    parser.add_argument(
        "--data", metavar="DIR", action="append", default=[],
        help="folder of ledgers, or an address of a store (s3://…), besides those that lie beside the sessions; may be given"
        " several times",
    )  # fmt: skip


def ledgers_by(args: argparse.Namespace, sessions: Sequence[str]) -> "Ledgers":
    """What they say. Those that cannot be read are said, too.

    Raises:
        UserError: a folder holds no ledger, or a store cannot be used.
    """
    from monitor.fleet.ledgers import ledgers_of
    from monitor.text import harmless

    found = ledgers_of(sessions, args.data)
    for path, why in found.unread.items():
        print(harmless(f"not read: {why if path in why else f'{path}: {why}'}"), file=sys.stderr)
    return found
