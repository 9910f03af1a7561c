"""Where long work is done: which processes of this machine, or which Dask scheduler."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.errors import UserError

if TYPE_CHECKING:
    from monitor.fleet.engine import Place


def add_workers(parser: argparse.ArgumentParser) -> None:
    """Processes of this machine, or a scheduler."""
    parser.add_argument(
        "--workers",
        metavar="N",
        type=_count,
        help="processes on this machine; 0: in this one, without Dask (default: processors where Dask is installed)",
    )
    add_scheduler(parser)


def add_scheduler(parser: argparse.ArgumentParser) -> None:
    """A Dask scheduler, and how it is spoken to."""
    parser.add_argument("--scheduler", metavar="URL", help="a Dask scheduler that gives the work out: tls://HOST:PORT")
    parser.add_argument("--tls-ca", metavar="FILE", type=Path, help="certificate of its authority (PEM)")
    parser.add_argument("--tls-cert", metavar="FILE", type=Path, help="our certificate (PEM)")
    parser.add_argument("--tls-key", metavar="FILE", type=Path, help="its key (PEM)")
    parser.add_argument(
        "--no-tls",
        action="store_true",
        help="speak to a scheduler elsewhere without TLS: only on a network of your own, as whoever reaches it can run code on"
        " its workers",
    )


def place_of(args: argparse.Namespace) -> "Place":
    """Where the work is done, by `add_workers`.

    Raises:
        UserError: see `scheduler_of`.
    """
    from importlib.util import find_spec

    from monitor.analysis.parallel_replay import processors
    from monitor.fleet.engine import Place

    there = scheduler_of(args)
    if there is not None:
        return there
    workers = args.workers
    if workers is None:
        workers = processors() if find_spec("distributed") else 0
    return Place(workers)


def scheduler_of(args: argparse.Namespace) -> "Place | None":
    """The scheduler that was given with `add_scheduler`; None where none was.

    Raises:
        UserError: certificates are given in part, or the scheduler's address is none.
    """
    from monitor.fleet.engine import Certificates, Place, check_scheduler

    given = (args.tls_ca, args.tls_cert, args.tls_key)
    if any(given) and not all(given):
        raise UserError("give --tls-ca, --tls-cert and --tls-key together")
    if args.scheduler is None:
        return None
    certificates = Certificates(*given) if all(given) else None
    check_scheduler(args.scheduler, certificates, args.no_tls)
    return Place(scheduler=args.scheduler, certificates=certificates, plain=args.no_tls)


def _count(text: str) -> int:
    if not text.isascii() or not text.isdigit() or int(text[:4]) > 256:
        raise argparse.ArgumentTypeError(f"{text!r}: give a whole number from 0 to 256")
    return int(text)
