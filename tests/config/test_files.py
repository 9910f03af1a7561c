"""Mistakes in files that people write: each is told in words, with the file and the field, and all of them at once."""

from pathlib import Path

import pytest

from monitor.config.rig import Rig
from monitor.config.rig_file import load_rig, shipped_rigs
from monitor.config.toml_file import ConfigError, config_root, parse_toml, validate
from monitor.core.checks.procedure import as_text
from monitor.units import STANDARD_GRAVITY_M_S2
from simulators.scenario.scenario import load_scenario

LAND = (config_root() / "rigs" / "land.toml").read_text(encoding="utf-8")
PARTED = (config_root() / "scenarios" / "line-parted.toml").read_text(encoding="utf-8")


def problems_of(text: str) -> list[str]:
    with pytest.raises(ConfigError) as caught:
        validate(Rig, parse_toml(text, "mine.toml"), "mine.toml")
    return caught.value.problems


def changed(text: str, *changes: tuple[str, str]) -> str:
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


@pytest.mark.parametrize(
    ("old", "new", "reported"),
    [
        ("mass_kg = 22000", 'mass_kg = "22000"', 'block.mass_kg: must be a number, not "22000"'),
        ("mass_kg = 22000", "mass_kg = 0", "block.mass_kg: must be from 1 to 1,000,000, not 0"),
        ("mass_kg = 22000", "mass_kg = inf", "block.mass_kg: must be a finite number, not Infinity"),
        ("mass_kg = 22000", "", "block.mass_kg: this field is missing"),
        ("mass_kg = 22000", "mass_kg = 22000\nmass_lb = 1", "block.mass_lb: there is no such field; is it misspelt?"),
        ("lines = 12", "lines = 12.5", "line.lines: must be a whole number, not 12.5"),
        ("lines = 12", "lines = 22", "line.lines: must be 20 or less, not 22"),
        ("sheave_factor = 1.04", "sheave_factor = 0.9", "line.sheave_factor: must be 1 or more, not 0.9"),
        ('grade = "EIPS"', 'grade = "XIPS"', "line.grade: must be 'IPS', 'EIPS' or 'EEIPS', not \"XIPS\""),
        ('kind = "caliper"', 'kind = "disc"', "brake: kind: there is no 'disc'; known: 'caliper', 'band'"),
        ('kind = "caliper"', "", "brake: kind: this field is missing"),
        ("friction = 0.40", "friction = 1.4", "brake.friction: must be 1 or less, not 1.4"),
        ("counts = { drum = 1000000 }", "counts = 3", "reference.counts: must be a table of fields, not 3"),
        (
            "counts = { drum = 1000000 }",
            "counts = { dram = 1 }",
            "sensors: none has the id 'dram' that reference.counts names",
        ),
        (
            'name = "land"',
            'name = "Land 1"',
            'name: must be a name of a-z, 0-9, - and _, 40 characters at most, not "Land 1"',
        ),
        (
            "title =",
            'title = "a\\u001b[31m"#',
            'title: must be one line, without control characters, not "a\\u001b[31m"',
        ),
        ('id = "drum"', 'id = "hook-load"', "sensors: id 'hook-load' is used twice"),
        (
            "range = [-50, 4500]",
            "range = [4500, -50]",
            "sensors.hook-load.range: the lowest reading 4500 must be below the highest -50",
        ),
        ("range = [-50, 4500]", "range = -50", "sensors.hook-load.range: must be a list in [ ], not -50"),
        ("range = [-50, 4500]", "range = [1, 2, 3]", "sensors.hook-load.range: takes 2 entries at most, has 3"),
        (
            'value = "/value"',
            'value = "value"',
            'sensors.drum.value: must be a JSON Pointer, as "/value" or '
            '"/readings/0/v", or "" for'
            ' all of it, not "value"',
        ),
        (
            'value = "/value"',
            'value = "/value"\npayload = "ascii"',
            'sensors.drum.value: a payload of plain numbers ("ascii") has no fields to point into',
        ),
        (
            'quantity = "hook_load"',
            'quantity = "hookload"',
            "sensors.hook-load.quantity: unknown quantity 'hookload', known: drum",
        ),
        (
            'unit = "kN"',
            'unit = "kn"',
            "sensors.hook-load.unit: unknown unit 'kn', use N, kN, N*10, kN*10, tf, kgf, lbf, klbf",
        ),
        ('unit = "kN"', 'unit = "bar"', "sensors.hook-load.unit: 'bar' does not measure hook load (force), use N, kN"),
        (
            "counts_per_turn = 4096",
            "",
            "sensors.drum.counts_per_turn: this field is missing: a sensor of drum_counts needs it",
        ),
        ("upper_m = 37.5", "upper_m = 99", "limits: heights must rise in the order"),
        (
            "lift_pressure_pa = 8.0e6",
            "lift_pressure_pa = 12.0e6",
            "brake.lift_pressure_pa: must not be above release_pressure_pa (1.1e+07): calipers lift before they are clear",
        ),
    ],
)
def test_a_mistake_in_a_rig_s_file_is_told_in_words(old: str, new: str, reported: str) -> None:
    problems = problems_of(changed(LAND, (old, new)))
    assert any(problem.startswith(f"mine.toml: {reported}") for problem in problems), problems


