"""Checkpoints: what the core knew, kept once a minute, and the inputs that came after, exactly."""

import sqlite3
import zlib
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.adapters.sessions.chain import SessionChain
from monitor.adapters.sessions.folder import DataFolder, session_files
from monitor.adapters.sessions.reader import SessionReader
from monitor.adapters.sessions.recorder import CHECKPOINT_NS, Recorder
from monitor.adapters.sessions.segments import HOUR_NS, Retention, SegmentedRecorder
from monitor.config.rig_file import find_rig
from monitor.model.stream import Action, ActionKind, Frame
from tests.adapters.sessions.streams import HEADER, START_NS

FOREVER = Retention(None, None, None)
RIG = {**HEADER, "config": find_rig("land").model_dump(mode="json")}
STATE = {"format": 1, "rig": "test", "t_ns": START_NS}


@given(st.lists(st.sampled_from("fffaas"), max_size=60), st.integers(0, 2))
def test_after_a_checkpoint_comes_what_was_given_after_it(
    tmp_path_factory: pytest.TempPathFactory, kinds: list[str], step: int
) -> None:
    """Frames, actions and states in any order, several at the same moment: each state knows its place among them."""
    path = tmp_path_factory.mktemp("c") / "s.stopmark"
    given_: list[Frame | Action] = []
    places: list[tuple[int, int]] = []
    t_ns = START_NS
    with Recorder(path, HEADER) as recorder:
        for n, kind in enumerate(kinds):
            t_ns += 400_000_000 * step
            if kind == "f":
                given_.append(Frame(t_ns, "rig/a", b"%d" % n))
                recorder.frame(given_[-1])  # type: ignore[arg-type]
            elif kind == "a":
                given_.append(Action(t_ns, ActionKind.NOTE, text=str(n)))
                recorder.action(given_[-1])  # type: ignore[arg-type]
            else:
                places.append((t_ns, len(given_)))
                recorder.checkpoint(t_ns, {**STATE, "n": len(places) - 1})
    with SessionReader(path) as session:
        assert session.checkpoint_times() == [at for at, _ in places]
        for at, place in places:
            kept = session.checkpoint_before(at)
            assert kept is not None
            latest = kept.state["n"]
            assert (kept.t_ns, places[latest][0]) == (at, at)
            if places[latest][1] == place:
                assert list(session.inputs(after=kept)) == given_[place:]
        assert session.checkpoint_before(START_NS - 1) is None


def test_every_hour_begins_with_one(tmp_path: Path) -> None:
    with DataFolder(tmp_path) as folder, SegmentedRecorder(folder, "test", RIG, START_NS, FOREVER) as recorder:
        for n in range(3 * 60):
            t_ns = START_NS + n * CHECKPOINT_NS
            recorder.frame(Frame(t_ns, "rig/a", b"1"))
            assert t_ns >= recorder.checkpoint_due_ns
            recorder.checkpoint(t_ns, {**STATE, "n": n})
            assert t_ns < recorder.checkpoint_due_ns
    files = list(session_files(tmp_path))
    assert len(files) == 3
    for hour, path in enumerate(files):
        with SessionReader(path) as session:
            first = session.checkpoint_before(session.t_first_ns)
            assert first is not None
            assert (first.state["n"], first.frames, len(session.checkpoint_times())) == (60 * hour, 1, 60)
    with SessionChain(files) as chain:
        at_ns = START_NS + HOUR_NS + 5 * CHECKPOINT_NS
        kept = chain.checkpoint_before(at_ns)
        assert kept is not None
        assert kept.path == files[1]
        rest = list(chain.inputs(after=kept))
        assert [frame.t_ns for frame in rest] == [START_NS + n * CHECKPOINT_NS for n in range(66, 180)]


@pytest.mark.parametrize("state", [b"", b"x" * 100, b"\x78\x9c", None, 5, "text"])
def test_a_damaged_checkpoint_is_passed_over(tmp_path: Path, state: object) -> None:
    path = tmp_path / "s.stopmark"
    with Recorder(path, HEADER) as recorder:
        for n in range(3):
            recorder.frame(Frame(START_NS + n, "rig/a", b"1"))
            recorder.checkpoint(START_NS + n, {**STATE, "n": n})
    with closing(sqlite3.connect(path)) as base, base:
        base.execute("PRAGMA ignore_check_constraints=ON")
        base.execute("UPDATE checkpoint SET state = ? WHERE id = 3", (b"" if state is None else state,))
    with SessionReader(path) as session:
        kept = session.checkpoint_before(START_NS + 10)
        assert kept is not None
        assert kept.state["n"] == 1


def test_a_state_that_unpacks_without_end_is_not_believed(tmp_path: Path) -> None:
    path = tmp_path / "s.stopmark"
    with Recorder(path, HEADER) as recorder:
        recorder.frame(Frame(START_NS, "rig/a", b"1"))
        recorder.checkpoint(START_NS, STATE)
    with closing(sqlite3.connect(path)) as base, base:
        bomb = zlib.compress(b'{"a": "' + b" " * (64 << 20) + b'"}', 9)
        base.execute("UPDATE checkpoint SET state = ?", (bomb,))
    with SessionReader(path) as session:
        assert session.checkpoint_before(START_NS + 10) is None
