"""Reads a session back: the same inputs in the same order, and the findings of the time.

A session may be read while it is being written, and as a killed monitor left it. It is opened read-only and treated as
untrusted input: every count, type and length in it is checked before it is used.
"""

import contextlib
import json
import sqlite3
from bisect import bisect_left
from collections import deque
from collections.abc import Callable, Generator, Iterator, Mapping
from dataclasses import dataclass
from operator import attrgetter
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final, Literal, Self, TypeVar

from monitor.adapters.sessions.blocks import unpack_block
from monitor.adapters.sessions.format import (
    APPLICATION_ID,
    HEADER_SIZES,
    TABLES,
    VERSION,
    Checkpoint,
    Note,
    SessionError,
    action_of,
    check_header,
    finding_of,
    unpack_state,
)
from monitor.adapters.sessions.opening import open_read_only
from monitor.adapters.sessions.readings import unpack_readings
from monitor.config.fields import RECORDED
from monitor.config.rig import Rig
from monitor.config.toml_file import ConfigError, validate
from monitor.core.sensors.decoder import Decoder
from monitor.files import check_database
from monitor.model.alarm import Finding
from monitor.model.reading import Sample
from monitor.model.stream import Action, Frame

T = TypeVar("T", Frame, Frame | Sample)
Damaged = Literal["raise", "skip"]
"""What to do at a part that cannot be read: raise SessionError, or leave it out."""
PAGE: Final = 8
"""Blocks fetched at a time."""
_TIME: Final = attrgetter("t_ns")
LONGEST_JUMP_NS: Final = 90_000_000_000_000
"""25 hours. An imported log may have gaps of up to a day; a longer jump is damage, and to play up to it would never end."""


@dataclass(frozen=True, slots=True)
class BlockInfo:
    """One row of ``block`` without its data."""

    id: int
    t_first_ns: int
    t_last_ns: int
    advanced_ns: int
    first_frame: int
    frames: int


