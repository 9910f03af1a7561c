"""The report of a fleet as one page: who needs something first, then each figure by rig, in tables that a click sorts."""

from collections.abc import Sequence
from typing import Final

from monitor.fleet.rig_summary import HOUR_NS, FleetSummary, RigSummary
from monitor.fleet.sortable_page import sortable_page
from monitor.presentation.format import clock, plain, span
from monitor.report.context import counted
from monitor.report.html import cards, met_mark, missing_note, paragraph, table
from monitor.units import TON_MILE_J

NONE: Final = "–"
_TAIL: Final = (
    "Advisory only. What is recorded is what the sensors said and what the rules made of it. It replaces no test of a device, no"
    " procedure, manual, local code or licensed person. Times are UTC."
)
PER_HOUR: Final = 12.0
"""Alarms per hour that one operator can bear at most: two in ten minutes (ANSI/ISA-18.2-2016, section 16.4); 6 are acceptable."""
_SHARE: Final = 0.01
_LEAST_H: Final = 1.0
"""Below this a rate of alarms says nothing."""
_MOST: Final = 10


def fleet_page(summary: FleetSummary, subtitle: str) -> str:
    """The page."""
    sections = [
        ("summary", "Summary", _summary(summary)),
        ("alarms", "Alarms by rig", _alarms(summary.rigs)),
        ("tests", "Tests of the overtravel device", _tests(summary.rigs)),
        ("sensors", "Sensors that fail most", _sensors(summary)),
        ("brakes", "Brake trends", _brakes(summary)),
        ("line", "Line work", _line(summary.rigs)),
    ]
    if summary.unused:
        rows = [(one.session, one.problem) for one in summary.unused]
        sections.append(("unused", "Sessions not used", table(("<session", "<why"), rows)))
    if summary.unread:
        sections.append(("unread", "Ledgers not read", table(("<ledger", "<why"), list(summary.unread.items()))))
    return sortable_page("Fleet report", subtitle, sections, _TAIL)


def _summary(summary: FleetSummary) -> str:
    rigs = summary.rigs
    loaded = [rig for rig in rigs if _rate_met(rig) is False or rig.most_in_10_min > _MOST]
    overdue = [rig for rig in rigs if rig.overtravel_overdue]
    changing = {one.rig for one in summary.brakes if one.certain}
    items = [
        (f"{len(rigs)}", "rigs"),
        (f"{sum(rig.hours for rig in rigs):.2f} h", "recorded"),
        (f"{sum(rig.alarms for rig in rigs)}", "alarms"),
        (f"{sum(rig.dangers for rig in rigs)}", "of DANGER"),
        (f"{len(overdue)}", "overtravel tests overdue"),
        (f"{len(loaded)}", "rigs with more alarms than one operator can bear"),
        (f"{len(summary.sensors)}", "sensors that failed"),
        (f"{len(changing)}", "rigs whose brake figures change"),
    ]
    words = cards(items)
    if overdue:
        names = ", ".join(rig.rig for rig in overdue)
        words += missing_note(f"Overtravel device not tested in time: {names}. Test it by the site's own procedure.")
    if summary.unused:
        words += missing_note(f"{counted(len(summary.unused), 'session')} not used; each with its reason at the end.")
    if summary.unread:
        words += missing_note(f"{counted(len(summary.unread), 'ledger')} not read; each with its reason at the end.")
    return words


def _alarms(rigs: Sequence[RigSummary]) -> str:
    heads = ("|rig", "hours", "alarms", "an hour", "<aim", "most in 10 min", "above 10 in 10 min", "in flood", "WARNING",
             "DANGER", "<most frequent", "share", "<chattering")  # fmt: skip
    rows = [
        (
            rig.rig, plain(rig.hours, 2), str(rig.alarms), plain(rig.alarms_per_hour, 2),
            _rate_mark(rig), met_mark(rig.most_in_10_min <= _MOST, str(rig.most_in_10_min)),
            met_mark(rig.above_10_share < _SHARE, _percent(rig.above_10_share)),
            met_mark(rig.flood_share < _SHARE, _percent(rig.flood_share)), str(rig.warnings), str(rig.dangers),
            rig.most_frequent or NONE, NONE if rig.most_frequent_share is None else _percent(rig.most_frequent_share),
            rig.chattering or "none",
        )
        for rig in sorted(rigs, key=lambda rig: -rig.alarms_per_hour)
    ]  # fmt: skip
    return table(heads, rows) + paragraph(
        "Aims of ANSI/ISA-18.2-2016, section 16.4, for one operator: about 6 alarms an hour, at most 12; at most 10 in any 10"
        " minutes; under 1 % of the intervals above 10; under 1 % of the time in flood. They are meant for months of operation."
        " Chattering: three in a minute (common practice, no source). Prompts for ordinary work are no alarms.", "note"
    )  # fmt: skip


