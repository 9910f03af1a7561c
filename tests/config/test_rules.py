"""Loading the rule catalogue: references, templates, and every mistake told at once with its rule and field."""

from pathlib import Path
from typing import Any

import pytest

from monitor.config.rig_file import find_rig, shipped_rigs
from monitor.config.rule import GUIDANCE_LENGTH, MESSAGE_LENGTH, RuleSet
from monitor.config.rules_file import build_rules, default_rules_path, load_rules
from monitor.config.toml_file import ConfigError
from monitor.model.alarm import Severity
from monitor.model.snapshot import HoistState
from tests.core.alarms.alarm_bench import RIG, SIGNALS, rule


def build(*tables: dict[str, Any], rig: Any = RIG, **extra: Any) -> RuleSet:
    return build_rules({"format": 1, "rule": list(tables)} | extra, "rules.toml", rig, SIGNALS)


def problems(*tables: dict[str, Any], **extra: Any) -> list[str]:
    with pytest.raises(ConfigError) as caught:
        build(*tables, **extra)
    return caught.value.problems


# ---- levels ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "number"),
    [
        (2, 2.0),
        (2.5, 2.5),
        ("rig:limits.ease_s", 4.0),
        ("1.25 * rig:limits.ease_s", 5.0),
        ("0.9*rig:limits.upper_m", 33.75),
        ("-1 * rig:limits.max_speed_m_s", -1.6),
        ("rig:brake.full_pressure_pa", 14.0e6),
        ("rig:aux.coolant_max_c", 75.0),
        ("rig:line.lines", 12.0),
    ],
)
def test_a_level_is_a_number_or_a_field_of_the_rig(text: float | str, number: float) -> None:
    (one,) = build(rule("one", trip=text, clear=-100.0)).rules
    assert one.trip == pytest.approx(number, rel=1e-12)


@pytest.mark.parametrize(
    ("level", "words"),
    [
        ("rig:limits.height_of_wish_m", "no field 'limits.height_of_wish_m'"),
        ("rig:limits", "neither a number nor like"),
        ("rig:brake.kind", "not a number"),
        ("rig:brake.kind.length", "no field"),
        ("rig:reference.counts", "not a number"),
        ("rig:limits.ease_s.real", "no field"),
        ("rig:sensors.0", "no field"),
        ("rig:mast.__class__", "no field"),
        ("four", "neither a number nor like"),
        ("1 + rig:limits.ease_s", "neither a number nor like"),
        ("rig:limits.ease_s * 2", "neither a number nor like"),
    ],
)
def test_a_level_that_leads_nowhere_is_told(level: str, words: str) -> None:
    (problem,) = problems(rule("one", trip=level))
    assert problem.startswith("rules.toml: rule 'one': trip: ")
    assert words in problem


def test_a_rule_on_equipment_that_the_rig_has_not_is_left_out() -> None:
    bare = RIG.model_copy(update={"aux": type(RIG).model_fields["aux"].default})
    tables = (
        rule("hot", trip="rig:aux.coolant_max_c", clear="0.9 * rig:aux.coolant_max_c"),
        rule("one", hides=["hot"]),
    )
    assert [r.key for r in build(*tables).rules] == ["hot", "one"]
    rules = build(*tables, rig=bare)
    assert [r.key for r in rules.rules] == ["one"]
    assert rules.left_out == ("hot",)
    assert rules.rules[0].hides == ()


def test_clear_must_be_on_the_safe_side() -> None:
    reported = problems(rule("one", clear=1.5), rule("two", compare="below", trip="rig:limits.ease_s", clear=3.9))
    assert reported == [
        "rules.toml: rule 'one': clear: must be at or below trip (1.5 against 1)",
        "rules.toml: rule 'two': clear: must be at or above trip (3.9 against 4)",
    ]
    assert build(rule("same", clear=1.0)).rules[0].clear == 1.0


# ---- all mistakes at once ---------------------------------------------------------------------------------------------


