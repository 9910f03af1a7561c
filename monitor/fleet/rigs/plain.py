"""All rigs in lines of plain words, for a screen reader, a dumb terminal, a log. Each line begins with the rig's name."""

import asyncio
import time
from collections.abc import Callable
from typing import Final

from monitor.fleet.rigs.bell import RigsBell, ringing
from monitor.fleet.rigs.overview import Shown, shown_now, status_words
from monitor.fleet.rigs.supervisor import Supervisor
from monitor.language import msgid, tr
from monitor.model.alarm import Finding
from monitor.model.stream import ActionKind, Request
from monitor.presentation.format import Units, clock, signal_word, span
from monitor.ui.frame.top_bar import ADVISORY
from monitor.ui.plain import LOOK_S, READ_S, finding_words, spoken, typed_lines

_HELP: Final = (
    msgid(
        "Enter alone: a line for each rig, worst first. A rig's name: its line. a INITIALS RIG: acknowledge what waits there."
    ),
    msgid("s: silence the bell until something new rings. q: leave. Each with Enter."),
)


class PlainOverview:
    """Says what changes, and answers. `write` takes one line."""

    def __init__(self, write: Callable[[str], None], units: Units, sound: bool) -> None:
        self._write_line, self._units, self._sound = write, units, sound
        self._supervisor: Supervisor | None = None
        self._bell = RigsBell()
        self._problems: dict[str, str] = {}
        self._since_s: dict[tuple[str, str], float] = {}
        """When each alarm that waits was first seen to, by rig and key."""
        self._leaving = False
        self.left = False
        """Whether the person has asked to end."""

    def begin(self, supervisor: Supervisor) -> None:
        """Say what this is."""
        self._supervisor = supervisor
        count = len(supervisor.rigs)
        self._say(
            tr(
                "Stopmark, {count} rigs. {advisory}: it never acts on a rig. ? and Enter: help.",
                count=count,
                advisory=tr(ADVISORY),
            )
        )

    def finding(self, name: str, finding: Finding) -> None:
        """Take a change at a rig."""
        words = finding_words(finding)
        if words:
            self._say(f"{name}: {clock(finding.t_ns)} {words}")

    def look(self) -> None:
        """Write what has changed of the rigs as such, and ring."""
        rigs = self._rigs()
        for rig in rigs:
            why = rig.problem.partition(";")[0]
            before = self._problems.get(rig.name, "")
            if why and not before:
                self._say(tr("{name}: DANGER NOT WATCHED: {why}", name=rig.name, why=why))
            elif before and not why and rig.row is not None:
                self._say(tr("{name}: watched again", name=rig.name))
            if why or rig.row is not None:
                self._problems[rig.name] = why
        now_s = time.monotonic()
        waiting = {(rig.name, key) for rig in rigs if rig.row is not None for key in rig.row.waiting}
        self._since_s = {key: self._since_s.get(key, now_s) for key in waiting}
        if self._bell.due(ringing(rigs), now_s) and self._sound:
            self._write_line("\a")

    def answer(self, typed: str) -> None:
        """What the person typed before Enter."""
        leaving, self._leaving = self._leaving, False
        words = typed.split()
        rigs = sorted(self._rigs(), key=lambda rig: rig.order)
        named = [rig for rig in rigs if words and rig.name == words[0]]
        if words == ["q"]:
            self.left, self._leaving = leaving, True
            if not leaving:
                self._say(tr("Type q again to stop watching and recording of all rigs."))
        elif words == ["?"]:
            for line in _HELP:
                self._say(tr(line))
        elif words == ["s"]:
            self._bell.silenced = True
            self._say(tr("Bell silenced until something new rings; nothing acknowledged."))
        elif words[:1] == ["a"]:
            self._acknowledge(words[1:])
        elif not words or named:
            for rig in named or rigs:
                self._say(line_of(rig, self._units))
        else:
            self._say(tr("Not known: {typed}. ? and Enter: help.", typed=typed.strip()))

    def _acknowledge(self, words: list[str]) -> None:
        if len(words) != 2 or not (words[0].isalpha() and words[0].isascii() and len(words[0]) <= 4):
            self._say(tr("Give your initials, at most four letters, and the rig: a KR north"))
            return
        who, name = words[0].upper(), words[1]
        supervisor = self._supervisor
        if supervisor is None or supervisor.rig(name) is None:
            self._say(tr("There is no rig {name}.", name=name))
            return
        now_s = time.monotonic()
        waiting = {key: since_s for (rig, key), since_s in self._since_s.items() if rig == name}
        ready = [key for key, since_s in waiting.items() if now_s - since_s >= READ_S]
        done = sum(supervisor.act(name, Request(ActionKind.ACKNOWLEDGE, key, who=who)) for key in ready)
        none = tr("Just came up: hear it first, then again.") if waiting else tr("No alarm to acknowledge.")
        self._say(
            tr("{name}: {done} acknowledged by {who}.", name=name, done=done, who=who) if done else f"{name}: {none}"
        )

    def _rigs(self) -> list[Shown]:
        return [] if self._supervisor is None else shown_now(self._supervisor)

    def _say(self, words: str) -> None:
        self._write_line(spoken(words))


def line_of(rig: Shown, units: Units) -> str:
    """A rig in one line of plain words."""
    words, severity = status_words(rig)
    head = f"{rig.name}: {f'{signal_word(severity)} ' if severity is not None else ''}{words}"
    row = rig.row
    if row is None:
        return tr("{head}; height, speed and room unknown", head=head)
    moves = f" {units.text(abs(row.speed.number), 'speed')}" if row.heading and row.speed.known else ""
    way = {1: f" {tr('up')}", -1: f" {tr('down')}"}.get(row.room_way, "")
    return "; ".join(
        (
            head,
            tr("height {figure}", figure=units.value(row.height, "length")),
            f"{tr(row.motion).partition(' ')[2].lower()}{moves}",
            tr("room{way} {figure}", way=way, figure=units.value(row.room, "length")),
            tr("holding {figure}", figure=units.value(row.ratio, "ratio")),
            tr("data {time} old", time=span(row.age_s)),
        )
    )


async def run_plain_overview(supervisor: Supervisor, screen: PlainOverview, ends: Callable[[], bool]) -> None:
    """Run it until the person leaves or `ends` says so."""
    screen.begin(supervisor)
    typed_lines(screen.answer)
    while not (screen.left or ends() or supervisor.finished):
        await asyncio.sleep(LOOK_S)
        screen.look()
