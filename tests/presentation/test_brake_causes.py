"""Rows of the brakes judged and explained: against the shipped rules, the table of signals and the guided checks."""

import math

import pytest

from monitor.config.rig_file import find_rig
from monitor.config.rules_file import default_rules_path, load_rules
from monitor.core.checks.guided_checks import PROCEDURES
from monitor.core.signals.table import SIGNAL_NAMES
from monitor.model.alarm import Severity
from monitor.model.reading import NOT_FITTED, UNKNOWN, Validity, Value
from monitor.presentation.brake_causes import ROWS, Fact, judge, ranked, severity
from monitor.presentation.trend import trend

RIG = find_rig("land")
FACTS = list(dict.fromkeys(fact for row in ROWS.values() for cause in row.causes for fact in cause.facts))


def known(**numbers: float) -> dict[str, Value]:
    return {name: Value(number, Validity.VALID) for name, number in numbers.items()}


def test_every_row_has_words_causes_evidence_and_a_check() -> None:
    checks = {procedure.id for procedure in PROCEDURES}
    for name, row in ROWS.items():
        assert {name, row.judged} <= set(SIGNAL_NAMES), name
        assert all((row.fine, row.bad, row.look, row.causes)), name
        assert row.fine != row.bad, name
        assert row.check in checks, name
        for cause in row.causes:
            assert all((cause.words, cause.facts)), (name, cause.words)
            assert {fact.signal for fact in cause.facts} <= set(SIGNAL_NAMES), (name, cause.words)


def test_limits_and_severities_are_those_of_the_shipped_rules() -> None:
    rules = load_rules(default_rules_path(), RIG, SIGNAL_NAMES).rules
    compared = 0
    for name, row in ROWS.items():
        trips = {
            rule.trip: rule.severity for rule in rules if (rule.signal, rule.compare) == (row.judged, row.relation)
        }
        if row.judged == "accumulator_pressure":  # its rule looks at what is left above the least pressure
            trips = {
                r.trip + RIG.hydraulics.min_pressure_pa: r.severity for r in rules if r.signal == "accumulator_margin"
            }
        found = {severity for trip, severity in trips.items() if math.isclose(row.limit(RIG), trip, abs_tol=1e-12)}
        assert found == {row.severity}, (name, trips)
        graver = {trip for trip, severity in trips.items() if severity > row.severity}
        assert graver == (set() if row.warning is None else {row.warning(RIG)}), (name, trips)
        assert all(trips[trip] is Severity.WARNING for trip in graver), name
        compared += 1
    assert compared == len(ROWS) >= 25


def test_a_row_is_as_grave_as_the_rule_that_it_is_beyond() -> None:
    def of(name: str, number: float) -> Severity | None:
        return severity(ROWS[name], known(**{ROWS[name].judged: number}), RIG)

    assert [of("effectiveness", number) for number in (0.9, 0.8, 0.6)] == [None, Severity.CAUTION, Severity.WARNING]
    assert [of("load_over_rating", number) for number in (0.8, 0.95, 1.1)] == [None, Severity.NOTICE, Severity.WARNING]
    assert severity(ROWS["effectiveness"], {"effectiveness": UNKNOWN}, RIG) is None


@pytest.mark.parametrize("name", ROWS)
def test_a_row_is_bad_beyond_its_limit_and_fine_on_this_side(name: str) -> None:
    row = ROWS[name]
    limit = row.limit(RIG)
    step = max(1e-3, 0.01 * abs(limit)) * (1 if row.relation == "above" else -1)
    assert judge(row, known(**{row.judged: limit + step}), RIG) == "bad"
    assert judge(row, known(**{row.judged: limit - step}), RIG) == "fine"
    assert judge(row, {}, RIG) == "unknown"
    assert judge(row, {row.judged: UNKNOWN}, RIG) == "unknown"
    assert judge(row, {row.judged: Value(limit, Validity.VALID, "no load")}, RIG) == "unknown"
    assert judge(row, {row.judged: NOT_FITTED}, RIG) == "not fitted"


@pytest.mark.parametrize("fact", FACTS, ids=lambda fact: f"{fact.signal}-{fact.relation}")
def test_what_is_not_known_never_counts(fact: Fact) -> None:
    assert fact.says({}, RIG) == "unknown"
    assert fact.says({fact.signal: Value(math.nan, Validity.VALID)}, RIG) == "unknown"
    beyond = fact.bound(RIG) + (1.0 if fact.relation == "above" else -1.0)
    assert fact.says(known(**{fact.signal: beyond}), RIG) == "for"


def first(name: str, **numbers: float) -> str:
    return ranked(ROWS[name], known(**numbers), RIG)[0].cause.words


def test_the_evidence_tells_causes_of_one_row_apart() -> None:
    low = RIG.hydraulics.min_pressure_pa - 1e6
    assert "pump" in first("accumulator_pressure", accumulator_pressure=low, applications_left=3.0, leak_rate=0.0)
    assert "oil lost" in first("accumulator_pressure", accumulator_pressure=low, applications_left=3.0, leak_rate=5e4)
    hot = RIG.braking.fade_onset_c + 50.0
    assert "too much of the work" in first(
        "disc_temperature_left", disc_modelled=hot, disc_difference=5.0, aux_share=0.1
    )
    assert "drags" in first(
        "disc_temperature_left", disc_modelled=60.0, disc_difference=90.0, aux_share=0.9, release_drift=0.3
    )
    assert "heat" in first("effectiveness", effectiveness=0.6, fade=0.2, disc_temperature_left=hot, disc_temperature_right=hot,
                           pressure_shortfall=0.0)  # fmt: skip
    assert "oiled" in first(
        "effectiveness", effectiveness=0.6, fade=0.0, disc_temperature_left=60.0, pressure_shortfall=0.0
    )
    assert "oil pressure" in first("effectiveness", effectiveness=0.95, fade=0.0, disc_temperature_left=60.0,
                                   pressure_shortfall=0.5, accumulator_pressure=low)  # fmt: skip


def test_without_evidence_the_order_is_the_tables() -> None:
    for row in ROWS.values():
        assert [entry.cause for entry in ranked(row, {}, RIG)] == list(row.causes)


def test_facts_of_what_the_rig_has_not_are_left_out() -> None:
    values = dict.fromkeys(("aux_share", "aux_missing", "aux_current"), NOT_FITTED)
    for entry in ranked(ROWS["aux_torque"], values, RIG):
        assert entry.says == ()


@pytest.mark.parametrize(
    ("numbers", "word"),
    [
        ([10.0 + 0.1 * i for i in range(60)], "rising"),
        ([10.0 - 0.1 * i for i in range(60)], "falling"),
        ([10.0 + 0.01 * (i % 2) for i in range(60)], "steady"),
        ([10.0] * 20 + [0.0] * 20 + [10.0] * 20, "varies"),
        ([10.0] * 59 + [99.0], "varies"),
        ([10.0] * 5, "no trend yet"),
        ([math.nan] * 50 + [10.0] * 10, "no trend yet"),
        ([], "no trend yet"),
    ],
)
def test_the_trend_in_a_word(numbers: list[float], word: str) -> None:
    assert trend(numbers) == word
