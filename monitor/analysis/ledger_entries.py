"""Between recordings and the rig's ledger: what of a recording belongs there, and what the ledger says of months."""

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import Final

import numpy as np

from monitor.adapters.ledger.entries import (
    BRAKE_FIGURES,
    BRAKE_WORDS,
    DAY_NS,
    EntryCollector,
    NewEntry,
    WorkSum,
    is_cut,
    span_of,
)
from monitor.adapters.ledger.ledger import Entry, Ledger, LedgerError, iso, ledger_path
from monitor.adapters.ledger.trend import FEWEST_POINTS, SHORTEST_DAYS, trend
from monitor.analysis.known import known_of, stretches_alike
from monitor.analysis.recording import Numbers, Recording
from monitor.core.hoist.line_work import BRIDGE_S
from monitor.model.alarm import Finding
from monitor.model.stream import Action
from monitor.presentation.figures import figure

SERIES: Final = {
    "effectiveness": "brake effectiveness",
    "response_s": "brake response time",
    "leak_pa_s": "pressure leak rate",
    "aux_share": "auxiliary share",
}
"""Numbers of ``brake`` entries that trends are looked for in, and their words."""
_OF_PADS: Final = frozenset(("effectiveness", "response_s"))
"""Begin again with new pads."""
_MONTH_DAYS: Final = 30.4


def candidates(rec: Recording) -> list[NewEntry | WorkSum]:
    """Everything in `rec` that the ledger should know: brake health by day, line work, and what happened."""
    return [*_brake_days(rec), *_work(rec), *_happened(rec)]


def _days(rec: Recording) -> Iterator[tuple[int, int]]:
    """(first, one past the last) grid index of each day (UTC)."""
    yield from stretches_alike(rec.t_ns // DAY_NS)


def _news(numbers: Numbers) -> float | None:
    """The last known number, if it is news: a figure that merely stood all day was found on another day."""
    some = known_of(numbers)
    if not len(some) or (np.isfinite(numbers[0]) and some.min() == some.max()):
        return None
    return float(some[-1])


def _brake_days(rec: Recording) -> Iterator[NewEntry]:
    for first, after in _days(rec):
        before = max(0, first - 1)
        found = {name: _news(rec[signal][before:after]) for name, signal in BRAKE_FIGURES.items()}
        numbers = {name: number for name, number in found.items() if number is not None}
        if numbers:
            yield NewEntry("brake", int(rec.t_ns[after - 1]), text=BRAKE_WORDS, numbers=numbers)


def _work(rec: Recording) -> Iterator[WorkSum]:
    """Work of each time range between two cuts, silences left out: another recording may know what was done in those."""
    t_ns = rec.t_ns
    breaks = [(place, place + 1) for place in rec.holes]
    for finding in rec.findings:
        if is_cut(finding):
            place = max(0, int(np.searchsorted(t_ns, finding.t_ns, side="right")) - 1)
            breaks.append((place, place))
    for gap in rec.gaps:
        if gap.to_ns - gap.from_ns > BRIDGE_S * 1e9:
            stop = int(np.searchsorted(t_ns, gap.from_ns))
            breaks.append((stop, int(np.searchsorted(t_ns, gap.to_ns, side="right")) - 1))
    last = len(t_ns) - 1
    first = 0
    for stop, again in sorted((*breaks, (last, last))):
        if first < min(stop, last):
            yield WorkSum(t_ns[first : stop + 1], rec["line_work"][first : stop + 1])
        first = max(first, again)


def _happened(rec: Recording) -> Iterator[NewEntry]:
    collector = EntryCollector()
    items: list[Action | Finding] = [*rec.actions, *rec.findings]
    for item in sorted(items, key=lambda item: (item.t_ns, isinstance(item, Finding))):
        if isinstance(item, Finding):
            candidate = collector.finding(item)
            if candidate is not None:
                yield candidate
        else:
            collector.action(item)


# --- what the ledger says -------------------------------------------------------------------------------------------


def open_ledger(folder: Path, rig: str) -> Ledger:
    """The rig's ledger in `folder`, open.

    Raises:
        LedgerError: there is none, or it cannot be used.
    """
    path = ledger_path(folder, rig)
    if not path.exists():
        raise LedgerError(
            f"{path}: this rig has no ledger yet; it begins with a live run, with `stopmark ledger take SESSION`, or with"
            " its first entry by hand"
        )
    return Ledger(path)


def work_since_cut_j(entries: Sequence[Entry | NewEntry]) -> tuple[float, int | None]:
    """(line work since the line was last cut or renewed, J; when that was, ns, None when the ledger knows of none)."""
    cut_ns = max((entry.t_ns for entry in entries if entry.kind in ("line-cut", "line-new")), default=None)
    done_j = 0.0
    for entry in entries:
        if entry.kind == "line-work" and (cut_ns is None or entry.t_ns > cut_ns):
            from_ns, to_ns = span_of(entry)
            # A cut that was entered later may lie within what had been summed in one: its share of the time counts.
            share = 1.0 if cut_ns is None or from_ns >= cut_ns else (to_ns - cut_ns) / (to_ns - from_ns)
            done_j += share * entry.numbers.get("work_j", 0.0)
    return done_j, cut_ns


def trend_words(
    entries: Sequence[Entry],
    bounds: Mapping[str, float] = MappingProxyType({}),
    alarms: Mapping[str, float] = MappingProxyType({}),
) -> Iterator[tuple[str, str]]:
    """(series, what can be said of it) for each of SERIES.

    `bounds` asks when a series reaches a value, and is answered in any case; the levels in `alarms` are spoken of only
    where the data carries a date. What was found before the last change of the pads does not hold for those now.
    """
    pads_ns = max((entry.t_ns for entry in entries if entry.kind == "pads"), default=None)
    for name, words in SERIES.items():
        since_ns = pads_ns if name in _OF_PADS else None
        points = [
            (entry.t_ns, entry.numbers[name])
            for entry in entries
            if entry.kind == "brake" and name in entry.numbers and (since_ns is None or entry.t_ns > since_ns)
        ]
        since = "" if since_ns is None else f" since the pads were changed on {iso(since_ns)[:10]}"
        bound = bounds.get(name, alarms.get(name))
        found = trend(points, bound)
        if found is None:
            fewest = f"a trend needs {FEWEST_POINTS} over {SHORTEST_DAYS:g} days"
            yield words, f"{len(points)} entr{'y' if len(points) == 1 else 'ies'}{since}; {fewest}"
            continue
        slope, low, high = (
            figure(name, part * _MONTH_DAYS, 3, signed=True)
            for part in (found.slope, found.slope_low, found.slope_high)
        )
        last = iso(max(t_ns for t_ns, _ in points))[:10]
        text = f"{figure(name, found.level, 3)} on {last}, {slope} per month ({low} to {high}){since}"
        text += "" if found.certain else "; no change can be told from none"
        if bound is None:
            yield words, text
            continue
        level = figure(name, bound, 3)
        if found.reaches_ns is not None and found.reaches_earliest_ns is not None:
            latest = "later than can be said" if found.reaches_latest_ns is None else iso(found.reaches_latest_ns)[:10]
            text += f"; reaches {level} around {iso(found.reaches_ns)[:10]} "
            text += f"(between {iso(found.reaches_earliest_ns)[:10]} and {latest})"
        elif name in bounds:
            text += f"; when it reaches {level} cannot be told from this"
        yield words, text
