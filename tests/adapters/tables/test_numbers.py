"""Numbers as recorders and spreadsheets write them."""

import math
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from monitor.adapters.tables.field_log import FieldLog
from monitor.adapters.tables.field_map import load_map
from monitor.adapters.tables.numbers import number_in, plain
from monitor.adapters.tables.proposal.propose import propose
from monitor.adapters.tables.readers.series import Series
from monitor.adapters.tables.readers.table import Layout
from monitor.config.rig_file import find_rig
from tests.adapters.tables.readers.reading import cells_of, write


@pytest.mark.parametrize(
    ("word", "comma", "number"),
    [
        ("12.5", False, 12.5), (" 12.5 ", False, 12.5), ("67,423", False, 67_423.0), ("-1,067,423.25", False, -1_067_423.25),
        ("67 423", False, 67_423.0), ("67\u00a0423.5", False, 67_423.5), ("67'423", False, 67_423.0),
        ("\u22121.94", False, -1.94), ("\u22121,067", False, -1067.0), ("1e3", False, 1000.0),
        ("12,5", True, 12.5), ("1.067,25", True, 1067.25), ("67 423,5", True, 67_423.5), ("67\u202f423", True, 67_423.0),
        ("\u22121,94", True, -1.94), ("67.423", True, 67_423.0),
    ],
)  # fmt: skip
def test_a_number_with_groups_and_signs_of_print(word: str, comma: bool, number: float) -> None:
    assert number_in(word, comma) == number


@pytest.mark.parametrize("word", ["12,5", "1,23,456", "1,2345", "12 5", "", "1 2", "a", "1,000,00", "12:30"])
def test_what_is_no_number_is_none(word: str) -> None:
    with pytest.raises(ValueError, match="could not convert"):
        number_in(word, False)


def test_a_plain_number_keeps_its_decimals() -> None:
    assert plain("1,067.20", False) == "1067.20"
    assert plain("12,50", True) == "12.50"
    assert math.isnan(number_in("nan", False))


@pytest.mark.parametrize(("date", "clock"), [("%d.%m.%Y", "%H:%M:%S"), ("%d.%m.%y", "%H.%M.%S")])
def test_dates_with_points_beside_numbers_with_commas(tmp_path: Path, date: str, clock: str) -> None:
    whens = [datetime(2026, 10, 25, 1, 0, tzinfo=UTC) + timedelta(seconds=5 * place) for place in range(300)]
    lines = [
        f"{when:{date};{clock}};{2 + place % 28},{place % 10};{230 + place % 600},5" for place, when in enumerate(whens)
    ]
    text = "Datum;Uhrzeit;Hakenhöhe (m);Hakenlast (kN)\n" + "\n".join(lines) + "\n"
    write(tmp_path / "x.csv", text)
    proposal = propose(Series([tmp_path / "x.csv"], Layout()), find_rig("land"), "land", True)
    (tmp_path / "map.toml").write_text(proposal.toml)
    frames = list(FieldLog(tmp_path / "x.csv", load_map(tmp_path / "map.toml")).frames())
    assert sorted({frame.t_ns for frame in frames}) == [round(when.timestamp()) * 10**9 for when in whens]


def table(delimiter: str, rows: list[tuple[str, str]]) -> str:
    lines = [f"Time{delimiter}Block position (ft){delimiter}Hook load (lbf)"]
    lines += [
        f'2026-01-01T00:{place // 60:02d}:{place % 60:02d}{delimiter}"{position}"{delimiter}"{load}"'
        for place, (position, load) in enumerate(rows)
    ]
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize(
    ("delimiter", "comma", "decimal"),
    [(",", False, "."), (";", False, "."), (";", True, ","), (",", True, ","), ("\t", True, ",")],
)
def test_groups_of_thousands_are_not_taken_for_decimals(
    tmp_path: Path, delimiter: str, comma: bool, decimal: str
) -> None:
    swap = str.maketrans(".,", ",.") if comma else {}
    rows = [
        (f"{20 + place % 60:.1f}".translate(swap), f"{67_423 + 13 * place:,}".translate(swap)) for place in range(200)
    ]
    series, cells = cells_of(write(tmp_path / "x.csv", table(delimiter, rows)))
    assert series.first.layout.decimal == decimal
    assert number_in(cells[5][2], comma) == 67_488.0
    assert number_in(cells[5][1], comma) == 25.0
    proposal = propose(Series([tmp_path / "x.csv"], Layout()), find_rig("land"), "land", True)
    assert [(choice.what, choice.value) for choice in proposal.choices][2:4] == [
        ("block_position", "Block position (ft) in ft"), ("hook_load", "Hook load (lbf) in lbf"),
    ]  # fmt: skip
