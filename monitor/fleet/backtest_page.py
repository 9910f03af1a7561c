"""A back-test as one page: what changes by rule, rig and month, and every session, in tables that a click sorts."""

from collections.abc import Mapping, Sequence
from statistics import median
from typing import Final

from monitor.fleet.backtest import Outcome, Tally, most_changed
from monitor.fleet.sortable_page import sortable_page
from monitor.presentation.format import clock
from monitor.report.context import counted
from monitor.report.html import Raw, cards, missing_note, paragraph, table, text

_TAIL: Final = (
    "Advisory only. A back-test says what rules would have said of what was recorded; it does not say what a crew would have"
    " done. It replaces no safety device, procedure, manual, local code or licensed person. Rules are changed by the site's own"
    " management of change. Times are UTC."
)
_WIDTH, _BAR, _LEFT = 1040, 15, 190
_BARS: Final = 24


def backtest_page(outcome: Outcome, names: tuple[str, str], marked: bool) -> str:
    """The page. `names` are those of the two sides; `marked` says whether ledgers with the crews' marks were given."""
    sections = [
        ("summary", "Summary", _summary(outcome, marked)),
        ("rules", "By rule", _groups(outcome.by["rule"], "rule", marked)),
        ("rigs", "By rig", _groups(outcome.by["rig"], "rig", marked)),
        ("months", "By month", _groups(dict(sorted(outcome.by["month"].items())), "month", marked, ordered=False)),
        ("sessions", "Sessions", _sessions(outcome)),
    ]
    return sortable_page("Back-test of rules", f"before: {names[0]}; after: {names[1]}", sections, _TAIL)


def _summary(outcome: Outcome, marked: bool) -> str:
    tally = outcome.all
    hours = outcome.hours
    unusable = sum(bool(row.problem) for row in outcome.sessions)
    items = [
        (f"{len(outcome.sessions) - unusable}", "sessions"),
        (f"{hours:.2f} h", "recorded"),
        (f"{tally.before} → {tally.after}", "alarms and prompts"),
        (_rate(tally, hours), "an hour"),
        (f"{tally.gone}", "gone"),
        (f"{tally.new}", "new"),
        (f"{tally.moved}", "sooner, later or of another severity"),
        (f"{tally.true_lost}", "true ones lost"),
    ]
    words = cards(items)
    if tally.true_lost:
        words += missing_note(
            f"True ones lost: {counted(tally.true_lost, 'alarm')} after which the block crossed its limit, not raised by the new"
            " rules. Look at each in alarms.parquet (severity_after empty, lead_before_s given) before anything is changed."
        )
    if not marked:
        words += paragraph(
            "No ledger lies beside the sessions, and none was given (--data): what crews called false is not known.",
            "note",
        )
    if unusable:
        words += missing_note(
            f"{unusable} sessions could not be used; they stand last under Sessions, each with its reason."
        )
    return words + paragraph(
        "Both sides are replays by this version of Stopmark. Alarms of one key within 30 s of one another are the same one. "
        "Lead: from the alarm to the moment at which the block crossed the limit, where it did within half a minute.", "note"
    )  # fmt: skip


def _rate(tally: Tally, hours: float) -> str:
    return f"{tally.before / hours:.2f} → {tally.after / hours:.2f}" if hours > 0.0 else "–"


def _groups(groups: Mapping[str, Tally], head: str, marked: bool, *, ordered: bool = True) -> str:
    if not groups:
        return paragraph("Neither side raises anything.")
    items = most_changed(groups) if ordered else list(groups.items())
    heads = [f"<{head}", "before", "after", "gone", "new", "moved", "true lost", "crossed after, before",
             "crossed after, after", "median lead before, s", "median lead after, s"]  # fmt: skip
    heads += ["false before", "false after"] if marked else []
    rows = []
    for name, one in items:
        row = [name, *map(str, (one.before, one.after, one.gone, one.new, one.moved, one.true_lost))]
        row += [
            str(len(one.leads_before)),
            str(len(one.leads_after)),
            _median(one.leads_before),
            _median(one.leads_after),
        ]
        row += [_share(one.false_before, one.before), _share(one.false_after, one.after)] if marked else []
        rows.append(row)
    return _bars(items) + table(heads, rows)


def _share(false: int, all_: int) -> str:
    return f"{false} ({100.0 * false / all_:.0f} %)" if all_ else "0"


def _median(numbers: Sequence[float]) -> str:
    return f"{median(numbers):.2f}" if numbers else "–"


def _bars(items: Sequence[tuple[str, Tally]]) -> str:
    """Before and after as bars, the first groups."""
    shown = items[:_BARS]
    most = max(max(one.before, one.after) for _, one in shown) or 1
    scale = (_WIDTH - _LEFT - 60) / most
    parts, y = [], 6
    for name, one in shown:
        parts.append(f'<text x="{_LEFT - 8}" y="{y + 14}" text-anchor="end">{text(name)}</text>')
        for count, colour, label in ((one.before, "#8a97a3", "before"), (one.after, "#1f5582", "after")):
            width = count * scale
            parts.append(f'<rect x="{_LEFT}" y="{y}" width="{width:.1f}" height="{_BAR - 5}" fill="{colour}"/>')
            parts.append(f'<text class="small" x="{_LEFT + width + 5:.1f}" y="{y + 9}">{count} {label}</text>')
            y += _BAR - 3
        y += 8
    more = f" (the first {len(shown)} of {len(items)})" if len(items) > len(shown) else ""
    return Raw(
        f'<svg viewBox="0 0 {_WIDTH} {y}" role="img" aria-label="Alarms before and after{more}">{"".join(parts)}</svg>'
    )


def _sessions(outcome: Outcome) -> str:
    heads = ("<session", "|rig", "|from", "hours", "before", "after", "<why not used")
    rows = [
        (
            row.session, row.rig, clock(row.from_ns, date=True) if row.from_ns else "",
            f"{(row.to_ns - row.from_ns) / 3.6e12:.2f}" if row.to_ns else "",
            "" if row.problem else str(row.alarms_before), "" if row.problem else str(row.alarms_after), row.problem,
        )
        for row in sorted(outcome.sessions, key=lambda row: bool(row.problem))
    ]  # fmt: skip
    return table(heads, rows)
