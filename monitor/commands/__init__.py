"""The commands of `stopmark`, one module each. A module is imported only when its command is used or described.

Imports everything but the simulators, at run time only where it is used, so that `--help` stays quick. Begin with `watch`,
then `common.live_run`.

To add a command: write a module with `add_arguments(parser)` and `run(args) -> int`, and add its row to COMMANDS.
Other packages add theirs through the entry-point group ``stopmark.commands`` (a tuple of `Command`).
"""

from typing import Final, NamedTuple


class Command(NamedTuple):  # a dataclass would import what `--help` has no use for: 10 ms
    """One sub-command: its name, one line of help, and the module that carries it out."""

    name: str
    help: str
    module: str
    """Importable name of a module with ``add_arguments(parser)`` and ``run(args) -> int``."""


COMMANDS: Final = (
    Command("watch", "watch a rig through an MQTT broker", "monitor.commands.watch"),
    Command("record", "watch and record without a screen, as a service", "monitor.commands.record"),
    Command("replay", "play a recorded session again", "monitor.commands.replay"),
    Command("report", "write a printable report of sessions", "monitor.commands.report"),
    Command("handover", "the hand-over of a tour on one page", "monitor.commands.handover"),
    Command("compare", "say what other rules would have said", "monitor.commands.compare"),
    Command("backtest", "say what a change of rules would have said of all recordings", "monitor.commands.backtest"),
    Command("fleet", "report of many rigs: alarms, tests, sensors, brakes, line work", "monitor.commands.fleet"),
    Command("import", "make a session of a field log (CSV, xlsx, Parquet, LAS, WITSML)", "monitor.commands.import_"),
    Command("line", "work of the drilling line, planned and measured", "monitor.commands.line"),
    Command("drum", "the drum by layers; calibrate it by heights seen", "monitor.commands.drum"),
    Command("sessions", "list and verify what is recorded", "monitor.commands.sessions"),
    Command("export", "write sessions as tables (CSV, Parquet, xlsx)", "monitor.commands.export"),
    Command("ledger", "checks, cuts, changes and trends of a rig", "monitor.commands.ledger"),
    Command("rig", "write a rig file from a dozen answers, or from a log", "monitor.commands.rig"),
    Command("check", "check a rig file, and a broker against it", "monitor.commands.check"),
)
