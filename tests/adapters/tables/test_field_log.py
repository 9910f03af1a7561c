"""Field logs as they are found: everything in them is either a reading or counted with its reason."""

import csv
import io
import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.adapters.tables.field_log import FieldLog, FieldLogError
from monitor.adapters.tables.field_map import EXAMPLE, load_map
from monitor.config.toml_file import ConfigError
from monitor.model.stream import Frame
from tests.support.log_map import log_map

MAP = log_map(position="max_rate = 3", load="zero_is_missing = true")


def read(tmp_path: Path, text: str, mapping: str = MAP, encoding: str = "utf-8") -> tuple[FieldLog, list[Frame]]:
    (tmp_path / "map.toml").write_text(mapping)
    (tmp_path / "log.csv").write_text(text, encoding=encoding, newline="")
    log = FieldLog(tmp_path / "log.csv", load_map(tmp_path / "map.toml"))
    return log, list(log.frames())


def value(frame: Frame) -> float:
    return float(json.loads(frame.payload)["value"])


def test_what_field_logs_hold_is_dropped_and_counted_by_reason(tmp_path: Path) -> None:
    log, frames = read(
        tmp_path,
        "time,pos,load,note\n"
        "1000,10.0,500,ok\n"
        "1001,1e12,0,spike and a zero\n"
        "1002,-7,501,negative position\n"
        "1002,10.0,502,time repeated\n"
        "1001,10.0,502,time runs back\n"
        "1003,,ERR,missing and not a number\n"
        "\n"
        "soon,10,500,no time\n"
        "1004,-999.25,nan,marked missing\n"
        "1005,35,inf,too fast and not finite\n"
        "1006,10.5\n"
        "1100,11.0,503,after a gap\n",
    )
    assert [value(f) for f in frames if f.topic.endswith("block-position")] == [10.0, 10.5, 11.0]
    assert [value(f) for f in frames if f.topic.endswith("hook-load")] == [500.0, 501.0, 503.0]
    assert dict(log.dropped) == {
        "pos: out of range (-2 to 44 m)": 2, "load: zero where none can be": 1, "line: time repeated": 1,
        "line: time runs back": 1, "pos: missing": 1, "load: not a number": 1, "line: empty": 1,
        "line: time cannot be read": 1, "pos: marked missing (-999.25)": 1, "load: marked missing (nan)": 1,
        "pos: jumps away and back": 1, "load: not a finite number": 1, "load: missing": 1,
    }  # fmt: skip
    assert (log.rows, log.readings, log.gaps) == (12, 6, 1)
    assert frames[0].t_ns == 1000 * 10**9


def test_a_level_that_stays_is_believed_and_its_jump_is_told(tmp_path: Path) -> None:
    rows = "".join(f"{1000 + i},{10 if i < 5 else 30},500\n" for i in range(12))
    log, frames = read(tmp_path, "time,pos,load\n" + rows)
    assert [value(f) for f in frames if f.topic.endswith("block-position")] == [10.0] * 5 + [30.0] * 7
    assert dict(log.dropped) == {}
    assert [(s.sensor, s.kind, s.from_ns // 10**9) for s in log.quality.stretches] == [
        ("block-position", "jumped to another level", 1005)
    ]


@pytest.mark.parametrize(
    ("form", "columns", "cells", "expected_s", "more"),
    [
        ("ms", '["t"]', "1767225600500", 1767225600.5, ""),
        ("iso8601", '["t"]', "2026-01-01T00:00:00.25", 1767225600.25, ""),
        ("iso8601", '["t"]', "2026-01-01T02:00:00+02:00", 1767225600, ""),
        ("%d.%m.%Y %H:%M:%S", '["t", "u"]', "01.01.2026;02:00:00", 1767225600, "utc_offset_h = 2"),
        ("elapsed_s", '["t"]', "12,5", 1767225612.5, 'start = "2026-01-01T00:00:00"'),
    ],
)  # fmt: skip
def test_times_in_the_ways_logs_write_them(
    tmp_path: Path, form: str, columns: str, cells: str, expected_s: float, more: str
) -> None:
    mapping = f"""
format = 1
rig = "land"
delimiter = ";"
decimal = ","
skip_rows = 1
units_rows = 1
[time]
columns = {columns}
format = "{form}"
{more}
[[columns]]
column = "Höhe"
quantity = "block_position"
unit = "ft"
[[columns]]
column = "load"
quantity = "hook_load"
unit = "kN"
"""
    heads = ";".join(json.loads(columns))
    text = f"a log\n{heads};Höhe;load\n;;;\n{cells};32,5;1.234,5\n"
    _, frames = read(tmp_path, text, mapping)
    assert abs(frames[0].t_ns - round(expected_s * 1e9)) < 1000
    assert [value(frame) for frame in frames] == [32.5, 1234.5]


def test_the_rig_gets_the_logs_sensors_and_rate(tmp_path: Path) -> None:
    log, _ = read(tmp_path, "time,pos,load\n" + "".join(f"{1000 + 5 * i},10,500\n" for i in range(10)))
    assert [sensor.quantity for sensor in log.rig.sensors] == ["block_position", "hook_load"]
    assert log.rig.sensors[0].rate_hz == pytest.approx(0.2)
    assert log.rig.sensors[0].stale_after_s > 10
    assert log.rig.mast.crown_m == 42.0


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty"),
        ("\n \n", "is empty"),
        ("time\n1\n", "not parted by"),
        ("time,pos,load\n", "no line of data"),
        ("SQLite format 3\x01,\ufffd,\x7f\n1,2,3\n", "is no table of text in utf-8;"),
        ("time,pos\n1,2\n", "has no column 'load'"),
        (
            "time,pos,load\n 12:30 ,1,2\n",
            "no line of it has a readable time: the first says '12:30', and time.format .* is 's'",
        ),
        ("time,pos,load\n1000,1e12,0\n", "not one reading"),
        ("time,pos,load\n1000,1,500\n" + "200000,1,500\n", "clock was set"),
        ("time,pos,load\n900000,1,500\n" + "1000,1,500\n" * 700, "stays back"),
    ],
)
def test_a_log_that_cannot_be_used_says_why(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(FieldLogError, match=words):
        read(tmp_path, text)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('"hook_load"', '"hook_weight"', "columns.1.quantity: unknown quantity 'hook_weight'"),
        ('unit = "kN"', 'unit = "bar"', "columns.1.unit: 'bar' does not measure hook load .force., use N, kN"),
        ('rig = "land"', 'rig = "sea"', "no rig is called"),
        ('format = "s"', 'format = "%H:%M:%H"', "time.format: names the same part of the time twice"),
        ('format = "s"', 'format = "%d.%Q"', "time.format: 'Q' is a bad directive"),
        ('format = "s"', 'format = "hours"', "time.format: names no part of the time"),
        ('format = "s"', 'format = "elapsed_s"', "time.start: with elapsed_s, or times without a date, it says when"),
        ('format = "s"', 'format = "elapsed_s"\nstart = "yesterday"', "'yesterday' is no such time"),
        ("format = 1", "format = 1\nfoo = 2", "foo: there is no such field; is it misspelt"),
        (
            'unit = "m"',
            'unit = "m"\ncolour = "red"',
            "^[^\n]*columns.0.colour: there is no such field; is it misspelt.$",
        ),
        ('column = "pos"', "", "columns.0.column: this field is missing"),
        ('"hook_load"\nunit = "kN"', '"block_position"\nunit = "m"', "2 of them would be the sensor 'block-position'"),
        ('quantity = "block_position"', 'quantity = "brake_lever"', "percent"),
    ],
)
def test_a_map_that_cannot_be_used_says_why(tmp_path: Path, old: str, new: str, words: str) -> None:
    with pytest.raises(ConfigError, match=words):
        read(tmp_path, "time,pos,load\n1,2,3\n", MAP.replace(old, new, 1))


