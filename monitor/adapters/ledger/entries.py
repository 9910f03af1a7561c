"""What a run has for the rig's ledger, and the one rule for each kind that keeps anything from being entered twice.

A running monitor and `stopmark ledger take` bring the same things, often of the same hours: the monitor as they happen,
`take` from the recording, perhaps after a crash or of one hour alone. Both hand their drafts to `enter`:

    what happened    (checks, references, cuts, notes) is known when there is an entry of its kind at its very time.
    brake health     has one entry per day (UTC). A later figure of the same day corrects the earlier; what a person
                     entered stands.
    line work        has entries that say over which time they were summed (`SPAN`). Only the parts of a stretch that no
                     entry covers yet are entered, each with the work done in it.
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
_REFUSED: Final = " refused: "
"""In the words of a finding: the core did not take what the crew gave."""
_VERDICTS: Final = frozenset(str(verdict) for verdict in CheckVerdict)


_ACTIONS: Final = {
    ActionKind.REFERENCE_HEIGHT: ("reference", "height_m"),
    ActionKind.SLIP_AND_CUT: ("line-cut", "turns"),
    ActionKind.NOTE: ("note", ""),
}
"""Actions that are kept: kind of entry, and name of the number."""


@dataclass(frozen=True, slots=True)
class Draft:
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
class Stretch:
    """Line work over some time without a cut in it: the sum at each of `times_ns`, J, which runs on in between."""

    times_ns: _Numbers
    sums_j: _Numbers

    @property
    def done_j(self) -> float:
        """All of it, J."""
        return float(self.sums_j[-1]) - float(self.sums_j[0])

    def at(self, t_ns: int) -> float:
        """The sum at a time within the stretch, J."""
        times, sums = self.times_ns, self.sums_j
        after = bisect_right(times, t_ns)
        if after >= len(times):
            return float(sums[-1])
        if after == 0:
            return float(sums[0])
        share = (t_ns - int(times[after - 1])) / (int(times[after]) - int(times[after - 1]))
        return float(sums[after - 1]) + share * (float(sums[after]) - float(sums[after - 1]))


class Gleaner:
    """Picks what the ledger keeps out of a run's actions and findings, given one by one in their order."""

    def __init__(self) -> None:
        self._said: list[Action] = []
        self._checking: dict[str, str] = {}

    def action(self, action: Action) -> None:
        """Something the crew did, before the findings that it leads to."""
        if action.kind == ActionKind.CHECK_START:
            self._checking[action.target] = action.who
        elif action.kind in _ACTIONS:
            self._said.append(action)

    def finding(self, finding: Finding) -> Draft | None:
        """What the ledger keeps of this finding."""
        if finding.kind == "check" and finding.after in _VERDICTS:
            numbers = {"passed": float(finding.after == CheckVerdict.PASS)}
            numbers |= {"measured": finding.number} if finding.number is not None else {}
            numbers |= {"limit": finding.threshold} if finding.threshold is not None else {}
            return Draft("check", finding.t_ns, self._checking.get(finding.key, ""), finding.message, numbers)
        if finding.kind == "action":
            for place, action in enumerate(self._said):
                if action.kind == finding.key and action.t_ns == finding.t_ns:
                    del self._said[: place + 1]
                    return None if _refuses(finding) else _of_action(action)
        return None


def _of_action(action: Action) -> Draft:
    kind, name = _ACTIONS[action.kind]
    numbers = {name: action.number} if name and action.number is not None else {}
    return Draft(kind, action.t_ns, action.who, action.text, numbers)


def _refuses(finding: Finding) -> bool:
    return finding.key != ActionKind.NOTE and _REFUSED in finding.message


def is_cut(finding: Finding) -> bool:
    """Whether the finding says that the line was slipped and cut."""
    return finding.kind == "action" and finding.key == ActionKind.SLIP_AND_CUT and not _refuses(finding)


def enter(ledger: Ledger, drafts: Sequence[Draft | Stretch], written_ns: int) -> tuple[int, int]:
    """Write what the ledger does not have yet. (How many entries that were, how many drafts it knew already.)

    All of it is on the disk when this returns, or none of it when it raises.

    Raises:
        EntryError: one of them can be no entry.
        LedgerError: the ledger cannot be read or written now.
    """
    with ledger.together():
        have = _have(ledger, drafts)
        new = known = 0
        for draft in drafts:
            if isinstance(draft, Stretch) and not draft.done_j > 0.0:
                continue
            entered = 0
            for piece, corrects in have.missing(draft):
                have.note(
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


def pending(ledger: Ledger, drafts: Sequence[Draft | Stretch]) -> list[Draft]:
    """What `enter` would write of `drafts` now.

    Raises:
        LedgerError: the ledger cannot be read.
    """
    have = _have(ledger, drafts)
    return [piece for draft in drafts for piece, _ in have.missing(draft)]


def _have(ledger: Ledger, drafts: Sequence[Draft | Stretch]) -> "_Have":
    return _Have(ledger, min((_from_ns(draft) for draft in drafts), default=0))


def _from_ns(draft: Draft | Stretch) -> int:
    """The earliest time at which an entry may matter to `draft`."""
    return int(draft.times_ns[0]) if isinstance(draft, Stretch) else draft.t_ns // DAY_NS * DAY_NS


class _Have:
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

    def missing(self, draft: Draft | Stretch) -> Iterator[tuple[Draft, int | None]]:
        """What of `draft` is still to be entered, and the entry that it corrects."""
        if isinstance(draft, Stretch):
            for from_ns, to_ns in uncovered(int(draft.times_ns[0]), int(draft.times_ns[-1]), self._covered):
                done_j = draft.at(to_ns) - draft.at(from_ns)
                if done_j > 0.0:
                    numbers = {"work_j": done_j, SPAN: (to_ns - from_ns) * 1e-9}
                    yield Draft("line-work", to_ns, text="measured", numbers=numbers), None
            return
        if (draft.kind, draft.t_ns) in self._times:
            return
        earlier = self._days.get(draft.t_ns // DAY_NS) if draft.kind == "brake" else None
        if earlier is None:
            yield draft, None
        elif earlier.t_ns < draft.t_ns and not earlier.who:
            numbers = {**earlier.numbers, **draft.numbers}
            if numbers != earlier.numbers:
                yield Draft(draft.kind, draft.t_ns, draft.who, draft.text, numbers), earlier.id


def span_of(entry: Entry | Draft) -> tuple[int, int]:
    """The time over which an entry was summed, ns; its own moment for one that does not say."""
    return entry.t_ns - round(max(0.0, entry.numbers.get(SPAN, 0.0)) * 1e9), entry.t_ns


def uncovered(from_ns: int, to_ns: int, covered: Iterable[tuple[int, int]]) -> Iterator[tuple[int, int]]:
    """The parts of a stretch of time that none of `covered` covers, in order."""
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