def _rate_met(rig: RigSummary) -> bool | None:
    """Whether one operator can bear its alarms; None where too little is recorded to say."""
    return None if rig.hours < _LEAST_H else rig.alarms_per_hour <= PER_HOUR


def _rate_mark(rig: RigSummary) -> str:
    met = _rate_met(rig)
    return "too short to say" if met is None else met_mark(met, "")


def _percent(share: float) -> str:
    return f"{plain(100.0 * share, 1)} %"


def _tests(rigs: Sequence[RigSummary]) -> str:
    heads = ("|rig", "|last passed", "before the end of its record, h", "to be tested every, h", "<state")
    rows = []
    for rig in sorted(rigs, key=lambda rig: (not rig.overtravel_overdue, rig.rig)):
        passed = rig.overtravel_passed_ns
        if rig.overtravel_overdue is None or rig.overtravel_every_h is None:
            state, every = "no sensor reads such a device", NONE
        else:
            late = rig.overtravel_overdue
            state, every = met_mark(not late, "overdue" if late else "in time"), plain(rig.overtravel_every_h, 1)
        age = NONE if passed is None else plain((rig.to_ns - passed) / HOUR_NS, 1)
        rows.append(
            (rig.rig, "never in what is recorded" if passed is None else clock(passed, date=True), age, every, state)
        )
    return table(heads, rows) + paragraph(
        "By the guided checks that are recorded and by the ledgers; overdue also where the line was slipped and cut since.",
        "note",
    )


def _sensors(summary: FleetSummary) -> str:
    if not summary.sensors:
        return paragraph("None failed.")
    heads = ("|rig", "|sensor", "|quantity", "failures", "hours failed", "share of the time", "<what it did")
    rows = [
        (one.rig, one.sensor, one.quantity.replace("_", " "), str(one.failures), plain(one.hours, 3), _percent(one.share),
         one.kinds)
        for one in summary.sensors
    ]  # fmt: skip
    return table(heads, rows)


def _brakes(summary: FleetSummary) -> str:
    if not summary.brakes:
        return paragraph("No ledger has brake figures of these rigs.")
    heads = ("|rig", "|figure", "days with a figure", "now", "a day", "95 % from", "to", "<trend")
    rows = []
    for one in sorted(summary.brakes, key=lambda one: (not one.certain, one.rig, one.figure)):
        numbers = [one.level, one.slope_per_day, one.slope_low, one.slope_high]
        trend = "too few days yet" if one.level is None else "changes" if one.certain else "steady within its scatter"
        cells = [NONE if number is None else f"{number:.4g}" for number in numbers]
        rows.append((one.rig, one.figure, str(one.points), *cells, trend))
    return table(heads, rows) + paragraph(
        "The robust line of Theil and Sen through the days of the ledger; SI units (s, Pa/s, shares).", "note"
    )


def _line(rigs: Sequence[RigSummary]) -> str:
    heads = (
        "|rig",
        "ton-miles in the time of its sessions",
        "MJ",
        "ton-miles since the last cut",
        "|last cut",
        "<ledger",
    )
    rows = []
    for rig in sorted(rigs, key=lambda rig: -(rig.line_work_since_cut_j or 0.0)):
        work, since = rig.line_work_j, rig.line_work_since_cut_j
        cut = "none entered" if rig.last_cut_ns is None else clock(rig.last_cut_ns, date=True)
        rows.append(
            (
                rig.rig, NONE if work is None else plain(work / TON_MILE_J, 2), NONE if work is None else plain(work / 1e6, 0),
                NONE if since is None else plain(since / TON_MILE_J, 2), cut if work is not None else NONE,
                "none beside the sessions" if work is None else "",
            )
        )  # fmt: skip
    recorded = span(3600.0 * sum(rig.hours for rig in rigs))
    return table(heads, rows) + paragraph(f"By the ledgers, {recorded} recorded in all.", "note")