def test_what_must_agree_is_told_beside_mistakes_of_single_fields() -> None:
    problems = problems_of(
        changed(
            LAND,
            ("mass_kg = 22000", "mass_kg = -1"),
            ("upper_m = 37.5", "upper_m = 99"),
            ("core_diameter_m = 0.7112", "core_diameter_m = 0.02"),
            ("counts_per_turn = 4096", ""),
            ('unit = "kN"', 'unit = "bar"'),
            ("ratio_origin", "fade_onset_c = 500\nratio_origin"),
        )
    )
    fields = sorted(problem.split(": ")[1] for problem in problems)
    assert fields == [
        "block.mass_kg", "braking.fade_full_c", "drum", "limits", "sensors.drum.counts_per_turn", "sensors.hook-load.unit",
    ]  # fmt: skip


def test_every_field_of_an_empty_file_is_asked_for() -> None:
    asked = {problem.removeprefix("mine.toml: ") for problem in problems_of("format = 1\n")}
    needed = {name for name, field in Rig.model_fields.items() if field.is_required()}
    assert asked == {f"{name}: this field is missing" for name in needed}


def test_a_file_s_own_words_cannot_make_an_error_endless() -> None:
    (problem,) = problems_of(changed(LAND, ('grade = "EIPS"', f'grade = "{"x" * 5000}"')))
    assert len(problem) < 150


def test_mistakes_in_a_scenario_come_together(tmp_path: Path) -> None:
    path = tmp_path / "s.toml"
    path.write_text(
        changed(
            PARTED,
            ('rig = "land"', 'rig = "sea"'),
            ('program = "run-to-crown"', 'program = "run"'),
            ('kind = "line-parted"', 'kind = "line-broken"'),
            ("within_s", "within"),
        ),
        encoding="utf-8",
    )
    with pytest.raises(ConfigError) as caught:
        load_scenario(path)
    reported = [problem.removeprefix(f"{path}: ") for problem in caught.value.problems]
    assert len(reported) == 4
    for start in (
        "rig: no rig is called 'sea'",
        "work.program: unknown program 'run', known: ",
        "faults.0: kind: there is no 'line-broken'; known: 'freeze'",
        "expect.0.within: there is no such field",
    ):
        assert any(problem.startswith(start) for problem in reported), start


def test_a_folder_and_a_file_that_is_no_text_are_told(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="is a folder, not a file"):
        load_rig(tmp_path)
    (tmp_path / "r.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(ConfigError, match="cannot be read"):
        load_rig(tmp_path / "r.toml")


@pytest.mark.parametrize("units", ["si", "metric", "field"])
def test_a_rig_begins_with_any_system_of_units_that_reports_offer(tmp_path: Path, units: str) -> None:
    text = shipped_rigs()["light"].read_text().replace('units = "field"', f'units = "{units}"')
    (tmp_path / "x.toml").write_text(text)
    rig = load_rig(tmp_path / "x.toml")
    assert rig.units == units
    force = {"si": "294 kN", "metric": "30.0 t", "field": "66 klbf"}[units]
    assert as_text(rig, 30_000 * STANDARD_GRAVITY_M_S2, "force") == force
