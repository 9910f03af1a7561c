"""Logs whose clock or whose rows are not in order: local clocks of summer time, newest row first, parts moved, times to the
minute, days as spreadsheets count them; heights from the crown and loads without the block. Each is proposed and read."""

import zipfile
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from monitor.adapters.tables.field_log import CLOCK_BACK, CLOCK_FORWARD, FieldLog, FieldLogError
from monitor.adapters.tables.field_map import load_map
from monitor.adapters.tables.proposal.propose import Proposal, propose
from monitor.adapters.tables.readers.series import Series
from monitor.adapters.tables.readers.table import Layout
from monitor.config.rig_file import find_rig
from monitor.model.stream import Frame
from tests.adapters.tables.proposal.test_propose import trip

STEP_S = 10
ROWS = 1500
Line = tuple[datetime, float, float]


def lines(begin: datetime, count: int = ROWS) -> list[Line]:
    """Rows every ten seconds of true time: block height m, hook load kN."""
    heights, loads = trip(count, STEP_S)
    return [(begin + timedelta(seconds=STEP_S * i), h, w) for i, (h, w) in enumerate(zip(heights, loads, strict=True))]


def write(
    path: Path,
    rows: Sequence[Line],
    time: Callable[[datetime], str],
    heads: str = "Time,Block Position (m),Hook Load (kN)",
) -> Path:
    path.write_text("\n".join([heads, *(f"{time(t)},{h:.2f},{w:.1f}" for t, h, w in rows)]), encoding="utf-8")
    return path


def read(path: Path) -> tuple[Proposal, FieldLog, list[Frame]]:
    proposal = propose(Series([path], Layout()), find_rig("land"), "land", True)
    (path.parent / "map.toml").write_text(proposal.toml)
    log = FieldLog(path, load_map(path.parent / "map.toml"))
    return proposal, log, list(log.frames())


def seconds(frames: Sequence[Frame], what: str = "block-position") -> list[float]:
    return [frame.t_ns * 1e-9 for frame in frames if frame.topic.endswith(what)]


def true_seconds(rows: Sequence[Line]) -> list[float]:
    return [t.timestamp() for t, _, _ in rows]


@pytest.mark.parametrize(
    ("zone", "begin", "kind", "offset_h"),
    [
        ("Europe/Berlin", datetime(2026, 10, 24, 23, 30, tzinfo=UTC), CLOCK_BACK, 2),
        ("Europe/Berlin", datetime(2026, 3, 28, 23, 30, tzinfo=UTC), CLOCK_FORWARD, 1),
        ("America/Chicago", datetime(2026, 3, 8, 6, 0, tzinfo=UTC), CLOCK_FORWARD, -6),
        ("America/Chicago", datetime(2026, 11, 1, 5, 0, tzinfo=UTC), CLOCK_BACK, -5),
    ],
)
def test_a_local_clock_goes_on_over_the_end_and_the_beginning_of_summer_time(
    tmp_path: Path, zone: str, begin: datetime, kind: str, offset_h: int
) -> None:
    rows, place = lines(begin), ZoneInfo(zone)
    path = write(tmp_path / "log.csv", rows, lambda t: f"{t.astimezone(place):%d.%m.%Y %H:%M:%S}")
    _, log, frames = read(path)
    assert not log.dropped
    assert log.gaps == 0
    assert [stretch.kind for stretch in log.quality.stretches] == [kind]
    assert seconds(frames) == [t + 3600 * offset_h for t in true_seconds(rows)]


def test_a_clock_with_a_zone_is_not_shifted_nor_is_an_hour_without_rows_on_another_day(tmp_path: Path) -> None:
    rows = lines(datetime(2026, 10, 25, 0, 0, tzinfo=UTC), 720)
    hole = [*rows[:360], *((t + timedelta(hours=1), h, w) for t, h, w in rows[360:])]
    for time in (lambda t: t.isoformat(), lambda t: f"{t + timedelta(days=1):%Y-%m-%d %H:%M:%S}"):
        _, log, frames = read(write(tmp_path / "log.csv", hole, time))
        assert log.gaps == 1
        assert seconds(frames)[-1] - seconds(frames)[0] == 719 * STEP_S + 3600


def test_a_single_row_an_hour_early_is_dropped_and_shifts_nothing(tmp_path: Path) -> None:
    rows = lines(datetime(2026, 5, 3, tzinfo=UTC))
    stray = [*rows[:700], (rows[700][0] - timedelta(hours=1), *rows[700][1:]), *rows[701:]]
    _, log, frames = read(write(tmp_path / "log.csv", stray, lambda t: f"{t:%Y-%m-%d %H:%M:%S}"))
    assert dict(log.dropped) == {"line: time runs back": 1}
    assert seconds(frames) == [t for i, t in enumerate(true_seconds(rows)) if i != 700]


