"""Several sessions of one rig, read as one: the hourly segments of a night, or one file alone."""

import json
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, Self, TypeVar

from monitor.adapters.sessions.catalogue import gaps_of
from monitor.adapters.sessions.format import Checkpoint, Note, SessionError
from monitor.adapters.sessions.gaps import LEAST_NS, Gap
from monitor.adapters.sessions.reader import LONGEST_JUMP_NS, Damaged, SessionReader
from monitor.adapters.sessions.remarks import Remark, remarks_of
from monitor.adapters.sessions.soundness import faults_of
from monitor.config.rig import Rig
from monitor.core.sensors.decoder import Decoder
from monitor.model.alarm import Finding
from monitor.model.reading import Sample
from monitor.model.stream import CARRIED_TOPIC, Action, Frame

T = TypeVar("T", bound=Frame | Sample | Action)
DAY_NS: Final = 86_400_000_000_000
SILENCE_NS: Final = 60_000_000_000
"""A time without frames counts as a silence from this length on."""
_SLACK_NS: Final = 1_000_000_000


class SessionChain:
    """Sessions in the order of their time, open for reading. Use it in a ``with`` statement.

    Sessions without any reading are skipped; `empty` names them.
    """

    def __init__(self, paths: Sequence[Path]) -> None:
        """Open the sessions at `paths`, given in any order.

        Raises:
            SessionError: one of them cannot be used, none holds readings, they are of different rigs or of one whose
                configuration changed in between, or two of them cover the same time.
        """
        self._stack = ExitStack()
        self.empty: list[Path] = []
        self.sessions: list[SessionReader] = []
        try:
            for path in dict.fromkeys(paths):
                session = self._stack.enter_context(SessionReader(path))
                if session.end_ns:
                    self.sessions.append(session)
                else:
                    self.empty.append(path)
            self.sessions.sort(key=lambda session: session.t_first_ns)
            self._check(paths)
            self.rig: Rig = self.sessions[0].rig
        except BaseException:
            self._stack.close()
            raise

    def _check(self, paths: Sequence[Path]) -> None:
        if not self.sessions:
            raise SessionError(f"{', '.join(map(str, paths))}: holds no readings")
        for one, next_one in zip(self.sessions, self.sessions[1:], strict=False):
            if one.header["rig"] != next_one.header["rig"]:
                raise SessionError(
                    f"{one.path} is of rig {one.header['rig']!r}, {next_one.path} of {next_one.header['rig']!r}:"
                    " give the sessions of one rig"
                )
            if one.header["config"] != next_one.header["config"]:
                raise SessionError(
                    f"the rig's configuration changed between {one.path} and {next_one.path}: give them separately"
                )
            if next_one.t_first_ns < one.end_ns - 1_000_000_000:
                raise SessionError(f"{one.path} and {next_one.path} cover the same time: give one of them")

    @property
    def path(self) -> Path:
        """The first session's file."""
        return self.sessions[0].path

    @property
    def name(self) -> str:
        """The sessions in words."""
        count = len(self.sessions)
        return str(self.path) if count == 1 else f"{self.path} to {self.sessions[-1].path.name} ({count} sessions)"

    @property
    def header(self) -> dict[str, Any]:
        """The first session's header."""
        return dict(self.sessions[0].header)

    @property
    def mode(self) -> str:
        """How the sessions came to be."""
        return " and ".join(dict.fromkeys(session.mode or "?" for session in self.sessions))

    @property
    def rules_text(self) -> str:
        """The rules in force when the first of them was recorded (TOML)."""
        return self.sessions[0].rules_text

    @property
    def t_first_ns(self) -> int:
        """Time of the first input, ns."""
        return self.sessions[0].t_first_ns

    @property
    def end_ns(self) -> int:
        """The time that the stream had reached at the end, ns."""
        return self.sessions[-1].end_ns

    @property
    def seconds(self) -> float:
        """Length of the sessions without what lies between them, s."""
        return sum(session.end_ns - session.t_first_ns for session in self.sessions) * 1e-9

    @property
    def frames(self) -> int:
        """Number of frames in all of them."""
        return sum(session.frames for session in self.sessions)

    def findings(self) -> list[Finding]:
        """All findings of the recordings, in order."""
        return [finding for session in self.sessions for finding in session.findings()]

    def notes(self) -> list[Note]:
        """What the recorder wrote about the recording."""
        return [note for session in self.sessions for note in session.notes()]

    def remarks(self) -> list[Remark]:
        """What people wrote beside them afterwards."""
        return [remark for session in self.sessions for remark in remarks_of(session.path)]

    def gaps(self) -> list[Gap]:
        """Times without frames, those between two sessions included."""
        found: list[Gap] = []
        before: SessionReader | None = None
        for session in self.sessions:
            if before is not None and session.t_first_ns - before.end_ns > LEAST_NS:
                found.append(Gap(before.end_ns, session.t_first_ns, 0))
            found += gaps_of(session)
            before = session
        return found

    def faults(self) -> list[str]:
        """What is wrong with them, as far as their tables tell (`monitor.adapters.sessions.soundness`), a sentence each."""
        return [f"{session.path}: {fault.words}" for session in self.sessions for fault in faults_of(session)]

    def checkpoint_before(self, t_ns: int) -> Checkpoint | None:
        """The latest state of the core kept at or before `t_ns` (see `SessionReader.checkpoint_before`)."""
        for session in reversed(self.sessions):
            if session.t_first_ns <= t_ns and (found := session.checkpoint_before(t_ns)) is not None:
                return found
        return None

    def checkpoint_times(self) -> list[int]:
        """When the checkpoints were made, ns."""
        return [t_ns for session in self.sessions for t_ns in session.checkpoint_times()]

    def inputs(
        self,
        from_ns: int | None = None,
        damaged: Damaged = "raise",
        after: Checkpoint | None = None,
    ) -> Iterator[Frame | Action]:
        """Frames and actions of all of them in exact order (see `SessionReader.inputs`).

        Where more than a day lies between two of them a new run begins: to play through the time in between would take
        hours, and the state from before would be of no use.
        """
        return self._read(lambda session, place_ns, kept: session.inputs(place_ns, damaged, kept), from_ns, after)

    def readings(
        self,
        decoder: Decoder,
        from_ns: int | None = None,
        damaged: Damaged = "raise",
        after: Checkpoint | None = None,
    ) -> Iterator[Frame | Sample | Action]:
        """The same for a core that has this `decoder` (see `SessionReader.readings`)."""
        return self._read(
            lambda session, place_ns, kept: session.readings(decoder, place_ns, damaged, kept), from_ns, after
        )

    def _read(
        self,
        read: Callable[[SessionReader, int | None, Checkpoint | None], Iterator[T]],
        from_ns: int | None,
        after: Checkpoint | None,
    ) -> Iterator[T | Frame]:
        """What `read` gives of each session, with new beginnings between them where they are needed."""
        before_ns: int | None = None
        for session in self.sessions:
            if after is not None:
                # Of the file that it lies in, what came after it; of later files, everything.
                if session.path != after.path:
                    continue
                given = read(session, None, after)
                after, from_ns = None, None
            elif from_ns is not None and session.end_ns < from_ns:
                continue
            else:
                given = read(session, from_ns, None)
            if before_ns is not None and session.t_first_ns - before_ns > LONGEST_JUMP_NS:
                yield Frame(session.t_first_ns, CARRIED_TOPIC, b"{}")
            yield from without_long_silences(session, given)
            before_ns = session.end_ns

    def moment(self, text: str, after_ns: int | None = None) -> int:
        """The stream time that `text` means in these sessions (see `moment`)."""
        recorded = [(session.t_first_ns, session.end_ns) for session in self.sessions]
        return moment(text, self.t_first_ns, self.end_ns, recorded, after_ns)

    def close(self) -> None:
        """Close the files."""
        self._stack.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def without_long_silences(session: SessionReader, items: Iterator[T]) -> Iterator[T | Frame]:
    """`items` of a session whose silences add up to more than a day with a new beginning at each of those beyond that, as
    over a restart: from the last checkpoint where there is one.

    To play through a silence costs minutes per day. No live session comes near; an imported log may, and one made to do
    harm could claim a day per block.
    """
    if session.end_ns - session.t_first_ns <= LONGEST_JUMP_NS:
        yield from items
        return
    left_ns = LONGEST_JUMP_NS
    before_ns: int | None = None
    for item in items:
        silent_ns = 0 if before_ns is None else item.t_ns - before_ns
        if silent_ns > SILENCE_NS and not (isinstance(item, Frame) and item.topic == CARRIED_TOPIC):
            left_ns -= silent_ns
            if left_ns < 0:
                kept = session.checkpoint_before(item.t_ns - 1)
                state = b"{}" if kept is None else json.dumps(dict(kept.state)).encode()
                yield Frame(item.t_ns, CARRIED_TOPIC, state)
        before_ns = item.t_ns
        yield item


