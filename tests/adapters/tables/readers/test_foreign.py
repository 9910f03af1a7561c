"""LAS, Parquet and workbooks that other libraries write, and what is wrong with some."""

import io
import zipfile
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any

import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from monitor.adapters.tables.readers.table import FieldLogError, Layout
from tests.adapters.tables.readers.reading import cells_of, write
from tests.support.log_files import las_text, positions, write_parquet, write_workbook


def test_las_gives_curves_units_descriptions_and_takes_its_null_value_away(tmp_path: Path) -> None:
    series, cells = cells_of(write(tmp_path / "x.las", las_text(20)))
    table = series.first
    assert table.kind == "LAS 2.0"
    assert table.heads.names == ("TIME", "BPOS", "HKLD")
    assert table.heads.units == ("s", "m", "kN")
    assert table.heads.words == ("Elapsed time", "Block position", "Hook load")
    assert table.begins == "2026-01-01T06:00:00"
    assert cells[6][2] == ""
    assert [float(row[1]) for row in cells] == positions(20)


@pytest.mark.parametrize("wrap", [False, True])
def test_las_rows_with_too_few_or_too_many_values_are_counted(tmp_path: Path, wrap: bool) -> None:
    text = las_text(40, wrap)
    head, rows = text[: text.index("\n", text.index("~A")) + 1], text[text.index("\n", text.index("~A")) + 1 :]
    lines = rows.splitlines()
    at = 20
    lines[at] = lines[at] + " 1 2 3" if lines[at].strip() else lines[at]
    lines[at + 4] = "17.0"
    series, cells = cells_of(write(tmp_path / "x.las", head + "# a comment\n" + "\n".join(lines) + "\n"))
    assert series.dropped.rows == 2
    assert all("x.las line" in where for where in series.dropped.first.values())
    assert len(cells) == 38
    known = dict(enumerate(positions(40)))
    assert all(known[int(float(row[0]))] == float(row[1]) for row in cells)


def wrapped(lines: list[str]) -> str:
    """A LAS file of nine curves whose rows are wrapped."""
    curves = "".join(f"C{i}.  : curve\n" for i in range(9))
    return f"~V\nVERS. 2.0 :\nWRAP. YES :\n~W\nNULL. -1 :\n~C\n{curves}~A\n" + "\n".join(lines) + "\n"


@pytest.mark.parametrize("widths", [(1, 5, 3), (6, 3), (4, 4, 1), (9,)])
def test_a_wrapped_row_that_is_damaged_costs_itself_only(tmp_path: Path, widths: tuple[int, ...]) -> None:
    lines = []
    for row in range(30):
        cells = [str(row), *(f"{row}.{i}" for i in range(1, 9))]
        for width in widths:
            lines.append(" ".join(cells[:width]))
            cells = cells[width:]
    lines[10 * len(widths)] += " 7 7"
    series, cells = cells_of(write(tmp_path / "x.las", wrapped(lines)))
    assert [int(row[0]) for row in cells] == [i for i in range(30) if i != 10]
    assert all(row[8] == f"{row[0]}.8" for row in cells)
    assert series.dropped.rows == 1


def test_wrapped_rows_that_cannot_be_told_apart_are_refused(tmp_path: Path) -> None:
    lines = ["1 2 3", "4 5 6", "7 8 9"] * 5
    lines[7] = "4 5"
    with pytest.raises(FieldLogError, match="nothing shows where a row begins"):
        cells_of(write(tmp_path / "x.las", wrapped(lines)))
    with pytest.raises(FieldLogError, match="has more than 9 values"):
        cells_of(write(tmp_path / "x.las", wrapped(["1 2 3 4 5", "6 7 8 9 10"])))


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("VERS.   2.0", "VERS.   3.0", "is LAS 3.0"),
        ("VERS.   2.0", "XXXX.   2.0", "header cannot be read"),
        ("~Curve ", "~Zurve ", "names no curve|cannot be read"),
    ],
)
def test_las_headers_that_cannot_be_used_say_why(tmp_path: Path, old: str, new: str, words: str) -> None:
    text = las_text(5)
    assert old in text or old.replace("VERS.   2.0", "VERS.") in text
    with pytest.raises(FieldLogError, match=words):
        cells_of(write(tmp_path / "x.las", text.replace(old, new)))


