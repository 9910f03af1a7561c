"""Between recordings and the rig's ledger: what of a recording belongs there, and the work that the ledger has."""

from collections.abc import Iterator, Sequence
from pathlib import Path

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
from monitor.adapters.ledger.ledger import Entry, Ledger, LedgerError, ledger_path
from monitor.analysis.known import known_of, stretches_alike
from monitor.analysis.recording import Numbers, Recording
from monitor.core.hoist.line_work import BRIDGE_S
from monitor.model.alarm import Finding
from monitor.model.stream import Action


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
