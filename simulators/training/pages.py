"""What the training shows beside the monitor's own screen: the task, the levers, the look back, the end."""

import math
from collections.abc import Mapping, Sequence
from typing import Final

from monitor.language import msgid, tr
from monitor.model.alarm import Severity
from monitor.presentation.format import Units
from monitor.ui.drawing.canvas import Area, first_that_fits, wrapped
from monitor.ui.drawing.theme import TEXT_ROLE, marked
from monitor.ui.frame.footer import keys_or_message
from monitor.ui.frame.top_bar import ADVISORY
from monitor.ui.history import Track
from monitor.ui.widgets import bars, plot
from simulators.training.lesson import Lesson
from simulators.training.review import Review, WordReview, first_of_each
from simulators.training.situations import SITUATIONS, Situation

_KEYS: Final = (
    ("← →", msgid("brake lever: less, more (a tenth); home off, end fully")),
    ("space", msgid("all that stops at once: brake fully, drive and clutch off")),
    ("↑ ↓", msgid("drive: more speed upward, less; at 0 the clutch is out")),
    (", .", msgid("auxiliary brake: less, more")),
    ("1-9 ? a s", msgid("the monitor's own keys: screens, help, acknowledge, silence")),
)
_NAMES: Final = {
    "ease": msgid("ease"), "brake now": msgid("brake now"), "brake fully": msgid("brake fully now"),
    "will cross": msgid("will cross"), "height unknown": msgid("HEIGHT UNKNOWN"),
    "over maximum speed": msgid("over maximum speed"),
}  # fmt: skip
"""Words by the names of their rules; others go by these."""
_MOST_WORDS: Final = 6
_LEAST_PLOT: Final = 4
"""Rows below which the course is not drawn."""
_WIDEST: Final = 100
"""Columns of running text."""


def _frame(area: Area, words: str, message: str, keys: Sequence[tuple[str, str]]) -> Area:
    """Title bar and footer; returns what is left."""
    bar = area.part(0, 0, area.width, 1)
    bar.fill("title")
    advisory = tr(ADVISORY)
    end = area.width - len(advisory) - 1
    bar.put(end, 0, advisory, "title")
    bar.say(1, 0, tr("STOPMARK TRAINING · {words}", words=words), "title", end - 3)
    keys_or_message(area.part(0, area.height - 1, area.width, 1), message, (tuple(keys),))
    return area.part(2, 2, area.width - 4, area.height - 3)


def _paragraph(area: Area, y: int, text: str, role: str = "base") -> int:
    """`text` over as many rows as it needs; the row after it."""
    lines = wrapped(text, min(_WIDEST, area.width), max(0, area.height - y))
    for line in lines:
        area.put(0, y, line, "strong" if role == "strong" else "base")
        y += 1
    return y


def task(area: Area, place: int, situation: Situation, message: str = "") -> None:
    """What is to be done, and with which keys."""
    words = tr("situation {place} of {count}, on a simulated rig", place=place + 1, count=len(SITUATIONS))
    keys = (("enter", tr("take the levers")), ("t", tr("theme")), ("q", tr("quit (press twice)")))
    body = _frame(area, words, message, keys)
    y = _paragraph(body, 0, tr(situation.title), "strong") + 1
    y = _paragraph(body, y, tr(situation.task)) + 1
    for key, meaning in _KEYS:
        body.put(0, y, f"{key:>9}", "strong")
        body.say(11, y, tr(meaning))
        y += 1
    _paragraph(
        body,
        y + 1,
        tr(
            "A lever stays where you put it. The keys move the simulated rig; the monitor only watches it over its sensors. It"
            " never brakes for you, here or on a rig, and what is learned here replaces no training on your own rig."
        ),
    )


