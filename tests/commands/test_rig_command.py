"""`stopmark rig new`: a file that loads, says where each number is from, and makes nothing up."""

import csv
import math
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.cli import main
from monitor.commands import rig as rig_command
from monitor.commands.rig import QUESTIONS
from monitor.config.new_rig import FIELDS, FORM, Answer, rig_text
from monitor.config.optional_tables import MAY_LACK
from monitor.config.rig import Rig
from monitor.config.rig_file import load_rig
from monitor.config.toml_file import ConfigError
from monitor.units import STANDARD_GRAVITY_M_S2
from tests.support.dirty_logs import DirtyLog, dirty_log, log_of, work
from tests.support.known_logs import Log, odd_night
from tests.support.log_map import log_map

PLAIN = ("--name", "new", "--block", "22t", "--rated", "340t", "--crown", "42m")


def made(folder: Path, *options: str) -> tuple[Rig, str]:
    out = folder / "new.toml"
    assert main(["rig", "new", "-o", str(out), *options]) == 0
    return load_rig(out), out.read_text(encoding="utf-8")


def test_four_answers_make_a_rig_of_position_and_load(tmp_path: Path) -> None:
    rig, text = made(tmp_path, *PLAIN)
    assert rig.missing == {*MAY_LACK, "aux", "overtravel"}
    assert rig.block.mass_kg == 22_000
    assert rig.mast.crown_m == 42.0
    assert {sensor.quantity for sensor in rig.sensors} == {"block_position", "hook_load"}
    for table in (*MAY_LACK, "aux"):
        assert f"# [{table}]" in text
    numbers = [line for line in text.splitlines() if "=" in line and not line.startswith("#")]
    without = [line for line in numbers if "#" not in line and '"' not in line and not line.startswith("format")]
    assert not without, "a number without its source"


def test_an_encoder_asks_for_its_drum(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["rig", "new", "-o", str(tmp_path / "a.toml"), *PLAIN, "--position", "drum_counts"]) == 2
    said = capsys.readouterr().err
    for option in ("--core", "--wraps", "--counts-per-turn", "--reference", "--turns"):
        assert option in said
    more = ("--position", "drum_counts", "--lines", "12", "--rope", "1.375in", "--core", "28in", "--wraps", "40")
    rig, _ = made(tmp_path, *PLAIN, *more, "--counts-per-turn", "4096", "--reference", "1m", "--turns", "12")
    assert rig.has("line", "drum", "reference")
    assert not rig.has("brake")
    assert rig.sensors[0].range == (0, 2**32 - 1)
    assert rig.line.rope_diameter_m == pytest.approx(0.034925)


def test_all_that_is_missing_or_wrong_is_told_at_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["rig", "new", "--block", "22", "--units", "none"]) == 2
    said = capsys.readouterr().err
    for words in ("--name", "--block", "--rated", "--crown", "--units: 'none' is none of si, metric, field"):
        assert words in said
    assert not [*tmp_path.iterdir()]


def test_what_was_written_is_not_written_over(tmp_path: Path) -> None:
    made(tmp_path, *PLAIN)
    assert main(["rig", "new", "-o", str(tmp_path / "new.toml"), *PLAIN]) == 2


def test_a_person_is_asked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    answers: Iterator[str] = iter(["new", "", "field", "22", "22t", "340t", "42m", "", "", "", "", "", "", "", ""])
    asked: list[str] = []

    def answer(words: str) -> str:
        asked.append(words)
        return next(answers)

    monkeypatch.setattr("builtins.input", answer)
    monkeypatch.setattr(rig_command.sys.stdin, "isatty", lambda: True)
    monkeypatch.setattr(rig_command.sys.stdout, "isatty", lambda: True)
    rig, _ = made(tmp_path)
    assert rig.units == "field"
    assert sum("weight of block" in words for words in asked) == 2, "an answer that cannot be read is asked for again"
    assert any("[37.8]" in words for words in asked), "a default is shown"


def test_answers_that_do_not_go_together_are_refused() -> None:
    answers = {name: Answer(1.0, "test") for _, _, name in FIELDS if name not in ("name", "title", "units")}
    with pytest.raises(ConfigError):
        rig_text({**answers, "position": Answer("block_position", ""), "load": Answer("hook_load", "")})


def test_the_form_has_every_table_that_may_lack() -> None:
    assert set(FORM) == {*MAY_LACK, "aux", "overtravel"}
    assert 10 <= sum(question.when({"position": Answer("block_position", "")}) for question in QUESTIONS) <= 16


def write_log(folder: Path, log: Log, step_s: float) -> tuple[Path, Path]:
    path, mapping = folder / "log.csv", folder / "map.toml"
    with path.open("w", newline="", encoding="utf-8") as file:
        rows = csv.writer(file)
        rows.writerow(["t", "pos", "load"])
        for t_ns, height_m, load_n in zip(*log.seen(step_s), strict=True):
            rows.writerow([f"{t_ns * 1e-9:.2f}", f"{height_m / 0.3048:.2f}", f"{load_n / 1e3:.1f}"])
    mapping.write_text(log_map(time="t", unit="ft"), encoding="utf-8")
    return path, mapping


