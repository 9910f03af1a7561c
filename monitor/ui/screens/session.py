"""Session: what is recorded and how, where a replay stands, and the configuration in force."""

from collections.abc import Iterable, Mapping
from math import isfinite
from typing import Final

from monitor.adapters.ledger.entries import BRAKE_FIGURES
from monitor.adapters.ledger.ledger import Entry
from monitor.model.reading import Validity
from monitor.presentation.brake_trend import SERIES
from monitor.presentation.figures import figure
from monitor.presentation.format import NOT_FITTED_WORD, SYSTEM_LABEL, UNKNOWN_WORD, clock, plain, span, ways
from monitor.presentation.missing import words_of_missing
from monitor.runtime.facts import LedgerState, Mark, RecordingFile, Replayed, RunFacts
from monitor.ui.drawing.canvas import Area, printable
from monitor.ui.keys.key import Key
from monitor.ui.keys.list_keys import SECTION_KEYS
from monitor.ui.keys.replay_keys import REPLAY_KEYS
from monitor.ui.view import ReplayView, View
from monitor.ui.widgets import sections, timeline
from monitor.ui.widgets.labels import device_words
from monitor.ui.widgets.sections import Item, Section

TITLE = "Session"
HELP = "recording, configuration in force; in a replay the whole session on a line, notes, the brake a week before"
_WIDE: Final = 110
_TALL: Final = 14
"""Rows of the body from which on the line of the session has its marks."""


def draw(area: Area, view: View) -> tuple[str, ...]:
    """The body of the screen."""
    if view.replay is None:
        return sections.searched(area, contents(view), view.screen_state)
    rows = len(timeline.rows_of(view.facts.replayed)) if area.height >= _TALL else 0
    _position(area.part(1, 0, area.width - 2, 1), view.replay)
    timeline.draw(area.part(1, 1, area.width - 2, rows + 2), view.replay, view.facts.replayed)
    top = rows + 4
    columns = 1 if area.width < _WIDE else 0  # what was raised is told in sentences
    body = area.part(0, top, area.width, area.height - top)
    return sections.searched(body, contents(view), view.screen_state, columns)


def _position(area: Area, replay: ReplayView) -> None:
    """The replay's place and pace in words."""
    state = "paused" if replay.paused else "full speed" if not isfinite(replay.speed) else f"×{replay.speed:g}"
    state += ", still skipped" if replay.skips_still else ""
    area.say(0, 0, f"REPLAY {state}: {clock(replay.position_ns, date=True)} UTC", "strong")


def contents(view: View) -> list[Section]:
    """All sections."""
    return [
        *_of_replay(view),
        Section("RECORDING", tuple(_recording(view))),
        Section("INTAKE", tuple(_intake(view))),
        Section("REFUSED", tuple(_refused(view.snap.rejects))),
        Section("IN FORCE", tuple(_in_force(view))),
        Section("NOT FITTED", tuple(_not_fitted(view))),
        Section("CREW AND SCREEN", tuple(_crew(view))),
    ]


def _of_replay(view: View) -> list[Section]:
    """Of a replay: what is near this moment, the notes beside the session, and the brake a week before."""
    replayed, replay = view.facts.replayed, view.replay
    if replayed is None or replay is None:
        return []
    return [
        Section("NEAR HERE", tuple(_near(replayed, replay.position_ns))),
        Section("NOTES BESIDE IT", tuple(_remarks(replayed))),
        Section("BRAKE, HERE AND A WEEK BEFORE", tuple(_week_before(view, replayed.week_before))),
    ]


def _near(replayed: Replayed, here_ns: int) -> list[Item]:
    past = [mark for mark in replayed.marks if mark.t_ns <= here_ns][-2:]
    coming = [mark for mark in replayed.marks if mark.t_ns > here_ns][:1]
    rows = [("", mark) for mark in past] + [("next ", mark) for mark in coming]
    return [Item(f"{word}{clock(mark.t_ns)}", (_mark_words(mark),), "base", free=True) for word, mark in rows] or [
        Item("nothing raised", ("",), "dim")
    ]


def _mark_words(mark: Mark) -> str:
    return printable(f"{mark.severity.name} {mark.words}" if mark.alarm else mark.words)


def _remarks(replayed: Replayed) -> list[Item]:
    rows = [
        Item(printable(f"{clock(one.t_ns)} {one.who}"), (printable(one.text),), "base", free=True)
        for one in replayed.remarks
    ]
    return rows or [Item("none yet", ("n writes one",), "dim")]


def _week_before(view: View, entry: Entry | None) -> list[Item]:
    """Each figure of the brake as it stands here, and as the ledger had it a week before."""
    if entry is None:
        return [Item("not known", ("no entry of that week in a ledger beside it", "no entry"), "dim", free=True)]
    rows = [Item("entry of", (clock(entry.t_ns, date=True)[:10],), "dim")]
    for name, signal in BRAKE_FIGURES.items():
        value = view.value(signal)
        if name in entry.numbers and value.validity is not Validity.NOT_FITTED:
            now = figure(name, value.number, 3) if value.known else UNKNOWN_WORD
            then = figure(name, entry.numbers[name], 3)
            label = (
                "response" if name == "response_s" else SERIES[name].removeprefix("brake ").removeprefix("pressure ")
            )
            rows.append(Item(label, (f"{now}, was {then}",), "strong" if value.known else "caution", free=True))
    return rows


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
