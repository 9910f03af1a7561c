"""The screen for whoever cannot have one: lines of plain words for a screen reader, a dumb terminal, a log.

A line per change, as it comes; on Enter a line with the present state; a few words typed before Enter do the rest. Nothing here
draws, moves the cursor or needs a colour; all of it is ASCII.
"""

import asyncio
import contextlib
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Final

from monitor.language import msgid, tr, tr_record
from monitor.model.alarm import AlarmState, Finding
from monitor.model.snapshot import HoistState, Snapshot
from monitor.model.stream import ActionKind, Request
from monitor.presentation.believed import believed
from monitor.presentation.format import Units, clock, signal_word, span
from monitor.presentation.in_language import in_language
from monitor.runtime.driver import Driver
from monitor.text import harmless
from monitor.ui.acts import asks_for_an_act
from monitor.ui.bell import Bell
from monitor.ui.frame.act import act_in_words
from monitor.ui.frame.top_bar import ADVISORY
from monitor.ui.queries import aside_words, bad_sensors, heading, height, motion_words, stale_sensors, standing
from monitor.ui.view import FROZEN_S, without_unknown_motion

LOOK_S: Final = 0.1
"""Between two looks at the state, s."""
STEADY_S: Final = 1.0
"""A motion is told once it has lasted for so long, s."""
READ_S: Final = 1.0
"""An alarm can be acknowledged once its line has been there for so long, s."""
_SIGNS: Final = str.maketrans(
    {
        "−": "-", "±": "+/-", "²": "2", "·": "*", "–": "-", "…": "...",
        "■": "", "?": "?", "△": "", "◆": "", "○": "", "●": "", "▶": "",
    }
)  # fmt: skip
_SAID: Final = {
    "▲": msgid("up"),
    "▼": msgid("down"),
    "≈": msgid("about "),
    "°": msgid("deg "),
    "×": msgid("times"),
    "∞": msgid("no end"),
}
"""Signs that are read as words."""
_CHAIN: Final = ("ease", "brake-now", "brake-fully", "will-cross")
_AFTER: Final = {
    AlarmState.NORMAL: msgid("over"),
    AlarmState.RETURNED: msgid("over, not acknowledged"),
    AlarmState.ACKNOWLEDGED: msgid("acknowledged"),
    AlarmState.LATCHED_UNACKNOWLEDGED: msgid("over, latched, not acknowledged"),
    AlarmState.LATCHED_ACKNOWLEDGED: msgid("over, latched"),
    AlarmState.SHELVED: msgid("shelved"),
    AlarmState.SUPPRESSED: msgid("suppressed"),
    AlarmState.OUT_OF_SERVICE: msgid("out of service"),
}
HELP: Final = (
    msgid(
        "Enter alone: the present state. l: alarms that stand. a INITIALS: acknowledge those that wait. s: silence the bell."
    ),
    msgid("In a replay also p: pause or go on. n, b: next or earlier alarm. q: leave. Each with Enter."),
)


def spoken(text: str) -> str:
    """`text` in ASCII and the letters of its language, without a sign that is read aloud as noise; what has no words becomes a
    question mark."""
    for sign, words in _SAID.items():
        text = text.replace(sign, tr(words))
    kept = " ".join(harmless(text).translate(_SIGNS).split())
    return "".join(char if char.isascii() or (char.isalpha() and char < "\u0250") else "?" for char in kept)


def finding_words(finding: Finding) -> str:
    """A change as a sentence; empty for one that only makes way for a worse word, and for what nobody need hear."""
    if finding.kind in ("alarm", "prompt"):
        fresh = finding.raised or finding.prompted
        if fresh and finding.before != AlarmState.ACKNOWLEDGED:
            message, guidance = tr_record(finding.message), tr_record(finding.guidance)
            return f"{signal_word(finding.severity)} {message}. {guidance}".strip()
        chained = finding.key.rpartition("-")[0] in _CHAIN
        if finding.after == AlarmState.SUPPRESSED and chained:
            return ""
        over = next((words for state, words in _AFTER.items() if finding.after == state), finding.after)
        return f"{signal_word(finding.severity)} {tr_record(finding.message)}: {tr(over)}"
    said = tr(" by {after}", after=finding.after) if finding.kind == "action" and finding.after else ""
    return f"{tr(finding.kind)} {tr_record(finding.message) or finding.key}{said}"