def levers(area: Area, lesson: Lesson, units: Units) -> None:
    """The trainee's levers, and the keys that move them."""
    hand = lesson.hand
    area.rule(0, title=tr("YOUR LEVERS · simulated rig · the monitor only watches"))
    x = 1
    for label, share in ((tr("BRAKE"), hand.brake), (tr("AUX"), hand.aux)):
        x = area.put(x, 1, f"{label} ", "strong")
        bars.level(area, x, 1, 12, share)
        x = area.put(x + 13, 1, f"{100 * share:3.0f} %", "strong") + 3
    speed = units.text(hand.drive_m_s, "speed")
    drive = tr("DRIVE ▲ {speed}", speed=speed) if hand.drive_m_s else tr("DRIVE off")
    area.say(x, 1, drive, "strong")
    keys = (
        tr("←→ brake (home off, end full)  space stop all  , . auxiliary  ↑↓ drive  ? help  q quit"),
        tr("←→ brake  space stop all  , . auxiliary  ↑↓ drive  ? help  q quit"),
        tr("←→ brake  space stop all  , . aux  ↑↓ drive"),
    )
    area.put(1, 2, first_that_fits(keys, area.width - 2), "dim")


def looked_back(area: Area, place: int, lesson: Lesson, found: Review, units: Units, message: str = "") -> None:
    """How it went, when each word came, and what braking fully would have done then."""
    last = place + 1 == len(SITUATIONS)
    further = tr("to the end") if last else tr("next situation")
    keys = (("enter", further), ("r", tr("again")), ("q", tr("quit (press twice)")))
    body = _frame(area, tr("{title}: how it went", title=tr(lesson.situation.title)), message, keys)
    words, severity = verdict(lesson, found, units)
    role = TEXT_ROLE[severity] if severity is not None else "strong"
    body.say(0, 0, marked(words, severity) if severity is not None else f"● {words}", role)
    y = _paragraph(body, 1, hand_words(found)) + 1
    y = _words(body, y, lesson, found, units) + 1
    told = wrapped(tr(lesson.situation.lesson), min(_WIDEST, body.width), body.height)
    rows = body.height - y - len(told) - 1
    if rows >= _LEAST_PLOT:
        _course(body.part(0, y, body.width, min(rows, 14)), lesson, units)
        y += min(rows, 14) + 1
    for line in told[: max(0, body.height - y)]:
        body.put(0, y, line, "base")
        y += 1


def verdict(lesson: Lesson, found: Review, units: Units) -> tuple[str, Severity | None]:
    """How it ended, in a sentence; with a severity where it went wrong."""
    down = lesson.situation.down
    if found.struck:
        what = (
            tr("CROSSED the lower limit and struck the floor")
            if down
            else tr("CROSSED the upper limit and struck the crown")
        )
        return what, Severity.DANGER
    figure = units.text(abs(found.least_m), "length")
    if not found.kept:
        words = msgid("CROSSED the lower limit by {figure}") if down else msgid("CROSSED the upper limit by {figure}")
        return tr(words, figure=figure), Severity.DANGER
    kept = (
        msgid("KEPT: {figure} were left to the lower limit")
        if down
        else msgid("KEPT: {figure} were left to the upper limit")
    )
    return tr(kept, figure=figure), None


def hand_words(found: Review) -> str:
    """What the hand did, and until when it would have done."""
    if found.pulled_s is None:
        did = tr("You did not pull the brake while the block moved")
    elif found.full_s is None:
        did = tr("You pulled the brake to half after {time} s, never fully", time=f"{found.pulled_s:.1f}")
    else:
        did = tr(
            "You pulled the brake to half after {time} s, fully after {full} s",
            time=f"{found.pulled_s:.1f}",
            full=f"{found.full_s:.1f}",
        )
    if found.last_s is None:
        return f"{did}."
    return tr(
        "{did}; until {time} s a full brake would still have kept the limit.", did=did, time=f"{found.last_s:.1f}"
    )


