"""The sections of the report on the work done: stands and trips, line work by activity, what was hardest on the hoist."""

import math
from statistics import median
from typing import Final

import numpy as np

from monitor.analysis.recording import Numbers
from monitor.analysis.work.activity import DRILLED_M_S, PAUSE
from monitor.analysis.work.log import WorkedLog
from monitor.analysis.work.strokes import LEAST_STAND_M
from monitor.presentation.format import plain, span
from monitor.presentation.line_work import both_units, compared_sums
from monitor.report.context import NONE, ReportContext, counted, cut, mega, percent
from monitor.report.html import missing_note, paragraph, table
from monitor.report.plots import Chart, Curve, Panel
from monitor.units import TON_MILE_J

_WAYS: Final = {
    "out": "out of the hole",
    "in": "into the hole",
    "worked": "lifted and set again",
    "not seen": "position not read",
}
MOST_STOPS: Final = 25
_LOAD_KNOWN: Final = 0.5


def stand_table(context: ReportContext) -> str:
    """Time per stand, slips to slips, connections; stands an hour, trip by trip."""
    log = context.log
    found = log.motion.stands
    load_n = log.series.load_n
    if not load_n.size or np.isfinite(load_n).mean() < _LOAD_KNOWN:
        return missing_note("The hook load was known for less than half of the time: stands cannot be told.")
    if not found:
        return paragraph("The string was not set in slips and lifted again in this record.")
    rows = []
    for way in _WAYS:
        some = [s for s in found if s.way == way]
        if some:
            each = [
                median(times)
                for times in zip(*((s.seconds, s.slips.seconds, s.lifted.seconds) for s in some), strict=True)
            ]
            rows.append((_WAYS[way], str(len(some)), *(f"{t:.0f}" for t in each), f"{min(s.seconds for s in some):.0f}",
                         f"{max(s.seconds for s in some):.0f}"))  # fmt: skip
    heads = ("<way", "stands", "time per stand, s", "connection, s", "slips to slips, s", "quickest, s", "slowest, s")
    words = "Medians; a stand counts from set-down to set-down."
    if log.series.step_s >= 1.0:
        words += f" Readings every {plain(log.series.step_s, 1)} s: times are as near as that."
    if any(s.way == "worked" for s in found):
        words += f" Lifted and set again: moved by less than {context.full(LEAST_STAND_M, 'length')}."
    parts = [paragraph(words), table(heads, rows), _trips(context), _stand_chart(log)]
    columns = ("|set in slips", "|way", "time per stand, s", "connection, s", "slips to slips, s",
             context.head("travel", "length"), context.head("load", "force"), "<activity")  # fmt: skip
    each_stand = [
        (context.when(log.series.ns(s.slips.from_s)), s.way, f"{s.seconds:.0f}", f"{s.slips.seconds:.0f}",
         f"{s.lifted.seconds:.0f}", context.number(s.travel_m, "length"), context.number(s.load_n, "force"), activity)
        for s, activity in zip(found, log.activities.of_stand, strict=True)
    ]  # fmt: skip
    shown, more = cut(each_stand)
    parts.append(table(columns, shown))
    return "".join(parts) + more


def _trips(context: ReportContext) -> str:
    log = context.log
    if not log.activities.trips:
        return ""
    rows = [
        (context.when(log.series.ns(t.from_s)), context.when(log.series.ns(t.to_s)), t.activity, str(t.stands),
         plain(t.per_hour, 1), plain(t.pace_per_hour, 1), f"{t.connection_s:.0f}", f"{t.hanging_s:.0f}", str(t.pauses))
        for t in log.activities.trips
    ]  # fmt: skip
    heads = ("|from", "|to", "<activity", "stands", "stands an hour", "pace, stands an hour", "connection, s",
             "slips to slips, s", "pauses")  # fmt: skip
    words = (
        "Three stands or more in a row. Stands an hour count over all the time that passed; the pace by the median stand, "
        f"without those that took more than {plain(PAUSE, 0)} times as long (pauses)."
    )
    return table(heads, rows) + paragraph(words, "note")


def _stand_chart(log: WorkedLog) -> str:
    """Time per stand over time, connection and slips to slips."""
    t_s = log.series.t_s
    if len(t_s) < 2 or len(log.motion.stands) < 3:
        return ""
    curves: list[Numbers] = []
    for which in ("slips", "lifted"):
        numbers = np.full(len(t_s), np.nan, np.float32)
        for stand in log.motion.stands:
            part = getattr(stand, which)
            numbers[stand.slips.first : stand.lifted.after] = part.seconds
        curves.append(numbers)
    chart = _chart(log)
    chart.panel(Panel("per stand, s", [Curve("connection", curves[0]), Curve("slips to slips", curves[1])], zero=True))
    return chart.svg("Connection and slips to slips of each stand over time")


def _chart(log: WorkedLog) -> Chart:
    series = log.series
    t_ns = series.start_ns + np.round(series.t_s * 1e9).astype(np.int64)
    holes = [(int(t_ns[place - 1]), int(t_ns[place])) for place in series.breaks.tolist()]
    return Chart(int(t_ns[0]), int(t_ns[-1]), holes, t_ns)


