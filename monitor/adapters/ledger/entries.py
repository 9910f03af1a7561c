"""What a run has for the rig's ledger, and the one rule for each kind that keeps anything from being entered twice.

A running monitor and `stopmark ledger take` bring the same things, often of the same hours: the monitor as they happen,
`take` from the recording, perhaps after a crash or of one hour alone. Both hand their candidates to `add_entries`:

    what happened    (checks, references, cuts, notes) is known when there is an entry of its kind at its very time.
    brake health     has one entry per day (UTC). A later figure of the same day corrects the earlier; what a person
                     entered stands.
    line work        has entries that say over which time they were summed (`SPAN`). Only the parts of a sum's time that
                     no entry covers yet are entered, each with the work done in it.
"""

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, Final, Protocol

from monitor.adapters.ledger.ledger import Entry, Ledger
from monitor.model.alarm import Finding
from monitor.model.check import CheckVerdict
from monitor.model.stream import Action, ActionKind

DAY_NS: Final = 86_400_000_000_000
SPAN: Final = "span_s"
"""Name of the number that says how long an entry's line work was summed for, up to the entry's time."""
BRAKE_FIGURES: Final = MappingProxyType(
    {
        "effectiveness": "effectiveness",
        "response_s": "response_time",
        "leak_pa_s": "leak_rate",
        "aux_share": "aux_share",
    }
)
"""Numbers of a ``brake`` entry, and the signal that each is read from."""
BRAKE_WORDS: Final = "brake health of the day"
FALSE_ALARM: Final = "false-alarm"
"""Kind of entry: an alarm that the crew calls false. Its text begins with the alarm's key."""
_REFUSED: Final = " refused: "
"""In the words of a finding: the core did not take what the crew gave."""
_WORDS_OF_CREW: Final = (ActionKind.NOTE, ActionKind.HAND_OVER)
"""Never refused: their findings say what the crew said."""
_VERDICTS: Final = frozenset(str(verdict) for verdict in CheckVerdict)


_ACTIONS: Final = {
    ActionKind.REFERENCE_HEIGHT: ("reference", "height_m"),
    ActionKind.SLIP_AND_CUT: ("line-cut", "turns"),
    ActionKind.FALSE_ALARM: (FALSE_ALARM, ""),
    ActionKind.NOTE: ("note", ""),
    ActionKind.HAND_OVER: ("hand-over", ""),
}
"""Actions that are kept: kind of entry, and name of the number."""


@dataclass(frozen=True, slots=True)
class NewEntry:
    """An entry that is not written yet."""

    kind: str
    t_ns: int
    who: str = ""
    text: str = ""
    numbers: Mapping[str, float] = field(default_factory=dict)


class _Numbers(Protocol):
    """A list of numbers, or an array."""

    def __len__(self) -> int: ...
    def __getitem__(self, index: int, /) -> Any: ...


@dataclass(frozen=True, slots=True)
class WorkSum:
    """Line work over some time without a cut in it: the sum at each of `times_ns`, J; linear in between."""

    times_ns: _Numbers
    sums_j: _Numbers

    @property
    def done_j(self) -> float:
        """All of it, J."""
        return float(self.sums_j[-1]) - float(self.sums_j[0])

    def at(self, t_ns: int) -> float:
        """The sum at `t_ns`, J; the first or the last outside its time."""
        times, sums = self.times_ns, self.sums_j
        after = bisect_right(times, t_ns)
        if after >= len(times):
            return float(sums[-1])
        if after == 0:
            return float(sums[0])
        share = (t_ns - int(times[after - 1])) / (int(times[after]) - int(times[after - 1]))
        return float(sums[after - 1]) + share * (float(sums[after]) - float(sums[after - 1]))


class EntryCollector:
    """Collects what the ledger keeps of a run's actions and findings, given one by one in their order."""

    def __init__(self) -> None:
        self._actions: list[Action] = []
        self._checking: dict[str, str] = {}

    def action(self, action: Action) -> None:
        """Take an action of the crew, before the findings that it leads to."""
        if action.kind == ActionKind.CHECK_START:
            self._checking[action.target] = action.who
        elif action.kind in _ACTIONS:
            self._actions.append(action)

    def finding(self, finding: Finding) -> NewEntry | None:
        """What the ledger keeps of this finding."""
        if finding.kind == "check" and finding.after in _VERDICTS:
            numbers = {"passed": float(finding.after == CheckVerdict.PASS)}
            numbers |= {"measured": finding.number} if finding.number is not None else {}
            numbers |= {"limit": finding.threshold} if finding.threshold is not None else {}
            return NewEntry("check", finding.t_ns, self._checking.get(finding.key, ""), finding.message, numbers)
        if finding.kind == "action":
            for place, action in enumerate(self._actions):
                if action.kind == finding.key and action.t_ns == finding.t_ns:
                    del self._actions[: place + 1]
                    return None if _refuses(finding) else _of_action(action)
        return None


def _of_action(action: Action) -> NewEntry:
    kind, name = _ACTIONS[action.kind]
    numbers = {name: action.number} if name and action.number is not None else {}
    text = false_alarm_text(action.target, action.text) if kind == FALSE_ALARM else action.text
    return NewEntry(kind, action.t_ns, action.who, text, numbers)


def false_alarm_text(key: str, why: str) -> str:
    """Text of an entry that calls the alarm `key` false: ``brake-now-down: was stopping``."""
    return f"{key}: {why}" if why.strip() else key