def state_words(snap: Snapshot, units: Units, mode: str) -> str:
    """The present state in one line, what matters most first."""
    snap = in_language(believed(without_unknown_motion(snap)))
    alarms = standing(snap)
    parts = [tr("{clock} UTC {mode}", clock=clock(snap.t_ns), mode=tr(mode))]
    if alarms:
        worst = alarms[0]
        act = f"{act_in_words(snap, units, worst)}, " if asks_for_an_act(worst) else ""
        more = tr(", and {alarms} more", alarms=len(alarms) - 1) if len(alarms) > 1 else ""
        parts.append(f"{act}{signal_word(worst.severity)} {worst.message}{more}")
    else:
        parts.append(tr("no alarm"))
    parts.append(tr("height {figure}", figure=units.value(height(snap), "length")))
    speed = snap.value("speed")
    moves = heading(snap) != 0
    unsigned = replace(speed, number=abs(speed.number))  # the word before it has the direction
    parts.append(_motion(snap).lower() + (f" {units.value(unsigned, 'speed')}" if moves and speed.known else ""))
    for way, name, stop_m in ((1, "up", snap.marks.assured_up_m), (-1, "down", snap.marks.assured_down_m)):
        if heading(snap) in (0, way):
            parts.append(
                tr("room {way} {figure}", way=tr(name), figure=units.value(snap.value(f"room_{name}"), "length"))
            )
        if heading(snap) == way:
            parts.append(
                tr("stop mark {figure}", figure=units.text(stop_m, "length"))
                if snap.marks.stops
                else tr("stop mark: no stop")
            )
    parts.append(tr("load {figure}", figure=units.value(snap.value("hook_load"), "force")))
    parts.append(tr("holding {figure}", figure=units.value(snap.value("holding_ratio"), "ratio")))
    parts += list(aside_words(snap)[:1])
    silent, bad = stale_sensors(snap), bad_sensors(snap)
    parts.append(tr("sensors silent: {silent}", silent=", ".join(silent)) if silent else "")
    parts.append(tr("sensors refused: {bad}", bad=", ".join(bad)) if bad else "")
    if snap.health.connected is False:
        parts.append(tr("no connection to the broker"))
    return "; ".join(part for part in parts if part)


def _motion(snap: Snapshot) -> str:
    """What the block does, without the shape before it."""
    return tr(motion_words(snap)).partition(" ")[2]


