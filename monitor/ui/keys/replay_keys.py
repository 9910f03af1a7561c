"""The keys that drive a replay; they work on every screen of one."""

from collections.abc import Callable
from datetime import UTC, datetime
from math import isfinite
from typing import Literal

from monitor.language import tr
from monitor.presentation.format import clock
from monitor.runtime.driver import ReplayControl
from monitor.ui.keys.key import Key, ScreenContext

SLOWEST, FASTEST = 0.125, 1024.0
"""Bounds of the replay's speed."""
DAY_NS = 86_400_000_000_000


def _replay(context: ScreenContext) -> ReplayControl | None:
    """The replay's handle; None, with an answer given, where this is none."""
    replay = context.driver.replay
    if replay is None:
        context.say(tr("Only a replay can be paused, moved or sped up."))
    return replay


def _pause(context: ScreenContext) -> None:
    replay = _replay(context)
    if replay is not None:
        replay.pause(not replay.paused)
        context.say(tr("Paused.") if replay.paused else tr("Goes on."))


def _step(context: ScreenContext, seconds: float) -> None:
    replay = _replay(context)
    if replay is not None:
        replay.seek_to(replay.position_ns + int(seconds * 1e9))
        context.say(tr("At {clock}.", clock=clock(replay.position_ns)))


def _skip_still(context: ScreenContext) -> None:
    replay = _replay(context)
    if replay is not None:
        replay.skip_still(not replay.skips_still)
        context.say(
            tr("Stretches without motion go by at full speed.") if replay.skips_still else tr("Nothing is skipped.")
        )


def _speed(context: ScreenContext, factor: float) -> None:
    replay = _replay(context)
    if replay is None:
        return
    now = replay.speed if isfinite(replay.speed) else FASTEST
    speed = min(FASTEST, max(SLOWEST, now * factor))
    replay.set_speed(speed)
    context.say(tr("Speed ×{speed:g}.", speed=speed))


def _alarm(context: ScreenContext, step: Literal[-1, 1]) -> None:
    replay = _replay(context)
    if replay is None:
        return
    if replay.seek_finding(step):
        context.say(tr("At {clock}.", clock=clock(replay.position_ns)))
    else:
        context.say(tr("No later alarm in this session.") if step > 0 else tr("No earlier alarm in this session."))


def _same(context: ScreenContext, step: Literal[-1, 1]) -> None:
    """To the next or previous mark of the kind at which the replay stands, or that it has passed last."""
    replay, replayed = _replay(context), context.driver.facts().replayed
    if replay is None or replayed is None:
        return
    here = replay.position_ns
    past = [mark for mark in replayed.marks if mark.t_ns <= here]
    kind = past[-1] if past else next(iter(replayed.marks), None)
    if kind is None:
        context.say(tr("Nothing was raised in this session."))
        return
    alike = [mark.t_ns for mark in replayed.marks if mark.key == kind.key]
    after = [t_ns for t_ns in alike if t_ns > here]
    before = [t_ns for t_ns in alike if t_ns < here - 1_000_000_000]
    if not (after if step > 0 else before):
        context.say(
            tr("No later {key} in this session.", key=kind.key)
            if step > 0
            else tr("No earlier {key} in this session.", key=kind.key)
        )
        return
    replay.seek_to((after[0] if step > 0 else before[-1]) + 50_000_000)
    context.say(
        tr("At {clock}: {key}, one of {alike}.", clock=clock(replay.position_ns), key=kind.key, alike=len(alike))
    )


def _remark(context: ScreenContext) -> None:
    """A note beside the session, about this moment."""
    replay = _replay(context)
    if replay is None:
        return
    at = clock(replay.position_ns)

    def write(text: str) -> None:
        context.say(replay.remark(text, context.who) or tr("Note kept beside the session, at {at}.", at=at))

    def ask() -> None:
        explain = tr("Kept beside the session, about {at}. What was recorded stays as it is.", at=at)
        context.ask(tr("Note"), explain, r".*", 200, write)

    def sign(text: str) -> None:
        context.who = text.upper()
        ask()

    if context.who:
        ask()
    else:
        context.ask(
            tr("Your initials"), tr("Kept with the notes that you write beside this session."), r"[A-Za-z]*", 4, sign
        )


