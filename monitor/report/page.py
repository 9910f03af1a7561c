"""The report as one page: SECTIONS in their order.

To add a section, write a function from `ReportContext` to HTML and add its row.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from monitor.adapters.ledger.ledger import Entry
from monitor.analysis.recording import Recording
from monitor.presentation.format import SYSTEM_LABEL, System, Units, clock
from monitor.report.attention import attention_table
from monitor.report.context import ReportContext
from monitor.report.first_sections import motion_plots, summary, timeline
from monitor.report.html import page
from monitor.report.motion_tables import descent_table, stop_table
from monitor.report.quality import quality
from monitor.report.tables import alarm_table, check_table, ledger_table, line_table, sensor_table
from monitor.report.work_tables import hardest_table, stand_table, work_table

TAIL: Final = (
    "Advisory only. Stopmark reads and warns; it never commands. It replaces no safety device, procedure, manual, local code "
    "or licensed person. Figures are worked out from the recorded readings with the rig's file as it was then; a reading that "
    "was wrong makes them wrong."
)


@dataclass(frozen=True, slots=True)
class Section:
    """One section of the report."""

    anchor: str
    heading: str
    write: Callable[[ReportContext], str]


SECTIONS: Final = (
    Section("summary", "Summary", summary),
    Section("look", "What to look at", attention_table),
    Section("plots", "The record at a glance", motion_plots),
    Section("quality", "Data quality", quality),
    Section("timeline", "Timeline", timeline),
    Section("stops", "Stops", stop_table),
    Section("descents", "Descents", descent_table),
    Section("stands", "Stands and slips", stand_table),
    Section("work", "Line work by activity", work_table),
    Section("hardest", "Hardest on the hoist", hardest_table),
    Section("checks", "Overtravel and brake checks", check_table),
    Section("line", "Drilling line", line_table),
    Section("ledger", "From the ledger", ledger_table),
    Section("sensors", "Sensors", sensor_table),
    Section("alarms", "Alarm statistics", alarm_table),
)


def make_report(recording: Recording, system: System | None = None, entries: Sequence[Entry] | None = None) -> str:
    """The page for `recording`, in the rig's own units unless `system` says otherwise. `entries` are the rig's ledger."""
    context = ReportContext(
        recording, Units(system or recording.rig.units), None if entries is None else tuple(entries)
    )
    sections = [(section.anchor, section.heading, section.write(context)) for section in SECTIONS]
    rig = recording.rig
    title = f"{rig.title} · {clock(recording.start_ns, date=True)[:10]}"
    subtitle = (
        f"{clock(recording.start_ns, date=True)} to {clock(recording.end_ns, date=True)} UTC · {recording.mode.lower()} · "
        f"{recording.frames} messages of {len(rig.sensors)} sensors · units: {SYSTEM_LABEL[context.units.system]} · "
        f"{recording.name} · recorded by Stopmark {recording.version or '(version not noted)'}"
    )
    return page(title, subtitle, sections, TAIL)