def test_rows_out_of_order_are_put_in_order(tmp_path: Path) -> None:
    rows = lines(datetime(2026, 5, 3, tzinfo=UTC))
    moved = [*rows[:300], *rows[700:1000], *rows[300:700], *rows[1000:]]
    for order in (rows[::-1], moved):
        proposal, log, frames = read(write(tmp_path / "log.csv", order, lambda t: f"{t:%Y-%m-%d %H:%M:%S}"))
        assert any("time.sort" in doubt for doubt in proposal.doubts)
        assert not log.dropped
        assert log.rows == ROWS
        assert seconds(frames) == true_seconds(rows)


def test_parts_out_of_order_without_sort_stop_the_import_with_the_words_that_help(tmp_path: Path) -> None:
    rows = lines(datetime(2026, 5, 3, tzinfo=UTC), 3000)
    path = write(tmp_path / "log.csv", [*rows[:300], *rows[1500:], *rows[300:1500]], lambda t: f"{t:%Y-%m-%d %H:%M:%S}")
    proposal, _, _ = read(path)
    mapping = tmp_path / "map.toml"
    mapping.write_text(proposal.toml.replace("sort = true", "sort = false"))
    with pytest.raises(FieldLogError, match="sort = true"):
        list(FieldLog(path, load_map(mapping)).frames())


def test_times_to_the_minute_are_spread_over_it(tmp_path: Path) -> None:
    rows = lines(datetime(2026, 5, 3, 0, 0, 30, tzinfo=UTC))
    proposal, log, frames = read(write(tmp_path / "log.csv", rows, lambda t: f"{t:%d/%m/%Y %H:%M}"))
    assert any("time.spread" in doubt for doubt in proposal.doubts)
    assert not log.dropped
    assert log.period_s == STEP_S
    assert seconds(frames) == true_seconds(rows)


def test_days_as_a_spreadsheet_counts_them(tmp_path: Path) -> None:
    rows, zero = lines(datetime(2026, 5, 3, tzinfo=UTC)), datetime(1899, 12, 30, tzinfo=UTC)
    path = write(tmp_path / "log.csv", rows, lambda t: f"{(t - zero) / timedelta(days=1):.7f}")
    proposal, _, frames = read(path)
    assert 'format = "serial_days"' in proposal.toml
    assert seconds(frames) == pytest.approx(true_seconds(rows), abs=0.01)


def test_times_of_day_without_a_date_go_on_over_midnight_and_holes(tmp_path: Path) -> None:
    begin = datetime(2000, 1, 1, 15, 30, tzinfo=UTC)
    rows = [row for place, row in enumerate(lines(begin, 20_000)) if not 5_000 < place < 12_000]
    proposal, log, frames = read(write(tmp_path / "log.csv", rows, lambda t: f"{t:%H:%M:%S}"))
    assert 'format = "%H:%M:%S"' in proposal.toml
    assert any("has no date" in doubt for doubt in proposal.doubts)
    assert seconds(frames) == true_seconds(rows)
    assert log.gaps == 1


def test_elapsed_seconds_of_that_size_are_no_days(tmp_path: Path) -> None:
    begin = datetime(2026, 5, 3, tzinfo=UTC)
    path = write(tmp_path / "log.csv", lines(begin), lambda t: f"{46_000 + (t - begin).total_seconds():.0f}")
    assert 'format = "elapsed_s"' in read(path)[0].toml


@pytest.mark.parametrize(("clock", "units"), [("%I:%M:%S %p", "(m)"), ("%H:%M:%S", "(ft)")])
def test_a_day_that_could_be_a_month_goes_by_the_clock_and_the_units(tmp_path: Path, clock: str, units: str) -> None:
    rows = lines(datetime(2026, 3, 8, tzinfo=UTC), 500)
    heads = f"Time,Block Position {units},Hook Load (kN)"
    path = write(tmp_path / "log.csv", rows, lambda t: f"{t:%m/%d/%Y {clock}}", heads)
    proposal, _, frames = read(path)
    assert any("can be read as" in doubt for doubt in proposal.doubts)
    assert seconds(frames)[0] == rows[0][0].timestamp()


@pytest.mark.parametrize(
    ("heads", "sense", "zero"),
    [("Time,Block below crown (m),Hook Load (kN)", -1, 42.0), ("Time,Block Position (m),Hook Load (kN)", 1, -50.0)],
)
def test_a_position_from_the_crown_or_from_another_zero(tmp_path: Path, heads: str, sense: int, zero: float) -> None:
    rows = lines(datetime(2026, 5, 3, tzinfo=UTC))
    path = write(tmp_path / "log.csv", [(t, zero + sense * h, w) for t, h, w in rows], str, heads)
    proposal, log, frames = read(path)
    assert any("(add)" in doubt or "(sense, add)" in doubt for doubt in proposal.doubts)
    assert not log.dropped
    read_m = [float(frame.payload[9:-1]) for frame in frames if frame.topic.endswith("block-position")]
    by_m = read_m[0] - rows[0][1]
    assert read_m == pytest.approx([h + by_m for _, h, _ in rows], abs=0.011)


