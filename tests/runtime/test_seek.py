"""Seeking in a replay: what the screen shows there is what it shows to one who watched from the start."""

import asyncio
import math
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest

from monitor.adapters.sessions.chain import SessionChain
from monitor.adapters.sessions.folder import DataFolder, session_files
from monitor.adapters.sessions.reader import SessionReader
from monitor.adapters.sessions.recorder import CHECKPOINT_NS
from monitor.adapters.sessions.segments import Retention, SegmentedRecorder
from monitor.model.alarm import AlarmState
from monitor.model.reading import Validity
from monitor.model.snapshot import HoistState, Snapshot
from monitor.model.stream import Action, ActionKind
from monitor.runtime.assembly import core_of
from monitor.runtime.replay import ReplayDriver
from monitor.runtime.runner import Runner
from tests.support.broker import GRACE_S
from tests.support.recorded import by_hand, simulated

SECOND = 1_000_000_000


@pytest.fixture(scope="module")
def trip(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SessionReader]:
    """Five minutes of a trip; in the first one the crew gave a height of their own, shelved an alarm and cut line."""
    folder = tmp_path_factory.mktemp("seek")
    with SessionReader(simulated(folder / "plain.stopmark", "calm-trip", 300.0)) as plain:
        start = plain.t_first_ns
        items = [*plain.inputs()]
    acts = [
        Action(start + 10 * SECOND, ActionKind.SLIP_AND_CUT, number=301.0, who="ab"),
        Action(start + 12 * SECOND, ActionKind.REFERENCE_HEIGHT, number=8.0, who="ab"),
        Action(start + 40 * SECOND, ActionKind.SHELVE, "slack-line", number=1800.0, who="ab"),
    ]
    path = by_hand(folder / "crew.stopmark", sorted([*items, *acts], key=lambda item: item.t_ns))
    with SessionReader(path) as session:
        yield session


def watched(session: SessionReader, t_ns: int) -> Snapshot:
    """What one sees at `t_ns` who has watched from the start."""
    driver = ReplayDriver(session, math.inf, to_ns=t_ns)
    driver.play_out()
    snapshot = driver.snapshot()
    assert snapshot is not None
    return snapshot


@pytest.mark.parametrize("at_s", [100.0, 185.0, 299.0])
def test_a_seek_shows_what_was_shown(trip: SessionReader, at_s: float) -> None:
    at_ns = trip.t_first_ns + round(at_s * SECOND)
    whole = watched(trip, at_ns)
    driver = ReplayDriver(trip, 1.0, paused=True)
    driver.seek_to(trip.end_ns)
    driver.seek_to(at_ns)
    found = driver.snapshot()
    assert found is not None
    assert (found.t_ns, found.hoist) == (whole.t_ns, whole.hoist)
    assert [(v.key, v.state, v.since_ns) for v in found.alarms] == [(v.key, v.state, v.since_ns) for v in whole.alarms]
    assert [v.key for v in found.alarms if v.state is AlarmState.SHELVED] == ["slack-line"]
    assert whole.values["height"].validity <= Validity.DEGRADED
    for name, within in (("height", 0.005), ("height_bound", 0.01), ("speed", 0.01), ("hook_load", 1.0),
                         ("effectiveness", 0.01), ("room_down", 0.01), ("margin_down", 0.05)):  # fmt: skip
        one, other = whole.values[name], found.values[name]
        assert other.validity is one.validity, name
        assert other.number == pytest.approx(one.number, abs=within, nan_ok=True), name
    assert found.values["line_work"].number == pytest.approx(whole.values["line_work"].number, rel=0.002)
    assert found.checks == whole.checks


