"""In every shipped scenario each figure on a screen, in a finding and in the report is one that somebody can believe.

What may be shown is what BELIEVABLE says: by the signal where a row names it, by the unit behind the figure elsewhere.
"""

import re
from html import unescape

from monitor.config.rig import Rig
from monitor.core.signals.believable import BELIEVABLE
from monitor.core.signals.table import SIGNALS
from monitor.model.snapshot import Snapshot
from monitor.presentation.format import SYSTEMS, Units
from monitor.report.page import make_report
from monitor.ui.drawing.canvas import Canvas
from monitor.ui.history import History
from monitor.ui.page import draw_page
from monitor.ui.screens import SCREENS
from monitor.ui.view import ScreenState, View
from monitor.units import FOOT_M, Dimension
from tests.support.played import Played

MOST_DIGITS = 7
SIZES = ((120, 40), (200, 50), (80, 24))

Range = tuple[float, float]

NOT_FIGURES = re.compile(
    r"\d{4}-\d\d-\d\d|\d\d-\d\d (?=\d\d:)|\d{1,2}:\d\d(:\d\d)?|[\w-]+/[\w./-]+|[a-z]+[-_]\d\S*|\b[\w.-]+\.stopmark|16\.4|ISA-\S+"
)
"""Dates, times of day, topics, names, and where a standard says something."""
FIGURE = re.compile(r"(?<![\w.])([−+-]?\d+(?:\.\d+)?)(e[−+-]?\d+)?(?: ?([^\s\d,;.()<>/│]+(?:/[a-z]+²?)?))?")
NEVER = re.compile(r"∞|\bnan\b|\binf\b|NaN|−999|\b999(?:\.0+)? s")


def by_label(system: Units) -> dict[str, Range]:
    """The widest believable range of each unit, as it is printed."""
    ranges: dict[str, Range] = {}

    def widen(label: str, low: float, high: float) -> None:
        if label:
            had = ranges.get(label, (low, high))
            ranges[label] = min(low, had[0]), max(high, had[1])

    for signal in SIGNALS:
        believable, shown = BELIEVABLE[signal.name], system.shown(signal.dimension)
        if signal.name == "line_to_cut":
            continue  # hundreds of metres, which nothing else may be: it has a row of its own
        widen(shown.label, shown.number(believable.low), shown.number(believable.high))
        if signal.dimension in ("ratio", "fraction"):
            widen("%", 100 * believable.low, 100 * min(believable.high, 3.0))
    holding = BELIEVABLE["holding_ratio"]
    widen("×", holding.low, holding.high)
    metres = BELIEVABLE["height"].high
    for label, scale in (("mm", 1e-3), ("in", FOOT_M / 12)):
        widen(label, -metres / scale, metres / scale)
    return ranges


RANGES = {system: by_label(Units(system)) for system in SYSTEMS}

ROWS: tuple[tuple[str, str, Dimension], ...] = (
    ("design factor", "design_factor", "ratio"),
    ("wraps", "turns", "ratio"),
    ("layer", "layer", "ratio"),
    ("applications", "applications_left", "count"),
    ("worn, to cut", "line_to_cut", "length"),
    ("service", "holding_ratio", "ratio"),
    ("emergency", "emergency_ratio", "ratio"),
    ("effectiveness", "effectiveness", "fraction"),
    ("lost to heat", "fade", "fraction"),
    ("lower / higher", "circuit_ratio", "fraction"),
    ("missing", "pressure_shortfall", "fraction"),
    ("share of descent", "aux_share", "fraction"),
    *((f"{signal.label}: now", signal.name, signal.dimension) for signal in SIGNALS if signal.dimension != "switch"),
)
"""Rows of screens that name their signal: the words before the figure, and what it is."""
NAMED = tuple(
    (words, re.compile(rf"(?<![\w ] ){re.escape(words)} +(?:▲ )?≈?([−+-]?\d+(?:\.\d+)?)"), name, dimension)
    for words, name, dimension in ROWS
)