def _words(area: Area, y: int, lesson: Lesson, found: Review, units: Units) -> int:
    """The words as they came; the row after them."""
    reaction = units.text(lesson.rig.limits.reaction_s, "time")
    full = tr("full brake {reaction} later", reaction=reaction)
    head = f"{tr('after'):>8}  {tr('word'):<20}{tr('height'):>9} {tr('SPEED').lower():>10}  {full}"
    area.put(0, y, head, "dim")
    if not found.words:
        area.say(0, y + 1, f"   {tr('no word came: you stopped before any was needed')}")
        return y + 2
    for one in found.words[:_MOST_WORDS]:
        y += 1
        end = area.put(0, y, f"{one.after_s:6.1f} s  ", "base")
        area.say(end, y, marked(tr(_NAMES.get(one.name, one.name)), one.severity), TEXT_ROLE[one.severity], 20)
        height, speed = units.text(one.height_m, "length"), units.text(abs(one.speed_m_s), "speed")
        area.put(end + 20, y, f"{height:>9} {speed:>10}", "base")
        area.say(end + 42, y, would(one, units))
    return y + 1


def would(one: WordReview, units: Units) -> str:
    """What a full brake would have done at a word."""
    if one.spare_m is None:
        return ""
    if math.isinf(one.spare_m):
        return tr("does not come to rest")
    if one.spare_m > 0.0:
        return tr("stops with {figure} left", figure=units.text(one.spare_m, "length"))
    return tr("crosses by {figure}", figure=units.text(-one.spare_m, "length"))


def _course(area: Area, lesson: Lesson, units: Units) -> None:
    """Height and stop mark over time, with the limit, and the words where they came."""
    course, down = lesson.course, lesson.situation.down
    if len(course.t_ns) < 2:
        return
    end_ns = course.t_ns[-1]
    times = [(t_ns - end_ns) * 1e-9 for t_ns in course.t_ns]
    height = Track(times, course.height_m, course.height_m)
    limit = lesson.rig.limits.lower_m if down else lesson.rig.limits.upper_m
    floor, crown = lesson.rig.mast.floor_m, lesson.rig.mast.crown_m
    marks = [x if floor - 2.0 <= x <= crown + 2.0 else math.nan for x in course.mark_m]
    mark = Track(times, marks, marks)
    axis = plot.range_of(height, limit)
    span_s = -times[0]
    if axis is None or span_s <= 0.0:
        return
    area.say(0, 0, tr("height (thick), assured stop mark (thin), limit ╌; words ▼ as they came"), "dim")
    field = area.part(0, 1, area.width - 10, area.height - 1)
    plot.level(field, axis, limit, "limit")
    plot.line(field, mark, span_s, axis, "dim")
    plot.line(field, height, span_s, axis, "strong")
    for heard in first_of_each(lesson.heard):
        share = (heard.t_ns - course.t_ns[0]) * 1e-9 / span_s
        field.put(round(share * (field.width - 1)), 0, "▼", TEXT_ROLE[heard.severity])
    plot.axis_labels(area.part(area.width - 10, 1, 10, area.height - 1), axis, lambda m: units.text(m, "length"))


def end(area: Area, reviews: Mapping[int, Review], units: Units, message: str = "") -> None:
    """All situations on one page."""
    keys = (("r", tr("from the beginning")), ("q", tr("quit (press twice)")))
    body = _frame(area, tr("done"), message, keys)
    y = _paragraph(body, 0, tr("What to take along"), "strong") + 1
    for place, situation in enumerate(SITUATIONS):
        found = reviews.get(place)
        kept = tr("not tried") if found is None else tr("kept") if found.kept else tr("◆ crossed")
        body.put(0, y, f"{kept:<10}", "base" if found is None or found.kept else "danger")
        body.say(11, y, tr(situation.title), "strong")
        y += 1
    _paragraph(
        body,
        y + 1,
        tr(
            "Look at the stop mark before the words come; brake at 'brake now', not at the limit; stop when the height is"
            " unknown. The monitor is advisory: it replaces no safety device, no procedure and no training on your own rig."
        ),
    )
