"""What the fuzzers found, one test each: it stays found."""

import math
import re
from pathlib import Path

import pytest

from monitor.adapters.fieldlog import EXAMPLE, load_map
from monitor.config import Rig
from monitor.configfile import ConfigError, config_root, parse_toml, validate
from monitor.core.engine import Core
from monitor.core.rules import build_rules
from monitor.core.signals import SIGNAL_NAMES
from monitor.core.types import Action, ActionKind, Frame
from simulators.scenario import load_scenario
from tests.fuzz.stream import T_NS
from tests.fuzz.texts import find_rig_once, rules_for

HUGE = ("9" * 5000, "0x" + "f" * 5000)
LAND = (config_root() / "rigs" / "land.toml").read_text(encoding="utf-8")


def with_value(field: str, value: str) -> str:
    """The land rig's file with another value of the first field so called."""
    text, count = re.subn(rf"(?m)^{field} = .*$", lambda _: f"{field} = {value}", LAND, count=1)
    assert count == 1, field
    return text


@pytest.mark.parametrize("number", HUGE)
def test_a_number_with_thousands_of_digits_is_refused_in_words(number: str, tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="rig"):
        validate(Rig, parse_toml(with_value("mass_kg", number), "rig"), "rig")
    with pytest.raises(ConfigError, match="rules"):
        build_rules(
            parse_toml(f"format = 1\n[[rule]]\nid = {number}\n", "rules"), "rules", find_rig_once("land"), SIGNAL_NAMES
        )
    path = tmp_path / "s.toml"
    path.write_text(f"description = {number}\n", encoding="utf-8")
    with pytest.raises(ConfigError, match=re.escape(str(path))):
        load_scenario(path)


def test_tables_in_tables_without_end_are_refused_in_words() -> None:
    deep = "[" + ".".join(["a"] * 5000) + "]\n"
    with pytest.raises(ConfigError, match="rig"):
        validate(Rig, parse_toml(deep, "rig"), "rig")


@pytest.mark.parametrize(
    ("field", "value", "words"),
    [
        ("rope_diameter_m", "1.5", "below drum.core_diameter_m"),
        ("wraps_per_layer", "0.5", "at least one wrap"),
        ("cooling_tau_s", "900.0\nfade_full_c = 200.0", "above fade_onset_c"),
        ("fill", "0.0", "line.fill"),
        ("inertia_kg_m2", "1e300", "drum.inertia_kg_m2"),
        ("heat_capacity_j_k", "5e-324", "braking.heat_capacity_j_k"),
    ],
)
def test_a_machine_that_cannot_be_is_refused_before_it_is_computed_with(field: str, value: str, words: str) -> None:
    with pytest.raises(ConfigError, match=words):
        validate(Rig, parse_toml(with_value(field, value), "rig"), "rig")


def test_a_rule_s_delay_has_an_end() -> None:
    text = (
        (config_root() / "rules.toml")
        .read_text(encoding="utf-8")
        .replace("on_delay_s = 1.5 ", "on_delay_s = 1e308 ", 1)
    )
    with pytest.raises(ConfigError, match="on_delay_s"):
        build_rules(parse_toml(text, "rules"), "rules", find_rig_once("land"), SIGNAL_NAMES)


@pytest.mark.parametrize(("field", "value"), [("start_m", "inf"), ("settings", "{ string_n = nan }")])
def test_a_scenario_s_numbers_are_finite(field: str, value: str, tmp_path: Path) -> None:
    path = tmp_path / "s.toml"
    text = (config_root() / "scenarios" / "calm-trip.toml").read_text(encoding="utf-8")
    path.write_text(re.sub(rf"(?m)^{field} = .*$", f"{field} = {value}", text), encoding="utf-8")
    with pytest.raises(ConfigError, match=f"work.{field}"):
        load_scenario(path)


def test_a_map_that_skips_rows_without_end_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "m.toml"
    path.write_text(EXAMPLE.replace("skip_rows = 0", "skip_rows = 999999999999"), encoding="utf-8")
    with pytest.raises(ConfigError, match="skip_rows"):
        load_map(path)


def test_a_finding_repeats_no_infinite_number_of_the_crew() -> None:
    rig = find_rig_once("land")
    core = Core(rig, rules_for(rig))
    core.ingest(Frame(T_NS, "x", b""))
    (said,) = core.act(Action(T_NS, ActionKind.SILENCE, number=math.inf))
    assert said.number is None


@pytest.mark.parametrize("share", [5, "ab", [None, 1.0], [math.nan, 1.0], [0.5]])
def test_a_share_that_is_none_is_not_taken_up_from_a_run_before(share: object) -> None:
    rig = find_rig_once("land")
    before = Core(rig, rules_for(rig))
    before.ingest(Frame(T_NS, "x", b""))
    state = before.state()
    state["brake"]["aux_share"] = share
    words = Core(rig, rules_for(rig)).restore(state, T_NS + 1_000_000_000)
    assert [word for word in words if "brake" in word]
