"""The other sections of the report that are tables: checks, ledger, sensors, alarm statistics, line work."""

import math
from typing import Final

import numpy as np

from monitor.adapters.ledger.ledger import KINDS
from monitor.analysis.known import least, most
from monitor.analysis.ledger_entries import work_since_cut_j
from monitor.analysis.recording import STATES
from monitor.model.alarm import Severity
from monitor.model.check import CheckReading
from monitor.model.quantities import QUANTITIES
from monitor.model.snapshot import HoistState
from monitor.physics.line import cut_due_m
from monitor.physics.tackle import DESIGN_FACTORS
from monitor.presentation.brake_trend import trend_words
from monitor.presentation.figures import figures as entry_figures
from monitor.presentation.format import clock, plain, span
from monitor.report.attention import FEW_READINGS, taken_share
from monitor.report.context import NONE, ReportContext, counted, cut, mega, percent
from monitor.report.html import cards, met_mark, missing_note, paragraph, table
from monitor.report.quality import dropped_of, missing_words
from monitor.units import FOOT_M as foot
from monitor.units import TON_MILE_J

_HOUR_S: Final = 3600.0


def check_table(context: ReportContext) -> str:
    """Overtravel device, brake and reference checks: done, and due."""
    rec = context.rec
    rows = []
    for view in rec.snapshot.checks:
        if view.unfit:
            rows.append((view.title, f"cannot be run: {view.unfit}", "", ""))
            continue
        result = view.result
        done = f"{context.when(result.t_ns)} {result.verdict}: {result.reason}" if result else "not run in this record"
        due = met_mark(False, f"due: {view.due_words}") if view.due else view.due_words
        measured = "; ".join(_reading(context, reading) for reading in result.readings) if result else ""
        rows.append((view.title, done, measured, due))
    parts = [table(("<check", "<last result", "<measured", "<next"), rows)]
    listed = [f for f in rec.findings if f.kind == "check"]
    if listed:
        parts.append("<h3>As they went</h3>")
        shown, more = cut([(context.when(f.t_ns), f.message) for f in listed])
        parts.append(table(("|time", "<what"), shown) + more)
    parts.append(_device(context))
    return "".join(parts)


def _reading(context: ReportContext, reading: CheckReading) -> str:
    value = context.units.value(reading.value, reading.dimension)
    limit = (
        f" ({reading.relation} {context.full(reading.limit, reading.dimension)})" if reading.limit is not None else ""
    )
    return f"{reading.label} {value}{limit}"


def _device(context: ReportContext) -> str:
    """When the overtravel device acted, and where the block was."""
    rec = context.rec
    rows = []
    for half in ("electric", "air"):
        if rec.rig.sensor_of(f"overtravel_{half}") is None:
            continue
        acted = rec[f"overtravel_{half}"] >= 0.5
        for at in np.flatnonzero(acted[1:] & ~acted[:-1]).tolist():
            height, speed = float(rec["height"][at + 1]), float(rec["speed"][at + 1])
            rows.append(
                (
                    context.when(int(rec.t_ns[at + 1])),
                    half,
                    context.full(height, "length"),
                    context.full(speed, "speed"),
                )
            )
    if not any(rec.rig.sensor_of(f"overtravel_{half}") for half in ("electric", "air")):
        return missing_note("The overtravel device is not connected to the monitor: whether it acted is not known.")
    if not rows:
        return paragraph("The overtravel device did not act in this record.")
    set_at = context.full(rec.rig.limits.device_m, "length")
    return f"<h3>The overtravel device acted (set at {set_at})</h3>" + table(
        ("|time", "|half", "block height", "block speed"), sorted(rows)
    )


def ledger_table(context: ReportContext) -> str:
    """What the rig's ledger says of the time up to this record: checks, line, trends."""
    entries = context.entries
    if entries is None:
        return paragraph("No ledger was given: what was done and measured before this record is not in this report.")
    entries = tuple(entry for entry in entries if entry.t_ns <= context.rec.end_ns)
    if not entries:
        return paragraph("The rig's ledger holds nothing from before the end of this record.")
    work, cut_ns = work_since_cut_j(entries)
    since = "the ledger knows of no cut" if cut_ns is None else f"since the cut of {clock(cut_ns, date=True)}"
    boxes = [
        (f"{plain(work / TON_MILE_J, 1)} ton-miles", f"line work in the ledger, {since}"),
        (counted(sum(entry.kind == "check" for entry in entries), "check"), "in the ledger"),
        (counted(sum(entry.kind == "brake" for entry in entries), "day"), "with figures of the brake"),
        (counted(len(entries), "entry").replace("entrys", "entries"), "up to the end of this record"),
    ]
    rows = [
        (
            clock(entry.t_ns, date=True),
            KINDS.get(entry.kind, entry.kind),
            entry.who,
            entry.text,
            entry_figures(entry.numbers),
        )
        for entry in reversed(entries[-30:])
        if entry.kind not in ("brake", "line-work")
    ]
    parts = [cards(boxes), table(("<brake, over months", "<trend"), trend_words(entries))]
    if rows:
        parts.append(table(("|when", "<what", "|who", "<words", "<figures"), rows))
    return "".join(parts)


