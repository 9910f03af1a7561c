"""Session: what is recorded and how, where a replay stands, and the configuration in force."""

from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from math import isfinite
from typing import Literal

from monitor.presentation.format import SYSTEM_LABEL, clock, plain, span
from monitor.runtime.driver import LINE_EVENT, ReplayControl
from monitor.ui.drawing.canvas import Area, printable
from monitor.ui.keys.key import Deck, Key
from monitor.ui.view import View
from monitor.ui.widgets import bars, sections
from monitor.ui.widgets.sections import Item, Section

SLOWEST, FASTEST = 0.125, 1024.0
"""Bounds of the replay's speed."""

_SOURCE = {"broker": "  at", "topics": "topics"}
"""Facts of the driver that tell where readings come from, and their labels."""

DAY_NS = 86_400_000_000_000

TITLE = "Session"
HELP = "recording, replay position and speed, configuration in force"


def draw(area: Area, view: View) -> tuple[str, ...]:
    """The body of the screen."""
    top = 0
    if view.replay is not None:
        top = 4
        _position(area.part(1, 0, area.width - 2, top), view)
    return sections.draw(area.part(0, top, area.width, area.height - top), contents(view), view.look.chosen)


def _position(area: Area, view: View) -> None:
    """The replay's place as a bar with times."""
    replay = view.replay
    if replay is None:
        return
    whole = max(1, replay.end_ns - replay.start_ns)
    share = (replay.position_ns - replay.start_ns) / whole
    state = "paused" if replay.paused else "full speed" if not isfinite(replay.speed) else f"×{replay.speed:g}"
    state += ", still skipped" if replay.skips_still else ""
    area.say(0, 0, f"REPLAY {state}: {clock(replay.position_ns, date=True)} UTC", "strong")
    bars.level(area, 0, 1, area.width, share)
    several = replay.end_ns - replay.start_ns > DAY_NS  # then a time of day alone does not tell
    area.put(0, 2, clock(replay.start_ns, date=several), "dim")
    end = clock(replay.end_ns, date=several)
    area.put(area.width - len(end), 2, end, "dim")


def contents(view: View) -> list[Section]:
    """All sections."""
    return [
        Section("RECORDING", tuple(_recording(view))),
        Section("INTAKE", tuple(_intake(view))),
        Section("REFUSED", tuple(_refused(view.snap.rejects))),
        Section("IN FORCE", tuple(_in_force(view))),
        Section("CREW AND SCREEN", tuple(_crew(view))),
    ]


def _recording(view: View) -> list[Item]:
    if view.mode == "REPLAY":
        return [Item("recording", ("none: a replay", "none"), "dim"), *_facts(view)]
    words = {"on": "● on", "off": "○ off", "failed": "▲ FAILED"}[view.snap.health.recording]
    failed = view.snap.health.recording == "failed"
    return [Item("recording", (words,), "warning" if failed else "strong"), *_facts(view)]


def _facts(view: View) -> list[Item]:
    return [
        Item(name, (printable(text),), "base", free=True)
        for name, text in view.facts.items()
        if not name.startswith(LINE_EVENT) and name not in _SOURCE
    ]


def _intake(view: View) -> list[Item]:
    health = view.snap.health
    broker = {None: "none", True: "connected", False: "▲ LOST"}[health.connected]
    items = [
        Item("source", (view.mode,), "strong"),
        Item("broker", (broker,), "warning" if health.connected is False else "strong"),
        *(
            Item(label, (printable(view.facts[name]),), "base", free=True)
            for name, label in _SOURCE.items()
            if name in view.facts
        ),
        Item("dropped", (str(health.dropped),), "strong" if not health.dropped else "caution"),
        Item("lag", (f"{plain(health.lag_s, 3)} s",), "strong"),
    ]
    if health.note:
        items.append(Item("note", (printable(health.note),), "base", free=True))
    return items


def _refused(rejects: Mapping[str, int]) -> list[Item]:
    if not rejects:
        return [Item("nothing so far", ("",), "dim")]
    ordered = sorted(rejects.items(), key=lambda entry: -entry[1])
    return [Item(str(count), (reason,), "base", free=True) for reason, count in ordered]


def _in_force(view: View) -> list[Item]:
    rig, units = view.rig, view.units
    limits = rig.limits
    return [
        Item("rig", (printable(rig.title), rig.name), "strong", free=True),
        Item("sensors", (str(len(rig.sensors)),), "base"),
        Item("upper limit", sections.choices(units.text(limits.upper_m, "length")), "base"),
        Item("lower limit", sections.choices(units.text(limits.lower_m, "length")), "base"),
        Item("overtravel at", sections.choices(units.text(limits.overtravel_m, "length")), "base"),
        Item("highest speed", sections.choices(units.text(limits.max_speed_m_s, "speed")), "base"),
        Item("reaction", (units.text(limits.reaction_s, "time"),), "base"),
        Item("holding ratio", (units.text(rig.braking.min_holding_ratio, "ratio"),), "base"),
        Item("  from", (printable(rig.braking.ratio_origin), "see rig file"), "dim", free=True),
    ]