def moment(
    text: str,
    start_ns: int,
    end_ns: int,
    recorded: Sequence[tuple[int, int]] = (),
    after_ns: int | None = None,
) -> int:
    """A stream time as people write it: ``+90`` (s after the start), ``14:30``, ``14:30:05.5`` (the first such time
    in the session, UTC), or ISO 8601. In ns.

    Of several days, a time of day means the first one on which it lies in one of the times `recorded`, and later
    than `after_ns`.

    Raises:
        SessionError: it is none of these, or lies outside the session.
    """
    try:
        if text.startswith("+"):
            t_ns = start_ns + round(float(text[1:]) * 1e9)
        elif len(text) <= 15 and "-" not in text and ":" in text:
            t_ns = _time_of_day(text, start_ns)
            t_ns = _day_of(t_ns, [*recorded] or [(start_ns, end_ns)], start_ns if after_ns is None else after_ns)
        else:
            when = datetime.fromisoformat(text)
            when = when.replace(tzinfo=UTC) if when.tzinfo is None else when
            t_ns = round(when.timestamp() * 1e6) * 1000
    except (ValueError, OverflowError, IndexError):
        raise SessionError(f"{text!r} is no time: give +SECONDS, HH:MM:SS, or 2026-01-01T14:30:00") from None
    if not start_ns - _SLACK_NS <= t_ns <= end_ns + _SLACK_NS:
        first, last = (datetime.fromtimestamp(t // 1_000_000_000, UTC).isoformat()[:19] for t in (start_ns, end_ns))
        raise SessionError(f"{text}: outside the session, which goes from {first} to {last} UTC")
    return t_ns


def _time_of_day(text: str, start_ns: int) -> int:
    """The first time after `start_ns` at which it is ``HH:MM`` or ``HH:MM:SS``, UTC, ns."""
    hours, minutes, *rest = text.split(":")
    day_s = int(hours) * 3600 + int(minutes) * 60 + (float(rest[0]) if rest else 0.0)
    t_ns = start_ns // DAY_NS * DAY_NS + round(day_s * 1e9)
    return t_ns + DAY_NS if t_ns < start_ns - _SLACK_NS else t_ns


def _day_of(t_ns: int, recorded: Sequence[tuple[int, int]], after_ns: int) -> int:
    """`t_ns`, or the same time on the first later day on which something was recorded then."""
    for from_ns, to_ns in recorded:
        days = -(-max(0, max(from_ns, after_ns) - _SLACK_NS - t_ns) // DAY_NS)
        if t_ns + days * DAY_NS <= to_ns + _SLACK_NS:
            return t_ns + days * DAY_NS
    return t_ns
