"""The chosen row of the brakes: value, limit, trend and verdict; likely causes with their evidence; where to look first, and the
guided check that settles it. What it says comes from `monitor.presentation.brake_causes`."""

import re
from dataclasses import dataclass
from typing import Final

from monitor.language import msgid, tr
from monitor.model.alarm import Severity
from monitor.presentation.brake_causes import ROWS, BrakeRow, Fact, Ranked, Says, Verdict, judge, ranked, severity
from monitor.presentation.trend import trend
from monitor.ui.drawing.canvas import Area, first_that_fits, wrapped
from monitor.ui.drawing.theme import TEXT_ROLE, Role, marked, unmarked
from monitor.ui.queries import no_service_brake
from monitor.ui.view import View
from monitor.ui.widgets.labels import signal_dimension, signal_label
from monitor.ui.widgets.sections import Item
from monitor.units import Dimension

TREND_S: Final = 300.0
"""How far back the trend looks, s."""
_VERDICT: Final[dict[Verdict, tuple[str, Role]]] = {
    "fine": ("● ", "strong"),
    "unknown": (msgid("? not judged: not known"), "caution"),
    "not fitted": (msgid("– not fitted on this rig"), "dim"),
    "no limit": (msgid("– no limit: the rig's file has none"), "dim"),
}
_SAYS: Final[dict[Says, str]] = {
    "for": msgid("for"), "against": msgid("against"), "unknown": msgid("not known"), "nothing": msgid("says nothing"),
}  # fmt: skip
_AS_PERCENT: Final = ("effectiveness", "circuit_ratio", "load_over_rating")
"""Ratios that the rows of Brakes show in percent."""
_FIGURE: Final = re.compile(r"\d (?:%|×|°\w|(?:A|K|s|mm|m|in|ft|bar|psi|kN)(?:[/·]\w+)?)(?!\w)")
_TIE: Final = "␣"
"""Stands for the blank in a figure while its line is broken."""
_MOST: Final = 99
"""Rows of one paragraph: as many as it takes."""


@dataclass(frozen=True, slots=True)
class Line:
    """One row of the detail."""

    text: str
    role: Role = "base"
    indent: int = 0


def draw(area: Area, view: View, name: str, item: Item) -> None:
    """Draw the detail of the row `item` of the signal `name`. Where the room is short the evidence is told in fewer words;
    head, causes, where to look and the check always stand."""
    row = ROWS[name]
    head, foot = _head(view, name, item, row, area.width), _foot(view, row, area.width)
    room = area.height - len(head) - len(foot)
    entries = ranked(row, view.snap.values, view.rig)
    bodies = [_causes(view, entries, area.width, how) for how in (3, 2, 1, 0)]
    body = next((lines for lines in bodies if len(lines) <= room), bodies[-1])[: max(0, room)]
    spare = 1 if room - len(body) >= 3 else 0
    lines = [*head, *([Line("")] * spare), *body, *([Line("")] * spare), *foot]
    for y, line in enumerate(lines[: area.height]):
        area.put(line.indent, y, line.text, line.role)


def _dimension(name: str) -> Dimension:
    return "fraction" if name in _AS_PERCENT else signal_dimension(name)


def _paragraph(text: str, width: int, role: Role = "base", indent: int = 0) -> list[Line]:
    """Wrapped words; a figure and its unit stay together."""
    tied = _FIGURE.sub(lambda match: match[0].replace(" ", _TIE), text)
    return [Line(line.replace(_TIE, " "), role, indent) for line in wrapped(tied, width - indent, _MOST)]


def verdict(view: View, name: str) -> tuple[str, Role]:
    """The verdict on the row of the signal `name`, with its shape, and its role."""
    row = ROWS[name]
    grave = severity(row, view.snap.values, view.rig)
    if name == "holding_ratio" and no_service_brake(view.snap):
        grave = Severity.DANGER
    if grave is not None:
        return marked(tr(row.bad), grave), TEXT_ROLE[grave]
    found = judge(row, view.snap.values, view.rig)
    words, role = _VERDICT[found]
    return tr(words) + (tr(row.fine) if found == "fine" else ""), role


