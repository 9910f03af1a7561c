"""Proposed maps: the right columns and units for logs in many styles, and every doubtful choice named."""

import math
import random
from pathlib import Path

import pytest

from monitor.adapters.tables.field_log import FieldLog
from monitor.adapters.tables.field_map import LogMap, load_map
from monitor.adapters.tables.proposal.propose import Proposal, propose
from monitor.adapters.tables.proposal.unit_names import parted, unit_named
from monitor.adapters.tables.readers.series import Series
from monitor.adapters.tables.readers.table import FieldLogError, Layout
from monitor.config.rig_file import find_rig
from monitor.units import UNITS, Dimension
from tests.support import log_files

KN = UNITS["kN"]


def proposed(path: Path, rig: str = "land", named: bool = True) -> tuple[Proposal, LogMap]:
    proposal = propose(Series([path], Layout()), find_rig(rig), rig, named)
    (path.parent / "map.toml").write_text(proposal.toml)
    return proposal, load_map(path.parent / "map.toml")


def trip(count: int = 3000, step_s: float = 2.0) -> tuple[list[float], list[float]]:
    """Block heights, m, and hook loads, kN, of a trip: up with the string, down empty."""
    heights, loads = [], []
    for i in range(count):
        phase = (i * step_s) % 180.0
        up = phase < 90.0
        height = 1.5 + 28.0 * (0.5 - 0.5 * math.cos(math.pi * phase / 90.0))
        heights.append(height)
        loads.append((900.0 if up else 230.0) + 15.0 * math.sin(i))
    return heights, loads


def write_log(
    path: Path,
    heads: tuple[str, str, str],
    units: tuple[str, str],
    units_row: tuple[str, str, str] | None = None,
    others: dict[str, list[float]] | None = None,
    scale: tuple[float, float] = (1.0, 1.0),
) -> Path:
    heights, loads = trip()
    length, force = UNITS[units[0]], UNITS[units[1]]
    others = others or {}
    lines = [",".join((*heads, *others))]
    if units_row:
        lines.append(",".join((*units_row, *("" for _ in others))))
    for i, (height, load) in enumerate(zip(heights, loads, strict=True)):
        cells = [
            str(1_767_225_600 + 2 * i), f"{length.from_si(height) * scale[0]:.2f}",
            f"{force.from_si(KN.to_si(load)) * scale[1]:.2f}",
        ]  # fmt: skip
        lines.append(",".join((*cells, *(f"{column[i % len(column)]:.2f}" for column in others.values()))))
    path.write_text("\n".join(lines))
    return path


STYLES = (
    (("Time", "Block Position (m)", "Hook Load (kN)"), ("m", "kN"), None),
    (("Time", "Block Position", "Hookload"), ("ft", "klbf"), ("s", "ft", "klbs")),
    (("TIME", "BPOS", "HKLD"), ("ft", "klbf"), ("S", "F", "KLB")),
    (("date_time", "blk_pos_m", "hook_load_t"), ("m", "tf"), None),
    (("Zeit", "Hakenhöhe [m]", "Hakenlast [t]"), ("m", "tf"), None),
    (("время", "Положение талевого блока", "Вес на крюке"), ("m", "tf"), ("с", "м", "тс")),
    (("fecha hora", "Posición del bloque (m)", "Carga en el gancho (klb)"), ("m", "klbf"), None),
    (("Timestamp", "Travelling Block Height, m", "Weight on Hook, kdaN"), ("m", "kN*10"), None),
    (("t", "TravellingBlockPosition", "HookLoadAverage"), ("m", "kN"), ("", "meters", "kN")),
    (("Time", "Top Drive Height (ft)", "HKLA (lbf)"), ("ft", "lbf"), None),
)


@pytest.mark.parametrize(("heads", "units", "row"), STYLES)
def test_columns_and_units_of_logs_in_many_styles(
    tmp_path: Path,
    heads: tuple[str, str, str],
    units: tuple[str, str],
    row: tuple[str, str, str] | None,
) -> None:
    if "," in heads[1]:
        heads = (heads[0], f'"{heads[1]}"', f'"{heads[2]}"')
    proposal, mapping = proposed(write_log(tmp_path / "x.csv", heads, units, row))
    assert {c.quantity: (c.column, c.unit) for c in mapping.columns} == {
        "block_position": (heads[1].strip('"'), units[0]),
        "hook_load": (heads[2].strip('"'), units[1]),
    }
    assert mapping.time.columns == (heads[0],)
    assert proposal.doubts == ()
    log = FieldLog(tmp_path / "x.csv", mapping)
    assert sum(1 for _ in log.frames()) == 6000
    assert not log.dropped


