"""What a mechanic should look at first, gathered from all over the record: a line each, with the section that shows more."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Final

from monitor.analysis.alarm_figures import Span
from monitor.analysis.known import least
from monitor.analysis.recording import Recording
from monitor.config.sensor import Sensor
from monitor.model.alarm import Severity
from monitor.model.snapshot import SensorView
from monitor.presentation.format import plain, span
from monitor.report.context import ReportContext, counted, percent
from monitor.report.html import Raw, missing_note, paragraph, severity, table, text

FEW_READINGS: Final = 0.9
"""A sensor that gave a smaller share of its readings is worth a look."""
MOST_LINES: Final = 40
IMPORTED: Final = "IMPORTED"
DATA_SIGNALS: Final = frozenset(
    {"height_unknown", "sensor_stale", "sensor_rejecting", "sensor_out_of_range", "sensors_silent"}
)
"""What is missing from a log is no event of the rig's night: of imports the section on data quality says it."""


@dataclass(frozen=True, slots=True)
class Attention:
    """One thing to look at."""

    word: str
    words: str
    anchor: str
    """The section that shows more."""


def taken_share(rec: Recording, view: SensorView, sensor: Sensor) -> float:
    """Readings taken over readings expected while the core of `rec.snapshot` ran."""
    return view.fused / max(1e-9, rec.watched_s * sensor.rate_hz)


def attention_table(context: ReportContext) -> str:
    """The list, worst first."""
    found = [item for find in FINDERS for item in find(context)]
    if not found:
        return paragraph(
            "Nothing: no WARNING or DANGER, no alarm left standing, no check failed or due, every sensor gave its readings."
        )
    rows = [
        (item.word, item.words, Raw(f'<a href="#{text(item.anchor)}">{text(item.anchor)}</a>'))
        for item in found[:MOST_LINES]
    ]
    more = missing_note(f"{len(found) - MOST_LINES} more are not listed here.") if len(found) > MOST_LINES else ""
    return table(("|kind", "<what", "|more under"), rows) + more


def _alarms(context: ReportContext) -> Iterator[Attention]:
    """Whatever was WARNING or DANGER, and whatever was still true at the end."""
    keys: dict[str, list[Span]] = {}
    imported = context.rec.mode == IMPORTED
    for one in context.spans:
        signal = context.signal_of_rule(one.key) if imported else None
        if one.severity >= Severity.CAUTION and signal not in DATA_SIGNALS:
            keys.setdefault(one.key, []).append(one)
    for key, times in sorted(keys.items(), key=lambda item: (-item[1][0].severity, item[1][0].from_ns)):
        stands = not times[-1].over
        if times[0].severity < Severity.WARNING and not stands:
            continue
        longest = max(one.to_ns - one.from_ns for one in times) * 1e-9
        words = f"{times[0].message} [{key}]: "
        if len(times) == 1:
            words += f"{context.when(times[0].from_ns)}, for {span(longest)}"
        else:
            words += f"{len(times)} times from {context.when(times[0].from_ns)}, the longest {span(longest)}"
        words += ", still true at the end" if stands else ""
        unseen = sum(one.acknowledged_ns is None for one in times)
        if unseen:
            words += ", not acknowledged" if unseen == len(times) else f", {unseen} not acknowledged"
        yield Attention(severity(times[0].severity.name), words + ".", "timeline")


def _checks(context: ReportContext) -> Iterator[Attention]:
    for view in context.rec.snapshot.checks:
        if view.result is not None and view.result.verdict != "pass":
            words = f"{view.title}, {context.when(view.result.t_ns)}: {view.result.verdict}, {view.result.reason}."
            yield Attention("check", words, "checks")
        if view.due and not view.unfit:
            yield Attention("check", f"{view.title} is due: {view.due_words}.", "checks")


def _brake(context: ReportContext) -> Iterator[Attention]:
    full = [stop for stop in context.stops if stop.full and not stop.dragged]
    longer = [stop for stop in full if stop.reach_m - stop.reach_bound_m > stop.reach_full_m]
    if longer:
        words = (
            f"{len(longer)} of {counted(len(full), 'stop')} with the full brake went further than expected, first at "
        )
        yield Attention("brake", words + f"{context.when(longer[0].t_ns)}.", "stops")


def _line(context: ReportContext) -> Iterator[Attention]:
    lowest = least(context.rec["design_factor"])
    asked = context.rec.rig.line.min_design_factor
    if lowest < asked:
        words = f"The fast line's design factor fell to {plain(lowest, 2)}; the site asks for {plain(asked, 1)}."
        yield Attention("line", words, "line")


def _sensors(context: ReportContext) -> Iterator[Attention]:
    rec = context.rec
    for view, sensor in zip(rec.snapshot.sensors, rec.rig.sensors, strict=True):
        share = taken_share(rec, view, sensor)
        if view.diagnosis or view.stale:
            words = f"{view.id}: {view.diagnosis or 'silent at the end'}."
            yield Attention("sensor", words, "sensors")
        elif share < FEW_READINGS and not (sensor.role in ("position", "mark") and view.fused):
            yield Attention("sensor", f"{view.id}: gave {percent(share)} of its readings.", "sensors")


def _data(context: ReportContext) -> Iterator[Attention]:
    rec = context.rec
    known = rec.known("height")
    if known < 0.99:
        yield Attention("data", f"The height was known for {percent(known, 1)} of the time only.", "summary")
    if rec.faults:
        more = f" (and {len(rec.faults) - 1} more)" if len(rec.faults) > 1 else ""
        yield Attention(
            "data", f"The record is NOT SOUND: {rec.faults[0]}{more}. Figures lack what is missing.", "summary"
        )
    if rec.unread:
        yield Attention(
            "data", f"{counted(rec.unread, 'message')} in damaged parts of the session could not be read.", "summary"
        )


FINDERS: Final[tuple[Callable[[ReportContext], Iterable[Attention]], ...]] = (
    _alarms,
    _checks,
    _brake,
    _line,
    _sensors,
    _data,
)
"""What finds things to look at, gravest first."""
