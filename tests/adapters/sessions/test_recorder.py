"""Recording and reading back: exact order, seeking, reading while writing, and a disk that refuses."""

import contextlib
import os
import resource
import shutil
import sqlite3
import threading
from pathlib import Path
from tempfile import TemporaryDirectory
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.adapters.sessions import recorder as recorder_module
from monitor.adapters.sessions.catalogue import gaps_of
from monitor.adapters.sessions.format import SessionError
from monitor.adapters.sessions.gaps import Gap
from monitor.adapters.sessions.reader import SessionReader
from monitor.adapters.sessions.recorder import Recorder
from monitor.model.alarm import Finding, Severity
from monitor.model.stream import Action, ActionKind, Frame
from tests.adapters.sessions.streams import HEADER, START_NS, give, rig_stream, streams
from tests.support.broker import wait_until


def record(path: Path, items: list[Frame | Action | Finding]) -> None:
    with Recorder(path, HEADER) as recorder:
        give(recorder, items)
    assert recorder.state == "on", recorder.problem
    assert recorder.lost == 0


def read(path: Path, from_ns: int | None = None) -> list[Frame | Action]:
    with SessionReader(path) as session:
        return list(session.inputs(from_ns))


def inputs_of(items: list[Frame | Action | Finding]) -> list[Frame | Action]:
    return [item for item in items if not isinstance(item, Finding)]


@given(streams())
def test_inputs_and_findings_come_back_in_exact_order(items: list[Frame | Action | Finding]) -> None:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "a.stopmark"
        record(path, items)
        with SessionReader(path) as session:
            assert list(session.inputs()) == inputs_of(items)
            assert session.findings() == [item for item in items if isinstance(item, Finding)]
            times = [item.t_ns for item in inputs_of(items)]
            if times:
                assert session.t_first_ns == times[0]
                assert session.end_ns == times[-1]
            assert session.frames == sum(isinstance(item, Frame) for item in items)
            assert session.header["rig"] == "test"
            assert session.rules_text == HEADER["rules"]
            assert session.mode == "simulated"


@given(streams(), st.data())
def test_seeking_gives_the_rest_from_that_time_on(items: list[Frame | Action | Finding], data: st.DataObject) -> None:
    inputs = inputs_of(items)
    times = [item.t_ns for item in inputs] or [0]
    from_ns = data.draw(st.sampled_from(times)) + data.draw(st.sampled_from([-1, 0, 1]))
    with TemporaryDirectory() as folder:
        path = Path(folder) / "a.stopmark"
        record(path, items)
        assert read(path, from_ns) == [item for item in inputs if item.t_ns >= from_ns]


def test_nan_and_halves_of_surrogate_pairs_are_kept_as_well_as_can_be(tmp_path: Path) -> None:
    path = tmp_path / "a.stopmark"
    strange = Action(5, ActionKind.NOTE, number=float("nan"), text="half \ud800 of a pair", who="ab")
    infinite = Finding(6, "health", "k", Severity.DANGER, "", "", "m", number=float("inf"), threshold=float("nan"))
    record(path, [strange, infinite])
    (action,) = read(path)
    assert isinstance(action, Action)
    assert action.number != action.number
    assert action.text == "half ? of a pair"
    with SessionReader(path) as session:
        (finding,) = session.findings()
    assert finding.number == float("inf")
    assert finding.threshold is not None
    assert finding.threshold != finding.threshold


def test_silence_is_recorded_as_time_that_passed(tmp_path: Path) -> None:
    path = tmp_path / "a.stopmark"
    with Recorder(path, HEADER) as recorder:
        recorder.frame(Frame(START_NS, "a", b"1"))
        assert recorder.flush()
        recorder.advanced(START_NS + 60_000_000_000)
    with SessionReader(path) as session:
        assert session.end_ns == START_NS + 60_000_000_000
        assert list(session.inputs()) == [Frame(START_NS, "a", b"1")]


def test_blocks_hold_at_most_a_second_of_stream(tmp_path: Path) -> None:
    path = tmp_path / "a.stopmark"
    frames = list(rig_stream(10.0))
    record(path, [*frames])
    with SessionReader(path) as session:
        blocks = list(session.blocks())
    assert len(blocks) >= 10
    assert all(block.t_last_ns - block.t_first_ns < 1_000_000_000 for block in blocks)
    assert [block.first_frame for block in blocks[1:]] == [block.first_frame + block.frames for block in blocks[:-1]]


