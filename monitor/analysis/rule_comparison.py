"""What other rules would have said: the same inputs through two cores, and where their alarms differ."""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Final, Generic, Protocol, TypeVar

from monitor.adapters.sessions.chain import SessionChain
from monitor.config.rule import Rule
from monitor.model.alarm import Finding, Severity
from monitor.runtime.assembly import core_of, rules_of
from monitor.runtime.session_feed import begin

SAME_NS: Final = 30_000_000_000
"""Two alarms of one key that begin within this of one another are the same one, sooner or later."""


class Alarm(Protocol):
    """What is compared: an alarm's key, and when it was raised, ns."""

    @property
    def key(self) -> str: ...
    @property
    def t_ns(self) -> int: ...


A = TypeVar("A", bound=Alarm)


@dataclass(frozen=True, slots=True)
class Difference(Generic[A]):
    """One alarm under two sets of rules. None on the side that does not raise it."""

    key: str
    first: A | None
    second: A | None

    @property
    def t_ns(self) -> int:
        """When either raised it first."""
        return min(f.t_ns for f in (self.first, self.second) if f is not None)

    @property
    def later_s(self) -> float | None:
        """How much later the second set raised it, s; None where only one did."""
        if self.first is None or self.second is None:
            return None
        return (self.second.t_ns - self.first.t_ns) * 1e-9


@dataclass(frozen=True, slots=True)
class Comparison:
    """Alarms raised and prompts given under each set of rules, and where they differ."""

    first: list[Finding]
    second: list[Finding]
    differences: list[Difference[Finding]]
    same: int
    """Alarms that both raise, at the same moment and with the same severity."""


def compare(chain: SessionChain, rules: tuple[tuple[str, str], tuple[str, str]]) -> Comparison:
    """Replay `chain` under two sets of rules, each (TOML text, where it is from).

    Raises:
        ConfigError: a set of rules has mistakes. SessionError: a session cannot be read.
    """
    cores = [core_of(chain.rig, text, where, chain.header) for text, where in rules]
    found: list[list[Finding]] = [[], []]
    inputs, _ = [begin(core, chain) for core in cores]
    for item in inputs:
        for core, findings in zip(cores, found, strict=True):
            findings += core.feed(item)
    for core, findings in zip(cores, found, strict=True):
        findings += core.advance(chain.end_ns)
    first, second = ([f for f in findings if f.raised or f.prompted] for findings in found)
    differences = pair(first, second)
    both = [d for d in differences if d.first is not None and d.second is not None]
    alike = [d for d in both if d.later_s == 0.0 and d.first.severity is d.second.severity]  # type: ignore[union-attr]
    return Comparison(first, second, [d for d in differences if d not in alike], len(alike))


def pair(first: Sequence[A], second: Sequence[A]) -> list[Difference[A]]:
    """Every alarm of either, those that belong together paired, in the order of time."""
    waiting: dict[str, list[A]] = {}
    for finding in second:
        waiting.setdefault(finding.key, []).append(finding)
    pairs = []
    for one in first:
        others = waiting.get(one.key, [])
        nearest = min(others, key=lambda other: abs(other.t_ns - one.t_ns), default=None)
        if nearest is not None and abs(nearest.t_ns - one.t_ns) <= SAME_NS:
            others.remove(nearest)
            pairs.append(Difference(one.key, one, nearest))
        else:
            pairs.append(Difference(one.key, one, None))
    pairs += [Difference(key, None, finding) for key, others in waiting.items() for finding in others]
    return sorted(pairs, key=lambda pair: (pair.t_ns, pair.key))


def changed_rules(chain: SessionChain, rules: tuple[tuple[str, str], tuple[str, str]]) -> list[str]:
    """How the two sets themselves differ, one sentence for each field of each rule."""
    one, other = ({rule.key: rule for rule in rules_of(chain.rig, text, where).rules} for text, where in rules)
    words = [f"{key}: only in A" for key in one if key not in other]
    words += [f"{key}: only in B" for key in other if key not in one]
    for key, rule in one.items():
        if key in other:
            words += [f"{key}: {text}" for text in _changes(rule, other[key])]
    return words


def _changes(one: Rule, other: Rule) -> list[str]:
    found = []
    for item in fields(Rule):
        a, b = getattr(one, item.name), getattr(other, item.name)
        if a != b and item.name != "sensor":
            found.append(f"{item.name} {_words(a)} in A, {_words(b)} in B")
    return found


def _words(value: object) -> str:
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, Severity):
        return value.name
    if isinstance(value, tuple):
        return ", ".join(map(str, value)) or "(none)"
    return str(value)
