"""Runs every case file on the production alarm bank, with the shipped catalogue and the land rig.

A case is a series of steps: from `at` seconds on, the rule's own signal has this `value` and `validity`, other signals
have these values (`signals`, or `flags` for the four flags of the rule's sensor), and the hoist is in this state. What
is not named stays as it was; signals that no step names are well on the safe side of every rule. `expect` is the whole
list of changes of the rule's alarm, with their times: what is not in it must not happen.
"""

import math
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Annotated, Literal

import pytest
from pydantic import Field

from monitor.config.fields import Finite, Model
from monitor.config.rig_file import find_rig, shipped_rigs
from monitor.config.rule import SENSOR_SIGNALS, RuleSet
from monitor.config.rules_file import default_rules_path, load_rules
from monitor.config.toml_file import read_toml, validate
from monitor.core.alarms.bank import AlarmBank
from monitor.core.signals.table import SIGNAL_NAMES
from monitor.model.alarm import AlarmState, Finding, Severity
from monitor.model.reading import Validity
from monitor.model.snapshot import HoistState
from monitor.model.stream import GRID_NS

FOLDER = Path(__file__).parent
FILES = sorted(FOLDER.glob("*.toml"))
VALIDITIES = {"valid": Validity.VALID, "degraded": Validity.DEGRADED, "invalid": Validity.INVALID}
START_NS = 1_700_000_000_000_000_000


class Step(Model):
    """What changes at one moment."""

    at: Annotated[float, Field(ge=0)]
    value: Finite | None = None
    validity: Literal["valid", "degraded", "invalid"] = "valid"
    hoist: HoistState | None = None
    signals: dict[str, Finite] = Field(default_factory=dict)
    flags: tuple[Finite, Finite, Finite, Finite] | None = None


class Case(Model):
    """One story and what must come of it."""

    name: str
    steps: Annotated[tuple[Step, ...], Field(min_length=1)]
    until: float
    expect: tuple[tuple[float, AlarmState], ...]


class CaseFile(Model):
    """All cases of one rule."""

    rule: str
    sensor: str | None = None
    case: Annotated[tuple[Case, ...], Field(min_length=2)]

    @property
    def key(self) -> str:
        """Key of the alarm that the cases are about."""
        return f"{self.rule}:{self.sensor}" if self.sensor else self.rule


@cache
def shipped_rules() -> RuleSet:
    return load_rules(default_rules_path(), find_rig("land"), SIGNAL_NAMES)


@cache
def load(path: Path) -> CaseFile:
    return validate(CaseFile, read_toml(path), str(path))


def safe_values(rules: RuleSet) -> dict[str, float]:
    """A number for each signal that is far on the safe side of every rule on it."""
    values = dict.fromkeys(SIGNAL_NAMES, 0.0)
    for rule in rules.rules:
        if rule.sensor is None:
            far = 1e3 + abs(rule.clear)
            values[rule.signal] = rule.clear + (far if rule.compare == "below" else -far)
    return values


def play(file: CaseFile, case: Case) -> Iterator[tuple[float, Finding]]:
    """Findings of the rule's alarm, with their times in seconds from the start."""
    rules = shipped_rules()
    rig = find_rig("land")
    rule = rules.rules[rules.index[file.key]]
    bank = AlarmBank(rules, SIGNAL_NAMES)
    values = safe_values(rules)
    valid = dict.fromkeys(SIGNAL_NAMES, int(Validity.VALID))
    flags = [[(0.0, int(Validity.VALID))] * len(SENSOR_SIGNALS) for _ in rig.sensors]
    hoist = HoistState.STILL
    steps = list(case.steps)
    for point in range(round(case.until * 1e9 / GRID_NS) + 1):
        seconds = point * GRID_NS / 1e9
        while steps and steps[0].at <= seconds + 1e-9:
            step = steps.pop(0)
            hoist = step.hoist or hoist
            values.update(step.signals)
            if step.flags is not None and rule.sensor is not None:
                flags[rule.sensor] = [(flag, int(Validity.VALID)) for flag in step.flags]
            validity = int(VALIDITIES[step.validity])
            number = math.nan if validity == Validity.INVALID else step.value
            if number is not None and rule.sensor is not None:
                flags[rule.sensor][SENSOR_SIGNALS.index(rule.signal)] = (number, validity)
            elif number is not None:
                values[rule.signal], valid[rule.signal] = number, validity
        numbers = [values[name] for name in SIGNAL_NAMES]
        findings = bank.evaluate(
            START_NS + point * GRID_NS,
            numbers,
            [valid[name] for name in SIGNAL_NAMES],
            hoist,
            tuple(map(tuple, flags)),
        )
        yield from ((seconds, finding) for finding in findings if finding.key == file.key)
    assert not steps, "a step lies after the end of its case"


