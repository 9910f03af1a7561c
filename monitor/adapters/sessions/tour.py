"""The tour of the crew: what was raised, checked, set and noted since the oncoming driller last signed the hand-over.

All of it is read from findings, in their order: those of the run, and of the sessions before it. A replay so shows the tour as it
was at each moment.
"""

import logging
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from monitor.adapters.sessions.folder import session_files
from monitor.adapters.sessions.format import SessionError
from monitor.adapters.sessions.reader import SessionReader
from monitor.errors import UserError
from monitor.model.alarm import Finding, Severity
from monitor.model.check import CheckVerdict
from monitor.model.stream import ActionKind
from monitor.text import harmless

LOG = logging.getLogger(__name__)

TOUR_NS: Final = 12 * 3_600_000_000_000
"""How far back it goes while nobody has signed a hand-over: the usual length of a tour."""
MOST_EVENTS: Final = 40
"""Of the latest things done that are kept for the page."""
_MOST_FINDINGS: Final = 20_000
_DONE: Final = frozenset((ActionKind.REFERENCE_HEIGHT, ActionKind.SLIP_AND_CUT, ActionKind.NOTE, ActionKind.HAND_OVER))
_VERDICTS: Final = frozenset(CheckVerdict)
_MINUTE_NS: Final = 60_000_000_000


@dataclass(frozen=True, slots=True)
class Raised:
    """An alarm that was raised in the tour."""

    key: str
    severity: Severity
    message: str
    count: int
    first_ns: int
    last_ns: int


@dataclass(frozen=True, slots=True)
class Done:
    """A check that ended, a height that was set, a cut, a note."""

    t_ns: int
    kind: str
    """"check", or the action's kind."""
    words: str
    verdict: str = ""
    """Of a check: a `CheckVerdict`."""
    who: str = ""
    """Initials, where the finding has them."""


@dataclass(frozen=True, slots=True)
class Tour:
    """A tour up to a moment."""

    since_ns: int = 0
    signed_by: str = ""
    """Who signed for it; empty where nobody has, and then it is what is known of the last 12 h."""
    raised: tuple[Raised, ...] = ()
    """Worst first, of equals the latest first."""
    done: tuple[Done, ...] = ()
    """In the order of time; the latest `MOST_EVENTS`."""


class TourLog:
    """Takes findings in their order, and says what the tour has had so far."""

    def __init__(self, earlier: Iterable[Finding] = ()) -> None:
        self._kept: deque[Finding] = deque(maxlen=_MOST_FINDINGS)
        self._first_ns: int | None = None
        self._signed: Finding | None = None
        self._last: tuple[object, Tour] | None = None
        for finding in earlier:
            self.take(finding)

    def take(self, finding: Finding) -> None:
        """Take one finding. A hand-over begins the next tour."""
        if self._first_ns is None:
            self._first_ns = finding.t_ns
        if not belongs(finding):
            return
        self._last = None
        if is_hand_over(finding):
            self._signed = finding
            self._kept.clear()
        else:
            self._kept.append(finding)

    def put_before(self, earlier: Sequence[Finding]) -> None:
        """Take what sessions before this run had, after some of the run's own."""
        own, signed = tuple(self._kept), self._signed
        before = TourLog(earlier)
        if before._first_ns is not None:
            self._first_ns = before._first_ns
        if signed is None:
            self._signed = before._signed
            self._kept = deque((*before._kept, *own), maxlen=_MOST_FINDINGS)
        self._last = None

    def tour(self, now_ns: int) -> Tour:
        """The tour up to `now_ns`."""
        key = (len(self._kept), now_ns // _MINUTE_NS)
        if self._last is None or self._last[0] != key:
            self._last = key, self._look(now_ns)
        return self._last[1]

    def _look(self, now_ns: int) -> Tour:
        if self._signed is not None:
            since_ns, by = self._signed.t_ns, self._signed.after
        else:
            since_ns, by = max(self._first_ns or now_ns, now_ns - TOUR_NS), ""
        return tour_of(self._kept, since_ns, by)


def belongs(finding: Finding) -> bool:
    """Whether a tour's page says anything of it."""
    return finding.raised or _done(finding)


def is_hand_over(finding: Finding) -> bool:
    """Whether a hand-over was signed."""
    return finding.kind == "action" and finding.key == ActionKind.HAND_OVER


def _done(finding: Finding) -> bool:
    if finding.kind == "check":
        return finding.after in _VERDICTS
    return finding.kind == "action" and finding.key in _DONE


def tour_of(findings: Iterable[Finding], since_ns: int, signed_by: str = "") -> Tour:
    """The tour that began at `since_ns`, from findings in their order."""
    raised: dict[str, Raised] = {}
    done: deque[Done] = deque(maxlen=MOST_EVENTS)
    for found in findings:
        if found.t_ns < since_ns:
            continue
        if found.raised:
            before = raised.get(found.key)
            count, first_ns = (before.count, before.first_ns) if before else (0, found.t_ns)
            worst = max(found.severity, before.severity) if before else found.severity
            raised[found.key] = Raised(found.key, worst, found.message, count + 1, first_ns, found.t_ns)
        elif _done(found):
            check = found.kind == "check"
            done.append(
                Done(found.t_ns, "check", found.message, verdict=found.after)
                if check
                else Done(found.t_ns, found.key, found.message, who=found.after)
            )
    ordered = sorted(raised.values(), key=lambda one: (-one.severity, -one.last_ns))
    return Tour(since_ns, signed_by, tuple(ordered), tuple(done))


def signed_tour(findings: Sequence[Finding]) -> tuple[Tour, Finding] | None:
    """The tour that the last signature ended, and the finding of that signature; None where nobody has signed."""
    signed = [place for place, found in enumerate(findings) if is_hand_over(found)]
    if not signed:
        return None
    last = findings[signed[-1]]
    if len(signed) > 1:
        before = findings[signed[-2]]
        between = findings[signed[-2] + 1 : signed[-1]]
        return tour_of(between, before.t_ns, before.after), last
    between = findings[: signed[-1]]
    first_ns = between[0].t_ns if between else last.t_ns
    return tour_of(between, max(first_ns, last.t_ns - TOUR_NS)), last


def findings_of_tour(folder: Path, rig: str, now_ns: int, except_for: Path | None = None) -> list[Finding]:
    """What the live sessions of `rig` in `folder` found that belongs to a tour, back to the last hand-over but one, at most
    two tours (24 h) before `now_ns`; in order. Sessions that cannot be read are skipped with a warning in the log."""
    sessions: list[list[Finding]] = []
    signed = 0
    for path in reversed([*session_files(folder, rig)]):
        if path == except_for:
            continue
        try:
            with SessionReader(path) as session:
                if session.mode != "LIVE" or session.end_ns == 0:
                    continue
                if session.end_ns < now_ns - 2 * TOUR_NS:
                    break
                found = [finding for finding in session.findings() if belongs(finding)]
        except (SessionError, UserError, OSError) as error:
            LOG.warning("%s: what it says of the tour cannot be read: %s", path.name, harmless(str(error)))
            continue
        sessions.append(found)
        signed += sum(map(is_hand_over, found))
        if signed > 1:
            break
    return sorted((finding for found in sessions for finding in found), key=lambda finding: finding.t_ns)
