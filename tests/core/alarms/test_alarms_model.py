"""The alarm bank against a slow, plain model of the same words: random values, hoist states, actions and restarts.

The model has no states and no tables. It keeps a few independent facts per alarm (true, asked for attention, latched,
shelved until, out of service, suppressed) and derives the state from them; it looks at every rule at every grid point.
"""

import math
from collections.abc import Collection
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.config.rule import Rule, RuleSet
from monitor.core.alarms.condition import Condition
from monitor.model.alarm import Severity
from monitor.model.snapshot import HoistState
from monitor.model.stream import GRID_NS, ActionKind
from tests.core.alarms.alarm_bench import INVALID, NOT_FITTED, RIG, SIGNALS, VALID, Bench, rule

CATALOGUE = (
    rule("plain", "a"),
    rule("slow", "b", on_delay_s=0.1, off_delay_s=0.15, clear=1.0),
    rule("latched", "a", latched=True, off_delay_s=0.05, severity="WARNING"),
    rule("moving", "c", when=["lowering", "hoisting"], on_delay_s=0.05),
    rule("worse", "d", latched=True, when=["lowering"], hides=["moving", "low"], severity="DANGER"),
    rule("low", "e", compare="below", trip=0.0, clear=1.0, hides=["plain"]),
    rule("silent", "sensor_stale", per="sensor", trip=0.5, hides=["refused"], message="Silent: {sensor}"),
    rule("refused", "sensor_rejecting", per="sensor", trip=0.5, message="Refused: {sensor}"),
)
SENSORS = (0, 1)
"""The sensors whose flags are played with."""


@dataclass
class Facts:
    """What the model knows of one alarm."""

    rule: Rule
    condition: Condition
    asks: bool = False
    latch: bool = False
    shelved_until: int | None = None
    out: bool = False
    suppressed: bool = False

    @property
    def aside(self) -> bool:
        return self.out or self.shelved_until is not None or self.suppressed

    @property
    def state(self) -> str:
        true = self.condition.true
        if self.out:
            return "out of service"
        if self.shelved_until is not None:
            return "shelved"
        if self.suppressed:
            return "suppressed by design"
        if true:
            return "unacknowledged" if self.asks else "acknowledged"
        if self.latch:
            return "latched unacknowledged" if self.asks else "latched acknowledged"
        return "returned unacknowledged" if self.asks else "normal"

    def back(self) -> None:
        """Something that set the alarm aside has ended: whatever is wrong asks for attention again."""
        if not self.aside:
            self.latch = self.latch or (self.rule.latched and self.condition.true)
            self.asks = self.condition.true or self.latch