def _seek(context: ScreenContext) -> None:
    replay = _replay(context)
    if replay is None:
        return

    def go(text: str) -> None:
        t_ns = time_of_day(text, replay.start_ns) or date_and_time(text)
        if t_ns is None:
            context.say(tr("Not a time: give HH:MM, HH:MM:SS, or with its date YYYY-MM-DD HH:MM."))
            return
        replay.seek_to(t_ns)
        context.say(tr("At {clock}.", clock=clock(replay.position_ns)))

    several = replay.end_ns - replay.start_ns > DAY_NS
    words = tr("UTC, YYYY-MM-DD HH:MM") if several else tr("UTC, HH:MM or HH:MM:SS")
    start, end = clock(replay.start_ns, date=several), clock(replay.end_ns, date=several)
    context.ask(
        tr("Jump to"),
        tr("{words}; the session runs from {start} to {end}.", words=words, start=start, end=end),
        r"[0-9: -]*",
        19,
        go,
    )


def date_and_time(text: str) -> int | None:
    """The moment that a date and a time of day (UTC) name; None when `text` is none."""
    try:
        return int(datetime.fromisoformat(text.strip()).replace(tzinfo=UTC).timestamp()) * 1_000_000_000
    except (ValueError, OverflowError):
        return None


def time_of_day(text: str, after_ns: int) -> int | None:
    """The first moment at or after `after_ns` with that time of day (UTC); None when `text` is no time."""
    parts = text.split(":")
    if not 2 <= len(parts) <= 3 or not all(part.isdecimal() for part in parts):
        return None
    hours, minutes, seconds = (*(int(part) for part in parts), 0)[:3]
    if hours > 23 or minutes > 59 or seconds > 59:
        return None
    wanted = (hours * 3600 + minutes * 60 + seconds) * 1_000_000_000
    return after_ns + (wanted - after_ns) % DAY_NS


def _key(
    key: str, act: Callable[[ScreenContext], None], label: str, text: str, cap: str = "", footer: bool = True
) -> Key:
    return Key(key, act, label, f"replay: {text}" if text else "", footer and bool(label), cap, "replay")


# Two keys that undo each other share a hint and a line of the help page.
REPLAY_KEYS: tuple[Key, ...] = (
    _key("space", _pause, "pause", "pause or go on"),
    _key("left", lambda context: _step(context, -10), "10 s", "back, on 10 s", "←→"),
    _key("right", lambda context: _step(context, 10), "", "", "→"),
    _key("left_square_bracket", lambda context: _alarm(context, -1), "alarm", "previous, next alarm", "[]"),
    _key("right_square_bracket", lambda context: _alarm(context, 1), "", "", "]"),
    _key("left_curly_bracket", lambda context: _same(context, -1), "same", "previous, next of the same kind", "{}"),
    _key("right_curly_bracket", lambda context: _same(context, 1), "", "", "}"),
    _key("less_than_sign", lambda context: _speed(context, 0.5), "speed", "half, double the speed", "<>"),
    _key("greater_than_sign", lambda context: _speed(context, 2.0), "", "", ">"),
    _key("comma", lambda context: _step(context, -0.05), "step", "back, on one step of 50 ms", ",."),
    _key("full_stop", lambda context: _step(context, 0.05), "", "", "."),
    _key("k", _skip_still, "skip", "skip stretches in which the block stands still, or no longer", footer=False),
    _key("n", _remark, "note", "write a note beside the session, about this moment", footer=False),
    _key("j", _seek, "jump", "jump to a time of day", footer=False),
)
"""Work on every screen of a replay."""
