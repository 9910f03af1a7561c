"""The first sections of the report: summary, plots and timeline.

Each takes a `ReportContext` and gives HTML. Where data is missing it says so.
"""

import math
from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view

from monitor.analysis.alarm_figures import Span
from monitor.analysis.known import known_of, most
from monitor.analysis.recording import STATES
from monitor.model.alarm import Finding, Severity
from monitor.model.stream import GRID_NS, SECOND_NS
from monitor.presentation.format import plain, span
from monitor.presentation.missing import words_of_missing
from monitor.presentation.slow_data import slow_words
from monitor.report.context import NONE, ReportContext, counted, cut, mega, percent
from monitor.report.html import cards, missing_note, paragraph, severity, table
from monitor.report.plots import Chart, Curve, Panel
from monitor.units import TON_MILE_J, Dimension

MOST_FINDINGS: Final = 600
MOST_BARS: Final = 400
POSSIBLE_M_S: Final = 2.5
"""A speed above both this and what the estimator believes is none (common practice, no source), unless it lasts."""
LASTED_S: Final = 0.5


def possible_speeds(
    t_ns: npt.NDArray[np.int64], speed_m_s: npt.NDArray[np.floating], usual_m_s: float
) -> npt.NDArray[np.floating]:
    """Speeds that a block can have had: up to `usual_m_s` all of them, beyond it what lasted for `LASTED_S` on quick data. A bad
    position makes a speed of a moment, or of the time between two slow readings; a load that runs away takes its time."""
    usual = speed_m_s[speed_m_s <= usual_m_s]
    points = round(LASTED_S * SECOND_NS) // GRID_NS + 1
    if len(speed_m_s) < points:
        return usual
    held = sliding_window_view(speed_m_s, points).min(axis=1)
    quick = t_ns[points - 1 :] - t_ns[: 1 - points] <= round(1.01 * LASTED_S * SECOND_NS)
    return np.concatenate([usual, held[quick & (held > usual_m_s)]])


def summary(context: ReportContext) -> str:
    """What it was, in a dozen figures."""
    rec, alarms = context.rec, context.alarms
    worst = max((level for level, count in alarms.by_severity.items() if count), default=None)
    work = float(rec["line_work"][-1])
    heat = max((d.heat_to_c for d in context.descents if math.isfinite(d.heat_to_c)), default=math.nan)
    effect = known_of(rec["effectiveness"])
    speed = possible_speeds(rec.t_ns, np.abs(rec["speed"]), max(POSSIBLE_M_S, rec.rig.limits.credible_speed_m_s))
    parts = [
        cards(
            [
                (
                    span(rec.watched_s),
                    "recorded" if rec.watched_s > 0.99 * rec.seconds else f"recorded, in {span(rec.seconds)}",
                ),
                (counted(alarms.raised, "alarm"), f"worst: {worst.name if worst is not None else 'none'}"),
                (counted(len(context.stands), "stand"), "from set-down to set-down"),
                (f"{plain(work / TON_MILE_J, 1)} ton-miles", f"line work, {mega(work, 0)} MJ"),
                (context.signal("speed", most(speed)), "highest block speed"),
                (context.signal("hook_load", most(rec["hook_load"])), "highest hook load"),
                (percent(float(effect[-1])) if len(effect) else "not weighed", "brake effectiveness at the end"),
                (
                    context.signal("disc_modelled", heat) if math.isfinite(heat) else "no descent",
                    "hottest disc or rim after a descent",
                ),
            ]
        )
    ]
    total = int(rec.elapsed_ns[-1]) * 1e-9
    rows = [
        (
            state.value,
            span(rec.share(rec.hoist == place) * total),
            percent(rec.share(rec.hoist == place), 1),
        )
        for place, state in enumerate(STATES)
        if (rec.hoist == place).any()
    ]
    parts.append(table(("<the hoist was", "for", "share"), rows))
    parts.append(_not_fitted(context))
    parts.append(_data_quality(context))
    return "".join(parts)


def _not_fitted(context: ReportContext) -> str:
    """What the rig's file leaves out, and what nobody was warned of for that."""
    rig, left_out = context.rec.rig, context.rec.snapshot.left_out
    words = f"Not fitted: the rig's file has {words_of_missing(rig)}. " if rig.missing else ""
    if left_out:
        words += f"{counted(len(left_out), 'rule')} could not warn here: {', '.join(left_out)}."
    return paragraph(words, "note") if words else ""


def _data_quality(context: ReportContext) -> str:
    """What is missing from the data, and how sure the height was."""
    rec = context.rec
    parts = []
    known = rec.known("height")
    bounds = known_of(rec["height_bound"])
    if (1.0 - known) * rec.watched_s > 1.0:
        parts.append(
            missing_note(f"The height was known for {percent(known, 1)} of the time; nothing is shown for the rest.")
        )
    if len(bounds):
        parts.append(paragraph(
            f"Height: 99 % bound of {context.signal('height_bound', float(np.median(bounds)))} at the median, "
            f"{context.signal('height_bound', float(bounds.max()))} at most. "
            f"Hook load: taken at ± {percent(rec.rig.uncertainty.load)}."
        ))  # fmt: skip
    if rec.gaps:
        lost = sum(gap.lost for gap in rec.gaps)
        longest = max(gap.to_ns - gap.from_ns for gap in rec.gaps) * 1e-9
        words = f"{counted(len(rec.gaps), 'gap')} without readings, the longest {span(longest)}"
        parts.append(missing_note(words + (f"; {lost} readings came but could not be kept." if lost else ".")))
    if rec.unread:
        parts.append(
            missing_note(f"{rec.unread} of {rec.unread + rec.frames} messages stand in damaged parts of the session.")
        )
    if rec.restarts:
        parts.append(
            missing_note(
                f"{counted(rec.restarts, 'silence')} of more than half an hour: what was under way before was let go; the "
                "reference of the height, brake health and line work were kept, as over a restart."
            )
        )
    for note in rec.notes:
        if note.kind in ("clock", "import"):
            parts.append(paragraph(f"{context.when(note.t_ns)}: {note.text}", "note"))
    rejects = sorted(rec.snapshot.rejects.items(), key=lambda item: -item[1])
    if rejects:
        parts.append(paragraph("Refused readings: " + ", ".join(f"{n} {reason}" for reason, n in rejects) + "."))
    return "".join(parts)