class PlainScreen:
    """Says what changes, and answers. `write` takes one line; `clock_s` is any clock of seconds that only goes forward."""

    def __init__(
        self, write: Callable[[str], None], sound: bool | None = None, clock_s: Callable[[], float] = time.monotonic
    ) -> None:
        self._write_line = write
        self._sound = sound
        self._clock_s = clock_s
        self._bell = Bell()
        self._driver: Driver | None = None
        self._units = Units()
        self._heard: list[str] = []
        """Lines of findings that the next look writes: the state that they came with is known then."""
        self._motion, self._moved_s, self._said_motion = HoistState.UNKNOWN, 0.0, HoistState.UNKNOWN
        self._since_s: dict[str, float] = {}
        """When the line of each waiting alarm was written."""
        self._t_ns, self._t_s = 0, 0.0
        self._frozen = False
        self._leaving = False
        self.at_end = False
        """Whether a replay has reached the end of its session."""
        self.left = False
        """Whether the person has asked to end."""

    def begin(self, driver: Driver) -> None:
        """Say what this is."""
        self._driver, self._units = driver, Units(driver.rig.units)
        self._t_s = self._clock_s()
        self._say(
            tr(
                "Stopmark, {title}, {mode}. {advisory}: it never acts on the rig. ? and Enter: help.",
                title=driver.rig.title,
                mode=driver.mode,
                advisory=ADVISORY,
            )
        )

    def finding(self, finding: Finding) -> None:
        """Take a change: a sink."""
        words = finding_words(finding)
        if words:
            self._heard.append(f"{clock(finding.t_ns)} {words}")

    def look(self) -> None:
        """Write what has changed since the last look."""
        driver = self._driver
        snap = driver.snapshot() if driver is not None else None
        heard, self._heard = self._heard, []
        for line in heard:
            self._say(tr(line))
        if driver is None or snap is None:
            return
        now_s = self._clock_s()
        self._say_motion(snap, now_s)
        self._say_frozen(driver, snap, now_s)
        self._say_end(driver)
        waiting = {alarm.key for alarm in snap.alarms if alarm.state.waiting}
        self._since_s = {key: self._since_s.get(key, now_s) for key in waiting}
        sound = driver.mode != "REPLAY" if self._sound is None else self._sound
        if self._bell.due(snap, now_s) and sound:
            self._write_line("\a")

    def _say_motion(self, snap: Snapshot, now_s: float) -> None:
        if snap.hoist is not self._motion:
            self._motion, self._moved_s = snap.hoist, now_s
        elif self._motion is not self._said_motion and now_s - self._moved_s >= STEADY_S:
            self._said_motion = self._motion
            self._say(
                tr(
                    "{clock} {motion} at {figure}",
                    clock=clock(snap.t_ns),
                    motion=_motion(snap),
                    figure=self._units.value(height(snap), "length"),
                )
            )

    def _say_frozen(self, driver: Driver, snap: Snapshot, now_s: float) -> None:
        replay = driver.replay
        held = replay is not None and (replay.paused or replay.position_ns >= replay.end_ns)
        if snap.t_ns != self._t_ns or held:
            if self._frozen:
                self._say(tr("{clock} The monitor goes on.", clock=clock(snap.t_ns)))
            self._t_ns, self._t_s, self._frozen = snap.t_ns, now_s, False
        elif now_s - self._t_s > FROZEN_S and not self._frozen:
            self._frozen = True
            self._say(
                tr("DANGER MONITOR STOPPED: nothing new for {time}. Watch the block.", time=span(now_s - self._t_s))
            )

    def _say_end(self, driver: Driver) -> None:
        replay = driver.replay
        at_end = replay is not None and replay.position_ns >= replay.end_ns
        if at_end and not self.at_end:
            self._say(tr("End of the session. b: back to the last alarm. q: leave."))
        self.at_end = at_end

    def answer(self, typed: str) -> None:
        """What the person typed before Enter."""
        driver = self._driver
        if driver is None:
            return
        word, _, rest = typed.strip().partition(" ")
        leaving, self._leaving = self._leaving, False
        snap = driver.snapshot()
        if word == "q":
            self._leave(driver, leaving)
        elif word == "?":
            for line in HELP:
                self._say(tr(line))
        elif snap is None:
            self._say(tr("Waiting for the first reading."))
        elif word == "":
            self._say(state_words(snap, self._units, driver.mode))
        elif word == "l":
            self._list(snap)
        elif word in ("a", "s"):
            self._act(driver, snap, word, rest.strip())
        elif word in ("p", "n", "b") and driver.replay is not None:
            self._steer(driver, word)
        else:
            self._say(tr("Not known: {typed}. ? and Enter: help.", typed=typed))

    def _leave(self, driver: Driver, again: bool) -> None:
        if driver.mode == "REPLAY" or again:
            self.left = True
        else:
            self._leaving = True
            self._say(tr("Type q again to stop the monitor: watching and recording end."))

    def _list(self, snap: Snapshot) -> None:
        alarms = standing(snap)
        for alarm in alarms:
            self._say(
                tr(
                    "{name} {message}: {state}, since {clock}. {guidance}",
                    name=signal_word(alarm.severity),
                    message=tr_record(alarm.message),
                    state=tr(alarm.state),
                    clock=clock(alarm.since_ns),
                    guidance=tr_record(alarm.guidance),
                )
            )
        self._say(tr("No alarm stands.") if not alarms else tr("{alarms} in all.", alarms=len(alarms)))

    def _act(self, driver: Driver, snap: Snapshot, word: str, who: str) -> None:
        if driver.mode == "REPLAY":
            self._say(tr("This is a replay: it shows what was done then; nothing can be done now."))
        elif word == "s":
            driver.act(Request(ActionKind.SILENCE))
            self._say(tr("Bell silenced; nothing acknowledged."))
        elif not (who.isalpha() and who.isascii() and len(who) <= 4):
            self._say(tr("Give your initials with it, at most four letters: a KR"))
        else:
            now_s = self._clock_s()
            keys = [key for key, since_s in self._since_s.items() if now_s - since_s >= READ_S]
            for key in keys:
                driver.act(Request(ActionKind.ACKNOWLEDGE, key, who=who.upper()))
            none = tr("Just came up: hear it first, then again.") if self._since_s else tr("No alarm to acknowledge.")
            self._say(tr("{keys} acknowledged by {who}.", keys=len(keys), who=who.upper()) if keys else none)

    def _steer(self, driver: Driver, word: str) -> None:
        replay = driver.replay
        if replay is None:
            return
        if word == "p":
            replay.pause(not replay.paused)
            self._say(tr("paused") if replay.paused else tr("goes on"))
        elif not replay.seek_finding(1 if word == "n" else -1):
            self._say(tr("No further alarm that way."))
        else:
            self._heard.clear()
            snap = driver.snapshot()
            if snap is not None:
                self._say(state_words(snap, self._units, driver.mode))

    def _say(self, words: str) -> None:
        self._write_line(spoken(words))


def typed_lines(take: Callable[[str], None]) -> threading.Event:
    """Have `take` called in the running loop with each line that is typed; the event is set when there will be no more."""
    loop = asyncio.get_running_loop()
    ended = threading.Event()

    def read() -> None:
        for line in sys.stdin:
            with contextlib.suppress(RuntimeError):  # the loop has ended
                loop.call_soon_threadsafe(take, line)
        ended.set()

    threading.Thread(target=read, name="input", daemon=True).start()
    return ended


async def run_plain(driver: Driver, screen: PlainScreen, unread: Callable[[], bool] = lambda: False) -> None:
    """Run the driver and the plain screen until the person leaves, nobody reads (`unread`), or the driver ends; a replay that
    nobody can answer ends with its session.

    Raises:
        Exception: what the driver raises.
    """
    screen.begin(driver)
    ended = typed_lines(screen.answer)
    run = asyncio.ensure_future(driver.run())
    try:
        while not run.done() and not screen.left and not unread():
            await asyncio.wait([run], timeout=LOOK_S)
            screen.look()
            if ended.is_set() and screen.at_end:
                break
        if run.done():
            run.result()
    finally:
        run.cancel()
        await asyncio.gather(run, return_exceptions=True)
