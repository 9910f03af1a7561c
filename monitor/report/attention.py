"""What a mechanic should look at first, gathered from all over the record: a line each, with the section that tells more."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Final

from monitor.analysis.alarm_figures import Span
from monitor.analysis.recording import Recording, least
from monitor.config.rig import Sensor
from monitor.model.alarm import Severity
from monitor.model.snapshot import SensorView
from monitor.presentation.format import plain, span
from monitor.report.html import Raw, lacking, paragraph, severity, table, text
from monitor.report.sections import Story, many, percent

FEW_READINGS: Final = 0.9
"""A sensor that gave a smaller share of its readings is worth a look."""
MOST_LINES: Final = 40


@dataclass(frozen=True, slots=True)
class Look:
    """One thing to look at."""

    word: str
    words: str
    anchor: str
    """The section that tells more."""


def taken_share(rec: Recording, view: SensorView, sensor: Sensor) -> float:
    """Readings taken over readings expected while the core of `rec.snapshot` ran."""
    return view.fused / max(1e-9, rec.watched_s * sensor.rate_hz)


def look_table(story: Story) -> str:
    """The list, worst first."""
    found = [look for looks in LOOKS for look in looks(story)]
    if not found:
        return paragraph(
            "Nothing: no WARNING or DANGER, no alarm left standing, no check failed or due, every sensor gave its readings."
        )
    rows = [
        (look.word, look.words, Raw(f'<a href="#{text(look.anchor)}">{text(look.anchor)}</a>'))
        for look in found[:MOST_LINES]
    ]
    more = lacking(f"{len(found) - MOST_LINES} more are not listed here.") if len(found) > MOST_LINES else ""
    return table(("|kind", "<what", "|more under"), rows) + more


def _alarms(story: Story) -> Iterator[Look]:
    """Whatever was WARNING or DANGER, and whatever was still true at the end."""
    keys: dict[str, list[Span]] = {}
    for one in story.spans:
        if one.severity >= Severity.CAUTION:
            keys.setdefault(one.key, []).append(one)
    for key, times in sorted(keys.items(), key=lambda item: (-item[1][0].severity, item[1][0].from_ns)):
        stands = not times[-1].over
        if times[0].severity < Severity.WARNING and not stands:
            continue
        longest = max(one.to_ns - one.from_ns for one in times) * 1e-9
        words = f"{times[0].message} [{key}]: "
        if len(times) == 1:
            words += f"{story.when(times[0].from_ns)}, for {span(longest)}"
        else:
            words += f"{len(times)} times from {story.when(times[0].from_ns)}, the longest {span(longest)}"
        words += ", still true at the end" if stands else ""
        unseen = sum(one.acknowledged_ns is None for one in times)
        if unseen:
            words += ", not acknowledged" if unseen == len(times) else f", {unseen} not acknowledged"
        yield Look(severity(times[0].severity.name), words + ".", "timeline")


def _checks(story: Story) -> Iterator[Look]:
    for view in story.rec.snapshot.checks:
        if view.result is not None and view.result.verdict != "pass":
            words = f"{view.title}, {story.when(view.result.t_ns)}: {view.result.verdict}, {view.result.reason}."
            yield Look("check", words, "checks")
        if view.due and not view.unfit:
            yield Look("check", f"{view.title} is due: {view.due_words}.", "checks")


def _brake(story: Story) -> Iterator[Look]:
    full = [stop for stop in story.stops if stop.full and not stop.dragged]
    longer = [stop for stop in full if stop.reach_m - stop.reach_bound_m > stop.reach_full_m]
    if longer:
        words = f"{len(longer)} of {many(len(full), 'stop')} with the full brake went further than expected, first at "
        yield Look("brake", words + f"{story.when(longer[0].t_ns)}.", "stops")


def _line(story: Story) -> Iterator[Look]:
    lowest = least(story.rec["design_factor"])
    asked = story.rec.rig.line.min_design_factor
    if lowest < asked:
        words = f"The fast line's design factor fell to {plain(lowest, 2)}; the site asks for {plain(asked, 1)}."
        yield Look("line", words, "line")


def _sensors(story: Story) -> Iterator[Look]:
    rec = story.rec
    for view, sensor in zip(rec.snapshot.sensors, rec.rig.sensors, strict=True):
        share = taken_share(rec, view, sensor)
        if view.diagnosis or view.stale:
            words = f"{view.id}: {view.diagnosis or 'silent at the end'}."
            yield Look("sensor", words, "sensors")
        elif share < FEW_READINGS and not (sensor.spec.role in ("position", "mark") and view.fused):
            yield Look("sensor", f"{view.id}: gave {percent(share)} of its readings.", "sensors")


def _data(story: Story) -> Iterator[Look]:
    rec = story.rec
    known = rec.known("height")
    if known < 0.99:
        yield Look("data", f"The height was known for {percent(known, 1)} of the time only.", "summary")
    if rec.unread:
        yield Look(
            "data", f"{many(rec.unread, 'message')} in damaged parts of the session could not be read.", "summary"
        )


LOOKS: Final[tuple[Callable[[Story], Iterable[Look]], ...]] = (_alarms, _checks, _brake, _line, _sensors, _data)
"""What finds things to look at, gravest first."""