def test_las_with_commas_and_quoted_times(tmp_path: Path) -> None:
    text = las_text(3)
    head = text[: text.index("~A")].replace("SPACE", "COMMA")
    _, cells = cells_of(write(tmp_path / "x.las", head + '~A\n1, 2.5 ,"3"\n'))
    assert cells == [["1", "2.5", "3"]]
    _, cells = cells_of(write(tmp_path / "y.las", text[: text.index("~A")] + '~A\n"2026-01-01 06:00:00" 2.5 3\n'))
    assert cells == [["2026-01-01 06:00:00", "2.5", "3"]]


def test_parquet_of_all_kinds_of_columns(tmp_path: Path) -> None:
    table = pa.table(
        {
            "t": pa.array([datetime(2026, 1, 1, 2, 3, 4, 500_000), None], pa.timestamp("us")),
            "zone": pa.array([datetime(2026, 1, 1), None], pa.timestamp("us", "Europe/Oslo")),
            "f": pa.array([0.1, float("nan")], pa.float32()),
            "i": pa.array([1 << 40, None], pa.int64()),
            "b": pa.array([True, False]),
            "s": pa.array(["x", "x"]).dictionary_encode(),
            "raw": pa.array([b"\xff", b""]),
            "many": pa.array([[1], [2]]),
        }
    )
    pq.write_table(table, tmp_path / "x.parquet")
    _, cells = cells_of(tmp_path / "x.parquet")
    assert cells[0] == [
        "2026-01-01 02:03:04.500000",
        "2026-01-01 00:00:00.000000Z",
        "0.1",
        str(1 << 40),
        "1",
        "x",
        "",
        "",
    ]
    assert cells[1] == ["", "", "nan", "", "0", "x", "", ""]


def test_parquet_units_are_taken_from_the_metadata_of_its_columns(tmp_path: Path) -> None:
    field = pa.field("BPOS", pa.float64(), metadata={"unit": "ft", "description": "Block position"})
    pq.write_table(pa.table([pa.array([1.0])], schema=pa.schema([field])), tmp_path / "x.parquet")
    series, _ = cells_of(tmp_path / "x.parquet")
    assert series.first.heads.units == ("ft",)
    assert series.first.heads.words == ("Block position",)