@dataclass
class Model:
    """All alarms, told from the words."""

    rules: RuleSet
    hoist: HoistState = HoistState.UNKNOWN
    silenced: bool = False
    facts: dict[str, Facts] = field(default_factory=dict)
    reported: dict[str, str] = field(default_factory=dict)
    expected: frozenset[str] = frozenset()

    def __post_init__(self) -> None:
        for r in self.rules.rules:
            self.facts[r.key] = Facts(r, Condition(r.compare, r.trip, r.clear, r.on_delay_s, r.off_delay_s))
            self.reported[r.key] = "normal"

    def outside(self, facts: Facts) -> bool:
        return bool(facts.rule.when) and self.hoist is not HoistState.UNKNOWN and self.hoist not in facts.rule.when

    def hidden(self, key: str) -> bool:
        return any(
            key in other.rule.hides
            and other.condition.true
            and not other.out
            and other.shelved_until is None
            and (other.latch or not (other.rule.id in self.expected or self.outside(other)))
            for other in self.facts.values()
        )

    def step(self, bench: Bench) -> list[tuple[str, str, str]]:
        before = {key: facts.state for key, facts in self.facts.items()}
        flipped = []
        for facts in self.facts.values():
            if facts.rule.sensor is None:
                place = SIGNALS.index(facts.rule.signal)
                number, validity = bench.numbers[place], bench.validities[place]
            else:
                flag = 0 if facts.rule.signal == "sensor_stale" else 1
                number, validity = bench.flags[facts.rule.sensor][flag]
            if facts.condition.step_raw(bench.t_ns, number, validity, facts.suppressed):
                flipped.append(facts)
        for facts in self.facts.values():
            if facts.shelved_until is not None and bench.t_ns >= facts.shelved_until:
                facts.shelved_until = None
                facts.back()
        if bench.hoist is not HoistState.UNKNOWN:
            self.hoist = bench.hoist
        self.expected = bench.expected
        # Who hides is decided from the conditions and from what was so before, for all alarms alike.
        wanted = {
            key: not facts.latch and (facts.rule.id in self.expected or self.outside(facts) or self.hidden(key))
            for key, facts in self.facts.items()
        }
        for key, facts in self.facts.items():
            was, facts.suppressed = facts.suppressed, wanted[key]
            if was and not facts.suppressed:
                facts.back()
            elif facts.suppressed and not was and not facts.aside:
                facts.asks = False
        for facts in flipped:
            if facts.condition.true and not facts.out and not (facts.suppressed and facts.shelved_until is None):
                facts.latch = facts.latch or facts.rule.latched
                facts.asks = True
        return self.changes(before, {facts.rule.key for facts in flipped if facts.condition.true})

    def act(self, kind: ActionKind, key: str, seconds: float, signed: bool, t_ns: int) -> list[tuple[str, str, str]]:
        before = {name: facts.state for name, facts in self.facts.items()}
        for name, facts in self.facts.items():
            if key not in ("", name):
                continue
            danger, warning = facts.rule.severity is Severity.DANGER, facts.rule.severity is Severity.WARNING
            if kind is ActionKind.ACKNOWLEDGE and not facts.aside:
                facts.asks = False
            elif kind is ActionKind.RESET and not facts.aside and not facts.condition.true:
                facts.latch = False
            elif kind is ActionKind.SHELVE and not facts.out and not danger and (signed or not warning):
                facts.shelved_until = t_ns + round(seconds * 1e9)
            elif kind is ActionKind.UNSHELVE and facts.shelved_until is not None:
                facts.shelved_until = None
                facts.back()
            elif kind is ActionKind.OUT_OF_SERVICE and (signed or not (danger or warning)):
                if danger and facts.condition.true:
                    continue
                facts.out, facts.shelved_until = True, None
            elif kind is ActionKind.IN_SERVICE and facts.out:
                facts.out = False
                facts.back()
        return self.changes(before)

    def changes(self, before: dict[str, str], tripped: Collection[str] = ()) -> list[tuple[str, str, str]]:
        story = []
        for key, facts in self.facts.items():
            after = facts.state
            # What a check brings about is told although it is suppressed: when it comes, or comes to be expected.
            tested = after == "suppressed by design" and facts.rule.id in self.expected and facts.condition.true
            if after == before[key] and not (tested and key in tripped):
                continue
            if after == "unacknowledged":
                self.silenced = False
            if after != self.reported[key] and not (
                after == "suppressed by design" and self.reported[key] == "normal" and not tested
            ):
                story.append((key, self.reported[key], after))
                self.reported[key] = after
        return story

    def shown(self) -> dict[str, str]:
        return {
            key: facts.state
            for key, facts in self.facts.items()
            if facts.state != "normal" and (facts.state != "suppressed by design" or facts.condition.true)
        }


KEYS = [*(table["id"] for table in CATALOGUE[:6]), f"silent:{RIG.sensors[0].id}", f"refused:{RIG.sensors[1].id}"]
IDS = [table["id"] for table in CATALOGUE]
READINGS = st.sampled_from(
    [(-1.0, VALID), (0.5, VALID), (2.0, VALID), (2.0, 1), (math.nan, INVALID), (math.nan, VALID)]
)
OPERATIONS = st.one_of(
    st.tuples(st.just("value"), st.sampled_from(SIGNALS), READINGS),
    st.tuples(st.just("value"), st.sampled_from(SIGNALS), READINGS),
    st.tuples(st.just("flags"), st.sampled_from(SENSORS), st.tuples(READINGS, READINGS)),
    st.tuples(st.just("hoist"), st.sampled_from(HoistState), st.none()),
    st.tuples(st.just("expected"), st.sets(st.sampled_from(IDS)).map(frozenset), st.none()),
    st.tuples(st.just("steps"), st.integers(1, 5), st.none()),
    st.tuples(st.just("steps"), st.integers(1, 5), st.none()),
    st.tuples(
        st.sampled_from(
            [
                ActionKind.SHELVE,
                ActionKind.UNSHELVE,
                ActionKind.RESET,
                ActionKind.OUT_OF_SERVICE,
                ActionKind.IN_SERVICE,
                ActionKind.ACKNOWLEDGE,
            ]
        ),
        st.sampled_from(KEYS),
        st.tuples(st.sampled_from([0.05, 0.2, 0.4]), st.booleans()),
    ),
    st.tuples(st.just(ActionKind.ACKNOWLEDGE), st.just(""), st.just((0.0, False))),
    st.tuples(st.just("silence"), st.none(), st.none()),
    st.tuples(st.just("restart"), st.none(), st.none()),
)


