"""Session files of strangers: not a session, cut off, flipped bits, wrong types, traps. Always words, never a traceback."""

import random
import shutil
import sqlite3
import zlib
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from monitor.adapters.sessions import opening
from monitor.adapters.sessions.blocks import MAX_RAW_BYTES
from monitor.adapters.sessions.format import SessionError, check_header
from monitor.adapters.sessions.reader import SessionReader
from monitor.adapters.sessions.recorder import Recorder
from monitor.config.rig_file import find_rig
from monitor.model.alarm import Finding, Severity
from monitor.model.stream import Action, ActionKind, Frame
from tests.adapters.sessions.streams import HEADER, START_NS, rig_stream

FRAMES = list(rig_stream(6.0))


@pytest.fixture
def session(tmp_path: Path) -> Path:
    """A sound session of six seconds."""
    path = tmp_path / "a.stopmark"
    with Recorder(path, HEADER) as recorder:
        for frame in FRAMES:
            recorder.frame(frame)
        recorder.action(Action(FRAMES[-1].t_ns, ActionKind.NOTE, text="end", who="ab"))
        recorder.finding(Finding(FRAMES[-1].t_ns, "alarm", "k", Severity.WARNING, "normal", "unacknowledged", "m"))
    return path


def change(path: Path, *statements: str | tuple[str, tuple[object, ...]]) -> None:
    with closing(sqlite3.connect(path, isolation_level=None)) as base:
        for statement in statements:
            base.execute(*((statement,) if isinstance(statement, str) else statement))


def read_all(path: Path) -> int:
    with SessionReader(path) as reader:
        count = sum(1 for _ in reader.inputs())
        reader.findings()
        reader.notes()
        assert reader.t_first_ns >= 0
        assert reader.end_ns >= 0
        return count + reader.frames


def make_text(path: Path) -> None:
    path.write_text("time,height\n1,2\n" * 500, encoding="utf-8")


def make_empty(path: Path) -> None:
    path.write_bytes(b"")


def make_other(path: Path) -> None:
    path.unlink()
    change(path, "CREATE TABLE t (a)")


@pytest.mark.parametrize("make", [make_text, make_empty, make_other])
def test_what_is_no_session(session: Path, make: Callable[[Path], None]) -> None:
    make(session)
    with pytest.raises(SessionError, match="is not a Stopmark session"):
        SessionReader(session)


def test_what_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(SessionError, match="no such session"):
        SessionReader(tmp_path / "missing.stopmark")
    with pytest.raises(SessionError, match="is a folder"):
        SessionReader(tmp_path)


def test_a_newer_version(session: Path) -> None:
    change(session, "PRAGMA user_version=99")
    with pytest.raises(SessionError, match="made by a newer Stopmark"):
        SessionReader(session)


@pytest.mark.parametrize(
    ("statement", "words"),
    [
        ("DROP TABLE finding", "does not have the tables"),
        ("CREATE VIEW trap AS SELECT 1", "does not have the tables"),
        ("CREATE TRIGGER trap AFTER INSERT ON note BEGIN SELECT 1; END", "does not have the tables"),
        ("DELETE FROM header WHERE key = 'config'", "lacks 'config'"),
        ("UPDATE header SET value = '{' WHERE key = 'config'", "header 'config' cannot be read"),
        ("UPDATE header SET value = '5' WHERE key = 'dictionary'", "header 'dictionary' cannot be read"),
        ("UPDATE header SET value = '\"xyz\"' WHERE key = 'dictionary'", "header 'dictionary' cannot be read"),
        ("DELETE FROM header WHERE key = 'dictionary'", "block 2 is damaged"),
        ("UPDATE block SET data = 'text' WHERE id = 2", "block 2 is damaged"),
        ("UPDATE block SET data = x'00' WHERE id = 2", "block 2 is damaged"),
        ("UPDATE block SET data = substr(data, 1, length(data) / 2) WHERE id = 2", "ends too early"),
        ("UPDATE block SET frames = frames + 1 WHERE id = 2", "were counted"),
        ("UPDATE block SET frames = 'many' WHERE id = 2", "block 2 is damaged: a number beside it"),
        (
            "UPDATE block SET first_frame = 'x', frames = 'y' WHERE id = (SELECT max(id) FROM block)",
            "a number beside it is none",
        ),
        ("UPDATE block SET t_first_ns = 'x' WHERE id = 1", "a number in its tables is none"),
        ("UPDATE action SET kind = 'launch'", "an action cannot be read"),
        ("UPDATE action SET t_ns = 'now'", "an action cannot be read"),
        ("UPDATE action SET number = 'x'", "an action cannot be read"),
        ("UPDATE action SET text = x'00'", "an action cannot be read"),
        ("UPDATE action SET who = CAST(x'ff' AS TEXT)", "damaged"),
        ("UPDATE finding SET severity = 'HUGE'", "a finding cannot be read"),
        ("UPDATE finding SET kind = 'x'", "a finding cannot be read"),
        ("UPDATE finding SET number = x'00'", "a finding cannot be read"),
        ("INSERT INTO note (t_ns, kind, text) VALUES ('x', 'gap', '')", "a note cannot be read"),
    ],
)
def test_wrong_content(session: Path, statement: str, words: str) -> None:
    change(session, statement)
    with pytest.raises(SessionError, match=words) as reported:
        read_all(session)
    assert str(session) in str(reported.value)


