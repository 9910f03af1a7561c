"""Target: a session file of a stranger. A real session, then changed as a table, as bytes, or inside its blocks.

Oracle: everything that reads sessions either gives a result or says what is wrong as a `UserError`, in bounded time.
"""

import json
import sqlite3
import zlib
from contextlib import closing
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

from monitor.adapters.sessions.blocks import MAX_RAW_BYTES, pack_block
from monitor.adapters.sessions.catalogue import summarise, verify_session
from monitor.adapters.sessions.chain import SessionChain
from monitor.adapters.sessions.format import pack_state
from monitor.adapters.sessions.reader import SessionReader
from monitor.adapters.sessions.recorder import Recorder
from monitor.adapters.tables.columns import ColumnDecoder
from monitor.core.engine import Core
from monitor.errors import UserError
from monitor.model.alarm import Finding, Severity
from monitor.model.stream import CARRIED_TOPIC, HEALTH_TOPIC, RESERVED, Action, ActionKind, Frame
from monitor.runtime.assembly import header_of
from monitor.runtime.replay import ReplayDriver
from monitor.runtime.restart import state_of_last_run
from tests.fuzz.carried import carried, some_frames
from tests.fuzz.draws import Draws, edited
from tests.fuzz.stream import T_NS, TOKENS, shipped
from tests.fuzz.texts import folder, in_words, shipped_rules

TABLES: Final[dict[str, tuple[str, ...]]] = {
    "header": ("key", "value"),
    "block": ("id", "t_first_ns", "t_last_ns", "advanced_ns", "first_frame", "frames", "data"),
    "action": ("id", "before", "t_ns", "kind", "target", "number", "text", "who"),
    "finding": (
        *("id", "t_ns", "kind", "key", "severity", "before", "after", "message", "guidance", "number", "threshold"),
    ),
    "note": ("id", "t_ns", "kind", "text", "number"),
    "checkpoint": ("id", "before", "actions", "t_ns", "state"),
}
_STATEMENTS: Final = (
    *("DROP TABLE finding", "DROP TABLE checkpoint", "DELETE FROM block", "DELETE FROM header", "DELETE FROM note"),
    *("CREATE VIEW v AS SELECT 1", "CREATE TRIGGER t AFTER INSERT ON note BEGIN DELETE FROM block; END", "VACUUM"),
    *("ALTER TABLE note RENAME TO notes", "ALTER TABLE action DROP COLUMN number", "CREATE TABLE \"a'; --\" (b)"),
    *("PRAGMA user_version=0", "PRAGMA user_version=1", "PRAGMA user_version=3", "PRAGMA application_id=7", "REINDEX"),
    *("UPDATE block SET id = id + 9223372036854775000", "UPDATE block SET frames = 0", "UPDATE action SET before = -5"),
    *("UPDATE block SET first_frame = first_frame * 2", "INSERT INTO block SELECT id + 100, t_first_ns, t_last_ns,"
      " advanced_ns, first_frame, frames, data FROM block", "UPDATE block SET advanced_ns = 4611686018427387904",
      "UPDATE block SET advanced_ns = t_last_ns + 864000000000000", "CREATE TABLE x AS SELECT * FROM sqlite_master"),
)  # fmt: skip
_BOMBS: Final = ((1 << 20) * 8, MAX_RAW_BYTES + 1)
_MANY_INPUTS: Final = 400
"""So many inputs of a changed session are played."""


@lru_cache(maxsize=2)
def _bomb(size: int) -> bytes:
    return zlib.compress(bytes(size))


def few_rules() -> str:
    """The first rules of the shipped catalogue: the parser's time is by length."""
    text = "[[rule]]".join(shipped_rules().split("[[rule]]")[:7])
    return "\n".join(line for line in text.splitlines() if not line.startswith("hides"))


@lru_cache(maxsize=1)
def sound_session() -> bytes:
    """A session of two seconds with a row of every kind."""
    rig, rules = shipped("land")
    core = Core(rig, rules)
    path = folder() / "sound.stopmark"
    with Recorder(path, header_of(rig, few_rules(), "LIVE", T_NS)) as recorder:
        for place, frame in enumerate(some_frames(100)):
            recorder.frame(frame)
            for finding in core.ingest(frame):
                recorder.finding(finding)
            if place == 50:
                recorder.action(Action(frame.t_ns, ActionKind.NOTE, "", 1.5, "a note", "ab"))
                recorder.checkpoint(frame.t_ns, core.state())
        recorder.finding(
            Finding(core.now_ns, "alarm", "ease-up", Severity.NOTICE, "normal", "unacknowledged", "m", "g", 1.0)
        )
        recorder.note(core.now_ns, "gap", "a gap", 2.0)
    raw = path.read_bytes()
    path.unlink()
    return raw