@pytest.mark.parametrize(
    ("heads", "units"),
    [
        (("t", "Position bloc (m)", "Poids crochet (t)"), ("m", "tf")),
        (("t", "Blk Hght (ft)", "Hook Ld (klb)"), ("ft", "klbf")),
        (("t", "Block (m)", "Hook (kN)"), ("m", "kN")),
    ],
)
def test_heads_that_are_not_known_are_made_up_for_by_unit_and_numbers_and_said(
    tmp_path: Path, heads: tuple[str, str, str], units: tuple[str, str]
) -> None:
    proposal, mapping = proposed(write_log(tmp_path / "x.csv", heads, units))
    assert [(c.column, c.unit) for c in mapping.columns] == [(heads[1], units[0]), (heads[2], units[1])]
    assert sum("no head names it" in doubt for doubt in proposal.doubts) == 2


@pytest.mark.parametrize("length", ["m", "ft"])
@pytest.mark.parametrize("force", ["N", "kN", "klbf", "tf", "lbf"])
def test_units_that_are_nowhere_written_are_told_by_the_numbers_and_named_as_doubtful(
    tmp_path: Path, length: str, force: str
) -> None:
    proposal, mapping = proposed(write_log(tmp_path / "x.csv", ("time", "block height", "hook load"), (length, force)))
    assert [c.unit for c in mapping.columns] == [length, force]
    doubts = "\n".join(proposal.doubts)
    assert f"block position: no unit is written; by its numbers 'block height' is taken to be in {length}" in doubts
    assert f"hook load: no unit is written; by its numbers 'hook load' is taken to be in {force}" in doubts


def test_a_units_row_that_the_numbers_contradict_is_not_believed_and_that_is_said(tmp_path: Path) -> None:
    path = write_log(tmp_path / "x.csv", ("time", "block height (m)", "hook load (N)"), ("ft", "kN"))
    proposal, mapping = proposed(path)
    assert [c.unit for c in mapping.columns] == ["ft", "kN"]
    assert any("the file says 'm'" in doubt and "in ft it can" in doubt for doubt in proposal.doubts)
    assert any("the file says 'N'" in doubt and "in kN it can" in doubt for doubt in proposal.doubts)


def test_columns_that_sound_like_it_are_not_taken(tmp_path: Path) -> None:
    noise = random.Random(1)
    others = {
        "Hook Load Max": [900.0], "Hook Speed": [noise.uniform(-2, 2) for _ in range(99)], "Block Velocity": [1.0],
        "Hole Depth TVD": [2500.0],
        "Hook Load Alarm": [1500.0], "Pit Volume": [float(i % 30) for i in range(300)], "WOB (kN)": [50.0],
    }  # fmt: skip
    proposal, mapping = proposed(
        write_log(tmp_path / "x.csv", ("time", "Block Position (m)", "Hook Load (kN)"), ("m", "kN"), None, others)
    )
    assert [c.column for c in mapping.columns] == ["Block Position (m)", "Hook Load (kN)"]
    assert set(proposal.unused) == set(others)


def test_depths_activity_and_the_logs_own_line_work_are_taken_too(tmp_path: Path) -> None:
    others = {
        "Bit Depth (ft)": [5000.0, 5001.5],
        "Hole Depth (ft)": [9000.0],
        "Activity Code": [3.0],
        "Ton-Miles": [120.0],
    }
    path = write_log(tmp_path / "x.csv", ("time", "Block Position (m)", "Hook Load (kN)"), ("m", "kN"), None, others)
    path.write_text(path.read_text().replace(",3.00,", ",3,"))
    _, mapping = proposed(path)
    assert {c.quantity: (c.column, c.unit) for c in mapping.columns[2:]} == {
        "bit_depth": ("Bit Depth (ft)", "ft"), "hole_depth": ("Hole Depth (ft)", "ft"),
        "activity_code": ("Activity Code", "counts"), "line_work_counter": ("Ton-Miles", "ton-mile"),
    }  # fmt: skip
    log = FieldLog(path, mapping)
    assert sum(1 for _ in log.frames()) == 6 * 3000 - sum(log.dropped.values())


