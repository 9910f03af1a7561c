"""Hourly segments and their removal, and what can be done with whole sessions."""

import logging
import shutil
import sqlite3
import threading
from contextlib import closing
from pathlib import Path

import pytest

from monitor.adapters.sessions.catalogue import (
    Gap,
    copy_session,
    flag_session,
    list_sessions,
    settle_session,
    summarise,
    verify_session,
)
from monitor.adapters.sessions.folder import DataFolder, session_files
from monitor.adapters.sessions.format import SessionError
from monitor.adapters.sessions.reader import SessionReader
from monitor.adapters.sessions.recorder import Recorder
from monitor.adapters.sessions.segments import (
    HOUR_NS,
    LOOK_NS,
    Retention,
    SegmentedRecorder,
    Usage,
    ages_ns,
    disk_usage,
    prune,
)
from monitor.config.rig_file import find_rig
from monitor.model.alarm import Finding, Severity
from monitor.model.stream import Action, ActionKind, Frame
from tests.adapters.sessions.streams import HEADER, START_NS, rig_stream
from tests.support.broker import wait_until

FOREVER = Retention(None, None, None)
RIG = {**HEADER, "config": find_rig("land").model_dump(mode="json")}


def alarm(t_ns: int, key: str, after: str, severity: Severity = Severity.WARNING) -> Finding:
    return Finding(t_ns, "alarm", key, severity, "normal", after, "words")


def write(path: Path, *items: Frame | Finding | Action, **header: object) -> Path:
    with Recorder(path, {**RIG, **header}) as recorder:
        for item in items:
            if isinstance(item, Frame):
                recorder.frame(item)
            elif isinstance(item, Action):
                recorder.action(item)
            else:
                recorder.finding(item)
    return path