def cell_of(draws: Draws) -> Any:
    """What a column may hold."""
    kind = draws.below(8)
    if kind == 0:
        return None
    if kind in (1, 2):
        return min(max(draws.whole(), -(1 << 63)), (1 << 63) - 1)
    if kind == 3:
        return T_NS + draws.pick((-1, 0, 10**9, 10**12, 10**15, 10**18))
    if kind == 4:
        return draws.number()
    if kind == 5:
        return draws.raw(draws.below(64))
    return draws.text().encode("utf-8", "replace").decode()


def _change_tables(draws: Draws, base: sqlite3.Connection) -> None:
    for _ in range(1 + draws.below(3)):
        table = draws.pick(tuple(TABLES))
        column = draws.pick(TABLES[table])
        kind = draws.below(8)
        if kind < 4:
            where = (
                ""
                if draws.flag(4)
                else f" WHERE rowid = {1 + draws.below(3)}"
                if table != "header"
                else " WHERE key = 'rig'"
            )
            base.execute(f"UPDATE OR REPLACE {table} SET {column} = ?{where}", (cell_of(draws),))
        elif kind == 4:
            base.execute(f"DELETE FROM {table} WHERE {column} IS NOT ?", (cell_of(draws),))
        elif kind == 5:
            row = tuple(cell_of(draws) for _ in TABLES[table])
            base.execute(f"INSERT OR REPLACE INTO {table} VALUES ({', '.join('?' * len(row))})", row)
        elif kind == 6:
            base.execute(draws.pick(_STATEMENTS))
        else:
            _change_header(draws, base)


def _change_header(draws: Draws, base: sqlite3.Connection) -> None:
    key = draws.pick(("config", "config", "rules", "dictionary", "rig", "mode", "segment", "created"))
    found = base.execute("SELECT value FROM header WHERE key = ?", (key,)).fetchone()
    text = str(found[0]).encode() if found else b"1"
    value = edited(draws, text, TOKENS).decode("utf-8", "replace")
    base.execute("INSERT OR REPLACE INTO header VALUES (?, ?)", (key, value))


def _change_block(draws: Draws, base: sqlite3.Connection) -> None:
    words = base.execute("SELECT value FROM header WHERE key = 'dictionary'").fetchone()
    dictionary = bytes.fromhex(json.loads(words[0]))
    block, data = draws.pick(base.execute("SELECT id, data FROM block WHERE frames > 0").fetchall())
    zdict = dictionary if block > 1 else b""
    kind = draws.below(4)
    if kind == 0:
        changed = edited(draws, data, TOKENS)
    elif kind == 1:
        engine = zlib.decompressobj(zdict=zdict) if zdict else zlib.decompressobj()
        try:
            raw = engine.decompress(data)
        except zlib.error:
            raw = zlib.decompressobj(zdict=dictionary).decompress(data)
            zdict = dictionary
        changed = _packed(
            edited(draws, raw, (b"\0\0\0\0", b"\xff\xff\xff\xff", b"\x01", b"\x7f", b"\x80", b"\0" * 60)), zdict
        )
    elif kind == 2 and draws.flag(64):
        changed = _bomb(draws.pick(_BOMBS))
    else:
        frames = _hostile_frames(draws)
        changed, _ = pack_block(frames)
        if draws.flag():
            base.execute("UPDATE block SET frames = ? WHERE id = ?", (len(frames), block))
            base.execute("UPDATE header SET value = '\"\"' WHERE key = 'dictionary'")
    base.execute("UPDATE block SET data = ? WHERE id = ?", (changed, block))


def _packed(raw: bytes, dictionary: bytes) -> bytes:
    engine = zlib.compressobj(1, zdict=dictionary) if dictionary else zlib.compressobj(1)
    return engine.compress(raw) + engine.flush()