def faults(text: str, units: Units) -> list[str]:
    """What nobody can believe in `text`, each with a little of what stands around it."""
    found = [f"{hit.group()}: {around(text, hit)}" for hit in NEVER.finditer(text)]
    for words, pattern, name, dimension in NAMED:
        if words not in text:
            continue
        shown, row = units.shown(dimension), BELIEVABLE[name]
        low, high = sorted((shown.number(row.low), shown.number(row.high)))
        for hit in pattern.finditer(text):
            if not rounded(low, shown.decimals) <= float(hit.group(1).replace("−", "-")) <= high:
                found.append(f"{name} beyond {low:g} to {high:g}: {around(text, hit)}")
    ranges = RANGES[units.system]
    for hit in FIGURE.finditer(NOT_FIGURES.sub(" ", text)):
        figure, power, label = hit.groups()
        if power or sum(char.isdigit() for char in figure) > MOST_DIGITS:
            found.append(f"too many digits: {around(hit.string, hit)}")
        low, high = ranges.get(label or "", (float("-inf"), float("inf")))
        if not low <= float(figure.replace("−", "-")) <= high:
            found.append(f"beyond {low:g} to {high:g} {label}: {around(hit.string, hit)}")
    return found


def rounded(low: float, decimals: int) -> float:
    """`low` with half a last digit to spare."""
    return low - 0.5 * 10.0**-decimals


def around(text: str, hit: re.Match[str]) -> str:
    return " ".join(text[max(0, hit.start() - 40) : hit.end() + 20].split())


def text_of(canvas: Canvas) -> str:
    return "\n".join("".join(row) for row in canvas.chars)


def screens(snap: Snapshot, rig: Rig, history: History, look: int) -> list[tuple[str, str, Units]]:
    """The eight screens as text, the alarm under the cursor and the group of trends another one at each look."""
    system, size = SYSTEMS[look % len(SYSTEMS)], SIZES[look // len(SYSTEMS) % len(SIZES)]
    told = []
    for spec in SCREENS:
        chosen = snap.alarms[look % len(snap.alarms)].key if spec.name == "Alarms" and snap.alarms else ""
        page = look if spec.name == "Trends" else 0
        view = View(
            snap, rig, "SIMULATED", Units(system), history=history, screen_state=ScreenState(chosen=chosen, page=page)
        )
        told.append((spec.name, text_of(draw_page(view, spec, *size)), view.units))
    return told


def test_every_figure_on_a_screen_can_be_believed(run: Played) -> None:
    history, found = History(), []
    for look, snap in enumerate(run.snapshots):
        history.feed(snap)
        for screen, text, units in screens(snap, run.source.rig, history, look):
            found += [f"{screen}: {fault}" for fault in faults(text, units)]
    assert not found, "\n".join(sorted(set(found))[:40])


def test_every_figure_of_a_finding_and_of_the_report_can_be_believed(run: Played) -> None:
    found = []
    for finding in run.findings:
        found += [f"finding: {fault}" for fault in faults(f"{finding.message} {finding.guidance}", Units())]
    for system in ("si", "field"):
        page = make_report(run.recording, system)
        found += [f"report: {fault}" for fault in faults(words_of(page), Units(system))]
        found += [f"report: {fault}" for fault in column_faults(page, Units(system))]
    assert not found, "\n".join(sorted(set(found))[:40])


def words_of(page: str) -> str:
    """What a reader of the page sees: its text, without markup and style."""
    body = re.sub(r"<(style|script)\b.*?</\1>", " ", page.partition("<body")[2], flags=re.DOTALL)
    return unescape(re.sub(r"<[^>]*>", " \n", body))


def column_faults(page: str, units: Units) -> list[str]:
    """Of tables: figures of a column whose head tells the unit."""
    found = []
    for table in re.findall(r"<table.*?</table>", page, flags=re.DOTALL):
        heads = [
            unescape(re.sub(r"<[^>]*>", "", head))
            for head in re.findall(r"<th[^>]*>(.*?)</th>", table, flags=re.DOTALL)
        ]
        for row in re.findall(r"<tr>(.*?)</tr>", table, flags=re.DOTALL):
            cells = [
                unescape(re.sub(r"<[^>]*>", "", cell))
                for cell in re.findall(r"<td[^>]*>(.*?)</td>", row, flags=re.DOTALL)
            ]
            for head, cell in zip(heads, cells, strict=False):
                figure = re.match(r"[−-]?\d+(?:\.\d+)?", cell)
                low, high = RANGES[units.system].get(head.rpartition(", ")[2], (float("-inf"), float("inf")))
                if figure and not low <= float(figure.group().replace("−", "-")) <= high:
                    found.append(f"column {head}: {cell}")
    return found
