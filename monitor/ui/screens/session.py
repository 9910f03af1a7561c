"""Session: what is recorded and how, where a replay stands, and the configuration in force."""

from collections.abc import Iterable, Mapping
from math import isfinite
from typing import Final

from monitor.adapters.ledger.entries import BRAKE_FIGURES
from monitor.adapters.ledger.ledger import Entry
from monitor.language import tr, tr_record
from monitor.model.reading import Validity
from monitor.presentation.brake_trend import SERIES
from monitor.presentation.figures import figure
from monitor.presentation.format import (
    NOT_FITTED_WORD,
    SYSTEM_LABEL,
    UNKNOWN_WORD,
    clock,
    plain,
    signal_word,
    span,
    ways,
)
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
"""Rows of the body from which on the marks on the line of the session have a row a kind."""


def draw(area: Area, view: View) -> tuple[str, ...]:
    """The body of the screen."""
    if view.replay is None:
        return sections.searched(area, contents(view), view.screen_state)
    rows = len(timeline.rows_of(view.facts.replayed))
    rows = rows if area.height >= _TALL else min(1, rows)
    _position(area.part(1, 0, area.width - 2, 1), view.replay)
    timeline.draw(area.part(1, 1, area.width - 2, rows + 2), view.replay, view.facts.replayed)
    top = rows + 4
    columns = 1 if area.width < _WIDE else 0  # what was raised is told in sentences
    body = area.part(0, top, area.width, area.height - top)
    return sections.searched(body, contents(view), view.screen_state, columns)


def _position(area: Area, replay: ReplayView) -> None:
    """The replay's place and pace in words."""
    state = tr("paused") if replay.paused else tr("full speed") if not isfinite(replay.speed) else f"×{replay.speed:g}"
    state += tr(", still skipped") if replay.skips_still else ""
    area.say(0, 0, tr("REPLAY {state}: {clock} UTC", state=state, clock=clock(replay.position_ns, date=True)), "strong")


def contents(view: View) -> list[Section]:
    """All sections."""
    return [
        *_of_replay(view),
        Section(tr("RECORDING"), tuple(_recording(view))),
        Section(tr("INTAKE"), tuple(_intake(view))),
        Section(tr("REFUSED"), tuple(_refused(view.snap.rejects))),
        Section(tr("IN FORCE"), tuple(_in_force(view))),
        Section(tr("NOT FITTED"), tuple(_not_fitted(view))),
        Section(tr("CREW AND SCREEN"), tuple(_crew(view))),
    ]


def _of_replay(view: View) -> list[Section]:
    """Of a replay: what is near this moment, the notes beside the session, and the brake a week before."""
    replayed, replay = view.facts.replayed, view.replay
    if replayed is None or replay is None:
        return []
    return [
        Section(tr("NEAR HERE"), tuple(_near(replayed, replay.position_ns))),
        Section(tr("NOTES BESIDE IT"), tuple(_remarks(replayed))),
        Section(tr("BRAKE, HERE AND A WEEK BEFORE"), tuple(_week_before(view, replayed.week_before))),
    ]


def _near(replayed: Replayed, here_ns: int) -> list[Item]:
    past = [mark for mark in replayed.marks if mark.t_ns <= here_ns][-2:]
    coming = [mark for mark in replayed.marks if mark.t_ns > here_ns][:1]
    rows = [("", mark) for mark in past] + [(tr("next "), mark) for mark in coming]
    return [Item(f"{word}{clock(mark.t_ns)}", (_mark_words(mark),), "base", free=True) for word, mark in rows] or [
        Item(tr("nothing raised"), ("",), "dim")
    ]


def _mark_words(mark: Mark) -> str:
    words = tr_record(mark.words)
    return printable(f"{signal_word(mark.severity)} {words}" if mark.alarm else words)


def _remarks(replayed: Replayed) -> list[Item]:
    rows = [
        Item(printable(f"{clock(one.t_ns)} {one.who}"), (printable(one.text),), "base", free=True)
        for one in replayed.remarks
    ]
    return rows or [Item(tr("none yet"), (tr("n writes one"),), "dim")]


def _week_before(view: View, entry: Entry | None) -> list[Item]:
    """Each figure of the brake as it stands here, and as the ledger had it a week before."""
    if entry is None:
        return [
            Item(tr("not known"), (tr("no entry of that week in a ledger beside it"), tr("no entry")), "dim", free=True)
        ]
    rows = [Item(tr("entry of"), (clock(entry.t_ns, date=True)[:10],), "dim")]
    for name, signal in BRAKE_FIGURES.items():
        value = view.value(signal)
        if name in entry.numbers and value.validity is not Validity.NOT_FITTED:
            now = figure(name, value.number, 3) if value.known else tr(UNKNOWN_WORD)
            then = figure(name, entry.numbers[name], 3)
            label = (
                tr("response")
                if name == "response_s"
                else tr(SERIES[name].removeprefix("brake ").removeprefix("pressure "))
            )
            rows.append(
                Item(
                    label,
                    (tr("{now}, was {then}", now=now, then=then),),
                    "strong" if value.known else "caution",
                    free=True,
                )
            )
    return rows


def _recording(view: View) -> list[Item]:
    if view.mode == "REPLAY":
        return [Item(tr("recording"), (tr("none: a replay"), tr("none")), "dim"), *_items(_of_run(view.facts))]
    words = {"on": tr("● on"), "off": tr("– off"), "failed": tr("△ FAILED")}[view.snap.health.recording]
    failed = view.snap.health.recording == "failed"
    return [Item(tr("recording"), (words,), "caution" if failed else "strong"), *_items(_of_run(view.facts))]


