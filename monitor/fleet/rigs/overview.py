"""The overview of all rigs, drawn on a canvas: a row for each, worst on top, and what is worst in words above them.

What is not known, or old, is words and never a number. Severities look as on every other screen.
"""

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import isinf, isnan
from typing import Final

from monitor.fleet.rigs.row import RigRow
from monitor.fleet.rigs.supervisor import QUIET_S, Supervisor, Watched
from monitor.language import tr, tr_n, tr_record
from monitor.model.alarm import Severity
from monitor.model.reading import Value
from monitor.presentation.format import UNKNOWN_WORD, Units, clock, plain, signal_word, span, ways, word
from monitor.runtime.driver import Mode
from monitor.ui.acts import ACTS
from monitor.ui.drawing.canvas import (
    Area,
    Canvas,
    first_that_fits,
    name_that_fits,
    printable,
    words_that_fit,
    wrapped,
)
from monitor.ui.drawing.theme import FILL_ROLE, SHAPE, TEXT_ROLE, Role
from monitor.ui.frame.banner import BannerText, paint
from monitor.ui.frame.footer import keys_or_message
from monitor.ui.frame.top_bar import ADVISORY
from monitor.ui.page import SMALLEST
from monitor.ui.queries import returned
from monitor.ui.view import KeyRow
from monitor.ui.widgets.brake_ratio import ratio_role
from monitor.ui.widgets.listing import first_row
from monitor.units import Dimension

_BANNER_ROWS: Final = 3
_GAP: Final = 3


@dataclass(frozen=True, slots=True)
class Shown:
    """One rig as the overview shows it."""

    name: str
    row: RigRow | None
    """None: nothing is known of it now."""
    problem: str = ""
    """Why it is not watched."""
    starting: bool = False
    old_s: float = 0.0
    """How long ago the row came."""
    again: bool = False
    """Whether it only waits to be started again."""

    @property
    def severity(self) -> Severity | None:
        """The worst that there is to say of it; None where nothing is wrong."""
        if self.problem:
            return Severity.DANGER
        if self.row is None:
            return Severity.CAUTION
        alarm = self.row.worst
        grave = [alarm.severity] if alarm is not None and not returned(alarm) else []
        grave += [one for one in (self.row.data_severity, self.row.calm_severity) if one is not None]
        return max(grave, default=None if alarm is None else Severity.NOTICE)

    @property
    def waiting(self) -> bool:
        """Whether an alarm waits to be acknowledged."""
        return self.row is not None and self.row.worst is not None and self.row.worst.state.waiting

    @property
    def order(self) -> tuple[int, bool, bool, str]:
        """To sort by: worst first, of these what is not watched, then what waits, then by name."""
        severity = self.severity
        return (0 if severity is None else -severity - 1, not self.problem, not self.waiting, self.name)


def shown(rig: Watched, now_s: float) -> Shown:
    """A rig at `now_s` of the monotonic clock. What it said too long ago counts no more."""
    if rig.ended:
        return Shown(rig.name, None, tr("its time is up"))
    if rig.problem:
        wait_s = rig.again_s - now_s
        again = (
            tr("; tried again in {time}", time=span(wait_s))
            if wait_s > 0 and rig.pid is None
            else tr("; starting again")
        )
        return Shown(rig.name, None, tr_record(rig.problem) + again, again=rig.pid is None)
    if rig.row is None or not rig.row.t_ns:
        return Shown(rig.name, None, starting=True)
    old_s = now_s - rig.row_s
    if old_s > QUIET_S:
        return Shown(rig.name, None, tr("nothing from its process for {time}", time=span(old_s)))
    return Shown(rig.name, rig.row, old_s=old_s)


def shown_now(supervisor: Supervisor) -> list[Shown]:
    """All rigs at this moment."""
    now_s = time.monotonic()
    return [shown(rig, now_s) for rig in supervisor.rigs]