def test_forward_filled_columns_are_named(tmp_path: Path) -> None:
    path = write_log(tmp_path / "x.csv", ("time", "Block Position (m)", "Hook Load (kN)"), ("m", "kN"))
    head, *rows = path.read_text().splitlines()
    held = [rows[place - place % 5].split(",")[1] for place in range(len(rows))]
    cells = [row.split(",") for row in rows]
    path.write_text("\n".join([head, *(f"{c[0]},{position},{c[2]}" for c, position in zip(cells, held, strict=True))]))
    proposal, _ = proposed(path)
    words = [choice.evidence for choice in proposal.choices if choice.what == "filled"]
    assert words == ["each reading of Block Position (m) stands in 5 rows, and is taken once"]


def test_seconds_with_a_decimal_comma_are_a_time(tmp_path: Path) -> None:
    path = write_log(tmp_path / "x.csv", ("time", "Block Position (m)", "Hook Load (kN)"), ("m", "kN"))
    head, *rows = path.read_text().splitlines()
    rows = [row.replace(",", ".5,", 1).replace(",", ";").replace(".", ",") for row in rows]
    path.write_text("\n".join([head.replace(",", ";"), *rows]))
    _, mapping = proposed(path)
    assert (mapping.time.format, mapping.decimal, mapping.delimiter) == ("s", ",", ";")
    log = FieldLog(path, mapping)
    assert sum(1 for _ in log.frames()) == 6000


def test_a_rival_is_named(tmp_path: Path) -> None:
    heights, _ = trip()
    proposal, mapping = proposed(
        write_log(
            tmp_path / "x.csv", ("time", "Block Position (m)", "Hook Load (kN)"), ("m", "kN"), None,
            {"Block Height (m)": heights},
        )
    )  # fmt: skip
    assert mapping.columns[0].column in ("Block Position (m)", "Block Height (m)")
    assert any("could be it as well" in doubt for doubt in proposal.doubts)


def test_heads_that_say_nothing_leave_the_numbers(tmp_path: Path) -> None:
    noise = random.Random(2)
    others = {"CH3": [noise.uniform(0, 300) for _ in range(3000)]}
    path = write_log(tmp_path / "x.csv", ("time", "CH1", "CH2"), ("m", "kN"), ("s", "m", "kN"), others)
    proposal, mapping = proposed(path)
    assert {c.quantity: c.column for c in mapping.columns} == {"block_position": "CH1", "hook_load": "CH2"}
    assert any("no head names it; 'CH1' is taken by its numbers" in doubt for doubt in proposal.doubts)


def test_a_mark_for_no_reading_among_other_such_numbers_is_a_reading(tmp_path: Path) -> None:
    path = write_log(tmp_path / "x.csv", ("time", "Block Position (m)", "Hook Load (kN)"), ("m", "kN"))
    lines = path.read_text().splitlines()
    for place in range(100, 200, 10):
        time, position, _ = lines[place].split(",")
        lines[place] = f"{time},{position},999"
    path.write_text("\n".join(lines))
    assert "999" in proposed(path)[1].missing
    for place in range(300, 400):
        time, position, _ = lines[place].split(",")
        lines[place] = f"{time},{position},{660 + place}"
    path.write_text("\n".join(lines))
    assert "999" not in proposed(path)[1].missing


def test_marks_for_no_reading_and_zeros_between_loads_are_found(tmp_path: Path) -> None:
    path = write_log(tmp_path / "x.csv", ("time", "Block Position (m)", "Hook Load (kN)"), ("m", "kN"))
    lines = path.read_text().splitlines()
    for place in range(100, 200, 10):
        time, position, _ = lines[place].split(",")
        lines[place] = f"{time},-9999.00,Bad" if place % 20 else f"{time},{position},0"
    path.write_text("\n".join(lines))
    proposal, mapping = proposed(path)
    assert {"-9999.00", "Bad"} <= set(mapping.missing)
    assert [c.zero_is_missing for c in mapping.columns] == [False, True]
    assert any("5 zeros in 'Hook Load (kN)' stand between loads" in doubt for doubt in proposal.doubts)


