"""Session files of every version that was ever written stay readable: ``data`` holds one of each, made by that version."""

import shutil
from pathlib import Path

import pytest

from monitor.adapters.sessions.catalogue import verify_session
from monitor.adapters.sessions.format import VERSION, Note
from monitor.adapters.sessions.reader import SessionReader
from monitor.model.alarm import Finding, Severity
from monitor.model.stream import Action, ActionKind
from tests.adapters.sessions.streams import rig_stream

DATA = Path(__file__).parent / "data"


def test_there_is_a_file_of_every_version() -> None:
    assert sorted(path.name for path in DATA.glob("*.stopmark")) == [
        f"session-{version}.stopmark" for version in range(1, VERSION + 1)
    ]


@pytest.mark.parametrize("version", range(1, VERSION + 1))
def test_a_session_of_an_old_version_reads_as_it_did(tmp_path: Path, version: int) -> None:
    path = Path(shutil.copy(DATA / f"session-{version}.stopmark", tmp_path))
    frames = list(rig_stream(2.0))
    at_ns = frames[99].t_ns
    with SessionReader(path) as session:
        assert list(session.inputs()) == [
            *frames[:100],
            Action(at_ns, ActionKind.ACKNOWLEDGE, "slack-line", 1.5, "seen", "ab"),
            *frames[100:],
        ]
        words = ("normal", "unacknowledged", "the line is slack", "look at the drum")
        assert session.findings() == [Finding(at_ns, "alarm", "slack-line", Severity.WARNING, *words, 1.5, 2.0)]
        assert session.notes() == [Note(frames[-1].t_ns, "clock", "the wall clock was put forward by 3600 s", 3600.0)]
        assert session.end_ns == frames[-1].t_ns + 5_000_000_000
        assert session.header["rig"] == "test"
    assert [problem for problem in verify_session(path) if "rig configuration" not in problem] == []


def test_checkpoints_came_with_version_2() -> None:
    frames = list(rig_stream(2.0))
    with SessionReader(DATA / "session-1.stopmark") as old:
        assert (old.checkpoint_before(old.end_ns), old.checkpoint_times()) == (None, [])
    with SessionReader(DATA / "session-2.stopmark") as new:
        kept = new.checkpoint_before(new.end_ns)
        assert kept is not None
        assert (kept.t_ns, kept.frames, kept.actions) == (frames[99].t_ns, 100, 1)
        assert kept.state["note"] == "after 100 frames and 1 action"
        assert list(new.inputs(after=kept)) == frames[100:]