def _crew(view: View) -> list[Item]:
    return [
        Item("initials", (view.who or "none yet",), "strong" if view.who else "dim"),
        Item("units", (SYSTEM_LABEL[view.units.system], view.units.system), "base"),
        Item("time", (f"{clock(view.snap.t_ns, date=True)} UTC", clock(view.snap.t_ns)), "base"),
        Item("trends reach", (span(view.history.reach_s),), "base"),
    ]


def _replay(deck: Deck) -> ReplayControl | None:
    """The replay's handle; None, with an answer given, where this is none."""
    replay = deck.driver.replay
    if replay is None:
        deck.say("Only a replay can be paused, moved or sped up.")
    return replay


def _pause(deck: Deck) -> None:
    replay = _replay(deck)
    if replay is not None:
        replay.pause(not replay.paused)
        deck.say("Paused." if replay.paused else "Goes on.")


def _step(deck: Deck, seconds: float) -> None:
    replay = _replay(deck)
    if replay is not None:
        replay.seek_to(replay.position_ns + int(seconds * 1e9))
        deck.say(f"At {clock(replay.position_ns)}.")


def _skip_still(deck: Deck) -> None:
    replay = _replay(deck)
    if replay is not None:
        replay.skip_still(not replay.skips_still)
        deck.say("Stretches without motion go by at full speed." if replay.skips_still else "Nothing is skipped.")


def _speed(deck: Deck, factor: float) -> None:
    replay = _replay(deck)
    if replay is None:
        return
    now = replay.speed if isfinite(replay.speed) else FASTEST
    speed = min(FASTEST, max(SLOWEST, now * factor))
    replay.set_speed(speed)
    deck.say(f"Speed ×{speed:g}.")


def _alarm(deck: Deck, step: Literal[-1, 1]) -> None:
    replay = _replay(deck)
    if replay is None:
        return
    if replay.seek_finding(step):
        deck.say(f"At {clock(replay.position_ns)}.")
    else:
        deck.say("No later alarm in this session." if step > 0 else "No earlier alarm in this session.")


def _seek(deck: Deck) -> None:
    replay = _replay(deck)
    if replay is None:
        return

    def go(text: str) -> None:
        t_ns = time_of_day(text, replay.start_ns) or date_and_time(text)
        if t_ns is None:
            deck.say("Not a time: give HH:MM, HH:MM:SS, or with its date YYYY-MM-DD HH:MM.")
            return
        replay.seek_to(t_ns)
        deck.say(f"At {clock(replay.position_ns)}.")

    several = replay.end_ns - replay.start_ns > DAY_NS
    words = "UTC, YYYY-MM-DD HH:MM" if several else "UTC, HH:MM or HH:MM:SS"
    start, end = clock(replay.start_ns, date=several), clock(replay.end_ns, date=several)
    deck.ask("Jump to", f"{words}; the session runs from {start} to {end}.", r"[0-9: -]*", 19, go)


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


def _key(key: str, act: Callable[[Deck], None], label: str, text: str, cap: str = "", footer: bool = True) -> Key:
    return Key(key, act, label, f"replay: {text}" if text else "", footer and bool(label), cap, "replay")


# Two keys that undo each other share a hint and a line of the help page.
REPLAY_KEYS: tuple[Key, ...] = (
    _key("space", _pause, "pause", "pause or go on"),
    _key("left", lambda deck: _step(deck, -10), "10 s", "back, on 10 s", "←→"),
    _key("right", lambda deck: _step(deck, 10), "", "", "→"),
    _key("left_square_bracket", lambda deck: _alarm(deck, -1), "alarm", "previous, next alarm", "[]"),
    _key("right_square_bracket", lambda deck: _alarm(deck, 1), "", "", "]"),
    _key("less_than_sign", lambda deck: _speed(deck, 0.5), "speed", "half, double the speed", "<>"),
    _key("greater_than_sign", lambda deck: _speed(deck, 2.0), "", "", ">"),
    _key("comma", lambda deck: _step(deck, -0.05), "step", "back, on one step of 50 ms", ",."),
    _key("full_stop", lambda deck: _step(deck, 0.05), "", "", "."),
    _key("k", _skip_still, "skip", "skip stretches in which the block stands still, or no longer", footer=False),
    _key("j", _seek, "jump", "jump to a time of day", footer=False),
)
"""Work on every screen of a replay."""

KEYS = REPLAY_KEYS