class SessionReader:
    """One session, open for reading. Use it in a ``with`` statement."""

    def __init__(self, path: Path) -> None:
        """Open the session at `path`.

        Raises:
            SessionError: there is none, it is no session, it is damaged, or it was made by a newer version.
        """
        self.path = Path(path)
        if self.path.is_dir():
            raise SessionError(f"{self.path}: is a folder; give one session file in it")
        if not self.path.exists():
            raise SessionError(f"{self.path}: no such session")
        try:
            check_database(self.path)
        except OSError as error:
            raise SessionError(f"{error.filename}: {error.strerror}: it cannot be read as a session") from None
        self._base, self._copy = open_read_only(self.path)
        self._reached: tuple[int, int | None] = (0, None)
        """The last block looked at for the session's end, and the time that the blocks up to it reached."""
        try:
            self.header: Mapping[str, Any] = MappingProxyType(self._check())
        except BaseException:
            self.close()
            raise

    def _check(self) -> dict[str, Any]:
        """The header of a file that was checked to be a whole session of a version that can be read."""
        self._check_size()
        self._check_tables()
        header = self._read_header()
        try:
            self.dictionary = bytes.fromhex(header.get("dictionary", ""))
        except (ValueError, TypeError):
            raise SessionError(f"{self.path}: is damaged: its header 'dictionary' cannot be read") from None
        return header

    def _check_size(self) -> None:
        log = self.path.with_name(self.path.name + "-wal")
        if not self.path.stat().st_size and not log.exists():
            raise SessionError(f"{self.path}: is not a Stopmark session: it is empty")
        if self.path.stat().st_size % self._number("PRAGMA page_size") and not log.exists():
            raise SessionError(f"{self.path}: is cut off: its last part is missing")

    def _check_tables(self) -> None:
        mark = self._number("PRAGMA application_id")
        self.version = version = self._number("PRAGMA user_version")
        if mark != APPLICATION_ID:
            begun = not mark and not self._number("SELECT count(*) FROM sqlite_master")
            words = "it was begun, and nothing has reached it" if begun else "it is another program's database"
            raise SessionError(f"{self.path}: is not a Stopmark session ({words})")
        if version > VERSION:
            raise SessionError(
                f"{self.path}: was made by a newer Stopmark (format {version}, this one reads up to {VERSION});"
                " update Stopmark to read it"
            )
        kinds = dict(self._rows("SELECT name, type FROM sqlite_master"))
        if (
            version < 1
            or any(kinds.get(table) != "table" for table in TABLES[version])
            or {"view", "trigger"} & {*kinds.values()}
        ):
            raise SessionError(f"{self.path}: is damaged: it does not have the tables of a session")

    def _read_header(self) -> dict[str, Any]:
        header: dict[str, Any] = {}
        check_header(self._rows(HEADER_SIZES), self.path)
        for key, text in self._rows("SELECT key, value FROM header"):
            try:
                header[str(key)] = json.loads(text)
            except (ValueError, TypeError, RecursionError):
                raise SessionError(f"{self.path}: is damaged: its header {key!r} cannot be read") from None
        for key in ("rig", "config", "rules"):
            if key not in header:
                raise SessionError(f"{self.path}: is damaged: its header lacks {key!r}")
        return header

    def _rows(self, query: str, *values: object) -> list[tuple[Any, ...]]:
        try:
            return self._base.execute(query, values).fetchall()
        except (sqlite3.Error, UnicodeDecodeError, OverflowError) as error:
            raise SessionError(f"{self.path}: is damaged or cut off ({error})") from None

    def _numbers(self, query: str, *values: object) -> list[tuple[int, ...]]:
        """Rows of whole numbers."""
        rows = self._rows(query, *values)
        if not all(isinstance(number, int) for row in rows for number in row):
            raise SessionError(f"{self.path}: is damaged: a number in its tables is none")
        return rows

    def _number(self, query: str, *values: object) -> int:
        """One whole number; 0 where there is no row."""
        rows = self._numbers(query, *values)
        return rows[0][0] if rows else 0

    # -- what is in it --------------------------------------------------------------------------------------------

    @property
    def rig(self) -> Rig:
        """The rig as it was configured when this was recorded.

        Raises:
            SessionError: the configuration in the header cannot be used.
        """
        try:
            return validate(Rig, self.header["config"], str(self.path), RECORDED)
        except ConfigError as error:
            raise SessionError(f"{self.path}: its rig configuration cannot be used:\n{error}") from None

    @property
    def rules_text(self) -> str:
        """The rules as they were when this was recorded (TOML)."""
        return str(self.header["rules"])

    @property
    def mode(self) -> str:
        """How the session came to be: "live", "simulated", "import"; "" when the header does not say."""
        return str(self.header.get("mode", ""))

    @property
    def t_first_ns(self) -> int:
        """Time of the first input, ns; 0 for a session without any."""
        starts = [
            *self._numbers("SELECT t_first_ns FROM block WHERE frames > 0 ORDER BY id LIMIT 1"),
            *self._numbers("SELECT t_ns FROM action ORDER BY id LIMIT 1"),
        ] or [*self._numbers("SELECT t_first_ns FROM block ORDER BY id LIMIT 1")]
        return min((t_ns for (t_ns,) in starts), default=0)

    @property
    def end_ns(self) -> int:
        """The time that the stream had reached, ns; 0 for an empty session. A block that jumps too far ahead does not count."""
        block, reached_ns = self._reached
        query = "SELECT id, t_first_ns, t_last_ns, advanced_ns FROM block WHERE id > ? ORDER BY id"
        for row in self._numbers(query, block):
            block, times = row[0], row[1:]
            reached_ns = sorted(times)[1] if reached_ns is None else reached_ns  # one wrong of three is outvoted
            reached_ns = max(t_ns for t_ns in (reached_ns, *times) if t_ns - reached_ns <= LONGEST_JUMP_NS)
        self._reached = block, reached_ns
        return reached_ns or 0

    @property
    def frames(self) -> int:
        """Number of frames in it."""
        return self._number("SELECT first_frame + frames FROM block ORDER BY id DESC LIMIT 1")

    def findings(self) -> list[Finding]:
        """All findings of the recording, in order.

        Raises:
            SessionError: a row cannot be read.
        """
        query = "SELECT t_ns, kind, key, severity, before, after, message, guidance, number, threshold FROM finding"
        try:
            return [finding_of(row) for row in self._rows(query + " ORDER BY id")]
        except (ValueError, TypeError, KeyError, OverflowError) as error:
            raise SessionError(f"{self.path}: is damaged: a finding cannot be read ({error})") from None

    def notes(self) -> list[Note]:
        """What the recorder wrote about the recording: gaps, clock steps."""
        query = "SELECT t_ns, kind, text, number FROM note ORDER BY id"
        try:
            return [
                Note(int(t_ns), str(kind), str(text), None if number is None else float(number))
                for t_ns, kind, text, number in self._rows(query)
            ]
        except (ValueError, TypeError, OverflowError) as error:
            raise SessionError(f"{self.path}: is damaged: a note cannot be read ({error})") from None

    def checkpoint_before(self, t_ns: int) -> Checkpoint | None:
        """The latest state of the core kept at or before `t_ns`; None where there is none that can be used."""
        if self.version < 2:
            return None
        query = (
            "SELECT t_ns, before, actions, state FROM checkpoint WHERE t_ns <= ? ORDER BY t_ns DESC, id DESC LIMIT 3"
        )
        for at_ns, frames, actions, data in self._rows(query, t_ns):
            with contextlib.suppress(ValueError):
                if all(isinstance(number, int) and number >= 0 for number in (at_ns, frames, actions)):
                    return Checkpoint(self.path, at_ns, frames, actions, unpack_state(data))
        return None

    def checkpoint_times(self) -> list[int]:
        """When the checkpoints were made, ns."""
        return (
            [] if self.version < 2 else [t for (t,) in self._numbers("SELECT t_ns FROM checkpoint ORDER BY t_ns, id")]
        )

    def blocks(self) -> list[BlockInfo]:
        """The blocks, without unpacking them."""
        query = "SELECT id, t_first_ns, t_last_ns, advanced_ns, first_frame, frames FROM block ORDER BY id"
        return [BlockInfo(*row) for row in self._numbers(query)]

    def action_places(self) -> list[int]:
        """For each action, the number of frames before it."""
        return [place for (place,) in self._numbers("SELECT before FROM action ORDER BY id")]

    def integrity(self) -> list[str]:
        """What SQLite's own check of the file finds, one sentence each; empty when it is sound."""
        return [f"the file is damaged: {text}" for (text,) in self._rows("PRAGMA integrity_check(20)") if text != "ok"]

    def inputs(
        self,
        from_ns: int | None = None,
        damaged: Damaged = "raise",
        after: Checkpoint | None = None,
    ) -> Iterator[Frame | Action]:
        """Frames and actions in exact order, from stream time `from_ns` on, or those that came after the checkpoint
        `after` (from the start when neither is given).

        On a session that is being written this ends at what is on the disk now. `damaged` says what to do at a block
        that cannot be read.

        Raises:
            SessionError: while iterating, at a damaged block or action.
        """
        return self._read(lambda data: unpack_block(data, self.dictionary), from_ns, damaged, after)

    def readings(
        self,
        decoder: Decoder,
        from_ns: int | None = None,
        damaged: Damaged = "raise",
        after: Checkpoint | None = None,
    ) -> Iterator[Frame | Sample | Action]:
        """The same for a core that has this `decoder`: frames that it need not see come as the one reading in them."""
        return self._read(lambda data: unpack_readings(data, self.dictionary, decoder), from_ns, damaged, after)

    def _read(
        self, unpack: Callable[[bytes], list[T]], from_ns: int | None, damaged: Damaged, after: Checkpoint | None
    ) -> Iterator[T | Action]:
        """The inputs, as `unpack` makes them of each block."""
        block_id, action_id, skip = self._place_before(from_ns, after)
        before_ns: int | None = None
        while page := self._page(block_id):
            last = page[-1][1] + page[-1][2]
            actions = deque(self._actions(action_id, last))
            for block_id, first, count, data in page:
                frames = self._unpacked(unpack, block_id, count, data, damaged)
                if frames and self._jumps(before_ns, frames[0].t_ns, max(map(_TIME, frames)), damaged):
                    continue
                if from_ns is not None and frames and frames[0].t_ns < from_ns:
                    cut = bisect_left(frames, from_ns, key=_TIME)
                    first, frames = first + cut, frames[cut:]
                    from_ns = None
                elif first < skip:
                    first, frames = skip, frames[skip - first :]
                if actions and actions[0][1] < first + len(frames):
                    action_id = yield from self._merged(frames, first, actions, before_ns, damaged)
                else:
                    yield from frames
                before_ns = frames[-1].t_ns if frames else before_ns
        for _, _, action in self._actions(action_id, None):
            if not self._jumps(before_ns, action.t_ns, 0, damaged):
                yield action

    def _place_before(self, from_ns: int | None, after: Checkpoint | None) -> tuple[int, int, int]:
        """The last block and the last action that come before the inputs asked for, and how many frames of the session do.

        With `from_ns`, the frames of the block that holds this time are left to be cut by their times.
        """
        if after is not None:
            return self._block_before(after.t_ns), after.actions, after.frames
        if from_ns is not None:
            last_action = self._number("SELECT coalesce(max(id), 0) FROM action WHERE t_ns < ?", from_ns)
            return self._block_before(from_ns), last_action, 0
        return 0, 0, 0

    def _page(self, after_block: int) -> list[tuple[int, int, int, bytes]]:
        """Id, number of the first frame, count of frames and packed frames of the next `PAGE` blocks."""
        query = "SELECT id, first_frame, frames, data FROM block WHERE id > ? ORDER BY id LIMIT ?"
        return [self._sound(*row) for row in self._rows(query, after_block, PAGE)]

    def _merged(
        self,
        frames: list[T],
        first: int,
        actions: deque[tuple[int, int, Action]],
        before_ns: int | None,
        damaged: Damaged,
    ) -> Generator[T | Action, None, int]:
        """The frames of a block, numbered from `first` on, with the actions between them, which leave `actions`. At least one
        of these is due. Returns the id of the last."""
        action_id = at = 0
        while actions and actions[0][1] < first + len(frames):
            action_id, before, action = actions.popleft()
            upto = max(at, before - first)
            yield from frames[at:upto]
            at = upto
            if not self._jumps(before_ns or (frames[0].t_ns if frames else None), action.t_ns, 0, damaged):
                yield action
        yield from frames[at:]
        return action_id

    def _jumps(self, before_ns: int | None, first_ns: int, last_ns: int, damaged: Damaged) -> bool:
        """Whether the times from `first_ns` to `last_ns` jump too far from `before_ns`; an error unless `damaged` skips."""
        if last_ns - first_ns <= LONGEST_JUMP_NS and (before_ns is None or first_ns - before_ns <= LONGEST_JUMP_NS):
            return False
        if damaged == "skip":
            return True
        days = max(last_ns - first_ns, first_ns - (before_ns or first_ns)) / 86.4e12
        raise SessionError(f"{self.path}: is damaged: its time jumps by {days:,.0f} days, which no session does")

    def packed(self, from_ns: int | None = None) -> Iterator[tuple[int, bytes]]:
        """Id and bytes of every block with frames that ends at or after `from_ns`, in order, still packed."""
        block_id = 0 if from_ns is None else self._block_before(from_ns)
        while page := self._page(block_id):
            for block_id, _, count, data in page:
                if count:
                    yield block_id, data

    def _block_before(self, t_ns: int) -> int:
        """An id at or below which every block ends before `t_ns`. Found by halving: times never fall along a session."""
        low, high = 0, self._number("SELECT coalesce(max(id), 0) FROM block")
        while low < high:
            middle = (low + high + 1) // 2
            found = self._numbers("SELECT t_last_ns FROM block WHERE id <= ? ORDER BY id DESC LIMIT 1", middle)
            if not found or found[0][0] < t_ns:
                low = middle
            else:
                high = middle - 1
        return low

    def _sound(self, block: Any, first: Any, count: Any, data: Any) -> tuple[int, int, int, bytes]:
        if not all(isinstance(number, int) for number in (block, first, count)):
            raise SessionError(f"{self.path}: block {block} is damaged: a number beside it is none")
        return block, first, count, data if isinstance(data, bytes) else b""

    def _unpacked(
        self, unpack: Callable[[bytes], list[T]], block: int, count: int, data: bytes, damaged: Damaged
    ) -> list[T]:
        try:
            if count == 0:
                return []
            frames = unpack(data)
            if len(frames) != count:
                raise ValueError(f"it holds {len(frames)} frames where {count} were counted")
        except ValueError as error:
            if damaged == "skip":
                return []
            raise SessionError(f"{self.path}: block {block} is damaged: {error}") from None
        return frames

    def _actions(self, after_id: int, below: int | None) -> list[tuple[int, int, Action]]:
        query = "SELECT id, before, t_ns, kind, target, number, text, who FROM action WHERE id > ?"
        values: tuple[int, ...] = (after_id,)
        if below is not None:
            query, values = query + " AND before < ?", (after_id, below)
        try:
            return [
                (int(row[0]), int(row[1]), action_of(row[2:])) for row in self._rows(query + " ORDER BY id", *values)
            ]
        except (ValueError, TypeError, OverflowError) as error:
            raise SessionError(f"{self.path}: is damaged: an action cannot be read ({error})") from None

    # -- its end --------------------------------------------------------------------------------------------------

    def close(self) -> None:
        """Close the file."""
        self._base.close()
        if self._copy is not None:
            self._copy.cleanup()
            self._copy = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