def status_words(rig: Shown) -> tuple[str, Severity | None]:
    """What is worst about it in words, without the severity, and that."""
    if rig.problem:
        return tr("NOT WATCHED: {problem}", problem=rig.problem), Severity.DANGER
    if rig.row is None:
        return tr("starting: nothing known yet"), Severity.CAUTION
    row = rig.row
    if row.worst is not None:
        more = f" (+{row.more})" if row.more else ""
        return f"{tr_record(row.worst.message)}{tr(' (gone)') if returned(row.worst) else ''}{more}", row.worst.severity
    if row.data_severity is not None:
        return "; ".join(row.troubles), row.data_severity
    return row.calm.removeprefix("△ "), row.calm_severity


@dataclass(frozen=True, slots=True)
class Overview:
    """All inputs of the drawing."""

    rigs: Sequence[Shown]
    """In any order."""
    mode: Mode
    units: Units
    t_ns: int
    """Now."""
    chosen: str = ""
    message: str = ""
    keys: tuple[KeyRow, ...] = ()
    silenced: bool = False


def draw_overview(view: Overview, width: int, height: int) -> Canvas:
    """The whole screen."""
    canvas = Canvas(width, height)
    area = canvas.area
    rigs = sorted(view.rigs, key=lambda rig: rig.order)
    canvas.places = tuple(rig.name for rig in rigs)
    if width < SMALLEST[0] or height < SMALLEST[1]:
        _too_small(area, rigs)
        return canvas
    _top_bar(area.part(0, 0, width, 1), view)
    _banner(area.part(0, 1, width, _BANNER_ROWS), rigs, view)
    _rows(area.part(0, 1 + _BANNER_ROWS, width, height - 3 - _BANNER_ROWS), rigs, view)
    _sums(area.part(0, height - 2, width, 1), rigs)
    keys_or_message(area.part(0, height - 1, width, 1), view.message, view.keys)
    return canvas


def _too_small(area: Area, rigs: Sequence[Shown]) -> None:
    for y, rig in enumerate(rigs[: area.height - 1]):
        words, severity = status_words(rig)
        head = "" if severity is None else f"{SHAPE[severity]} {signal_word(severity)} "
        area.say(0, y, f"{head}{rig.name} {words}", "base" if severity is None else TEXT_ROLE[severity])
    advice = (
        tr(
            "{advisory}. Make it {columns} by {rows} or more.",
            advisory=tr(ADVISORY),
            columns=SMALLEST[0],
            rows=SMALLEST[1],
        ),
        tr(ADVISORY),
    )
    area.put(0, area.height - 1, first_that_fits(advice, area.width))


def _top_bar(area: Area, view: Overview) -> None:
    area.fill("title")
    x = area.width - 1
    if area.width >= 66:
        x = area.right(x, 0, clock(view.t_ns) + " UTC", "title") - 2
    x = area.right(x, 0, tr(ADVISORY), "title") - 2
    x = area.right(x, 0, f" {tr(view.mode)} ", "tag") - 1
    area.put(1, 0, words_that_fit(tr("STOPMARK · Overview · {rigs}", rigs=_rigs(len(view.rigs))), x - 1), "title")


def _rigs(count: int) -> str:
    return tr_n("{n} rig", "{n} rigs", count)


def _banner(area: Area, rigs: Sequence[Shown], view: Overview) -> None:
    """The worst of all rigs, what to look at, and the rigs behind it. Quiet when there is none."""
    bad = [rig for rig in rigs if rig.problem or (rig.row is not None and rig.row.worst is not None)]
    if not bad:
        unknown = sum(rig.severity is not None for rig in rigs)
        if unknown:
            words = tr(
                "△ No alarm from what can be seen; {unknown} of {rigs} cannot be judged in full.",
                unknown=unknown,
                rigs=_rigs(len(rigs)),
            )
            area.say(2, 0, words, "caution")
        else:
            area.say(2, 0, tr("No alarm on any rig"), "dim")
        return
    worst = bad[0]
    words, severity = status_words(worst)
    assert severity is not None
    alarm = worst.row.worst if worst.row is not None else None
    head = f"{SHAPE[severity]} {signal_word(severity)}"
    tail = tr("bell silenced") if view.silenced else ""
    if alarm is not None:
        state = tr("not acknowledged") if alarm.state.waiting else ""
        tail = f"{f'{tail} · ' if tail else ''}{state}{' · ' if state else ''}{clock(alarm.since_ns)}"
    room = area.width - len(head) - 5 - len(tail) - 2
    lines = wrapped(f"{worst.name}: {words}", room, 1)
    guidance = (
        tr_record(alarm.guidance)
        if alarm is not None
        else tr("Nobody watches this rig meanwhile. Its own instruments count.")
    )
    lines += wrapped(guidance, area.width - 3, 1)
    others: list[tuple[str, Role]] = []
    x = 2
    for rig in bad[1:]:
        text, its = status_words(rig)
        assert its is not None
        text = f"{SHAPE[its]} {rig.name}: {text}"
        left = len(bad) - 1 - len(others)
        if x + len(text) > area.width - (18 if left > 1 else 1):
            others.append((words_that_fit(tr("and {left} more", left=left), area.width - x), "dim"))
            break
        over = rig.row is not None and rig.row.worst is not None and returned(rig.row.worst)
        others.append((text, "dim" if over else TEXT_ROLE[its]))
        x += len(text) + _GAP
    over = alarm is not None and returned(alarm)
    role = "fill_notice" if over else FILL_ROLE[severity]
    paint(area, BannerText(role, head, tuple(lines), tail, 2, tuple(others)))


