"""Session: what is recorded and how, where a replay stands, and the configuration in force."""

from collections.abc import Iterable, Mapping
from math import isfinite

from monitor.presentation.format import NOT_FITTED_WORD, SYSTEM_LABEL, clock, plain, span, ways
from monitor.presentation.missing import words_of_missing
from monitor.runtime.facts import LedgerState, RecordingFile, Replayed, RunFacts
from monitor.ui.drawing.canvas import Area, printable
from monitor.ui.keys.key import Key
from monitor.ui.keys.list_keys import SECTION_KEYS
from monitor.ui.keys.replay_keys import DAY_NS, REPLAY_KEYS
from monitor.ui.view import View
from monitor.ui.widgets import bars, sections
from monitor.ui.widgets.labels import device_words
from monitor.ui.widgets.sections import Item, Section

TITLE = "Session"
HELP = "recording, replay position and speed, configuration in force"


def draw(area: Area, view: View) -> tuple[str, ...]:
    """The body of the screen."""
    top = 0
    if view.replay is not None:
        top = 4
        _position(area.part(1, 0, area.width - 2, top), view)
    return sections.searched(area.part(0, top, area.width, area.height - top), contents(view), view.screen_state)


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
        Section("NOT FITTED", tuple(_not_fitted(view))),
        Section("CREW AND SCREEN", tuple(_crew(view))),
    ]


def _recording(view: View) -> list[Item]:
    if view.mode == "REPLAY":
        return [Item("recording", ("none: a replay", "none"), "dim"), *_items(_of_run(view.facts))]
    words = {"on": "● on", "off": "– off", "failed": "△ FAILED"}[view.snap.health.recording]
    failed = view.snap.health.recording == "failed"
    return [Item("recording", (words,), "caution" if failed else "strong"), *_items(_of_run(view.facts))]


def _items(rows: Iterable[tuple[str, str]]) -> list[Item]:
    """Label and words from elsewhere, where there are any words."""
    return [Item(label, (printable(words),), "base", free=True) for label, words in rows if words]


def _of_run(facts: RunFacts) -> list[tuple[str, str]]:
    """What the run says of its files."""
    rows = [("last run", facts.last_run)]
    if facts.ledger is not None:
        rows.append(("ledger", _ledger_words(facts.ledger)))
    if facts.recording is not None:
        rows += [("file", file_words(facts.recording)), ("folder", folder_words(facts.recording))]
    if facts.replayed is not None:
        rows += _replayed(facts.replayed)
    return rows


def _ledger_words(ledger: LedgerState) -> str:
    words = ledger.problem or f"{ledger.name}, {ledger.written} new in this run"
    return words + (f"; {ledger.waiting} waiting" if ledger.waiting else "")


def file_words(recording: RecordingFile) -> str:
    """The file that is recorded to, and its size."""
    return f"{recording.name}, {recording.size_bytes / 1e6:.1f} MB"


def folder_words(recording: RecordingFile) -> str:
    """Its folder, and how much room the disk has left; empty where that is not known."""
    if recording.free_bytes is None:
        return ""
    return f"{recording.folder}, {recording.free_bytes / 1e9:.1f} GB free"


def _replayed(replayed: Replayed) -> list[tuple[str, str]]:
    return [
        ("replay of", replayed.file + (f" and {replayed.more_files} more" if replayed.more_files else "")),
        ("recorded", replayed.recorded or "not said how"),
        ("alarms then", str(replayed.alarms)),
        ("rules", replayed.other_rules or "as they were then"),
        *([("record", f"NOT SOUND ({replayed.faults}): sessions verify")] if replayed.faults else []),
    ]


def _intake(view: View) -> list[Item]:
    health, facts = view.snap.health, view.facts
    broker = {None: "none", True: "connected", False: "△ LOST"}[health.connected]
    items = [
        Item("source", (view.mode,), "strong"),
        Item("broker", (broker,), "caution" if health.connected is False else "strong"),
        *_items((("  at", facts.broker), ("topics", "" if facts.topics is None else str(facts.topics)))),
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
        Item("upper limit", ways(units.text(limits.upper_m, "length")), "base"),
        Item("lower limit", ways(units.text(limits.lower_m, "length")), "base"),
        Item("overtravel at", ways(device_words(view)), "base"),
        Item("highest speed", ways(units.text(limits.max_speed_m_s, "speed")), "base"),
        Item("reaction", (units.text(limits.reaction_s, "time"),), "base"),
        *_required_ratio(view),
    ]


def _required_ratio(view: View) -> list[Item]:
    braking = view.rig.braking
    if not view.rig.has("braking"):
        return [Item("holding ratio", (NOT_FITTED_WORD,), "dim")]
    return [
        Item("holding ratio", (view.units.text(braking.min_holding_ratio, "ratio"),), "base"),
        Item("  from", (printable(braking.ratio_origin), "see rig file"), "dim", free=True),
    ]


def _not_fitted(view: View) -> list[Item]:
    """What the rig's file leaves out, and what therefore nobody is warned of; nothing for a rig that has all."""
    left_out = view.snap.left_out
    items = []
    if view.rig.missing:
        items.append(Item("in the rig file", (words_of_missing(view.rig),), "base", free=True))
    if left_out:
        items.append(Item("not warned of", (f"{len(left_out)}: {', '.join(left_out)}",), "caution", free=True))
    return items


def _crew(view: View) -> list[Item]:
    return [
        Item("initials", (view.who or "none yet",), "strong" if view.who else "dim"),
        Item("units", (SYSTEM_LABEL[view.units.system], view.units.system), "base"),
        Item("time", (f"{clock(view.snap.t_ns, date=True)} UTC", clock(view.snap.t_ns)), "base"),
        Item("trends reach", (span(view.history.reach_s),), "base"),
    ]


KEYS: tuple[Key, ...] = (*REPLAY_KEYS, *SECTION_KEYS)