def test_a_session_that_was_cut_off_before_anything_was_in_it(tmp_path: Path) -> None:
    path = tmp_path / "a.stopmark"
    with closing(sqlite3.connect(path)) as base:
        base.execute("PRAGMA journal_mode=WAL")
    with pytest.raises(SessionError, match="it was begun, and nothing has reached it"):
        SessionReader(path)


def test_a_field_of_the_header_that_is_nothing(tmp_path: Path) -> None:
    """No statement makes one; a write that was lost may."""
    with pytest.raises(SessionError, match="its header 'rig' cannot be read"):
        check_header([("config", 5), ("rig", None)], tmp_path)


def test_a_block_that_unpacks_without_end(session: Path) -> None:
    bomb = zlib.compress(bytes(MAX_RAW_BYTES * 2))
    change(session, ("UPDATE block SET data = ? WHERE id = 2", (bomb,)))
    with pytest.raises(SessionError, match="larger than any block"):
        read_all(session)


def test_damaged_blocks_can_be_passed_over(session: Path) -> None:
    change(session, "UPDATE block SET data = x'00' WHERE id = 2")
    with SessionReader(session) as reader:
        bad = next(block for block in reader.blocks() if block.id == 2)
        kept = list(reader.inputs(damaged="skip"))
    expected = [*FRAMES[: bad.first_frame], *FRAMES[bad.first_frame + bad.frames :]]
    assert [item for item in kept if isinstance(item, Frame)] == expected
    assert isinstance(kept[-1], Action)


def test_a_file_cut_off_anywhere(session: Path, tmp_path: Path) -> None:
    whole = session.read_bytes()
    for part in range(1, 20):
        path = tmp_path / f"cut-{part}.stopmark"
        path.write_bytes(whole[: len(whole) * part // 20])
        with pytest.raises(SessionError):
            read_all(path)


def test_flipped_bytes_anywhere_never_escape_as_another_error(session: Path, tmp_path: Path) -> None:
    whole = session.read_bytes()
    refused = 0
    for seed in range(150):
        chance = random.Random(seed)
        raw = bytearray(whole)
        for _ in range(chance.randint(1, 30)):
            raw[chance.randrange(len(raw))] ^= 1 << chance.randrange(8)
        path = tmp_path / "flipped.stopmark"
        path.write_bytes(raw)
        try:
            read_all(path)
        except SessionError:
            refused += 1
    assert refused > 100


def test_names_inside_a_session_are_only_text(tmp_path: Path) -> None:
    path = tmp_path / "a.stopmark"
    trap = "x'); DROP TABLE finding; --"
    with Recorder(path, {**HEADER, trap: trap}) as recorder:
        recorder.frame(Frame(START_NS, trap, trap.encode()))
        recorder.finding(Finding(START_NS, "alarm", trap, Severity.NOTICE, trap, trap, trap, trap))
    with SessionReader(path) as reader:
        assert list(reader.inputs()) == [Frame(START_NS, trap, trap.encode())]
        assert reader.findings()[0].key == trap
        assert reader.header[trap] == trap


def test_the_rig_of_a_session(tmp_path: Path, session: Path) -> None:
    rig = find_rig("land")
    path = tmp_path / "b.stopmark"
    with Recorder(path, {**HEADER, "config": rig.model_dump(mode="json")}):
        pass
    with SessionReader(path) as reader:
        assert reader.rig == rig
        assert (reader.t_first_ns, reader.end_ns, reader.frames, list(reader.inputs())) == (0, 0, 0, [])
    with SessionReader(session) as reader, pytest.raises(SessionError, match="rig configuration cannot be used"):
        assert reader.rig


def test_a_killed_session_in_a_folder_that_cannot_be_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.stopmark"
    recorder = Recorder(path, HEADER)
    for frame in FRAMES:
        recorder.frame(frame)
    assert recorder.flush()
    # As a kill leaves it: the data still in the -wal file.
    left = tmp_path / "left"
    left.mkdir()
    for name in ("a.stopmark", "a.stopmark-wal"):
        shutil.copy(tmp_path / name, left / name)
    recorder.close()

    probe = opening._probe
    refused = []

    def refuse(target: Path) -> sqlite3.Connection:
        if target.parent == left:
            refused.append(target)
            raise sqlite3.OperationalError("unable to open database file")
        return probe(target)

    monkeypatch.setattr(opening, "_probe", refuse)
    with SessionReader(left / "a.stopmark") as reader:
        assert list(reader.inputs()) == FRAMES
    assert refused