def test_counts_are_taken_where_the_rigs_own_file_says_what_they_are(tmp_path: Path) -> None:
    counts = [float(1000 + 37 * (i % 90)) for i in range(3000)]
    path = write_log(
        tmp_path / "x.csv",
        ("time", "Block Position (m)", "Hook Load (kN)"),
        ("m", "kN"),
        None,
        {"Drum encoder": counts},
    )
    path.write_text(path.read_text().replace(".00\n", "\n"))
    _, mapping = proposed(path)
    by = {c.quantity: c for c in mapping.columns}
    own = find_rig("land").sensor_of("drum_counts")
    assert own is not None
    assert by["drum_counts"].sensor == own.id
    assert by["drum_counts"].counts_per_turn == own.counts_per_turn
    proposal, mapping = proposed(path, named=False)
    assert "drum_counts" not in {c.quantity for c in mapping.columns}
    assert proposal.doubts[0].startswith("rig: none is named")


@pytest.mark.parametrize(
    ("heads", "words"),
    [
        (("pos of day", "Block Position (m)", "Hook Load (kN)"), "could be read as a time"),
        (("time", "x", "Hook Load (kN)"), "told to be the block's position .or drum counts."),
        (("time", "Block Position (m)", "WOB"), "told to be the hook load"),
    ],
)
def test_a_log_in_which_something_is_not_found_says_what_there_is(
    tmp_path: Path, heads: tuple[str, str, str], words: str
) -> None:
    path = write_log(tmp_path / "x.csv", heads, ("m", "kN"))
    if "day" in heads[0]:
        path.write_text("\n".join(line.replace("17672", "") for line in path.read_text().splitlines()))
    if "x" in heads:
        path.write_text("\n".join(line.replace(",2", ",-7", 1) for line in path.read_text().splitlines()))
    with pytest.raises(FieldLogError, match=words) as caught:
        proposed(path)
    assert repr(heads[2]) in str(caught.value)


def test_elapsed_time_takes_its_beginning_from_the_header(tmp_path: Path) -> None:
    (tmp_path / "x.las").write_text(log_files.las_text(2000))
    proposal, mapping = proposed(tmp_path / "x.las")
    assert (mapping.time.format, mapping.time.start) == ("elapsed_s", "2026-01-01T06:00:00")
    (tmp_path / "x.las").write_text(log_files.las_text(2000).replace("DATE. 2026-01-01T06:00:00", "DATE. "))
    proposal, mapping = proposed(tmp_path / "x.las")
    assert any("nothing says when the log begins" in doubt for doubt in proposal.doubts)


@pytest.mark.parametrize(
    ("words", "dimension", "unit"),
    [
        ("KLB", "force", "klbf"), ("k-lbs", "force", "klbf"), ("1000 lbf", "force", "klbf"), ("daN", "force", "N*10"),
        ("kdaN", "force", "kN*10"), ("t", "force", "tf"), ("kkgf", "force", "tf"), ("Metric Ton", "force", "tf"),
        ("M", "length", "m"), ("F", "length", "ft"), ("feet", "length", "ft"), ("f", "temperature", "degF"),
        ("kN.m", "torque", "kN*m"), ("ft-lbs", "torque", "ft*lbf"), ("%", "fraction", "percent"), ("m", "force", None),
        ("кгс", "force", "kgf"), ("m/s", "length", None), ("", "length", None),
    ],
)  # fmt: skip
def test_spellings_of_units(words: str, dimension: Dimension, unit: str | None) -> None:
    assert unit_named(words, dimension) == unit


def test_heads_are_parted_from_their_units() -> None:
    assert parted("Hook Load (klbf)", "") == ("Hook Load", "klbf")
    assert parted("Hook Load (klbf)", "kN") == ("Hook Load", "kN")
    assert parted("Block Pos, m", "") == ("Block Pos", "m")
    assert parted("bpos_ft", "") == ("bpos", "ft")
    assert parted("Block Pos", "") == ("Block Pos", "")
    assert parted("m", "") == ("m", "")
