"""`stopmark fleet`: what is recorded of many rigs, on one page and in tables."""

import argparse

from monitor.commands.common.ledger_places import add_ledgers, ledgers_by
from monitor.commands.common.place_of_work import add_workers, place_of
from monitor.commands.common.session_places import sessions_of


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's words."""
    parser.add_argument(
        "sessions", metavar="SESSION", nargs="+",
        help="recorded sessions of any rigs: files, folders with all in them, or addresses of a store (s3://…) where fsspec"
        " and its driver are installed",
    )  # fmt: skip
    parser.add_argument(
        "-o",
        "--out",
        metavar="DIR",
        required=True,
        help="folder for the page and its tables, or an address of a store (s3://…)",
    )
    add_ledgers(parser)
    parser.add_argument(
        "--now", action="store_true", help="tests are overdue as of now, not as of the end of each rig's record"
    )
    add_workers(parser)


def run(args: argparse.Namespace) -> int:
    """Write the report; 0, or 1 where no session could be used."""
    import time

    from monitor.adapters.host.output_file import write_whole
    from monitor.commands.common.progress import Progress
    from monitor.fleet.fleet_page import fleet_page
    from monitor.fleet.rig_summary import (
        BrakeSummary,
        RigSummary,
        SensorSummary,
        UnusedSession,
        fleet_summary,
    )
    from monitor.fleet.store import out_folder
    from monitor.fleet.tables import write_table
    from monitor.report.context import counted
    from monitor.text import harmless

    sessions = sessions_of(args.sessions)
    ledgers = ledgers_by(args, sessions)
    place = place_of(args)
    with out_folder(args.out) as out:
        with Progress(f"reading {len(sessions)} sessions"):
            summary = fleet_summary(sessions, ledgers, place, time.time_ns() if args.now else None)
        write_table(out / "rigs.parquet", RigSummary, summary.rigs)
        write_table(out / "sensors.parquet", SensorSummary, summary.sensors)
        write_table(out / "brakes.parquet", BrakeSummary, summary.brakes)
        write_table(out / "unused.parquet", UnusedSession, summary.unused)
        write_whole(
            out / "index.html",
            fleet_page(summary, f"{counted(len(sessions), 'session')} of {counted(len(summary.rigs), 'rig')}"),
        )
    for rig in summary.rigs:
        test = {True: "overtravel test OVERDUE", False: "overtravel test in time", None: "no overtravel device"}
        print(
            harmless(
                f"{rig.rig}: {rig.hours:.2f} h, {rig.alarms_per_hour:.2f} alarms an hour, {test[rig.overtravel_overdue]}"
            )
        )
    print(f"{args.out}/index.html, with rigs, sensors, brakes and unused (.parquet) beside it")
    return 0 if summary.rigs else 1
