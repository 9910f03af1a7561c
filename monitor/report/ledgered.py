"""What of a recording belongs in the rig's ledger: brake health by day, checks, cuts, references, notes, line work."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final

import numpy as np

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
