"""The worst alarm: its word, shape and message, what to look at, and the alarms behind it."""

from collections.abc import Sequence
from dataclasses import dataclass

from rich.cells import cell_len

from monitor.language import msgid, tr, tr_record
from monitor.model.alarm import EXPECTED_WORDS, AlarmState, AlarmView, Severity
from monitor.presentation.format import clock, signal_word, span
from monitor.ui.acts import WATCH, asks_for_an_act
from monitor.ui.bell import RINGS
from monitor.ui.drawing.canvas import Area, first_that_fits, printable, words_that_fit, wrapped
from monitor.ui.drawing.theme import FILL_ROLE, SHAPE, TEXT_ROLE, Role
from monitor.ui.frame.act import draw_act, draw_word
from monitor.ui.queries import (
    expected_alarms,
    no_alarm,
    returned,
    set_aside_alarms,
    standing,
)
from monitor.ui.view import FROZEN_S, View

SILENCED = msgid("bell silenced")
_LEFT = 2
"""Column at which each row begins."""
_GAP = 3
"""Columns between two alarms of one row."""
LAST_RUN_SHOWN_S = 240.0
"""How long after its start a run shows what it took over from the one before, s."""


TEXT_ROWS = 3
"""Rows of the banner beside those of the word to act on: the worst alarm, what to look at, the alarms behind it."""


def banner(area: Area, view: View, glyphs: int) -> None:
    """The worst alarm: word, shape, message, and what to look at; the word to act on in `glyphs` rows below the first one.
    Quiet when there is none, and never more than is known."""
    alarms = standing(view.snap)
    if view.snap.alarms:
        for y in range(area.height):
            area.spot(y, "", "banner")
    act = alarms[0] if alarms and asks_for_an_act(alarms[0]) else None
    if view.frozen_s > FROZEN_S:
        _frozen(area, view, glyphs)
    elif alarms:
        gap = glyphs if act else 0
        height = area.height - gap
        text = banner_text(alarms, area.width, height, view.snap.silenced, view.snap.health.note)
        paint(area, text, gap)
        if act:
            draw_act(area.part(0, 1, area.width, gap), view.snap, view.units, act)
    else:
        _calm(area, view)


def _frozen(area: Area, view: View, glyphs: int) -> None:
    area.fill("fill_danger")
    draw_word(area.part(0, 1, area.width, glyphs), tr(WATCH), "", "fill_danger")
    area.say(
        2,
        0,
        tr("◆ MONITOR STOPPED: nothing new for {time}. The figures below are old.", time=span(view.frozen_s)),
        "fill_danger",
    )
    for y, line in enumerate(wrapped(tr("Do not rely on this screen. Watch the block and the rig's own instruments."),
                                     area.width - 6, area.height - 1 - glyphs), 1 + glyphs):  # fmt: skip
        area.put(4, y, line, "fill_danger")


def _calm(area: Area, view: View) -> None:
    snap = view.snap
    aside = set_aside_alarms(snap)
    if snap.health.connected is False:
        area.say(2, 0, tr("◆ No connection to the broker: nothing is watched."), "danger")
        for y, line in enumerate(wrapped(snap.health.note, area.width - 6, area.height - 1), 1):
            area.put(4, y, line, "danger")
        return
    choices, severity = no_alarm(snap)
    role: Role = "dim" if severity is None else TEXT_ROLE[severity]
    area.say(2, 0, first_that_fits(choices, area.width - 3), role)
    y = 1
    for alarm in expected_alarms(snap)[: area.height - y]:
        ways = [f"○ {alarm.message}: {words}" for words in (tr(EXPECTED_WORDS), tr("expected"))]
        area.say(2, y, first_that_fits(ways, area.width - 3), "notice")
        y += 1
    last_run = tr_record(view.facts.last_run) if view.history.reach_s < LAST_RUN_SHOWN_S else ""
    if last_run:
        for line in wrapped(f"○ {last_run[0].upper()}{last_run[1:]}.", area.width - 3, area.height - 1):
            area.put(2, y, line, "notice")
            y += 1
    if aside and y < area.height:
        still_there = [alarm for alarm in aside if alarm.active]
        for alarm in still_there[: area.height - y]:
            area.say(2, y, f"{SHAPE[alarm.severity]} {alarm.message}: {tr(alarm.state)}", TEXT_ROLE[alarm.severity])
            y += 1


STATE_WORDS = {
    AlarmState.UNACKNOWLEDGED: msgid("not acknowledged"),
    AlarmState.ACKNOWLEDGED: msgid("acknowledged"),
    AlarmState.RETURNED: msgid("gone, not acknowledged"),
    AlarmState.LATCHED_UNACKNOWLEDGED: msgid("held, not acknowledged"),
    AlarmState.LATCHED_ACKNOWLEDGED: msgid("held until reset"),
}


def nothing_to_acknowledge(alarm: AlarmView) -> bool:
    """Whether the alarm is a prompt that came up acknowledged: then the banner must not say that somebody acknowledged it."""
    return alarm.prompt and alarm.state is AlarmState.ACKNOWLEDGED