def sensor_table(context: ReportContext) -> str:
    """Health of every sensor over the record."""
    rec = context.rec
    silent: dict[str, float] = {}
    for found in context.spans:
        rule, _, name = found.key.partition(":")
        if name and rule.endswith(("silent", "stale")):
            silent[name] = silent.get(name, 0.0) + (found.to_ns - found.from_ns) * 1e-9
    rows = []
    dropped = dropped_of(rec)
    for view, sensor in zip(rec.snapshot.sensors, rec.rig.sensors, strict=True):
        taken, left_out = view.fused, dropped.get(view.id, 0)
        share = min(1.0, taken_share(rec, view, sensor))
        if left_out:
            share = min(share, taken / (taken + left_out))
        words = view.diagnosis or ("stale at the end" if view.stale else view.last_reason)
        fused = sensor.role in ("position", "mark")
        rows.append(
            (
                view.id,
                QUANTITIES[view.quantity].label,
                f"{plain(sensor.rate_hz, 1)}",
                f"{plain(taken / max(1e-9, rec.watched_s), 1)}",
                met_mark(share >= FEW_READINGS, percent(share, 2 if 0.99 < share < 1.0 else 0))
                if not fused or taken
                else met_mark(False, "none"),
                str(view.rejected + left_out),
                span(silent[view.id]) if view.id in silent else NONE,
                NONE if view.latency_s is None else f"{view.latency_s * 1000:.0f} ms",
                words or "nothing wrong",
            )
        )
    heads = ("<sensor", "<measures", "expected, /s", "taken, /s", "<of the expected", "refused", "silent for", "latency",
             "<at the end")  # fmt: skip
    verdicts = [f for f in rec.findings if f.kind == "instrument"]
    parts = [table(heads, rows)]
    if verdicts:
        parts.append("<h3>What the drift watch said</h3>")
        parts.append(table(("|time", "<sensor", "<verdict"),
                           [(context.when(f.t_ns), f.key.partition(":")[2], f.message) for f in verdicts[:200]]))  # fmt: skip
    return "".join(parts)


def alarm_table(context: ReportContext) -> str:
    """Alarm statistics beside the published figures."""
    a = context.alarms
    rung = max(1, a.raised)
    low = a.by_severity[Severity.NOTICE] + a.by_severity[Severity.CAUTION]
    middle, high = a.by_severity[Severity.WARNING], a.by_severity[Severity.DANGER]
    above = a.intervals_above_10 / a.intervals
    few = a.raised < 20
    rows = [
        ("alarms in 10 minutes, mean", plain(a.per_10_min, 2), "about 1; at most 2", met_mark(a.per_10_min <= 2.0, "")),
        ("most in any 10 minutes", str(a.most_in_10_min), "at most 10", met_mark(a.most_in_10_min <= 10, "")),
        ("10-minute intervals above 10", f"{a.intervals_above_10} of {a.intervals}", "under 1 %", met_mark(above < 0.01, "")),
        ("time in flood", percent(a.flood_share, 1), "under 1 %", met_mark(a.flood_share < 0.01, "")),
        ("ten most frequent, share of all", percent(a.top_ten_share) if a.raised else NONE, "1 to 5 %",
         NONE if few else met_mark(a.top_ten_share <= 0.05, "")),
        ("stale (true for over 24 h)", str(len(a.stale)), "fewer than 5", met_mark(len(a.stale) < 5, "")),
        ("chattering (3 in a minute)", ", ".join(a.chattering) or "none", "none", met_mark(not a.chattering, "")),
        ("fleeting (over within 2 s, not seen)", ", ".join(a.fleeting) or "none", "none", met_mark(not a.fleeting, "")),
        ("priorities: NOTICE and CAUTION / WARNING / DANGER",
         f"{low} / {middle} / {high}" + (f" ({percent(low / rung)} / {percent(middle / rung)} / {percent(high / rung)})"
                                         if a.raised else ""),
         "about 80 / 15 / 5 %", NONE if few else met_mark(high / rung <= 0.05 and middle / rung <= 0.2, "")),
        ("acknowledged; median time to it", f"{a.acknowledged} of {a.raised}" + (
            f"; {span(a.median_acknowledge_s)}" if a.median_acknowledge_s is not None else ""), NONE, NONE),
    ]  # fmt: skip
    parts = [table(("<figure", "<here", "<aim", "<met"), rows)]
    if a.by_key:
        parts.append("<h3>Most frequent</h3>")
        parts.append(table(("<alarm", "times", "share"),
                           [(key, str(n), percent(n / rung)) for key, n in a.by_key[:10]]))  # fmt: skip
    words = (
        "Aims: performance figures of ANSI/ISA-18.2-2016, section 16.4, for one operator; the limits for chattering and "
        "fleeting are common practice without a source. "
    )
    if a.seconds < 7 * 86_400:
        words += f"They are meant for months of operation; {span(a.seconds)} can only hint at them."
    return "".join(parts) + paragraph(words, "note")