def test_a_damaged_parquet_file_says_after_which_row(tmp_path: Path) -> None:
    write_parquet(tmp_path / "x.parquet", 5000)
    data = bytearray((tmp_path / "x.parquet").read_bytes())
    data[len(data) // 3 : len(data) // 3 + 400] = bytes(400)
    with pytest.raises(FieldLogError, match="damaged Parquet file"):
        cells_of(write(tmp_path / "x.parquet", bytes(data)))
    with pytest.raises(FieldLogError, match="damaged Parquet file"):
        cells_of(write(tmp_path / "x.parquet", bytes(data[:1000])))


def book(path: Path, rows: list[list[Any]], title: str = "Log") -> Path:
    made = openpyxl.Workbook()
    made.active.title = title
    for row in rows:
        made.active.append(row)
    made.save(path)
    return path


def test_workbook_cells_of_all_kinds(tmp_path: Path) -> None:
    row = [
        datetime(2026, 1, 1, 2, 3, 4),
        date(2026, 1, 2),
        time(3, 4, 5),
        timedelta(minutes=1),
        1.5,
        7,
        True,
        None,
        "x",
    ]
    path = book(tmp_path / "x.xlsx", [[f"c{i}" for i in range(9)], row, row])
    _, cells = cells_of(path)
    assert cells[0] == [
        "2026-01-01T02:03:04", "2026-01-02", "03:04:05", "60.0", "1.5", "7", "1", "", "x",
    ]  # fmt: skip


def test_a_column_of_dates_stands_beside_one_of_times_and_a_time_at_midnight_stays_one(tmp_path: Path) -> None:
    start = datetime(2026, 1, 1, 23, 59)
    whens = [start + timedelta(seconds=20 * place) for place in range(400)]
    rows = [[when.date(), when.time(), when, place % 30 + 2.0, 500.0 + place % 7] for place, when in enumerate(whens)]
    path = book(tmp_path / "x.xlsx", [["Date", "Time", "Stamp", "Block pos (m)", "Hook load (kN)"], *rows])
    series, cells = cells_of(path)
    assert [cells[place][:3] for place in (0, 3)] == [
        ["2026-01-01", "23:59:00", "2026-01-01T23:59:00"], ["2026-01-02", "00:00:00", "2026-01-02T00:00:00"],
    ]  # fmt: skip
    given, again = cells_of(path, layout=series.first.layout)
    assert (given.first.heads, again) == (series.first.heads, cells), "found by looking or given"


def test_the_first_sheet_with_rows_is_taken_unless_the_map_names_one(tmp_path: Path) -> None:
    write_workbook(tmp_path / "x.xlsx", 9)
    series, cells = cells_of(tmp_path / "x.xlsx")
    assert series.first.layout == Layout(skip_rows=1, units_rows=1, decimal=".", sheet="Log")
    assert len(cells) == 9
    with pytest.raises(FieldLogError, match="has no sheet 'Day'; its sheets: 'Notes', 'Log'"):
        cells_of(tmp_path / "x.xlsx", layout=Layout(sheet="Day"))
    with pytest.raises(FieldLogError, match="nothing in its sheets"):
        cells_of(book(tmp_path / "y.xlsx", []))


def rezipped(path: Path, change: dict[str, Any]) -> Path:
    made = io.BytesIO()
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            data = old.read(name)
            new.writestr(name, change[name](data) if name in change else data)
    path.write_bytes(made.getvalue())
    return path


@pytest.mark.parametrize(
    "part", ["xl/worksheets/sheet1.xml", "xl/styles.xml", "xl/workbook.xml", "[Content_Types].xml"]
)
def test_a_document_type_in_any_part_of_a_workbook_is_refused(tmp_path: Path, part: str) -> None:
    path = book(tmp_path / "x.xlsx", [["t", "x"], ["a", 2]])
    harm = b'<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa">]>'

    def poison(data: bytes) -> bytes:
        return harm + data[data.index(b"?>") + 2 :] if data.startswith(b"<?xml") else harm + data

    with pytest.raises(FieldLogError, match="declares a document type"):
        cells_of(rezipped(path, {part: poison}))


def test_a_workbook_that_is_cut_or_broken_says_so(tmp_path: Path) -> None:
    path = book(tmp_path / "x.xlsx", [["t", "x"], *([i, i * 1.5] for i in range(500))])
    with pytest.raises(FieldLogError, match="nothing can be read after row"):
        cells_of(rezipped(path, {"xl/worksheets/sheet1.xml": lambda data: data[: len(data) // 2]}))
    with pytest.raises(FieldLogError, match="damaged"):
        cells_of(write(path, path.read_bytes()[:-300]))


def test_what_a_format_needs_is_named_where_it_is_not_installed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import sys

    write_parquet(tmp_path / "x.parquet", 3)
    write_workbook(tmp_path / "x.xlsx", 3)
    write(tmp_path / "x.las", las_text(3))
    for library, name in (("pyarrow", "x.parquet"), ("openpyxl", "x.xlsx"), ("lasio", "x.las")):
        monkeypatch.setitem(sys.modules, library, None)
        monkeypatch.setitem(sys.modules, f"{library}.parquet", None)
        with pytest.raises(FieldLogError, match=rf"needs {library}: pip install 'stopmark\[logs\]'"):
            cells_of(tmp_path / name)