def _head(view: View, name: str, item: Item, row: BrakeRow, width: int) -> list[Line]:
    """Value, limit, trend; then the verdict."""
    points = view.history.track(name, TREND_S)
    middle = [0.5 * (low + high) for low, high in zip(points.low, points.high, strict=True)]
    now = unmarked(item.choices[0])
    figures = (
        f"{signal_label(name)}: {now}",
        *(words for words in _limit(view, name, row) if words not in now),
        f"{TREND_S / 60:.0f} min: {tr(trend(middle))}",
    )
    words, role = verdict(view, name)
    return [*_paragraph(" · ".join(figures), width, "strong"), *_paragraph(words, width, role)]


def _limit(view: View, name: str, row: BrakeRow) -> tuple[str, ...]:
    """The limit in words; of a row that another signal tells for, that one with it. Empty where the rig gives none."""
    dimension = _dimension(row.judged)
    if not view.rig.has(*row.needs) or dimension == "switch":
        return ()
    limit = row.limit(view.rig)
    side = tr("at most") if row.relation == "above" else tr("at least")
    text = f"{side} {view.units.fine_text(limit, dimension)}"
    if row.judged == name:
        return (text,)
    return (f"{signal_label(row.judged)}: {view.units.fine(view.value(row.judged), dimension, limit)}, {text}",)


def _causes(view: View, entries: tuple[Ranked, ...], width: int, how: int) -> list[Line]:
    """Causes, the likeliest first. `how`: 3 a row for each fact, 2 facts joined with their figures, 1 joined without, 0 counted
    behind the cause."""
    lines = [Line(tr("Likely causes, by the evidence now:"), "dim")] if how > 1 else []
    for place, entry in enumerate(entries, 1):
        if not how:
            lines.append(Line(_counted(place, entry, width), "base"))
            continue
        lines += _paragraph(f"{place} {tr(entry.cause.words)}", width, "strong")
        if how == 3:
            for fact, says in sorted(entry.says, key=lambda pair: tuple(_SAYS).index(pair[1])):
                lines += _paragraph(f"{tr(_SAYS[says])}: {_fact(view, fact, says)}", width, indent=2)
        else:
            lines += _paragraph(_joined(view, entry, how > 1), width, indent=2)
    return lines


def _counted(place: int, entry: Ranked, width: int) -> str:
    """A cause on one row, with how many facts say what."""
    counts = [f"{number} {words}" for which, words in _SAYS.items() if (number := entry.count(which))]
    head = f"{place} {tr(entry.cause.words)}"
    return first_that_fits((f"{head}: {', '.join(counts)}", f"{head}: {', '.join(counts[:1])}", head), width)


def _joined(view: View, entry: Ranked, figures: bool) -> str:
    """The facts of a cause by what they say."""
    groups = []
    for which, words in _SAYS.items():
        told = figures and which != "unknown"
        facts = [_short(view, fact) if told else tr(fact.words) for fact, says in entry.says if says == which]
        if facts:
            groups.append(f"{tr(words)}: {', '.join(facts)}")
    return "; ".join(groups) or tr("nothing measured here tells")


def _short(view: View, fact: Fact) -> str:
    """A fact with its figure."""
    value, dimension = view.value(fact.signal), _dimension(fact.signal)
    if dimension == "switch":
        return f"{tr(fact.words)} {view.units.switch(value, tr('yes'), tr('no'))}"
    return f"{tr(fact.words)} {view.units.fine(value, dimension)}"


def _fact(view: View, fact: Fact, says: Says) -> str:
    """A fact with its figure and its bound; one that is not known by its name alone."""
    if says == "unknown":
        return tr(fact.words)
    dimension = _dimension(fact.signal)
    if dimension == "switch":
        return _short(view, fact)
    bound = view.units.fine_text(fact.bound(view.rig), dimension)
    return f"{_short(view, fact)} ({'' if says == 'for' else tr('not ')}{tr(fact.relation)} {bound})"


def _foot(view: View, row: BrakeRow, width: int) -> list[Line]:
    """Where to look first, and the check."""
    lines = _paragraph(tr("Look first, by the site's procedure: {look}", look=tr(row.look)), width, "strong")
    check = next((entry for entry in view.snap.checks if entry.id == row.check), None)
    if check is None:
        return [*lines, *_paragraph(tr("This rig offers no guided check for it."), width, "dim")]
    state = (
        tr("not possible here: {unfit}", unfit=check.unfit) if check.unfit else tr("running") if check.running else ""
    )
    state = state or (tr("due") if check.due else "")
    return [
        *lines,
        *_paragraph(
            tr("g opens its check: {title}{state}", title=check.title, state=f" ({state})" if state else ""),
            width,
            "strong",
        ),
    ]