@dataclass(frozen=True, slots=True)
class _Plan:
    """Widths of the columns."""

    name: int
    status: int
    height: int
    speed: int
    room: int
    ratio: int
    age: int


def _plan(width: int) -> _Plan:
    if width >= 76:
        columns = (9, 10, 10, 11, 7) if width >= 100 else (9, 9, 9, 9, 6)
        name = 12 if width < 100 else 18
    else:
        columns = (8, 8, 8, 8, 6)
        name = 9
    return _Plan(name, width - 3 - name - sum(columns), *columns)


def _rows(area: Area, rigs: Sequence[Shown], view: Overview) -> None:
    """Head, and as many rigs as fit around the chosen one."""
    plan, units = _plan(area.width), view.units
    columns = (
        (tr("HEIGHT"), units.label("length"), plan.height), (tr("SPEED"), units.label("speed"), plan.speed),
        (tr("ROOM"), units.label("length"), plan.room), (tr("BRAKE"), "×", plan.ratio), (tr("AGE"), "s", plan.age),
    )  # fmt: skip
    area.put(1, 0, tr("RIG"), "dim")
    area.put(2 + plan.name, 0, tr("WORST"), "dim")
    x = area.width
    for name, unit, size in reversed(columns):
        _right(area, x, 0, first_that_fits((name, name[: size - 2] + "."), size - 1), "dim")
        _right(area, x, 1, unit, "dim")
        x -= size
    body = area.part(0, 2, area.width, area.height - 2)
    names = [rig.name for rig in rigs]
    chosen = names.index(view.chosen) if view.chosen in names else 0
    first = first_row(chosen, len(rigs), body.height, below=1)
    for y, rig in enumerate(rigs[first : first + body.height]):
        body.spot(y, rig.name)
        _row(body.part(0, y, body.width, 1), rig, plan, units, first + y == chosen)
    left = len(rigs) - first - body.height
    if left > 0:
        _right(area, area.width - sum(size for _, _, size in columns), 1, tr("{left} more ↓ ", left=left), "notice")


def _right(area: Area, end: int, y: int, text: str, role: Role) -> None:
    area.put(end - 1 - len(text), y, text, role)


def _row(area: Area, rig: Shown, plan: _Plan, units: Units, at: bool) -> None:
    words, severity = status_words(rig)
    alarm = rig.row.worst if rig.row is not None else None
    over = alarm is not None and returned(alarm)
    quiet: Role = "select" if at else "dim"
    if at:
        area.put(0, 0, " " * area.width, "select")
    area.put(0, 0, "›" if at else " ", quiet)
    area.put(1, 0, name_that_fits(rig.name, plan.name - 1), "select" if at else "strong")
    x, end = 2 + plan.name - 1, 2 + plan.name + plan.status
    area.put(x, 0, "●" if rig.waiting else " ", "select" if at else "strong")
    x += 1
    if severity is not None:
        head = f"{SHAPE[severity]} {signal_word(severity)}"
        x = area.put(x, 0, head, quiet if over else FILL_ROLE[severity]) + 1
    room = end - x - 1
    if room >= 8:
        act = ACTS.get(alarm.signal) if alarm is not None and not over else None
        short = [tr(act.word), tr(act.short or act.word)] if act is not None else []
        choices = [printable(words), *short]
        fitting = next((text for text in choices if len(text) <= room), words_that_fit(words, room))
        area.put(x, 0, fitting, "select" if at else "dim" if severity is None or over else "strong")
    for text, role, size in reversed(_figures(rig, plan, units)):
        role = "select" if at and role in ("strong", "dim") else role
        area.right(area.width - 1, 0, text, role)
        area = area.part(0, 0, area.width - size, 1)