def line_table(context: ReportContext) -> str:
    """Line work done, the highest tension, what it makes due."""
    rec = context.rec
    line = rec.rig.line
    work = rec["line_work"].astype(np.float64)
    total = float(work[-1])
    steps = np.diff(work, prepend=0.0)
    share = {state: float(steps[rec.hoist == place].sum()) for place, state in enumerate(STATES)}
    tension, factor = most(rec["fast_line_tension"]), least(rec["design_factor"])
    hours = max(rec.watched_s / _HOUR_S, 1e-9)
    boxes = [
        (f"{plain(total / TON_MILE_J, 2)} ton-miles", f"= {mega(total, 0)} MJ, "
         f"± {percent(rec.rig.uncertainty.load)} with the load"),
        (f"{plain(total / TON_MILE_J / hours, 2)} ton-miles/h", "mean rate"),
    ]  # fmt: skip
    known_line = rec.rig.has("line")
    if known_line:
        asks = f"least design factor; the site asks for {plain(line.min_design_factor, 1)}"
        boxes.append((context.signal("fast_line_tension", tension), "highest fast-line tension"))
        boxes.append((context.signal("design_factor", factor), asks))
    rows = [
        (
            state.value,
            plain(share[state] / TON_MILE_J, 2),
            mega(share[state]),
            percent(share[state] / total) if total else NONE,
        )
        for state in (HoistState.HOISTING, HoistState.LOWERING, HoistState.STILL, HoistState.UNKNOWN)
    ]
    parts = [cards(boxes), missing_words(context), table(("<while", "ton-miles", "MJ", "share"), rows)]
    design_rows = [
        (
            words,
            plain(least, 1),
            met_mark(factor >= least, context.signal("design_factor", factor)) if math.isfinite(factor) else NONE,
        )
        for words, least in DESIGN_FACTORS
    ]
    if known_line:
        parts.append(table(("<operation", "least design factor (API RP 9B, from memory)", "<seen"), design_rows))
        parts.append(_due(context, total, factor))
    else:
        parts.append(missing_note("Not fitted: the rig's file has no line, so neither tension nor wear can be told."))
    known = min(rec.known("height"), rec.known("hook_load"))
    if known < 0.999:
        parts.append(
            missing_note(
                f"Height and load were both known for at most {percent(known, 1)} of the time: "
                "work done in the rest is missing from the sum."
            )
        )
    for finding in rec.findings:
        if finding.kind == "action" and finding.key == "slip and cut":
            parts.append(
                paragraph(f"{clock(finding.t_ns, date=True)}: {finding.message} ({finding.after or 'nobody named'})")
            )
    parts.append(paragraph(
        "Hook load times travel, both ways, empty strokes included, standing in slips not. It reads some per cent above the "
        "planning formulas, which know no pick-up and no drag.", "note",
    ))  # fmt: skip
    return "".join(parts)


def _due(context: ReportContext, total_j: float, factor: float) -> str:
    """How much line this work makes due for cutting."""
    line = context.rec.rig.line
    origin = "the usual goal for this diameter, scaled by the least design factor"
    if line.goal_ton_miles_per_ft is not None:
        origin = "the site's own goal"
    try:
        goal = line.goal_j_m(max(factor, 0.1) if math.isfinite(factor) else 5.0)
    except ValueError as error:
        return missing_note(
            f"No goal of work per length is known: {error}. Set line.goal_ton_miles_per_ft in the rig's file."
        )
    length = cut_due_m(total_j, goal)
    return paragraph(
        f"At {plain(goal * foot / TON_MILE_J, 1)} ton-miles per foot ({origin}) this work makes "
        f"{context.full(length, 'length')} of line due for cutting."
    )