def _items(rows: Iterable[tuple[str, str]]) -> list[Item]:
    """Label and words from elsewhere, where there are any words."""
    return [Item(label, (printable(words),), "base", free=True) for label, words in rows if words]


def _of_run(facts: RunFacts) -> list[tuple[str, str]]:
    """What the run says of its files."""
    rows = [(tr("last run"), tr_record(facts.last_run))]
    if facts.ledger is not None:
        rows.append((tr("ledger"), _ledger_words(facts.ledger)))
    if facts.recording is not None:
        rows += [(tr("file"), file_words(facts.recording)), (tr("folder"), folder_words(facts.recording))]
    if facts.replayed is not None:
        rows += _replayed(facts.replayed)
    return rows


def _ledger_words(ledger: LedgerState) -> str:
    words = tr_record(ledger.problem) or tr(
        "{name}, {written} new in this run", name=ledger.name, written=ledger.written
    )
    return words + (tr("; {waiting} waiting", waiting=ledger.waiting) if ledger.waiting else "")


def file_words(recording: RecordingFile) -> str:
    """The file that is recorded to, and its size."""
    return tr("{name}, {size_bytes:.1f} MB", name=recording.name, size_bytes=recording.size_bytes / 1e6)


def folder_words(recording: RecordingFile) -> str:
    """Its folder, and how much room the disk has left; empty where that is not known."""
    if recording.free_bytes is None:
        return ""
    return tr("{folder}, {free_bytes:.1f} GB free", folder=recording.folder, free_bytes=recording.free_bytes / 1e9)


def _replayed(replayed: Replayed) -> list[tuple[str, str]]:
    return [
        (
            tr("replay of"),
            replayed.file
            + (tr(" and {more_files} more", more_files=replayed.more_files) if replayed.more_files else ""),
        ),
        (tr("recorded"), tr_record(replayed.recorded) or tr("not said how")),
        (tr("alarms then"), str(replayed.alarms)),
        (tr("rules"), tr_record(replayed.other_rules) or tr("as they were then")),
        *(
            [(tr("record"), tr("NOT SOUND ({faults}): sessions verify", faults=replayed.faults))]
            if replayed.faults
            else []
        ),
    ]


def _intake(view: View) -> list[Item]:
    health, facts = view.snap.health, view.facts
    broker = {None: tr("none"), True: tr("connected"), False: tr("△ LOST")}[health.connected]
    items = [
        Item(tr("source"), (tr(view.mode),), "strong"),
        Item(tr("broker"), (broker,), "caution" if health.connected is False else "strong"),
        *_items(((tr("  at"), facts.broker), (tr("topics"), "" if facts.topics is None else str(facts.topics)))),
        Item(tr("dropped"), (str(health.dropped),), "strong" if not health.dropped else "caution"),
        Item(tr("lag"), (f"{plain(health.lag_s, 3)} s",), "strong"),
    ]
    if health.note:
        items.append(Item(tr("note"), (printable(tr_record(health.note)),), "base", free=True))
    return items


def _refused(rejects: Mapping[str, int]) -> list[Item]:
    if not rejects:
        return [Item(tr("nothing so far"), ("",), "dim")]
    ordered = sorted(rejects.items(), key=lambda entry: -entry[1])
    return [Item(str(count), (printable(reason),), "base", free=True) for reason, count in ordered]


def _in_force(view: View) -> list[Item]:
    rig, units = view.rig, view.units
    limits = rig.limits
    return [
        Item(tr("rig"), (printable(rig.title), rig.name), "strong", free=True),
        Item(tr("sensors"), (str(len(rig.sensors)),), "base"),
        Item(tr("upper limit"), ways(units.text(limits.upper_m, "length")), "base"),
        Item(tr("lower limit"), ways(units.text(limits.lower_m, "length")), "base"),
        Item(tr("overtravel at"), ways(device_words(view)), "base"),
        Item(tr("highest speed"), ways(units.text(limits.max_speed_m_s, "speed")), "base"),
        Item(tr("reaction"), (units.text(limits.reaction_s, "time"),), "base"),
        *_required_ratio(view),
    ]


def _required_ratio(view: View) -> list[Item]:
    braking = view.rig.braking
    if not view.rig.has("braking"):
        return [Item(tr("holding ratio"), (tr(NOT_FITTED_WORD),), "dim")]
    return [
        Item(tr("holding ratio"), (view.units.text(braking.min_holding_ratio, "ratio"),), "base"),
        Item(tr("  from"), (printable(braking.ratio_origin), tr("see rig file")), "dim", free=True),
    ]


def _not_fitted(view: View) -> list[Item]:
    """What the rig's file leaves out, and what therefore nobody is warned of; nothing for a rig that has all."""
    left_out = view.snap.left_out
    items = []
    if view.rig.missing:
        items.append(Item(tr("in the rig file"), (words_of_missing(view.rig),), "base", free=True))
    if left_out:
        items.append(Item(tr("not warned of"), (f"{len(left_out)}: {', '.join(left_out)}",), "caution", free=True))
    return items


def _crew(view: View) -> list[Item]:
    return [
        Item(tr("initials"), (view.who or tr("none yet"),), "strong" if view.who else "dim"),
        Item(tr("units"), (tr(SYSTEM_LABEL[view.units.system]), view.units.system), "base"),
        Item(tr("time"), (tr("{clock} UTC", clock=clock(view.snap.t_ns, date=True)), clock(view.snap.t_ns)), "base"),
        Item(tr("trends reach"), (span(view.history.reach_s),), "base"),
    ]


KEYS: tuple[Key, ...] = (*REPLAY_KEYS, *SECTION_KEYS)
