"""A live run as the commands build it: driver, recorder, ledger; closed in order at the end."""

import argparse
import contextlib
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.commands.common.arguments import retention_of

if TYPE_CHECKING:
    from monitor.adapters.mqtt.address import BrokerUrl
    from monitor.config.rig import Rig
    from monitor.model.alarm import Finding
    from monitor.model.stream import Clock
    from monitor.runtime.driver import Mode
    from monitor.runtime.live import Intake, LiveDriver

DEMOS = "demos"
"""Folder of what a demo records, inside the user's data folder."""


@contextlib.contextmanager
def live_driver(
    args: argparse.Namespace,
    rig: "Rig",
    url: "BrokerUrl",
    clock: "Clock",
    mode: "Mode",
    sinks: Sequence[Callable[["Finding"], None]],
    intake: "Intake | None" = None,
) -> Iterator["LiveDriver"]:
    """A live driver with its recorder and, of a real rig, what writes its ledger; all are closed at the end, with the last
    readings on the disk."""
    from monitor.adapters.ledger.alarm_levels import alarm_levels
    from monitor.adapters.ledger.ledger import ledger_path
    from monitor.adapters.ledger.writer import LedgerWriter
    from monitor.adapters.sessions.folder import DataFolder, data_folder
    from monitor.adapters.sessions.recorder import Recorder
    from monitor.adapters.sessions.segments import SegmentedRecorder
    from monitor.config.rules_file import default_rules_path
    from monitor.config.toml_file import read_text
    from monitor.runtime.assembly import header_of
    from monitor.runtime.live import LiveDriver, settle_memory

    rules_path = Path(args.rules or default_rules_path())
    rules_text = read_text(rules_path)
    if args.no_record:
        settle_memory()
        yield LiveDriver(rig, rules_text, str(rules_path), url, clock, mode, None, sinks, intake=intake)
        return
    # A demo is recorded apart: a rig's own sessions stay among themselves, and its folder free for its own monitor.
    place = data_folder(args.data)
    if mode == "SIMULATED" and not args.data:
        place /= DEMOS
    with DataFolder(place, wait_for_disk=mode == "LIVE") as folder:
        now_ns = clock.now_ns()
        header = header_of(rig, rules_text, mode, now_ns)
        with (
            SegmentedRecorder(folder, rig.name, header, now_ns, retention_of(args))
            if mode == "LIVE"
            else Recorder(folder.session_path(rig.name, now_ns), header)
        ) as recorder:
            # A simulation's checks and line work have no place among a rig's own.
            ledger_writer = None
            if mode == "LIVE":
                levels = alarm_levels(rules_text, str(rules_path))
                ledger_writer = LedgerWriter(ledger_path(folder.path, rig.name), recorder.note, now_ns, levels)
            with ledger_writer or contextlib.nullcontext():
                driver = LiveDriver(
                    rig, rules_text, str(rules_path), url, clock, mode, recorder, sinks, ledger_writer, intake
                )
                settle_memory()
                yield driver
                # A run that ended before its first input must leave no state: it would hide that of the run before.
                if driver.runner.frames:
                    driver.runner.advance(clock.now_ns())
                    driver.runner.checkpoint()