def test_a_run_is_a_row_of_hours_that_joins_without_a_seam(tmp_path: Path) -> None:
    frames = [Frame(START_NS + i * 600_000_000_000, "a", b"%d" % i) for i in range(20)]
    action = Action(frames[9].t_ns + 1, ActionKind.SILENCE)
    inputs: list[Frame | Action] = [*frames[:10], action, *frames[10:]]
    with DataFolder(tmp_path) as folder, SegmentedRecorder(folder, "land", RIG, START_NS, FOREVER) as recorder:
        for item in inputs:
            (recorder.frame if isinstance(item, Frame) else recorder.action)(item)  # type: ignore[arg-type]
            recorder.advanced(item.t_ns)
        assert recorder.flush()
        assert (recorder.state, recorder.problem, recorder.lost) == ("on", "", 0)
    files = list(session_files(tmp_path))
    assert files[-1] == recorder.path
    joined: list[Frame | Action] = []
    previous = ""
    for number, path in enumerate(files, 1):
        with SessionReader(path) as session:
            part = list(session.inputs())
            assert len({(item.t_ns - START_NS) // HOUR_NS for item in part}) == 1
            assert session.header["segment"] == number
            assert session.header["previous"] == previous
            assert session.header["run"] == START_NS
            joined += part
        previous = path.name
        assert verify_session(path) == []
    assert joined == inputs
    assert len(files) == 4


def test_old_segments_go_and_are_written_down(tmp_path: Path) -> None:
    day = 24 * HOUR_NS
    with DataFolder(tmp_path) as folder:
        for age_days in range(11, 0, -1):
            t_ns = START_NS - age_days * day
            write(folder.session_path("land", t_ns), Frame(t_ns, "a", b"1"))
        with SegmentedRecorder(folder, "land", RIG, START_NS, Retention(9.0, None, None)) as recorder:
            recorder.frame(Frame(START_NS, "a", b"1"))
            wait_until(lambda: len(list(session_files(tmp_path))) == 10, "two are removed")
    with SessionReader(recorder.path) as session:
        words = [note.text for note in session.notes() if note.kind == "removal"]
    assert len(words) == 2
    assert all("older than 9 days" in text for text in words)


@pytest.mark.parametrize("days", [0.5, 90.0])
def test_a_clock_that_is_far_ahead_costs_no_recordings(tmp_path: Path, days: float) -> None:
    later_ns = START_NS + 400 * 24 * HOUR_NS
    with DataFolder(tmp_path) as folder:
        for hour in range(3):
            t_ns = START_NS + hour * HOUR_NS
            write(folder.session_path("land", t_ns), Frame(t_ns, "a", b"1"))
        with SegmentedRecorder(folder, "land", RIG, later_ns, Retention(days, None, None)) as recorder:
            for hour in range(3):
                recorder.frame(Frame(later_ns + hour * HOUR_NS, "a", b"1"))
                assert recorder._pruning is not None
                recorder._pruning.join()
        for start in range(1, 4):  # at the starts after it, too, there are old ones and young ones
            with SegmentedRecorder(
                folder, "land", RIG, later_ns + 3 * HOUR_NS + start * HOUR_NS // 10, Retention(days, None, None)
            ) as again:
                assert again._pruning is not None
                again._pruning.join()
        files = list(session_files(tmp_path))
        assert len(files) == 9
    with SessionReader(files[3]) as session:
        assert ["is the computer's clock right?" in note.text for note in session.notes()] == [True]


def test_ages_count_on_after_a_stretch_without_recordings(tmp_path: Path) -> None:
    """What lies before it goes in its time, and a session from a time when the clock was ahead is none too old."""
    day = 24 * HOUR_NS
    with DataFolder(tmp_path) as folder:
        for days in (0, 1, 300, 301, 302, 5000):
            folder.session_path("land", START_NS + days * day).touch()
    files = list(session_files(tmp_path))
    now_ns = START_NS + 303 * day
    assert [ages_ns(files, now_ns, 90 * day).get(path, -day) // day for path in files] == [5, 4, 3, 2, 1, -1]
    assert [gone.path for gone in prune(tmp_path, Retention(3.5, None, None), now_ns)] == files[:2]


def test_a_disk_that_others_fill_is_noticed_within_minutes(tmp_path: Path) -> None:
    free = 100

    def usage(at: Path) -> Usage:
        return Usage(1000, free + 20 * (3 - len(list(session_files(at)))), 1)

    with DataFolder(tmp_path) as folder:
        for hour in (-3, -2):
            t_ns = START_NS + hour * HOUR_NS
            write(folder.session_path("land", t_ns), Frame(t_ns, "a", b"1"))
        with SegmentedRecorder(folder, "land", RIG, START_NS, Retention(None, None, 60), usage=usage) as recorder:
            recorder.advanced(START_NS)
            assert recorder._pruning is not None
            recorder._pruning.join()
            assert len(list(session_files(tmp_path))) == 3
            free = 50
            recorder.advanced(START_NS + LOOK_NS - 1)
            recorder._pruning.join()
            assert len(list(session_files(tmp_path))) == 3
            recorder.advanced(START_NS + LOOK_NS)
            recorder._pruning.join()
            assert len(list(session_files(tmp_path))) == 2
    with SessionReader(recorder.path) as session:
        assert [note.kind for note in session.notes()] == ["removal"]


def test_a_full_disk_takes_the_oldest_first_and_never_the_newest(tmp_path: Path) -> None:
    with DataFolder(tmp_path) as folder:
        for hour in range(6):
            t_ns = START_NS + hour * HOUR_NS
            write(folder.session_path("land", t_ns), Frame(t_ns, "a", b"1"))
    before = list(session_files(tmp_path))

    def usage(at: Path) -> Usage:
        count = len(list(session_files(at)))
        return Usage(100, 100 - 10 * count, 10 * count)

    removals = prune(tmp_path, Retention(None, 0.5, None), START_NS, usage)
    assert [removal.path for removal in removals] == before[:1]
    assert "more than 50% of the disk" in removals[0].words
    removals = prune(tmp_path, Retention(None, 0.5, 70), START_NS, usage)
    assert [removal.path for removal in removals] == before[1:3]
    assert "are free on the disk" in removals[0].words
    assert list(session_files(tmp_path)) == before[3:]
    prune(tmp_path, Retention(None, 0.0, None), START_NS, usage)
    assert list(session_files(tmp_path)) == before[-1:]
    disk = disk_usage(tmp_path)
    assert 0 < disk.free < disk.total
    assert disk.recordings == before[-1].stat().st_size


def test_what_somebody_may_miss_is_never_removed_in_silence(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    with DataFolder(tmp_path) as folder:
        held = [
            (alarm(START_NS, "slack-line", "unacknowledged"),),
            (alarm(START_NS, "slack-line", "unacknowledged"), alarm(START_NS + 1, "slack-line", "acknowledged")),
            (),
            (),
            (),
        ]
        paths = [
            write(folder.session_path("land", START_NS + i * 24 * HOUR_NS), Frame(START_NS, "a", b"1"), *findings)
            for i, findings in enumerate(held)
        ]
    flag_session(paths[2], "near miss at the crown", START_NS)
    with caplog.at_level(logging.WARNING):
        removals = prune(tmp_path, Retention(1.0, None, None), START_NS + 90 * 24 * HOUR_NS)
    warnings = [removal.warning for removal in removals]
    assert warnings == ["findings nobody had acknowledged (slack-line)", "", "the flag 'near miss at the crown'"]
    assert [record.getMessage() for record in caplog.records] == [removals[0].words, removals[2].words]


def test_the_list_tells_what_is_in_each(tmp_path: Path) -> None:
    frames = [*rig_stream(3.0)]
    late = [Frame(frame.t_ns + 60_000_000_000, frame.topic, frame.payload) for frame in frames]
    findings = [
        alarm(frames[5].t_ns, "slack-line", "unacknowledged", Severity.WARNING),
        alarm(frames[6].t_ns, "ease-down", "unacknowledged", Severity.NOTICE),
        alarm(frames[9].t_ns, "ease-down", "normal", Severity.NOTICE),
    ]
    with DataFolder(tmp_path) as folder:
        path = write(folder.session_path("land", START_NS), *frames, *findings, *late, rig="land", segment=3)
        (folder.path / "deep-20240101-000000.stopmark").write_bytes(b"rubbish")
    good, bad = list_sessions(tmp_path)
    assert good.path == path
    assert (good.rig, good.mode, good.frames, good.segment, good.findings) == (
        "land",
        "simulated",
        2 * len(frames),
        3,
        3,
    )
    assert good.worst is Severity.WARNING
    assert good.unacknowledged == ("slack-line",)
    assert good.duration_s == pytest.approx((late[-1].t_ns - frames[0].t_ns) * 1e-9)
    assert good.gaps == (Gap(frames[-1].t_ns, late[0].t_ns, 0),)
    assert good.size_bytes == path.stat().st_size
    assert "not a Stopmark session" in bad.problem
    assert list(list_sessions(tmp_path, "land")) == [good]


def test_lost_frames_stand_in_the_list(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("monitor.adapters.sessions.recorder.HELD_BYTES", 50_000)
    path = tmp_path / "land-20240101-000000.stopmark"
    with Recorder(path, RIG) as recorder:
        for frame in rig_stream(30.0):
            recorder.frame(frame)
    assert recorder.lost > 0
    assert sum(gap.lost for gap in summarise(path).gaps) == recorder.lost


def test_verify_finds_what_is_wrong(tmp_path: Path) -> None:
    frames = [*rig_stream(5.0)]
    path = write(tmp_path / "a.stopmark", *frames, Action(frames[-1].t_ns, ActionKind.SILENCE))
    assert verify_session(path) == []
    for statement, words in [
        ("UPDATE block SET data = x'00' WHERE id = 2", "block 2 is damaged"),
        ("UPDATE block SET first_frame = first_frame + 1 WHERE id = 3", "block 3 starts at frame"),
        ("UPDATE block SET t_last_ns = t_first_ns - 1 WHERE id = 3", "times are not in order"),
        ("UPDATE action SET before = 1000000", "actions are not in the order"),
        ("UPDATE finding SET severity = 'x'", "a finding cannot be read"),
        ("UPDATE header SET value = '{}' WHERE key = 'config'", "rig configuration cannot be used"),
    ]:
        broken = tmp_path / "broken.stopmark"
        copy_session(path, broken)
        with closing(sqlite3.connect(broken, isolation_level=None)) as base:
            if "finding" in statement:
                base.execute("INSERT INTO finding VALUES (1, 1, 'alarm', '', 'DANGER', '', '', '', '', NULL, NULL)")
            base.execute(statement)
        assert any(words in problem for problem in verify_session(broken)), words
        broken.unlink()
    raw = bytearray(path.read_bytes())
    raw[len(raw) // 2 :] = bytes(len(raw) - len(raw) // 2)
    path.write_bytes(raw)
    try:
        found = verify_session(path)
    except SessionError as error:
        found = [str(error)]
    assert found


def test_a_copy_of_a_session_that_is_being_written(tmp_path: Path) -> None:
    frames = [*rig_stream(5.0)]
    copy = tmp_path / "copy.stopmark"
    with Recorder(tmp_path / "a.stopmark", RIG) as recorder:
        for frame in frames:
            recorder.frame(frame)
        assert recorder.flush()
        copy_session(recorder.path, copy)
        recorder.frame(Frame(frames[-1].t_ns, "a", b"after the copy"))
    with SessionReader(copy) as session:
        assert list(session.inputs()) == frames
    assert verify_session(copy) == []
    assert not copy.with_name("copy.stopmark-wal").exists()
    with pytest.raises(SessionError, match="exists already"):
        copy_session(tmp_path / "a.stopmark", copy)
    with pytest.raises(SessionError, match="there is no folder"):
        copy_session(tmp_path / "a.stopmark", tmp_path / "no" / "folder.stopmark")
    with pytest.raises(SessionError, match="no such session"):
        flag_session(tmp_path / "none.stopmark", "x", 0)


def test_what_a_killed_recorder_left_is_put_in_order_by_the_next(tmp_path: Path) -> None:
    frames = [*rig_stream(3.0)]
    running = Recorder(tmp_path / "running.stopmark", RIG)
    for frame in frames:
        running.frame(frame)
    assert running.flush()
    # As a kill leaves it: most of it still in the -wal file.
    left = tmp_path / "data" / "land-20240101-000000.stopmark"
    left.parent.mkdir()
    for ending in ("", "-wal"):
        shutil.copy(f"{running.path}{ending}", f"{left}{ending}")
    assert not settle_session(running.path)
    assert running.close()
    with DataFolder(left.parent) as folder, SegmentedRecorder(folder, "land", RIG, START_NS, FOREVER):
        wait_until(lambda: not left.with_name(left.name + "-wal").exists(), "it stands alone")
    with SessionReader(Path(shutil.copy(left, tmp_path / "alone.stopmark"))) as session:
        assert list(session.inputs()) == frames
    assert not settle_session(left)


def test_where_no_thread_is_to_be_had_sessions_stay_and_recording_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    frames = [Frame(START_NS + hour * HOUR_NS, "a", b"1") for hour in range(3)]
    start = threading.Thread.start

    def starved(thread: threading.Thread) -> None:
        if thread.name == "retention":
            raise RuntimeError("can't start new thread")
        start(thread)

    monkeypatch.setattr(threading.Thread, "start", starved)
    with DataFolder(tmp_path) as folder, SegmentedRecorder(folder, "land", RIG, START_NS, FOREVER) as recorder:
        for frame in frames:
            recorder.frame(frame)
        assert recorder.flush()
    files = list(session_files(tmp_path))
    assert len(files) == len(frames)
    with SessionReader(files[-1]) as session:
        assert any("could not be removed (can't start new thread)" in note.text for note in session.notes())