def test_a_load_without_the_block_gets_the_rigs_own(tmp_path: Path) -> None:
    rows = [(t, h, max(0.0, w - 230.0)) for t, h, w in lines(datetime(2026, 5, 3, tzinfo=UTC))]
    proposal, log, frames = read(write(tmp_path / "log.csv", rows, str))
    assert any("the block is not weighed" in doubt for doubt in proposal.doubts)
    assert not log.dropped
    loads = [float(frame.payload[9:-1]) for frame in frames if frame.topic.endswith("hook-load")]
    assert loads == pytest.approx([w + 215.7 for _, _, w in rows], abs=0.2)


def test_a_depth_that_stays_the_same_is_a_reading(tmp_path: Path) -> None:
    heads = "Time,Block Position (m),Hook Load (kN),Hole Depth (m)"
    rows = lines(datetime(2026, 5, 3, tzinfo=UTC))
    path = tmp_path / "log.csv"
    path.write_text("\n".join([heads, *(f"{t},{h:.2f},{w:.1f},3000" for t, h, w in rows)]), encoding="utf-8")
    _, log, frames = read(path)
    assert len(seconds(frames, "hole-depth")) == ROWS
    assert not log.dropped


@pytest.mark.parametrize(
    ("begin", "day", "clock"),
    [
        (datetime(2026, 2, 3, 23, 30, tzinfo=UTC), "{:%Y%m%d}.00", "{}.00"),
        (datetime(2026, 2, 3, 0, 30, tzinfo=UTC), "{:%Y%m%d}", "{}"),
        (datetime(2026, 2, 3, 8, 30, tzinfo=UTC), "{:%Y%m%d}.0", "{}.0"),
    ],
)
def test_dates_and_times_kept_as_numbers_get_their_zeros_back(
    tmp_path: Path, begin: datetime, day: str, clock: str
) -> None:
    """As LAS has them: 00:04:05 is 405, and midnight 0."""
    rows = lines(begin)
    path = write(
        tmp_path / "log.csv", rows, lambda t: f"{day.format(t)},{clock.format(int(f'{t:%H%M%S}'))}",
        "DATE,TIME,Block Position (m),Hook Load (kN)",
    )  # fmt: skip
    proposal, log, frames = read(path)
    assert 'columns = ["DATE", "TIME"]' in proposal.toml
    assert seconds(frames) == true_seconds(rows)
    assert not log.dropped


@pytest.mark.parametrize(
    ("head", "per_s", "form"),
    [
        ("elapsed_ms", 1e3, "elapsed_ms"), ("Elapsed time (min)", 1.0 / 60.0, "elapsed_min"),
        ("ETIM [h]", 1.0 / 3600.0, "elapsed_h"), ("Time, s", 1.0, "elapsed_s"),
    ],
)  # fmt: skip
def test_a_time_since_the_beginning_is_in_the_unit_of_its_head(
    tmp_path: Path, head: str, per_s: float, form: str
) -> None:
    rows = lines(datetime(2000, 1, 1, tzinfo=UTC))
    begin = rows[0][0].timestamp()
    quoted = f'"{head}",Block Position (m),Hook Load (kN)'
    path = write(tmp_path / "log.csv", rows, lambda t: f"{(t.timestamp() - begin) * per_s:.9g}", quoted)
    proposal, _, frames = read(path)
    assert f'format = "{form}"' in proposal.toml
    assert seconds(frames) == pytest.approx(true_seconds(rows), abs=0.01)


@pytest.mark.parametrize(
    "name", ["Distance sous couronne", "Block unter der Krone", "Distancia bajo corona", "Расстояние от кронблока"]
)
def test_a_position_from_the_crown_is_known_in_other_tongues(tmp_path: Path, name: str) -> None:
    rows = lines(datetime(2026, 5, 3, tzinfo=UTC))
    heads = f"Time,{name} (m),Hook Load (kN)"
    proposal, *_ = read(write(tmp_path / "log.csv", [(t, 42.0 - h, w) for t, h, w in rows], str, heads))
    assert "sense = -1" in proposal.toml


def test_parts_of_a_log_that_are_not_in_order_are_not_lost_without_a_word(tmp_path: Path) -> None:
    rows = lines(datetime(2026, 5, 3, tzinfo=UTC), 900)
    with zipfile.ZipFile(tmp_path / "log.zip", "w") as archive:
        for name, first in (("c", 0), ("a", 300), ("b", 600)):
            part = write(tmp_path / "part.csv", rows[first : first + 310], str)
            archive.write(part, f"{name}.csv")
    with pytest.raises(FieldLogError, match=r"log\.zip: c\.csv: lies before the beginning of the log.*sort = true"):
        read(tmp_path / "log.zip")
    mapping = (tmp_path / "map.toml").read_text()
    assert "sort" not in mapping
    (tmp_path / "map.toml").write_text(mapping.replace("[time]\n", "[time]\nsort = true\n"))
    log = FieldLog(tmp_path / "log.zip", load_map(tmp_path / "map.toml"))
    assert seconds(list(log.frames())) == true_seconds(rows)
    assert sum(log.dropped.values()) == 20, "those that are in two parts"