def work_table(context: ReportContext) -> str:
    """Line work by activity, the empty block's moves apart, beside the log's own counter."""
    log = context.log
    if not log.activities.work:
        return paragraph("The block made no stroke in this record.")
    whole = log.work_j
    rows = [
        (w.activity, plain(w.total_j / TON_MILE_J, 2), mega(w.total_j), percent(w.total_j / whole if whole else math.nan),
         mega(w.with_string_j), mega(w.block_alone_j), str(w.strokes), span(w.moving_s))
        for w in log.activities.work
    ]  # fmt: skip
    alone = sum(w.block_alone_j for w in log.activities.work)
    foot = ("all", plain(whole / TON_MILE_J, 2), mega(whole), "", mega(whole - alone), mega(alone),
            str(sum(w.strokes for w in log.activities.work)), "")  # fmt: skip
    heads = ("<activity", "ton-miles", "MJ", "share", "with the string, MJ", "block alone, MJ", "strokes", "moving")
    origin = (
        "Activities by the log's own code (WITS numbers)."
        if log.activities.by_code
        else "Activities by the motion: what goes down with the string slower than "
        f"{context.full(DRILLED_M_S, 'speed')} drills, what goes far more up and down than on reams or works the string."
    )
    down, _, up = log.motion.block_n
    learned = f" The block alone, as the log has it: {context.full(up, 'force')} going up, {context.full(down, 'force')} down."
    sums = f" {compared_sums(float(context.rec['line_work'][-1]), whole)}"
    parts = [table(heads, rows, foot), _counter(context), _work_chart(log), paragraph(origin + learned + sums, "note")]
    other_block = log.other_block(context.rec.rig)
    if other_block:
        parts.append(missing_note(f"Doubtful: {other_block}."))
    if log.unseen.times:
        parts.append(missing_note(_unseen(log)))
    if log.series.left_out:
        left = ", ".join(f"{count} {words}" for words, count in log.series.left_out.items())
        parts.append(paragraph(f"Readings of the height left out here: {left}.", "note"))
    return "".join(parts)


def _unseen(log: WorkedLog) -> str:
    """What is missing from the sums, estimated."""
    unseen = log.unseen
    words = (
        f"The position was not read {counted(unseen.times, 'time')}, {span(unseen.seconds)} in all: estimated "
        f"{both_units(unseen.work_j, 1)} more, which are in no sum here."
    )
    if unseen.not_estimated_s > 0.0:
        words += f" Of that time nothing is said of {span(unseen.not_estimated_s)}."
    return words


def _counter(context: ReportContext) -> str:
    counter = context.log.counter
    if counter is None:
        return ""
    ratio = counter.worked_out_j / counter.own_j - 1.0 if counter.own_j > 0.0 else math.nan
    words = f"The log's own counter went on by {mega(counter.own_j)} MJ"
    words += f" (set back {counted(counter.resets, 'time')})" if counter.resets else ""
    words += f"; worked out over the same time: {mega(counter.worked_out_j)} MJ"
    return paragraph(words + (f", {plain(100.0 * ratio, 1, signed=True)} %." if math.isfinite(ratio) else "."))


def _work_chart(log: WorkedLog) -> str:
    """Line work so far, by activity."""
    t_s = log.series.t_s
    if len(t_s) < 2:
        return ""
    curves = []
    largest = sorted(log.activities.work, key=lambda work: -work.total_j)[:3]
    for work in largest:
        steps = np.zeros(len(t_s))
        for stroke, activity in zip(log.motion.strokes, log.activities.of_stroke, strict=True):
            if activity == work.activity:
                steps[stroke.next_turn] += log.motion.work_between(stroke.turn, stroke.next_turn)
        curves.append(Curve(work.activity, (np.cumsum(steps) / 1e6).astype(np.float32)))
    chart = _chart(log)
    chart.panel(Panel("line work, MJ", curves, zero=True, legend=True))
    return chart.svg("Line work so far by activity, over time")


def hardest_table(context: ReportContext) -> str:
    """Heaviest stops by the motion alone, highest speeds, time beyond each limit."""
    log = context.log
    rows = [
        (b.limit, context.full(b.level, b.dimension), span(b.seconds) if b.times else "never", str(b.times) if b.times else NONE,
         context.full(b.worst, b.dimension))
        for b in log.beyond
    ]  # fmt: skip
    parts = [
        table(("<beyond", "level", "for", "times", "furthest"), rows),
        paragraph(
            f"Highest speed over a second or more: {context.full(log.top_up_m_s, 'speed')} up, "
            f"{context.full(log.top_down_m_s, 'speed')} down."
        ),
    ]
    stops = log.stops[:MOST_STOPS]
    if not stops:
        return "".join(parts)
    heads = ("|at rest", "|way", context.head("height", "length"), context.head("speed", "speed"), context.head("load", "force"),
             "within, s", context.head("slowing, at least", "acceleration"), "energy, MJ")  # fmt: skip
    lines = [
        (context.when(log.series.ns(s.t_s)), "up" if s.way > 0 else "down", context.number(s.height_m, "length"),
         context.number(s.speed_m_s, "speed"), context.number(s.load_n, "force"), plain(s.within_s, 1),
         context.slowing(s.deceleration_m_s2), mega(s.energy_j, 2))
        for s in stops
    ]  # fmt: skip
    words = (
        f"The hardest {len(stops)} of {counted(len(log.stops), 'stop')} by the motion alone, brake pressure or not. "
        "Speed: mean over a second or between two readings; energy: of motion, and in lowering of the height lost until rest, as "
        f"far as the readings come often enough to tell it. Readings every {plain(log.series.step_s, 2)} s."
    )
    return "".join(parts) + table(heads, lines) + paragraph(words, "note")