def key_called_false(text: str) -> str:
    """The alarm's key in `false_alarm_text`."""
    return text.partition(": ")[0].strip()


def _refuses(finding: Finding) -> bool:
    return finding.after == "refused" or (finding.key not in _WORDS_OF_CREW and _REFUSED in finding.message)


def is_cut(finding: Finding) -> bool:
    """Whether the finding says that the line was slipped and cut."""
    return finding.kind == "action" and finding.key == ActionKind.SLIP_AND_CUT and not _refuses(finding)


def add_entries(ledger: Ledger, candidates: Sequence[NewEntry | WorkSum], written_ns: int) -> tuple[int, int]:
    """Write what the ledger does not hold yet. Returns how many entries that were, and how many candidates it held already.

    All of it is on the disk when this returns, or none of it when it raises.

    Raises:
        EntryError: one of them can be no entry.
        LedgerError: the ledger cannot be read or written now.
    """
    with ledger.together():
        content = _content_of(ledger, candidates)
        new = known = 0
        for candidate in candidates:
            if isinstance(candidate, WorkSum) and not candidate.done_j > 0.0:
                continue
            entered = 0
            for piece, corrects in content.missing(candidate):
                content.note(
                    ledger.add(
                        piece.kind,
                        piece.t_ns,
                        written_ns,
                        who=piece.who,
                        text=piece.text,
                        numbers=piece.numbers,
                        corrects=corrects,
                    )
                )
                entered += 1
            new += entered
            known += not entered
    return new, known


def pending(ledger: Ledger, candidates: Sequence[NewEntry | WorkSum]) -> list[NewEntry]:
    """What `add_entries` would write of `candidates` now.

    Raises:
        LedgerError: the ledger cannot be read.
    """
    content = _content_of(ledger, candidates)
    return [piece for candidate in candidates for piece, _ in content.missing(candidate)]


def _content_of(ledger: Ledger, candidates: Sequence[NewEntry | WorkSum]) -> "_Content":
    return _Content(ledger, min((_from_ns(candidate) for candidate in candidates), default=0))


def _from_ns(candidate: NewEntry | WorkSum) -> int:
    """The earliest time at which an entry may matter to `candidate`."""
    return int(candidate.times_ns[0]) if isinstance(candidate, WorkSum) else candidate.t_ns // DAY_NS * DAY_NS


class _Content:
    """What a ledger holds from `from_ns` on, as far as it matters for not entering anything twice."""

    def __init__(self, ledger: Ledger, from_ns: int) -> None:
        self._times: set[tuple[str, int]] = set()
        self._days: dict[int, Entry] = {}
        self._covered: list[tuple[int, int]] = []
        for entry in ledger.entries(from_ns=from_ns, corrected=True):
            self._times.add((entry.kind, entry.t_ns))
            self._cover(entry)  # also when it was corrected: the correction need not say over which time it was summed
        for entry in ledger.entries("brake", from_ns):
            self._days[entry.t_ns // DAY_NS] = entry

    def note(self, entry: Entry) -> None:
        """An entry that was just added."""
        self._times.add((entry.kind, entry.t_ns))
        if entry.kind == "brake":
            self._days[entry.t_ns // DAY_NS] = entry
        self._cover(entry)

    def _cover(self, entry: Entry) -> None:
        from_ns = span_of(entry)[0]
        if entry.kind == "line-work" and from_ns < entry.t_ns:
            self._covered.append((from_ns, entry.t_ns))

    def missing(self, candidate: NewEntry | WorkSum) -> Iterator[tuple[NewEntry, int | None]]:
        """What of `candidate` is still to be entered, and the entry that it corrects."""
        if isinstance(candidate, WorkSum):
            for from_ns, to_ns in uncovered(int(candidate.times_ns[0]), int(candidate.times_ns[-1]), self._covered):
                done_j = candidate.at(to_ns) - candidate.at(from_ns)
                if done_j > 0.0:
                    numbers = {"work_j": done_j, SPAN: (to_ns - from_ns) * 1e-9}
                    yield NewEntry("line-work", to_ns, text="measured", numbers=numbers), None
            return
        if (candidate.kind, candidate.t_ns) in self._times:
            return
        earlier = self._days.get(candidate.t_ns // DAY_NS) if candidate.kind == "brake" else None
        if earlier is None:
            yield candidate, None
        elif earlier.t_ns < candidate.t_ns and not earlier.who:
            numbers = {**earlier.numbers, **candidate.numbers}
            if numbers != earlier.numbers:
                yield NewEntry(candidate.kind, candidate.t_ns, candidate.who, candidate.text, numbers), earlier.id


def span_of(entry: Entry | NewEntry) -> tuple[int, int]:
    """The time over which an entry was summed, ns; its own moment for one that does not say."""
    return entry.t_ns - round(max(0.0, entry.numbers.get(SPAN, 0.0)) * 1e9), entry.t_ns


def uncovered(from_ns: int, to_ns: int, covered: Iterable[tuple[int, int]]) -> Iterator[tuple[int, int]]:
    """The parts of the time from `from_ns` to `to_ns` that none of `covered` covers, in order."""
    for start_ns, end_ns in sorted(covered):
        if start_ns >= to_ns:
            break
        if end_ns <= from_ns:
            continue
        if start_ns > from_ns:
            yield from_ns, start_ns
        from_ns = end_ns
    if from_ns < to_ns:
        yield from_ns, to_ns