def _chart(context: ReportContext) -> Chart:
    rec = context.rec
    holes = [(gap.from_ns, gap.to_ns) for gap in rec.gaps]
    first = int(rec.t_ns[0]) if len(rec.t_ns) else rec.start_ns
    return Chart(first, rec.end_ns, holes, rec.t_ns)


def motion_plots(context: ReportContext) -> str:
    """Height, speed, load, pressure, heat over time."""
    rec, units = context.rec, context.units

    def panel(title: str, dimension: Dimension, *names: tuple[str, str], zero: bool = False,
              levels: Sequence[tuple[str, float]] = ()) -> Panel:  # fmt: skip
        unit = units.shown(dimension).unit
        curves = [Curve(label, (rec[name] - unit.offset) / unit.scale) for name, label in names]
        kept = [curve for curve in curves if np.isfinite(curve.numbers).any()]
        lines = [(words, unit.from_si(level)) for words, level in levels]
        return Panel(context.head(title, dimension), kept, lines, zero, legend=[c.label for c in kept] == ["modelled"])

    limits = rec.rig.limits
    chart = _chart(context)
    loud = [span for span in context.spans if span.severity >= Severity.WARNING][:400]
    chart.panel(panel("block height", "length", ("height", "height"),
                      levels=(("upper limit", limits.upper_m), ("lower limit", limits.lower_m))), loud)  # fmt: skip
    chart.panel(panel("block speed, up positive", "speed", ("speed", "speed"), zero=True))
    chart.panel(panel("hook load", "force", ("hook_load", "hook load"), zero=True))
    chart.panel(panel("service brake pressure", "pressure", ("service_pressure_1", "circuit 1"),
                      ("service_pressure_2", "circuit 2"), zero=True))  # fmt: skip
    heat = [("disc_temperature_left", "left"), ("disc_temperature_right", "right"), ("disc_modelled", "modelled")]
    chart.panel(panel("disc temperature", "temperature", *heat))
    if rec.known("effectiveness"):
        chart.panel(
            panel(
                "brake effectiveness", "fraction", ("effectiveness", "effectiveness"), levels=(("as configured", 1.0),)
            )
        )
    words = paragraph(
        "Each column of a curve spans the least to the greatest value in its time. Times are UTC. Shaded: no readings. "
        "Triangles on the height: WARNING and DANGER.", "note",
    )  # fmt: skip
    return words + chart.svg("Block height, block speed, hook load, brake pressure and disc temperature over time")


def timeline(context: ReportContext) -> str:
    """What was said, when."""
    rec = context.rec
    listed = [f for f in rec.findings if f.kind not in ("alarm", "prompt") or f.raised]
    prompts = sum(f.prompted for f in rec.findings)
    parts = []
    if context.spans:
        keys: dict[str, list[Span]] = {}
        for found in sorted(context.spans, key=lambda s: (-s.severity, s.from_ns)):
            keys.setdefault(found.key, []).append(found)
        chart = _chart(context)
        chart.bars(
            "alarms and prompts while true (D danger, W warning, C caution, N notice)",
            [(key, found[:MOST_BARS]) for key, found in list(keys.items())[:24]],
        )
        parts.append(chart.svg("When each alarm was true"))
        if len(keys) > 24:
            parts.append(paragraph(f"{len(keys) - 24} less severe alarms are not drawn.", "note"))
    if any(found.key == "slow-data" for found in context.spans):
        parts.append(missing_note(
            "Height readings came slowly. Where the block may have got to between two of them is not known, so that nobody could "
            f"have been warned in time; at the end: {slow_words(rec.snapshot)}."
        ))  # fmt: skip
    if prompts:
        parts.append(
            paragraph(f"{counted(prompts, 'prompt')} for ordinary work, drawn above, not listed: no alarms.", "note")
        )
    if not listed:
        return "".join(parts) + paragraph("Nothing was said: no alarm, no action, no check.")
    ends = {(s.key, s.from_ns): s for s in context.spans}
    rows = [_timeline_row(context, finding, ends.get((finding.key, finding.t_ns))) for finding in listed]
    shown, more = cut(rows, MOST_FINDINGS)
    heads = ("|time", "|word", "<what", "value", "threshold", "lasted", "seen after")
    return "".join(parts) + table(heads, shown) + more


def _timeline_row(context: ReportContext, finding: Finding, found: Span | None) -> tuple[str, ...]:
    number, threshold = context.value_and_limit(finding) if finding.kind == "alarm" else ("", "")
    lasted = span((found.to_ns - found.from_ns) * 1e-9) + ("" if found.over else " +") if found else ""
    seen = found.acknowledged_ns if found else None
    waited = span((seen - finding.t_ns) * 1e-9) if seen is not None else (NONE if finding.kind == "alarm" else "")
    words = finding.message + (f" [{finding.key}]" if finding.kind in ("alarm", "instrument") else "")
    who = f" ({finding.after})" if finding.kind == "action" and finding.after else ""
    word = severity(finding.severity.name) if finding.kind == "alarm" else finding.kind
    return (context.when(finding.t_ns), word, words + who, number, threshold, lasted, waited)