@dataclass(frozen=True, slots=True)
class BannerText:
    """What the banner says where alarms stand, chosen for its width and height."""

    role: Role
    head: str
    """Shape and word of the worst alarm's severity."""
    lines: tuple[str, ...]
    """Message and guidance; the first line stands beside the head."""
    tail: str
    """State, since when, and how many more; at the right end of the first row."""
    rows: int
    """How many rows are filled with the alarm's colour."""
    others: tuple[tuple[str, Role], ...] = ()
    """The alarms behind it, for the row below."""

    @property
    def column(self) -> int:
        """Where the first line begins."""
        return _LEFT + cell_len(self.head) + 2


def banner_text(
    alarms: Sequence[AlarmView], width: int, height: int, silenced: bool = False, note: str = ""
) -> BannerText:
    """The words of the banner for `alarms`, worst first, in `width` columns and `height` rows.

    `silenced` says that the bell is off, `note` why there is no connection, where that is one of the alarms.
    """
    worst = alarms[0]
    cause = next((alarm for alarm in alarms if alarm.signal == "disconnected"), None)
    over = returned(worst)
    # The last row is kept free for the other alarms, in a low banner only where the cause of them all is among those.
    rows = height - (1 if height >= 4 or cause not in (None, worst) else 0)
    head = f"{SHAPE[worst.severity]} {signal_word(worst.severity)}"
    message = " ".join(printable(worst.message).split())
    beside = width - (_LEFT + cell_len(head) + 2)
    # The message comes before its state and time; those are left out where they would break it.
    tail = first_that_fits(_tails(alarms, silenced), beside - cell_len(message) - 3)
    guidance = note if worst is cause and note else worst.guidance
    lines = _message_lines(message, beside - (cell_len(tail) + 3 if tail else 1), width - 3, rows)
    lines += wrapped(guidance, width - 3, max(0, rows - len(lines)))
    tall = rows if worst.severity >= Severity.WARNING and not over and height >= 4 else 2
    filled = min(height, max(tall, len(lines)))
    others: tuple[tuple[str, Role], ...] = ()
    if len(alarms) > 1 and filled < height:
        # A lost connection explains most other alarms: it is named first, with its reason.
        rest = sorted(alarms[1:], key=lambda alarm: alarm is not cause)
        others = _reason(rest[0], width, note) if rest[0] is cause and note else _others(rest, width)
    return BannerText("fill_notice" if over else FILL_ROLE[worst.severity], head, tuple(lines), tail, filled, others)


def _tails(alarms: Sequence[AlarmView], silenced: bool) -> tuple[str, ...]:
    """Texts for the right end, the fullest first."""
    worst = alarms[0]
    state = tr("held blind") if worst.blind else tr(STATE_WORDS.get(worst.state, worst.state))
    if nothing_to_acknowledge(worst) and not worst.blind:
        state = tr("cue")
    count = f"+{len(alarms) - 1}" if len(alarms) > 1 else ""
    least = count
    if silenced and any(alarm.state in RINGS for alarm in alarms):
        state, least = f"{state} · {tr(SILENCED)}", f"{tr(SILENCED)} {count}".rstrip()
    return f"{state} · {clock(worst.since_ns)}  {count}".rstrip(), f"{state}  {count}".rstrip(), least


def _message_lines(message: str, room: int, width: int, rows: int) -> list[str]:
    """The message in one line of `room` columns; where it is longer it goes on in lines of `width`."""
    lines = wrapped(message, room, 1)
    if lines and lines[0].endswith("…"):
        first = lines[0].removesuffix("…").rstrip()
        return [first, *wrapped(message[len(first) :], width, max(1, rows - 2))]
    return lines


def _reason(alarm: AlarmView, width: int, note: str) -> tuple[tuple[str, Role], ...]:
    """The one alarm that explains the others, and why it stands."""
    text = f"{alarm.message}: {note}" if width >= 76 else note
    return ((words_that_fit(f"{SHAPE[alarm.severity]} {text}", width - 3), TEXT_ROLE[alarm.severity]),)


def _others(alarms: Sequence[AlarmView], width: int) -> tuple[tuple[str, Role], ...]:
    """The alarms behind the worst, as many as fit, and how many are left."""
    x = _LEFT
    lines: list[tuple[str, Role]] = []
    for index, alarm in enumerate(alarms):
        over = returned(alarm)
        text = f"{SHAPE[alarm.severity]} {printable(alarm.message)}{tr(' (gone)') if over else ''}"
        left = len(alarms) - index
        more = tr("and {left} more", left=left)
        if x + cell_len(text) > width - (cell_len(more) + _GAP if left > 1 else 1):
            lines.append(
                (words_that_fit(more if index else tr("{left} more: see Alarms", left=left), width - x), "dim")
            )
            break
        lines.append((text, "dim" if over else TEXT_ROLE[alarm.severity]))
        x += cell_len(text) + _GAP
    return tuple(lines)


def paint(area: Area, text: BannerText, gap: int = 0) -> None:
    """Draw the banner's words, with `gap` rows left free after the first one."""
    area.part(0, 0, area.width, 1).fill(text.role)
    area.part(0, 1 + gap, area.width, text.rows - 1).fill(text.role)
    filled = area.part(0, 0, area.width, text.rows + gap)
    filled.put(_LEFT, 0, text.head, text.role)
    filled.right(area.width - 1, 0, text.tail, text.role)
    for y, line in enumerate(text.lines):
        filled.put(text.column if y == 0 else _LEFT, y + gap if y else 0, line, text.role)
    x = _LEFT
    for words, role in text.others:
        x = area.put(x, text.rows + gap, words, role) + _GAP