def test_slow_frames_share_blocks_and_a_gap_still_shows(tmp_path: Path) -> None:
    path = tmp_path / "a.stopmark"
    hole_ns, every_ns = 60_000_000_000, 10_000_000_000
    frames = [Frame(START_NS + n * every_ns + (n >= 130) * hole_ns, "a", b"%d" % n) for n in range(500)]
    header = HEADER | {"config": {"sensors": [{"rate_hz": 0.1}]}}
    with Recorder(path, header, wait=True) as recorder:
        give(recorder, [*frames])
    with SessionReader(path) as session:
        blocks = list(session.blocks())
        assert list(session.inputs()) == frames
        assert list(session.inputs(from_ns=frames[77].t_ns)) == frames[77:]
        assert list(gaps_of(session)) == [Gap(frames[129].t_ns, frames[130].t_ns, 0)]
    assert len(blocks) < 50
    assert any(block.first_frame == 130 for block in blocks)


def test_a_session_can_be_read_while_it_is_written(tmp_path: Path) -> None:
    path = tmp_path / "a.stopmark"
    frames = list(rig_stream(4.0))
    half = len(frames) // 2
    with Recorder(path, HEADER) as recorder:
        give(recorder, [*frames[:half]])
        assert recorder.flush()
        with SessionReader(path) as session:
            assert list(session.inputs()) == frames[:half]
            give(recorder, [*frames[half:]])
            assert recorder.flush()
            assert list(session.inputs()) == frames


def test_what_was_given_is_on_the_disk_within_a_second(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The second is what the thread asks to wait; what it comes to is the machine's."""
    asked_s: list[float] = []

    class Wake(threading.Event):
        def wait(self, timeout: float | None = None) -> bool:
            assert timeout is not None
            asked_s.append(timeout)
            return super().wait(timeout)

    path = tmp_path / "a.stopmark"
    with monkeypatch.context() as patch:
        patch.setattr(recorder_module, "threading", SimpleNamespace(Event=Wake, Thread=threading.Thread))
        recorder = Recorder(path, HEADER)
    with recorder:
        recorder.frame(Frame(START_NS, "a", b"1"))
        wait_until(lambda: read(path) != [], "the frame on the disk, with no call to flush")
        wait_until(lambda: len(asked_s) >= 3, "it goes on")
    assert max(asked_s) < 0.9


def test_an_old_session_is_never_touched(tmp_path: Path) -> None:
    path = tmp_path / "a.stopmark"
    path.write_bytes(b"precious")
    with pytest.raises(SessionError, match="exists already"):
        Recorder(path, HEADER)
    assert path.read_bytes() == b"precious"


def test_the_file_stands_alone_when_closed(tmp_path: Path) -> None:
    path = tmp_path / "a.stopmark"
    frames = list(rig_stream(1.0))
    record(path, [*frames])
    assert os.listdir(tmp_path) == ["a.stopmark"]
    assert read(Path(shutil.copy(path, tmp_path / "copy.stopmark"))) == frames


def test_any_sqlite_tool_reads_the_plain_tables(tmp_path: Path) -> None:
    path = tmp_path / "a.stopmark"
    finding = Finding(
        START_NS, "alarm", "slack-line", Severity.WARNING, "normal", "unacknowledged", "slack", number=1.5
    )
    record(
        path, [Frame(START_NS, "a", b"1"), Action(START_NS, ActionKind.ACKNOWLEDGE, "slack-line", who="ab"), finding]
    )
    with contextlib.closing(sqlite3.connect(path)) as base:
        assert base.execute("SELECT key, severity, number FROM finding").fetchall() == [("slack-line", "WARNING", 1.5)]
        assert base.execute("SELECT before, kind, who FROM action").fetchall() == [(1, "acknowledge", "ab")]
        assert base.execute("SELECT value FROM header WHERE key = 'rig'").fetchone() == ('"test"',)


def test_going_on_in_another_file_loses_nothing(tmp_path: Path) -> None:
    first, second = tmp_path / "a.stopmark", tmp_path / "b.stopmark"
    frames = list(rig_stream(3.0))
    half = len(frames) // 2
    action = Action(frames[half].t_ns, ActionKind.SILENCE)
    with Recorder(first, HEADER) as recorder:
        give(recorder, [*frames[:half]])
        recorder.rotate(second, {**HEADER, "segment": 2})
        give(recorder, [action, *frames[half:]])
    assert recorder.path == second
    assert read(first) == frames[:half]
    assert read(second) == [action, *frames[half:]]
    with SessionReader(second) as session:
        assert session.header["segment"] == 2
    assert sorted(os.listdir(tmp_path)) == ["a.stopmark", "b.stopmark"]


def test_a_full_disk_is_told_and_recording_goes_on_when_there_is_space(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recorder_module, "RETRY_S", 0.05)
    monkeypatch.setattr(recorder_module, "PERIOD_S", 0.05)
    path = tmp_path / "a.stopmark"
    frames = [Frame(START_NS + i * 10_000_000, "a", os.urandom(500)) for i in range(400)]
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    recorder = Recorder(path, HEADER)
    try:
        give(recorder, [*frames[:100]])
        assert recorder.flush()
        # The system refuses any file beyond this size: for SQLite that is a disk without space.
        resource.setrlimit(resource.RLIMIT_FSIZE, (120_000, hard))
        give(recorder, [*frames[100:300]])
        wait_until(lambda: recorder.state == "failed", "the failure")
        assert recorder.problem != ""
        give(recorder, [*frames[300:]])
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        wait_until(lambda: recorder.state == "on", "recording goes on")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        assert recorder.close()
    assert recorder.lost == 0
    assert read(path) == frames


def test_a_disk_that_stays_full_costs_the_oldest_frames_and_says_how_many(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recorder_module, "RETRY_S", 0.02)
    monkeypatch.setattr(recorder_module, "PERIOD_S", 0.02)
    monkeypatch.setattr(recorder_module, "HELD_FRAMES", 150)
    path = tmp_path / "a.stopmark"
    frames = [Frame(START_NS + i * 10_000_000, "a", os.urandom(500)) for i in range(2000)]
    finding = Finding(frames[700].t_ns, "health", "k", Severity.CAUTION, "", "", "said meanwhile")
    recorder = Recorder(path, HEADER, max_pages=30)
    give(recorder, [*frames[:700], finding, *frames[700:]])
    wait_until(lambda: recorder.lost > 1000, "frames are dropped")
    assert "the disk is full" in recorder.problem
    monkeypatch.setattr(recorder, "_max_pages", None)
    wait_until(lambda: recorder.state == "on", "recording goes on")
    recorder.frame(Frame(frames[-1].t_ns, "a", b"last"))
    assert recorder.close()
    with SessionReader(path) as session:
        kept = list(session.inputs())
        notes = session.notes()
        assert session.findings() == [finding]
    assert len(kept) + recorder.lost == len(frames) + 1
    assert kept[-1] == Frame(frames[-1].t_ns, "a", b"last")
    assert sum(note.number or 0 for note in notes if note.kind == "gap") == recorder.lost
    assert all(frame in frames for frame in kept[:-1])


def test_a_folder_that_goes_away_and_comes_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recorder_module, "RETRY_S", 0.02)
    monkeypatch.setattr(recorder_module, "PERIOD_S", 0.02)
    folder = tmp_path / "stick"
    frames = list(rig_stream(2.0))
    half = len(frames) // 2
    recorder = Recorder(folder / "a.stopmark", HEADER)
    assert recorder.state == "failed"
    assert "is not there" in recorder.problem
    give(recorder, [*frames[:half]])
    folder.mkdir()
    wait_until(lambda: recorder.state == "on", "recording starts")
    folder.rename(tmp_path / "pulled")
    give(recorder, [*frames[half:]])
    wait_until(lambda: recorder.state == "failed", "the missing file is noticed")
    folder.mkdir()
    wait_until(lambda: recorder.state == "on", "recording goes on in a new file")
    assert recorder.close()
    assert read(tmp_path / "pulled" / "a.stopmark") + read(folder / "a.stopmark") == frames