@pytest.mark.parametrize(
    ("path", "place"),
    [pytest.param(p, i, id=f"{p.stem}-{i}") for p in FILES for i in range(len(load(p).case))],
)
def test_case(path: Path, place: int) -> None:
    file = load(path)
    case = file.case[place]
    reported = [(round(seconds, 3), AlarmState(finding.after)) for seconds, finding in play(file, case)]
    assert reported == [(round(at, 3), state) for at, state in case.expect], case.name


def test_every_rule_has_its_case_file_and_every_file_its_rule() -> None:
    rules = {rule.id for rule in shipped_rules().rules}
    assert {load(path).rule for path in FILES} == rules, "each rule needs its case file: tests/rules/RULE.toml"
    assert all(load(path).rule == path.stem for path in FILES)


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_each_file_fires_refrains_and_loses_its_data(path: Path) -> None:
    file = load(path)
    rule = shipped_rules().rules[shipped_rules().index[file.key]]
    assert (rule.per == "sensor") == (file.sensor is not None)
    assert any(case.expect for case in file.case), "no case makes the rule fire"
    assert any(not case.expect for case in file.case), "no case shows when it must not fire"
    lost = [case for case in file.case if any(step.validity == "invalid" for step in case.steps)]
    assert any(case.expect for case in lost), "no case loses the data of a standing alarm"
    if rule.when:
        assert any(not c.expect and c.steps[0].hoist not in rule.when for c in file.case), "no case outside `when`"


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_an_invalid_input_never_clears(path: Path) -> None:
    """The firing case again, with the data lost for good from the moment that it fires."""
    file = load(path)
    case = next(case for case in file.case if case.expect)
    fired_at = case.expect[0][0]
    kept = tuple(step for step in case.steps if step.at <= fired_at)
    lost = case.model_copy(
        update={"steps": (*kept, Step(at=fired_at + 0.05, validity="invalid")), "until": fired_at + 120.0}
    )
    assert [finding.after for _, finding in play(file, lost)] == [case.expect[0][1]]


@pytest.mark.parametrize("name", sorted(shipped_rigs()))
def test_the_catalogue_serves_every_shipped_rig(name: str) -> None:
    rules = load_rules(default_rules_path(), find_rig(name), SIGNAL_NAMES)
    assert len({rule.id for rule in rules.rules}) >= 32
    assert all(len(rule.message) <= 38 and len(rule.guidance) <= 76 for rule in rules.rules)
    assert all("{" not in rule.message + rule.guidance for rule in rules.rules)


def test_severities_are_in_the_usual_proportion() -> None:
    """Few alarms may claim the top words, or the words mean nothing (about 80/15/5 by ISA-18.2, by instance). The last words
    before a limit and the loss of what holds the load are what DANGER is for: here they are more than in a plant."""
    rules = shipped_rules().rules
    share = {severity: sum(rule.severity is severity for rule in rules) / len(rules) for severity in Severity}
    assert 0 < share[Severity.DANGER] <= 0.15
    assert 0.05 <= share[Severity.WARNING] <= 0.20


@pytest.mark.parametrize("rule", shipped_rules().rules, ids=lambda rule: rule.key)
def test_guidance_sends_people_to_look(rule) -> None:  # type: ignore[no-untyped-def]
    """Guidance is for a person: something to look at, watch, compare or check; and ends as a sentence."""
    assert any(word in rule.guidance.lower() for word in ("look", "check", "watch", "compare"))
    assert rule.guidance.endswith(".")
    assert not rule.message.endswith(".")


def test_motion_is_judged_at_once() -> None:
    quick = [
        rule
        for rule in shipped_rules().rules
        if rule.id.startswith(("brake-now", "brake-fully", "will-cross", "over-"))
    ]
    assert len(quick) == 8
    assert all(rule.on_delay_s <= 0.2 for rule in quick)
    ease = [rule for rule in shipped_rules().rules if rule.id.startswith("ease")]
    assert len(ease) == 2
    # At least half of the early notice is left when it comes.
    assert all(rule.on_delay_s <= rule.trip / 2 for rule in ease)