def test_every_mistake_is_told_at_once_with_its_rule_and_field() -> None:
    reported = problems(
        rule("one", severity="FATAL"),
        rule("two", signal="z"),
        rule("two", on_delay_s=-1.0),
        rule("three", compare="over", extra=1),
        rule("three", hides=["nobody"]),
        rule("three"),
        {"signal": "a"},
        rule("four", when=["flying"], message="m" * (MESSAGE_LENGTH + 1)),
        rule("five", guidance="g" * (GUIDANCE_LENGTH + 1), latched="yes"),
        rule("six", trip=float("nan")),
        rule("seven", per="sensor"),
        rule("eight", signal="sensor_stale"),
        rule("nine", message="n" * (MESSAGE_LENGTH + 1), when=["unknown"]),
    )
    for words in (
        "rule 'one': severity: ",
        "rule 'two': signal: there is no signal 'z'",
        "rule 'two': on_delay_s: ",
        "rule 'three': compare: ",
        "rule 'three': extra: ",
        "rule 'three': hides: there is no rule 'nobody'",
        "rule 'three': id: is used twice",
        "rule number 7: id: ",
        "rule number 7: message: ",
        "rule 'four': when.0: ",
        "rule 'five': guidance: ",
        "rule 'five': latched: ",
        "rule 'six': trip",
        "rule 'seven': message: needs {sensor}",
        "rule 'eight': per: ",
        "rule 'nine': message: 39 characters",
        "rule 'nine': when: ",
    ):
        assert any(problem.startswith(f"rules.toml: {words}") for problem in reported), (words, reported)


@pytest.mark.parametrize(
    "data",
    [
        {},
        {"format": 2, "rule": [rule("one")]},
        {"format": 1, "rule": []},
        {"format": 1, "rule": ["one"]},
        {"format": 1, "rule": 3},
        {"format": 1, "rule": {"one": rule("one")}},
        {"format": 1, "rule": [rule("one")], "rules": []},
    ],
)
def test_a_file_that_is_no_catalogue_is_refused(data: dict[str, Any]) -> None:
    with pytest.raises(ConfigError) as caught:
        build_rules(data, "rules.toml", RIG, SIGNALS)
    assert all(problem.startswith("rules.toml: ") for problem in caught.value.problems)


def test_rules_must_not_hide_each_other_in_a_circle() -> None:
    reported = problems(rule("one", hides=["two"]), rule("two", hides=["three"]), rule("three", hides=["one"]))
    assert len(reported) == 3
    assert all("it hides itself" in problem for problem in reported)
    assert "it hides itself" in problems(rule("one", hides=["one"]))[0]


def test_a_missing_or_broken_file_is_told(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="no such file"):
        load_rules(tmp_path / "none.toml", RIG, SIGNALS)
    broken = tmp_path / "broken.toml"
    broken.write_text("[[rule]\n", encoding="utf-8")
    with pytest.raises(ConfigError, match="not valid TOML"):
        load_rules(broken, RIG, SIGNALS)


# ---- templates --------------------------------------------------------------------------------------------------------


def test_a_template_becomes_one_rule_for_each_sensor() -> None:
    table = rule("silent", "sensor_stale", per="sensor", message="Silent: {sensor}", guidance="Check {id}.")
    rules = build(table, rule("one", when=["lowering"], severity="DANGER", latched=True))
    assert [r.key for r in rules.rules[:-1]] == [f"silent:{sensor.id}" for sensor in RIG.sensors]
    assert [r.sensor for r in rules.rules[:-1]] == list(range(len(RIG.sensors)))
    load = rules.rules[rules.index["silent:hook-load"]]
    assert (load.message, load.guidance) == ("Silent: hook load", "Check hook-load.")
    assert rules.signals == {"sensor_stale", "a"}
    last = rules.rules[-1]
    assert (last.key, last.severity, last.latched, last.when) == ("one", Severity.DANGER, True, (HoistState.LOWERING,))


def test_two_sensors_of_one_quantity_are_told_apart_by_their_ids() -> None:
    second = RIG.sensors[0].model_copy(update={"id": "drum-two"})
    twins = RIG.model_copy(update={"sensors": (*RIG.sensors, second)})
    rules = build(rule("silent", "sensor_stale", per="sensor", message="Silent: {sensor}"), rig=twins)
    assert {r.message for r in rules.rules if "drum" in r.key} == {"Silent: drum", "Silent: drum-two"}


def test_the_longest_sensor_id_still_fits_the_banner() -> None:
    long = RIG.sensors[0].model_copy(update={"id": "x" * 40})
    rig = RIG.model_copy(update={"sensors": (*RIG.sensors, long)})
    table = rule("silent", "sensor_stale", per="sensor", message="Silent: {sensor}", guidance="Check {id}: " + "y" * 60)
    rules = build(table, rig=rig)
    assert all(len(r.message) <= MESSAGE_LENGTH and len(r.guidance) <= GUIDANCE_LENGTH for r in rules.rules)
    assert rules.rules[-1].message.endswith("…")


# ---- the shipped catalogue --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", sorted(shipped_rigs()))
def test_a_catalogue_with_unknown_signals_names_each_of_them(name: str) -> None:
    with pytest.raises(ConfigError) as caught:
        load_rules(default_rules_path(), find_rig(name), {"height"})
    reported = caught.value.problems
    assert len(reported) >= 30
    assert all("signal: there is no signal" in problem for problem in reported)
