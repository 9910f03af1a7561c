"""A column in another unit than its map says, and one whose readings are rarer than its rows."""

from pathlib import Path

import pytest

from monitor.adapters.tables.cleaning.forward_fill import filled_rows
from monitor.adapters.tables.cleaning.likely_unit import Believable, wrong_unit
from monitor.adapters.tables.cleaning.quality import Quality, Stretch, stretches_of
from monitor.adapters.tables.field_log import FieldLog, FieldLogError
from monitor.adapters.tables.field_map import load_map
from tests.support.dirty_logs import MAP, dirty_log, work


@pytest.mark.parametrize(
    ("said", "instead", "words"),
    [
        ('unit = "kN"', 'unit = "N"', "in kN "),
        ('unit = "m"\n', 'unit = "mm"\n', "in m "),
        ('unit = "m"\n', 'unit = "cm"\n', "in m "),
    ],
)
def test_a_column_in_another_unit_stops_the_import_and_the_likely_one_is_named(
    tmp_path: Path, said: str, instead: str, words: str
) -> None:
    mapping = MAP.replace(said, instead).replace("sigma = 4\n", "").replace("sigma = 0.02\n", "")
    log, map_path = dirty_log(work(5, 1.0), "clean", 3.0, 5).write(tmp_path, mapping)
    with pytest.raises(FieldLogError, match="mend unit") as raised:
        FieldLog(log, load_map(map_path))
    assert words in str(raised.value)


def test_newtons_read_as_kilonewtons_stop_the_import(tmp_path: Path) -> None:
    dirty = dirty_log(work(5, 1.0), "clean", 3.0, 5)
    dirty.rows = [(seconds, position, f"{float(load) * 1e3:.0f}") for seconds, position, load in dirty.rows]
    log, map_path = dirty.write(tmp_path)
    with pytest.raises(FieldLogError, match=r"column 'load': .* in N it can: mend unit"):
        FieldLog(log, load_map(map_path))


def test_a_log_of_a_rig_at_rest_is_in_whatever_unit_its_map_says(tmp_path: Path) -> None:
    dirty = dirty_log(work(5, 1.0), "clean", 3.0, 5)
    dirty.rows = [(seconds, "0.10", "1.5") for seconds, _, _ in dirty.rows]
    log, map_path = dirty.write(tmp_path)
    assert len(list(FieldLog(log, load_map(map_path)).frames())) == 2 * len(dirty.rows)


def test_feet_read_as_metres_are_beyond_the_crown() -> None:
    feet = [float(place % 110) for place in range(1000)]
    believable = Believable(-2.0, 44.0, -2.0)
    said = wrong_unit(feet, "m", believable)
    assert said is not None
    assert "in ft it can" in said
    assert wrong_unit(feet, "ft", believable) is None


def test_few_numbers_say_nothing_of_the_unit() -> None:
    assert wrong_unit([1e9] * 50, "m", Believable(0.0, 1.0, 0.0)) is None


def test_a_unit_that_no_other_fits_is_told_without_a_guess() -> None:
    said = wrong_unit([1e9, -1e9] * 500, "m", Believable(0.0, 40.0, 0.0))
    assert said is not None
    assert "nor in any other unit" in said


@pytest.mark.parametrize("rows", [2, 5, 60])
def test_readings_that_come_every_so_many_rows(rows: int) -> None:
    readings = [float((7 * place) % 31) for place in range(200)]
    assert filled_rows([reading for reading in readings for _ in range(rows)]) == rows


def test_a_column_that_creeps_is_not_filled() -> None:
    # 4 mm a row on a resolution of a centimetre: changes are two or three rows apart, and all of one step.
    assert filled_rows([round(0.004 * place, 2) for place in range(3000)]) == 1


def test_stretches_go_into_a_note_and_come_back() -> None:
    quality = Quality(1.0)
    quality.add("pos", "missing", 1_000_000_000, 1_000_000_000)
    quality.add("pos", "missing", 3_000_000_000, 3_000_000_000)
    quality.add("pos", "missing", 60_000_000_000, 60_000_000_000)
    assert list(stretches_of(quality.text())) == [
        Stretch("pos", "missing", 1_000_000_000, 3_000_000_000, 2),
        Stretch("pos", "missing", 60_000_000_000, 60_000_000_000, 1),
    ]


@pytest.mark.parametrize("text", ["", "[[1]]", "{}", '[["a","b",1,2]]', "[" * 5000])
def test_a_note_that_holds_no_stretches_gives_none(text: str) -> None:
    assert list(stretches_of(text)) == []