def _hostile_frames(draws: Draws) -> list[Frame]:
    rig, _ = shipped("land")
    topics = (HEALTH_TOPIC, CARRIED_TOPIC, RESERVED + "x", *map(rig.topic, rig.sensors))
    frames = []
    t_ns = T_NS
    for _ in range(1 + draws.below(8)):
        t_ns += draws.pick((0, 1, 50_000_000, 10**9, -(10**9), 10**11, 10**15, 3 * 10**18, -(10**18)))
        t_ns = min(max(t_ns, -(1 << 62)), (1 << 62))
        topic = draws.text() if draws.flag(4) else draws.pick(topics)
        payload = (
            carried(draws) if topic == CARRIED_TOPIC else edited(draws, b'{"value": 12.5, "t": 1700000000000}', TOKENS)
        )
        frames.append(Frame(t_ns, topic, payload, draws.flag(4)))
    return frames


def session(data: bytes) -> None:
    """A changed session, read in every way."""
    draws = Draws(data)
    path = folder() / "sessions" / "land-20231114-221320.stopmark"
    path.parent.mkdir(exist_ok=True)
    raw = sound_session()
    kind = draws.below(8)
    if kind == 0:
        raw = edited(draws, raw, (b"\0", b"\xff" * 8, b"\r\0\0\0", b"SQLite format 3\0", b"\0" * 64), most=12)
    path.write_bytes(raw)
    if kind > 0:
        with closing(sqlite3.connect(path, isolation_level=None)) as base:
            base.execute("PRAGMA journal_mode=DELETE")
            base.execute("PRAGMA synchronous=OFF")
            try:
                if kind < 4:
                    _change_tables(draws, base)
                elif kind < 7:
                    _change_block(draws, base)
                else:
                    base.execute("UPDATE checkpoint SET state = ?", (_changed_state(draws),))
                    if draws.flag():
                        _change_tables(draws, base)
            except (sqlite3.Error, OverflowError, ValueError, IndexError):
                pass  # the change itself cannot be made: what came of it so far is read
    read_in_every_way(path, draws)


def _changed_state(draws: Draws) -> bytes:
    text = carried(draws)
    if draws.flag(64):
        return _bomb(draws.pick(_BOMBS))
    try:
        return pack_state(json.loads(text))
    except ValueError:
        return zlib.compress(text)


def read_in_every_way(path: Path, draws: Draws) -> None:
    """Fail where a reader of sessions raises something else than a `UserError`: the plain one, and one of the others."""
    _asked(lambda: _plainly(path, draws))
    way = draws.pick((_as_columns, _as_summary, _as_chain, _played, _resumed_from))
    _asked(lambda: way(path))


def _plainly(path: Path, draws: Draws) -> None:
    with SessionReader(path) as reader:
        for ask in (reader.findings, reader.notes, reader.blocks, reader.action_places, reader.integrity):
            _asked(ask)
        _asked(reader.checkpoint_times)
        _asked(lambda: reader.checkpoint_before(draws.pick((0, T_NS, 1 << 62, -5))))
        _asked(lambda: (reader.rules_text, reader.mode, reader.t_first_ns, reader.end_ns, reader.frames, reader.rig))
        _asked(lambda: list(reader.inputs()))
        _asked(lambda: list(reader.inputs(damaged="skip")))
        _asked(lambda: list(reader.inputs(T_NS + 10**9)))


def _asked(ask: Any) -> None:
    try:
        ask()
    except UserError as error:
        in_words(error)


def _as_columns(path: Path) -> None:
    with SessionReader(path) as reader:
        for part in ColumnDecoder(reader.rig).read(reader, None, None):
            assert len(part.t_ns) == len(part.value) == len(part.sensor)


def _as_summary(path: Path) -> None:
    summary = summarise(path)
    assert summary.path == path
    assert all(verify_session(path))


def _as_chain(path: Path) -> None:
    with SessionChain([path]) as chain:
        assert isinstance(chain.end_ns, int)
        for _ in zip(range(_MANY_INPUTS), chain.inputs(), strict=False):
            pass


def _played(path: Path) -> None:
    with SessionReader(path) as reader:
        driver = ReplayDriver(reader, float("inf"))
        driver.play_out()
        driver.snapshot()
        driver.seek_finding(-1)
        driver.seek_to(driver.end_ns - 10**9)


def _resumed_from(path: Path) -> None:
    """A live run that starts beside it takes up what it can, and starts in any case."""
    json.dumps(state_of_last_run(path.parent, "land"), allow_nan=False)
