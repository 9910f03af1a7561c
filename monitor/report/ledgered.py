"""Between recordings and the rig's ledger: what of a recording belongs there, and what the ledger says of months."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from types import MappingProxyType
from typing import Final

import numpy as np

from monitor.adapters.ledger import Entry, iso
from monitor.adapters.trend import FEWEST_POINTS, SHORTEST_DAYS, trend
from monitor.core.types import ActionKind, CheckVerdict
from monitor.report.collect import Numbers, Recording

DAY_NS: Final = 86_400_000_000_000
_VERDICTS: Final = frozenset(str(verdict) for verdict in CheckVerdict)
_ACTIONS: Final = {
    ActionKind.REFERENCE_HEIGHT: ("reference", "height_m", "height reference"),
    ActionKind.SLIP_AND_CUT: ("line-cut", "turns", "slip and cut: wraps at the reference height"),
    ActionKind.NOTE: ("note", "", ""),
}
"""Actions that are kept: kind of entry, name of the number, words."""

SERIES: Final = (
    ("effectiveness", "brake effectiveness", ""),
    ("response_s", "brake response time", " s"),
    ("leak_pa_s", "pressure leak rate", " Pa/s"),
    ("aux_share", "auxiliary share", ""),
)
"""Numbers of ``brake`` entries that trends are looked for in: name, words, unit."""
_MONTH_DAYS: Final = 30.4


@dataclass(frozen=True, slots=True)
class Draft:
    """An entry that is not written yet."""

    kind: str
    t_ns: int
    who: str = ""
    text: str = ""
    numbers: Mapping[str, float] = field(default_factory=dict)


def drafts(rec: Recording) -> list[Draft]:
    """Everything in `rec` that the ledger should know, in order of time."""
    return sorted([*_brake_days(rec), *_work(rec), *_checks(rec), *_actions(rec)], key=lambda draft: draft.t_ns)


def _days(rec: Recording) -> Iterator[tuple[int, int]]:
    """(first, one past the last) grid index of each day (UTC)."""
    day = rec.t_ns // DAY_NS
    edges = [0, *(np.flatnonzero(np.diff(day)) + 1).tolist(), len(day)]
    yield from pairwise(edges)


def _last(numbers: Numbers) -> float | None:
    known = numbers[np.isfinite(numbers)]
    return float(known[-1]) if len(known) else None


def _brake_days(rec: Recording) -> Iterator[Draft]:
    for first, after in _days(rec):
        found: dict[str, float | None] = {
            "effectiveness": _last(rec["effectiveness"][first:after]),
            "response_s": _last(rec["response_time"][first:after]),
            "leak_pa_s": _last(rec["leak_rate"][first:after]),
            "aux_share": _last(rec["aux_share"][first:after]),
        }
        numbers = {name: number for name, number in found.items() if number is not None}
        if numbers:
            yield Draft("brake", int(rec.t_ns[after - 1]), text="brake health at the end of the day", numbers=numbers)


def _work(rec: Recording) -> Iterator[Draft]:
    """Work of each stretch between two cuts, so that what was done since a cut can be summed up."""
    cuts = [action.t_ns for action in rec.actions if action.kind == ActionKind.SLIP_AND_CUT]
    work = rec["line_work"].astype(np.float64)
    before = 0.0
    for t_ns in [*cuts, int(rec.t_ns[-1])]:
        at = max(0, int(np.searchsorted(rec.t_ns, t_ns)) - 1) if t_ns != int(rec.t_ns[-1]) else len(work) - 1
        done, before = float(work[at]) - before, float(work[at])
        if done > 0.0:
            # Just before the cut itself, which closes this stretch.
            yield Draft("line-work", int(rec.t_ns[at]) - 1, text="measured", numbers={"work_j": done})


def _checks(rec: Recording) -> Iterator[Draft]:
    for finding in rec.findings:
        if finding.kind == "check" and finding.after in _VERDICTS:
            numbers = {"passed": float(finding.after == CheckVerdict.PASS)}
            numbers |= {"measured": finding.number} if finding.number is not None else {}
            yield Draft("check", finding.t_ns, text=finding.message, numbers=numbers)


def _actions(rec: Recording) -> Iterator[Draft]:
    for action in rec.actions:
        row = _ACTIONS.get(action.kind)
        if row is None:
            continue
        kind, name, words = row
        numbers = {name: action.number} if name and action.number is not None else {}
        yield Draft(kind, action.t_ns, action.who, action.text or words, numbers)


# --- what the ledger says -------------------------------------------------------------------------------------------


def work_since_cut_j(entries: Sequence[Entry]) -> tuple[float, int | None]:
    """(line work since the line was last cut or renewed, J; when that was, ns, None when the ledger knows of none)."""
    cut_ns = max((entry.t_ns for entry in entries if entry.kind in ("line-cut", "line-new")), default=None)
    since = [e for e in entries if e.kind == "line-work" and (cut_ns is None or e.t_ns >= cut_ns)]
    return sum(entry.numbers.get("work_j", 0.0) for entry in since), cut_ns


def trend_words(
    entries: Sequence[Entry], bounds: Mapping[str, float] = MappingProxyType({})
) -> Iterator[tuple[str, str]]:
    """(series, what can be said of it) for each of SERIES; `bounds` asks when a series reaches a value."""
    for name, words, unit in SERIES:
        points = [(e.t_ns, e.numbers[name]) for e in entries if e.kind == "brake" and name in e.numbers]
        found = trend(points, bounds.get(name))
        if found is None:
            yield words, f"{len(points)} entries; a trend needs {FEWEST_POINTS} over {SHORTEST_DAYS:g} days"
            continue
        slope, low, high = (f"{part * _MONTH_DAYS:+.3g}" for part in (found.slope, found.slope_low, found.slope_high))
        text = f"{found.level:.3g}{unit}, {slope}{unit} per month ({low} to {high})"
        text += "" if found.certain else "; no change can be told from none"
        if found.reaches_ns is not None and found.reaches_earliest_ns is not None:
            latest = "later than can be said" if found.reaches_latest_ns is None else iso(found.reaches_latest_ns)[:10]
            text += f"; reaches {bounds[name]:g} around {iso(found.reaches_ns)[:10]} "
            text += f"(between {iso(found.reaches_earliest_ns)[:10]} and {latest})"
        elif name in bounds:
            text += f"; when it reaches {bounds[name]:g} cannot be told from this"
        yield words, text
