"""How good the data were: what of them was bad, by kind, and when; and when the height was not known.

An import finds bad stretches and leaves them out (`monitor.adapters.tables.cleaning`); what it found stands in a note of the
session. A live recording has its gaps, and what its sensors' readings were refused for.
"""

from collections.abc import Iterator
from typing import Final

import numpy as np

from monitor.adapters.tables.cleaning.quality import KEPT, ROWS, Stretch, stretches_of
from monitor.analysis.known import runs
from monitor.analysis.recording import Recording
from monitor.model.reading import Validity
from monitor.presentation.format import span
from monitor.presentation.line_work import both_units
from monitor.report.context import ReportContext, counted, percent
from monitor.report.html import missing_note, paragraph, table
from monitor.report.plots import Chart

MOST_BARS: Final = 900
UNKNOWN_JOIN_S: Final = 5.0


def bad_stretches(rec: Recording) -> Iterator[Stretch]:
    """What the import of the record left out."""
    for note in rec.notes:
        if note.kind == "quality":
            yield from stretches_of(note.text)


def dropped_of(rec: Recording) -> dict[str, int]:
    """By sensor, how many cells the import of the record left out."""
    found: dict[str, int] = {}
    for one in bad_stretches(rec):
        if one.kind in KEPT:
            continue
        found[one.sensor] = found.get(one.sensor, 0) + one.count
    return found


def missing_words(context: ReportContext) -> str:
    """What is likely to be missing from the line work; nothing where nothing is."""
    missing = context.log.unseen
    if not missing.seconds > 0.0:
        return ""
    words = f"The position was not read {missing.times} times, {span(missing.seconds)} in all."
    if missing.work_j > 0.0:
        words += (
            f" By the load of these times, and by the strokes around them, the line did about {both_units(missing.work_j, 1)}"
            " more: an estimate, in no sum."
        )
    if missing.not_estimated_s > 0.0:
        words += f" Of {span(missing.not_estimated_s)} nothing can be estimated."
    return missing_note(words)


def quality(context: ReportContext) -> str:
    """The band over time, and the table of kinds."""
    rec = context.rec
    kinds: dict[tuple[str, str], list[Stretch]] = {}
    for one in bad_stretches(rec):
        if one.to_ns >= rec.start_ns and one.from_ns <= rec.end_ns:
            kinds.setdefault((one.sensor, one.kind), []).append(one)
    for gap in rec.gaps if not any(sensor == ROWS for sensor, _ in kinds) else ():
        kinds.setdefault((ROWS, "no readings"), []).append(
            Stretch(ROWS, "no readings", gap.from_ns, gap.to_ns, gap.lost)
        )
    unknown = [
        (int(rec.t_ns[first]), int(rec.t_ns[min(after, len(rec.t_ns) - 1)]))
        for first, after in runs(rec.validity == int(Validity.INVALID), UNKNOWN_JOIN_S)
    ]
    if not kinds and not unknown:
        return missing_words(context) or paragraph(
            "Nothing was bad: no gap, nothing left out, the height known all the time."
        )
    parts = []
    bars = [
        (kind if sensor == ROWS else f"{kind}, {sensor}", [(one.from_ns, one.to_ns) for one in found[:MOST_BARS]])
        for (sensor, kind), found in sorted(kinds.items())
    ]
    if unknown:
        bars.append(("height not known", unknown[:MOST_BARS]))
    first = int(rec.t_ns[0]) if len(rec.t_ns) else rec.start_ns
    chart = Chart(first, rec.end_ns)
    chart.bands("bad data, by sensor and kind", bars)
    parts.append(chart.svg("When which data were bad"))
    rows = [
        (sensor, kind, str(len(found)), str(sum(one.count for one in found)),
         span(sum(one.to_ns - one.from_ns for one in found) * 1e-9),
         span(max(one.to_ns - one.from_ns for one in found) * 1e-9), context.when(found[0].from_ns))
        for (sensor, kind), found in sorted(kinds.items())
    ]  # fmt: skip
    if rows:
        heads = ("<sensor", "<what", "stretches", "readings", "in all", "longest", "|first")
        parts.append(table(heads, rows))
    if unknown:
        longest = max(to_ns - from_ns for from_ns, to_ns in unknown) * 1e-9
        share = float(np.mean(rec.validity == int(Validity.INVALID)))
        parts.append(paragraph(
            f"The height was not known {counted(len(unknown), 'time')}, for {percent(share, 2)} of the record, the longest "
            f"{span(longest)}. Line work and travel of then are not in the sums."
        ))  # fmt: skip
    parts.append(missing_words(context))
    return "".join(parts)