def _figures(rig: Shown, plan: _Plan, units: Units) -> list[tuple[str, Role, int]]:
    """The cells with figures, from left to right: text, role, width."""
    row = rig.row
    if row is None:
        sizes = plan.height, plan.speed, plan.room, plan.ratio
        return [
            *((first_that_fits((tr(UNKNOWN_WORD), "?"), size - 1), "caution", size) for size in sizes),
            (tr("none"), "caution", plan.age),
        ]
    unsigned = replace(row.speed, number=abs(row.speed.number))
    shape = row.motion[:1]
    speed = _cell(unsigned, "speed", units, plan.speed)
    room = _cell(row.room, "length", units, plan.room)
    arrow = {1: "↑", -1: "↓"}.get(row.room_way, "")
    age_s = row.age_s + max(0.0, rig.old_s - 1.0)
    age = tr("never") if isinf(age_s) else plain(age_s, 1) if age_s < 99 else span(age_s).replace(" ", "")
    return [
        (_cell(row.height, "length", units, plan.height), _role(row.height), plan.height),
        (f"{shape} {speed}" if row.speed.known else speed, _role(row.speed), plan.speed),
        (f"{arrow} {room}" if row.room.known else room, _role(row.room), plan.room),
        (_ratio(row, plan.ratio), ratio_role("holding_ratio", row.ratio, row.least_ratio), plan.ratio),
        (age, "caution" if age_s > QUIET_S else "dim", plan.age),
    ]


def _ratio(row: RigRow, size: int) -> str:
    value = row.ratio
    if not value.known or value.word:
        return _words(value, size)
    text = plain(value.number, 1 if value.number >= 10 else 2)
    return f"{tr('LOW ') if size > 8 else '<'}{text}" if value.number < row.least_ratio else text


def _cell(value: Value, dimension: Dimension, units: Units, size: int) -> str:
    figure = units.figure(value, dimension)
    if figure is None or isnan(value.number):
        return _words(value, size)
    return f"≈{figure}" if value.validity else figure


def _words(value: Value, size: int) -> str:
    """Words in place of a figure, the fullest that fit; what a rig does not have is shown as a dash where they do not."""
    text = word(value)
    choices = (*ways(text), *(("–",) if text != tr(UNKNOWN_WORD) else ("?",)))
    return first_that_fits(choices, size - 1)


def _role(value: Value) -> Role:
    if not value.known:
        return "caution"
    return "caution" if value.validity else "strong"


def _sums(area: Area, rigs: Sequence[Shown]) -> None:
    """How many rigs are watched, how many are not, and how many need somebody."""
    off = sum(bool(rig.problem) for rig in rigs)
    starting = sum(rig.starting for rig in rigs)
    grave = sum(
        rig.row is not None and rig.row.worst is not None and rig.row.worst.severity >= Severity.WARNING
        for rig in rigs
    )  # fmt: skip
    waiting = sum(rig.waiting for rig in rigs)
    parts = [tr("{count} of {rigs} watched", count=len(rigs) - off - starting, rigs=_rigs(len(rigs)))]
    parts += [tr("{off} NOT WATCHED", off=off)] if off else []
    parts += [tr("{starting} starting", starting=starting)] if starting else []
    parts += [tr("{grave} with DANGER or WARNING", grave=grave)] if grave else []
    parts += [tr("{waiting} wait to be acknowledged", waiting=waiting)] if waiting else []
    role: Role = "danger" if off else "caution" if starting else "dim"
    area.say(1, 0, f"{'◆ ' if off else '△ ' if starting else ''}{' · '.join(parts)}", role)