@pytest.mark.parametrize("seed", [301, 302])
@pytest.mark.parametrize("step_s", [1.0, 10.0])
def test_a_log_tells_block_units_rate_and_heights(
    seed: int, step_s: float, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = odd_night(seed)
    path, mapping = write_log(tmp_path, log, step_s)
    rig, text = made(tmp_path, "--name", "new", "--from-log", str(path), "--map", str(mapping))
    said = capsys.readouterr().out
    assert rig.block.mass_kg * STANDARD_GRAVITY_M_S2 == pytest.approx(log.block_n, rel=0.02)
    assert "stands are found with it" in said
    assert [sensor.unit for sensor in rig.sensors] == ["ft", "kN"]
    assert rig.sensors[0].rate_hz == pytest.approx(1.0 / step_s)
    assert rig.limits.lower_m < 2.0 < 30.0 < rig.limits.upper_m < rig.mast.crown_m
    assert not rig.has("overtravel")
    assert rig.limits.max_speed_m_s == pytest.approx(log.truth.top_speed_m_s, rel=0.25)
    assert "not in the log: put the rig's own" in text
    assert 0.0 < rig.sensors[0].sigma < 0.1
    assert math.isfinite(rig.sensors[1].sigma)


def test_without_a_map_the_log_is_looked_at(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = odd_night(305)
    path = tmp_path / "log.csv"
    with path.open("w", newline="", encoding="utf-8") as file:
        rows = csv.writer(file)
        rows.writerow(["time [s]", "Block Height [ft]", "Hookload [kN]", "Bit Depth [m]"])
        for t_ns, height_m, load_n in zip(*log.seen(3.0), strict=True):
            rows.writerow([f"{t_ns * 1e-9:.2f}", f"{height_m / 0.3048:.2f}", f"{load_n / 1e3:.1f}", "2100.0"])
    rig, text = made(tmp_path, "--name", "new", "--from-log", str(path))
    assert rig.block.mass_kg * STANDARD_GRAVITY_M_S2 == pytest.approx(log.block_n, rel=0.02)
    assert [(sensor.quantity, sensor.unit) for sensor in rig.sensors] == [
        ("block_position", "ft"), ("hook_load", "kN"), ("bit_depth", "m")
    ]  # fmt: skip
    assert "column Block Height" in text
    assert "also in the log" in capsys.readouterr().out


def test_a_log_with_next_to_nothing_proposes_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = Log(303)
    log.rest(60.0)
    path, mapping = write_log(tmp_path, log, 1.0)
    out = tmp_path / "x.toml"
    assert main(["rig", "new", "-o", str(out), "--from-log", str(path), "--map", str(mapping)]) == 2
    assert "readings of the position" in capsys.readouterr().err
    assert not out.exists()


def test_name_and_units_come_from_the_log_where_nobody_gives_them(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, mapping = write_log(tmp_path, odd_night(301), 3.0)
    log = path.rename(tmp_path / "Rig 7 Night_2.csv")
    assert main(["rig", "new", "-o", str(tmp_path / "new.toml"), "--from-log", str(log), "--map", str(mapping)]) == 0
    rig = load_rig(tmp_path / "new.toml")
    assert rig.name == "new"
    assert rig.units == "field"
    assert "units" in capsys.readouterr().out
    out = tmp_path / "A b.toml"
    assert main(["rig", "new", "-o", str(out), "--units", "si", "--from-log", str(log), "--map", str(mapping)]) == 0
    assert (load_rig(out).name, load_rig(out).units) == ("a-b", "si")


def test_name_comes_from_the_log_where_no_file_is_given(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path, mapping = write_log(tmp_path, odd_night(301), 10.0)
    monkeypatch.chdir(tmp_path)
    log = path.rename(tmp_path / "Rig 7 Night_2.csv")
    assert main(["rig", "new", "--from-log", str(log), "--map", str(mapping)]) == 0
    assert load_rig(tmp_path / "rig-7-night-2.toml").name == "rig-7-night-2"


@pytest.mark.parametrize(
    ("position", "load", "units"),
    [("ft", "kN", "field"), ("m", "klbf", "field"), ("m", "tf", "metric"), ("m", "kgf", "metric"), ("m", "kN", "si")],
)
def test_screens_begin_in_the_units_of_the_sensors(position: str, load: str, units: str, tmp_path: Path) -> None:
    rig, _ = made(tmp_path, *PLAIN, "--position-unit", position, "--load-unit", load)
    assert rig.units == units


def test_a_position_off_for_a_while_or_below_the_floor_makes_a_sound_rig_all_the_same(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    truth = work(77, 5.0)
    path, mapping = dirty_log(truth, "shifted", 10.0, 77).write(tmp_path)
    rig, _ = made(tmp_path, "--name", "new", "--from-log", str(path), "--map", str(mapping))
    low, high = float(truth.height_m.min()), float(truth.height_m.max())
    assert rig.limits.lower_m == pytest.approx(low - 0.3, abs=0.3)
    assert rig.limits.upper_m == pytest.approx(high + 0.5, abs=0.3)
    below = DirtyLog(10.0, [(s, f"{float(p) - 8.0:.2f}", load) for s, p, load in log_of(truth, 10.0, 77).rows])
    path, mapping = below.write(tmp_path, log_map(position="range = [-20, 44]\nsigma = 0.02", load="sigma = 4"))
    (tmp_path / "new.toml").unlink()
    capsys.readouterr()
    rig, _ = made(tmp_path, "--name", "new", "--from-log", str(path), "--map", str(mapping))
    assert rig.limits.lower_m == 0.0
    assert "m, below the floor: LOOK AT IT" in capsys.readouterr().out
