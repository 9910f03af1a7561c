"""Every number of a rig's file has a range that a machine can have, and says it; files of other editors and of none."""

import os
import tomllib
from collections.abc import Iterator
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest

from monitor.cli import main
from monitor.config.fields import RECORDED
from monitor.config.rig import Rig
from monitor.config.rig_file import load_rig, shipped_rigs
from monitor.config.toml_file import MOST_BYTES, ConfigError, validate
from tests.config.test_files import LAND

EXACT = {"counts", "format"}
"""Tables and fields whose numbers are not measured: an encoder's count may be any, the format is one."""


def numbers(table: Any, path: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    items = table.items() if isinstance(table, dict) else enumerate(table) if isinstance(table, list) else ()
    for key, value in items:
        if key in EXACT:
            continue
        if isinstance(value, int | float) and not isinstance(value, bool):
            yield (*path, key)
        yield from numbers(value, (*path, key))


def with_number(data: Any, path: tuple[str | int, ...], number: float) -> Any:
    made = deepcopy(data)
    place = made
    for key in path[:-1]:
        place = place[key]
    place[path[-1]] = number
    return made


@pytest.mark.parametrize("name", ["land"])
def test_a_number_that_no_machine_has_is_refused(name: str) -> None:
    data = tomllib.loads(shipped_rigs()[name].read_text())
    places = list(numbers(data))
    assert len(places) > 80
    for path in places:
        for wrong in (1e13, -1e13):
            with pytest.raises(ConfigError) as refused:
                validate(Rig, with_number(data, path, wrong), "mine.toml")
            assert any(str(part) in str(refused.value) for part in path if isinstance(part, str)), path


@pytest.mark.parametrize(
    ("old", "new", "reported"),
    [
        (
            "wraps_per_layer = ",
            "wraps_per_layer = 1e9 #",
            "drum.wraps_per_layer: must be from 1 to 1,000, not 1000000000.0",
        ),
        ("rate_hz = ", "rate_hz = 1e9 #", "rate_hz: must be from 1e-05 to 2,000, not 1000000000.0"),
        ("\nsigma = ", "\nsigma = 1e11 #", "sigma: must be from 0 to "),
        ("\nrange = ", "\nrange = [0.0, 1e11] #", "both must be from -"),
        ("heat_capacity_j_k = ", "heat_capacity_j_k = 0.0 #", "heat_capacity_j_k: must be from 1 to 1e+10, not 0.0"),
    ],
)
def test_the_error_names_the_range(tmp_path: Path, old: str, new: str, reported: str) -> None:
    text = LAND
    assert old in text
    rig = tmp_path / "mine.toml"
    rig.write_text(text.replace(old, new, 1))
    with pytest.raises(ConfigError) as refused:
        load_rig(rig)
    assert reported in str(refused.value)


@pytest.mark.parametrize("name", ["light", "deep"])
def test_ranges_are_wide(name: str) -> None:
    """A rig twice and half as large in any one number passes its range; what else must agree in a file is another matter."""
    data = tomllib.loads(shipped_rigs()[name].read_text())
    for path in numbers(data):
        place = data
        for key in path:
            place = place[key]
        if isinstance(place, float):
            for factor in (0.5, 2.0):
                try:
                    validate(Rig, with_number(data, path, place * factor), "mine.toml")
                except ConfigError as refused:
                    told = str(refused)
                    shares = (
                        "must be 1 or less",
                        "must be 0.7 or more",
                        "must be above",
                        "must be below",
                        "must be 1.2 or less",
                    )
                    assert "must be from" not in told or any(share in told for share in shares), told


def test_a_byte_order_mark_and_the_line_ends_of_other_editors_are_read(tmp_path: Path) -> None:
    text = LAND
    rig = tmp_path / "mine.toml"
    rig.write_bytes(b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode())
    assert load_rig(rig).name == "land"
    rig.write_bytes(text.encode("utf-16"))
    with pytest.raises(ConfigError, match=r"mine\.toml: cannot be read: it is not in UTF-8"):
        load_rig(rig)


def test_no_regular_file_is_refused_before_a_byte_is_read(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pipe = tmp_path / "pipe.toml"
    os.mkfifo(pipe)
    for path, kind in ((str(pipe), "a named pipe"), ("/dev/zero", "a device"), ("/dev/stdin", "")):
        assert main(["check", "--rig", path]) == 2
        assert kind in capsys.readouterr().err
        assert main(["check", "--rig", "land", "--rules", path]) == 2
        assert kind in capsys.readouterr().err


def test_a_file_larger_than_any_rig_s_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rig = tmp_path / "mine.toml"
    rig.write_text("#" * (MOST_BYTES + 1))
    assert main(["check", "--rig", str(rig)]) == 2
    assert "is larger than 512 kB, which no such file is" in capsys.readouterr().err


def test_what_was_recorded_before_there_were_ranges_is_read() -> None:
    data = tomllib.loads(LAND)
    data["drum"]["wraps_per_layer"] = 1e9
    data["sensors"][0]["sigma"] = 1e9
    assert validate(Rig, data, "night.stopmark", RECORDED).drum.wraps_per_layer == 1e9
    for wrong in (0.0, -1.0, 1e13):
        data["drum"]["inertia_kg_m2"] = wrong
        with pytest.raises(ConfigError, match="inertia_kg_m2"):
            validate(Rig, data, "night.stopmark", RECORDED)