@settings(max_examples=300, deadline=None)
@given(operations=st.lists(OPERATIONS, max_size=60))
def test_the_bank_does_what_the_words_say(operations: list[tuple[Any, Any, Any]]) -> None:
    bench = Bench(*CATALOGUE)
    model = Model(bench.rules)

    def compare(findings: list[Any], story: list[tuple[str, str, str]]) -> None:
        assert [(f.key, f.before, f.after) for f in findings if f.kind == "alarm"] == story
        assert {view.key: view.state.value for view in bench.bank.views()} == model.shown()
        assert bench.bank.silenced is model.silenced

    def step() -> None:
        findings = bench.step()
        story = model.step(bench)
        compare(findings, story)
        assert bench.bank.blind_rules == sum(facts.condition.blind for facts in model.facts.values())

    step()
    for what, target, how in operations:
        if what == "value":
            place = SIGNALS.index(target)
            bench.numbers[place], bench.validities[place] = how
        elif what == "flags":
            bench.flags[target] = [*how, (0.0, VALID)]
        elif what == "hoist":
            bench.hoist = target
        elif what == "expected":
            bench.expected = target
        elif what == "steps":
            for _ in range(target):
                step()
        elif what == "silence":
            bench.act(ActionKind.SILENCE)
            model.silenced = True
        elif what == "restart":
            bench.restart()
            for facts in model.facts.values():
                facts.condition.restore(*facts.condition.saved_state())
            step()
        else:
            seconds, signed = how
            who, why = ("KL", "valve") if signed else ("", "")
            findings = bench.act(what, target, seconds, who, why)
            compare(findings, model.act(what, target, seconds, signed, bench.t_ns))
    # The story of each alarm is a chain: nothing happens between two findings.
    for key in KEYS:
        chain = [f for f in bench.story if f.key == key and f.kind == "alarm"]
        assert all(earlier.after == later.before for earlier, later in pairwise(chain))


@settings(max_examples=100, deadline=None)
@given(
    readings=st.lists(st.tuples(READINGS, st.sampled_from(HoistState)), min_size=1, max_size=20),
    lost=st.integers(1, 200),
)
def test_losing_all_data_never_ends_an_alarm(readings: list[tuple[Any, HoistState]], lost: int) -> None:
    bench = Bench(*CATALOGUE)
    for (number, validity), hoist in readings:
        bench.hoist = hoist
        bench.numbers = [number] * len(SIGNALS)
        bench.validities = [validity] * len(SIGNALS)
        bench.step()
    before = {view.key: view.state for view in bench.bank.views()}
    bench.hoist = HoistState.UNKNOWN
    bench.numbers = [math.nan] * len(SIGNALS)
    bench.validities = [INVALID] * len(SIGNALS)
    assert bench.step(lost) == []
    assert {view.key: view.state for view in bench.bank.views()} == before


@given(st.lists(st.sampled_from([(2.0, VALID), (-1.0, VALID), (math.nan, NOT_FITTED)]), max_size=30))
def test_equipment_that_is_not_there_has_no_alarm(readings: list[tuple[float, int]]) -> None:
    bench = Bench(rule("plain", "a"))
    for number, validity in [*readings, (math.nan, NOT_FITTED)]:
        bench.numbers[0], bench.validities[0] = number, validity
        bench.step()
    view = bench.view("plain")
    assert view is None or not view.active
    assert bench.bank.blind_rules == 0
    assert bench.t_ns % GRID_NS == 0