def test_a_source_faster_than_the_disk_waits_where_it_may(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recorder_module, "HELD_BYTES", 100_000)
    path = tmp_path / "a.stopmark"
    frames = list(rig_stream(60.0))
    with Recorder(path, HEADER, wait=True) as recorder:
        give(recorder, [*frames])
    assert recorder.lost == 0
    assert read(path) == frames


def test_a_live_source_faster_than_the_disk_is_counted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recorder_module, "HELD_BYTES", 100_000)
    path = tmp_path / "a.stopmark"
    frames = list(rig_stream(60.0))
    given = threading.Event()
    with Recorder(path, HEADER) as recorder:
        commit = recorder._commit
        monkeypatch.setattr(recorder, "_commit", lambda: commit() if given.wait(60.0) else None)  # as slow as that
        give(recorder, [*frames])
        given.set()
    assert recorder.lost > 0
    kept = read(path)
    assert len(kept) + recorder.lost == len(frames)


def test_a_fault_in_the_thread_is_told(tmp_path: Path) -> None:
    recorder = Recorder(tmp_path / "a.stopmark", HEADER)
    recorder.action(None)  # type: ignore[arg-type]
    wait_until(lambda: "fault of its own" in recorder.problem, "words")
    assert recorder.state == "failed"
    assert not recorder.close()