def test_without_checkpoints_the_crews_height_is_kept_and_alarms_are_lost(
    trip: SessionReader, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a session of an older version shows, and that the test above can fail."""
    monkeypatch.setattr(SessionReader, "checkpoint_before", lambda self, t_ns: None)
    driver = ReplayDriver(trip, 1.0, paused=True)
    driver.seek_to(trip.t_first_ns + 200 * SECOND)
    found = driver.snapshot()
    assert found is not None
    assert [v.key for v in found.alarms if v.state is AlarmState.SHELVED] == []
    whole = watched(trip, trip.t_first_ns + 200 * SECOND)
    assert found.values["height"].number == pytest.approx(whole.values["height"].number, abs=0.02)
    assert trip.rig.reference.turns != 301.0  # by the rig's file it would be another


def test_a_short_way_on_is_played_and_exact(trip: SessionReader) -> None:
    driver = ReplayDriver(trip, 1.0, paused=True)
    for n in range(1, 40):
        driver.seek_to(trip.t_first_ns + n * SECOND // 20 + 60 * SECOND)
    assert driver.snapshot() is not None
    driver.seek_to(trip.t_first_ns)
    for n in range(1, 30):
        driver.seek_to(trip.t_first_ns + n * SECOND)
    watching = watched(trip, trip.t_first_ns + 29 * SECOND)
    assert repr(driver.snapshot()) == repr(watching)  # by words: a NaN is not equal to itself


def test_a_checkpoint_a_minute(trip: SessionReader) -> None:
    times = trip.checkpoint_times()
    assert len(times) == 5
    assert times[0] == trip.t_first_ns
    assert all(0 <= b - a - CHECKPOINT_NS < SECOND for a, b in pairwise(times))


async def test_still_stretches_go_by_quickly(trip: SessionReader) -> None:
    """At real speed a minute of it would take a minute: only the motion is played so."""
    driver = ReplayDriver(trip, 20.0, from_ns=trip.t_first_ns + 20 * SECOND)
    seen: list[tuple[int, HoistState]] = []
    driver.core.observer = lambda t_ns, hoist, numbers, validities: seen.append((t_ns, hoist))
    driver.skip_still(True)
    skipped = 0
    task = asyncio.create_task(driver.run())
    try:
        before = driver.position_ns
        end_s = time.monotonic() + GRACE_S
        while skipped <= 10 * SECOND and time.monotonic() < end_s:
            await asyncio.sleep(0.005)
            here = driver.position_ns
            if driver._still() and here > before:
                skipped += here - before
            before = here
    finally:
        task.cancel()
    assert skipped > 10 * SECOND
    assert [t for t, _ in seen] == sorted({t for t, _ in seen}), "skipped, not left out: the core sees every grid point"
    assert {HoistState.STILL, HoistState.IN_SLIPS} & {hoist for _, hoist in seen}


def test_a_later_hour_alone_begins_with_what_the_hours_before_had_left(trip: SessionReader, tmp_path: Path) -> None:
    keep = Retention(None, None, None)
    header = {key: value for key, value in trip.header.items() if key != "dictionary"}
    with DataFolder(tmp_path) as folder, SegmentedRecorder(
        folder, "land", header, trip.t_first_ns, keep, segment_ns=120 * SECOND
    ) as recorder:  # fmt: skip
        runner = Runner(core_of(trip.rig, trip.rules_text, "rules"), recorder)
        runner.replay(trip.inputs(), trip.end_ns)
    files = list(session_files(tmp_path))
    assert len(files) == 3
    with SessionChain([files[1]]) as alone:
        driver = ReplayDriver(alone, math.inf)
        driver.play_out()
        found, whole = driver.snapshot(), watched(trip, alone.end_ns)
    assert found is not None
    assert [(v.key, v.state) for v in found.alarms] == [(v.key, v.state) for v in whole.alarms]
    assert found.values["height"].number == pytest.approx(whole.values["height"].number, abs=0.005)


def test_a_replay_says_what_is_replayed(trip: SessionReader) -> None:
    driver = ReplayDriver(trip, math.inf, from_ns=trip.t_first_ns + 200 * SECOND, to_ns=trip.t_first_ns + 201 * SECOND)
    replayed = driver.facts().replayed
    assert replayed is not None
    assert (replayed.file, replayed.more_files, replayed.other_rules) == ("crew.stopmark", 0, "")
    driver.play_out()
    assert 100 < driver.frames < 200  # of one second, not of the whole session


def test_jumps_lead_from_alarm_to_alarm(tmp_path: Path) -> None:
    """An alarm is one place, however often its state changes afterwards."""
    with SessionReader(simulated(tmp_path / "crown.stopmark", "runaway-crown")) as session:
        alarms = [finding for finding in session.findings() if finding.kind == "alarm"]
        rung = [finding.t_ns for finding in alarms if finding.after == AlarmState.UNACKNOWLEDGED]
        assert len(alarms) > len(rung) >= 2
        driver = ReplayDriver(session, 1.0, paused=True)
        places = []
        while driver.seek_finding(1):
            places.append(driver.position_ns - 50_000_000)
        assert places == sorted(set(rung))
        driver_end_ns = driver.position_ns
        back = []
        while driver.seek_finding(-1):
            back.append(driver.position_ns - 50_000_000)
        expected, here = [], driver_end_ns
        while earlier := [t_ns for t_ns in rung if t_ns < here - SECOND]:
            expected.append(earlier[-1])
            here = earlier[-1] + 50_000_000
        assert back == expected
