"""Tables of text in every delimiter, encoding and layout, and what is wrong with some."""

from pathlib import Path

import pytest

from monitor.adapters.tables.readers.table import FieldLogError, Layout
from tests.adapters.tables.readers.reading import cells_of, write
from tests.support.log_files import csv_text


@pytest.mark.parametrize(
    ("delimiter", "decimal"),
    [
        (delimiter, decimal)
        for delimiter in (",", ";", "\t", "|", " ")
        for decimal in (".", ",")
        if delimiter != decimal
    ],
)
def test_delimiter_and_decimal_sign_are_found_by_looking(tmp_path: Path, delimiter: str, decimal: str) -> None:
    text = csv_text(60, delimiter, decimal).replace("T0", "0" if delimiter == " " else "T0")
    if delimiter == " ":
        text = text.replace(" ", "   ").replace("   \n", "   -\n")
    series, cells = cells_of(write(tmp_path / "x.csv", text))
    layout = series.first.layout
    assert (layout.delimiter, layout.decimal) == (delimiter, decimal)
    assert [row[1] for row in cells[:3]] == [
        "30.0".replace(".", decimal),
        "29.5".replace(".", decimal),
        "29.0".replace(".", decimal),
    ]


@pytest.mark.parametrize(
    ("encoding", "found"),
    [
        ("utf-8", "utf-8"), ("utf-8-sig", "utf-8-sig"), ("utf-16", "utf-16"), ("utf-16-le", "utf-16-le"),
        ("utf-16-be", "utf-16-be"), ("utf-32", "utf-32"), ("cp1252", "cp1252"), ("latin-1", "cp1252"),
    ],
)  # fmt: skip
def test_encodings_are_found_by_looking(tmp_path: Path, encoding: str, found: str) -> None:
    text = csv_text(60).replace("BPOS", "Höhe (m)")
    series, cells = cells_of(write(tmp_path / "x.csv", text.encode(encoding)))
    assert series.first.layout.encoding == found
    assert series.first.heads.names == ("TIME", "Höhe (m)", "HKLD")
    assert len(cells) == 60


def test_cyrillic_text_of_windows_is_told_from_western(tmp_path: Path) -> None:
    text = csv_text(60).replace("BPOS", "Положение").replace("HKLD", "Вес на крюке")
    series, _ = cells_of(write(tmp_path / "x.csv", text.encode("cp1251")))
    assert series.first.heads.names == ("TIME", "Положение", "Вес на крюке")


@pytest.mark.parametrize(
    ("above", "units", "skip"),
    [
        ("", False, 0), ("", True, 0), ("Report of the night", True, 1), ("sep=,", False, 1),
        ("Rig,7\nPrinted,2026-01-02\n\n# all times UTC", True, 4), ("sep=,\nWell,X-1,\nRig,7,", True, 3),
        ("Report\n\nWell,X-1\nRig,7\n", False, 5),
    ],
)  # fmt: skip
def test_heads_are_found_below_titles_and_above_units(tmp_path: Path, above: str, units: bool, skip: int) -> None:
    series, cells = cells_of(write(tmp_path / "x.csv", csv_text(60, above=above, units=units)))
    assert series.first.heads.names == ("TIME", "BPOS", "HKLD")
    assert series.first.heads.units == (("s", "m", "kN") if units else ("", "", ""))
    assert (series.first.layout.skip_rows, series.first.layout.units_rows) == (skip, int(units))
    assert len(cells) == 60


def test_a_layout_that_is_given_is_not_looked_for(tmp_path: Path) -> None:
    path = write(tmp_path / "x.csv", "1;2\n3;4\n5;6\n7;8\n")
    series, cells = cells_of(path, layout=Layout(";", ".", "utf-8", 1, 1))
    assert series.first.heads.names == ("3", "4")
    assert cells == [["7", "8"]]
    with pytest.raises(FieldLogError, match="first row is data already"):
        cells_of(path)
    with pytest.raises(FieldLogError, match="rot13"):
        cells_of(path, layout=Layout(encoding="rot13"))
    with pytest.raises(FieldLogError, match="below the 9 rows"):
        cells_of(path, layout=Layout(skip_rows=9))


def test_columns_without_a_name_or_with_the_same_can_still_be_named(tmp_path: Path) -> None:
    series, _ = cells_of(write(tmp_path / "x.csv", "time,load,,load\n" + "1,2,3,4\n" * 5))
    assert series.first.heads.names == ("time", "load", "column 3", "load (2)")


@pytest.mark.parametrize("bad", ['1007,"10,500', '1007,10,"500', '"1007,10,500', '1007,"10",5"00,"'])
def test_a_quote_left_open_costs_one_line_wherever_it_stands(tmp_path: Path, bad: str) -> None:
    rows = [f'{1000 + i},"10",500' for i in range(40)]
    rows[7] = bad
    series, cells = cells_of(write(tmp_path / "x.csv", "\n".join(["t,pos,load", *rows])))
    assert len(cells) + series.dropped.rows == 40
    assert [row[0] for row in cells if row[0] != "1007"] == [str(1000 + i) for i in range(40) if i != 7]


def test_quoted_cells_hold_delimiters_quotes_and_line_ends(tmp_path: Path) -> None:
    text = 't,pos,note\n1,2,"a, b"\n2,3,"say ""so"""\n3,4,"two\nlines, and\n\nmore"\n4,5" pipe,x\n'
    series, cells = cells_of(write(tmp_path / "x.csv", text))
    assert cells == [
        ["1", "2", "a, b"], ["2", "3", 'say "so"'], ["3", "4", "two\nlines, and\n\nmore"], ["4", '5" pipe', "x"],
    ]  # fmt: skip
    assert not series.dropped


def test_a_line_without_end_is_counted_and_left_out(tmp_path: Path) -> None:
    path = write(tmp_path / "x.csv", "t,x\n1,2\n" + "9" * 3_000_000 + "\n2,3\n")
    series, cells = cells_of(path)
    assert cells == [["1", "2"], ["2", "3"]]
    assert dict(series.dropped) == {"line: longer than 1000000 characters": 1}
    assert series.dropped.first["line: longer than 1000000 characters"] == f"{path} line 3"