def test_a_folder_is_no_log_and_a_map_needs_a_load(tmp_path: Path) -> None:
    (tmp_path / "map.toml").write_text(MAP)
    mapping = load_map(tmp_path / "map.toml")
    with pytest.raises(FieldLogError, match="is a folder, not a file"):
        FieldLog(tmp_path, mapping)
    alone = MAP[: MAP.rindex("[[columns]]")]
    with pytest.raises(ConfigError, match=r"the map's columns as sensors of the rig land: .*hook load"):
        read(tmp_path, "time,pos\n1,2\n", alone)


def test_the_example_is_a_map(tmp_path: Path) -> None:
    (tmp_path / "map.toml").write_text(EXAMPLE)
    mapping = load_map(tmp_path / "map.toml")
    assert mapping.time.columns == ("date", "time")
    assert mapping.columns[0].max_rate == 12


_cells: st.SearchStrategy[Any] = st.one_of(
    st.floats().map(str), st.integers().map(str), st.text(max_size=8),
    st.sampled_from(["", "0", "-999.25", "1e12", "NULL", "12", "11.9"]),
)  # fmt: skip


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None, max_examples=60)
@given(st.lists(st.tuples(st.integers(0, 3), st.lists(_cells, max_size=4)), max_size=25))
def test_every_cell_is_a_reading_or_is_counted(tmp_path: Path, rows: list[tuple[int, list[str]]]) -> None:
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(["time", "pos", "load"])
    writer.writerow([1000, 10, 500])
    t_s = 1000
    for step, cells in rows:
        t_s += step
        writer.writerow([t_s, *cells])
    log, frames = read(tmp_path, text.getvalue())
    lines = sum(count for key, count in log.dropped.items() if key.startswith("line:"))
    cells_dropped = sum(log.dropped.values()) - lines
    assert log.readings == len(frames)
    assert 2 * (log.rows - lines) == log.readings + cells_dropped or log.dropped["line: cannot be read"]
    assert [f.t_ns for f in frames] == sorted(f.t_ns for f in frames)


def test_a_quote_that_is_never_closed_costs_its_own_line(tmp_path: Path) -> None:
    rows = [f"{1000 + i},10.{i % 9},500,ok" for i in range(2000)]
    rows[700] = '1700,"10.5,500,ok'
    rows[701] = '1701,10.5,500,"a comment\nof two lines"'
    log, frames = read(tmp_path, "\n".join(["time,pos,load,note", *rows]))
    assert (log.rows, log.readings, len(frames)) == (2000, 3998, 3998)
    assert dict(log.dropped) == {"line: a quote in it is not closed": 1}
    assert log.dropped.first["line: a quote in it is not closed"] == f"{tmp_path / 'log.csv'} line 702"
