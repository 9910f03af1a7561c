"""Session: what is recorded and how, where a replay stands, and the configuration in force."""

from collections.abc import Mapping
from math import isfinite

from monitor.presentation.format import SYSTEM_LABEL, clock, plain, span
from monitor.runtime.driver import LINE_EVENT
from monitor.ui.drawing.canvas import Area, printable
from monitor.ui.keys.replay_keys import DAY_NS, REPLAY_KEYS
from monitor.ui.view import View
from monitor.ui.widgets import bars, sections
from monitor.ui.widgets.sections import Item, Section

_SOURCE = {"broker": "  at", "topics": "topics"}
"""Facts of the driver that tell where readings come from, and their labels."""


TITLE = "Session"
HELP = "recording, replay position and speed, configuration in force"


def draw(area: Area, view: View) -> tuple[str, ...]:
    """The body of the screen."""
    top = 0
    if view.replay is not None:
        top = 4
        _position(area.part(1, 0, area.width - 2, top), view)
    return sections.draw(area.part(0, top, area.width, area.height - top), contents(view), view.screen_state.chosen)


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
    return [Item(str(count), (printable(reason),), "base", free=True) for reason, count in ordered]


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


KEYS = REPLAY_KEYS
