"""Exports say what the session says, in files that pandas, DuckDB and a spreadsheet read without being told how."""

import json
import math
import random
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import duckdb
import openpyxl
import pandas as pd  # type: ignore[import-untyped]
import pytest

from monitor.adapters.sessions.recorder import Recorder
from monitor.adapters.tables import columns, export, table_file
from monitor.adapters.tables.export import (
    SI_UNITS,
    ExportResult,
    export_findings,
    export_readings,
    export_resampled,
)
from monitor.adapters.tables.table_file import Column, ExportError, TableFile
from monitor.analysis.signal_table import export_signals
from monitor.config.rig_file import find_rig
from monitor.config.rules_file import build_rules, default_rules_path
from monitor.core.engine import Core
from monitor.core.sensors.decoder import Decoder
from monitor.core.signals.table import SIGNAL_NAMES
from monitor.model.alarm import Finding, Severity
from monitor.model.reading import Sample
from monitor.model.stream import HEALTH_TOPIC, Action, ActionKind, Frame
from tests.adapters.sessions.streams import START_NS, give

RIG = find_rig("land")
RULES = Path(default_rules_path()).read_text(encoding="utf-8")
SECOND_NS = 1_000_000_000


def readings(seconds: int) -> list[Frame]:
    """What the land rig's sensors send while the block stands at 20 m with a load that swings."""
    frames = []
    for sensor in RIG.sensors:
        step_ns = round(SECOND_NS / sensor.rate_hz)
        for count in range(round(seconds * sensor.rate_hz)):
            t_ns = START_NS + count * step_ns + 7_000_000
            value: float = 1_000_000 + count if sensor.quantity == "drum_counts" else 50.0 + 5 * math.sin(count / 9)
            if sensor.si.dimension == "switch":
                value = count % 2
            document = {"value": value, "t": (t_ns - 5_000_000) // 1_000_000, "seq": count}
            frames.append(Frame(t_ns, RIG.topic(sensor), json.dumps(document).encode()))
    return sorted(frames, key=lambda frame: frame.t_ns)


FRAMES = readings(8)


def write(path: Path, items: list[Frame | Action | Finding]) -> Path:
    header = {"rig": RIG.name, "config": RIG.model_dump(mode="json"), "rules": RULES, "mode": "simulated"}
    with Recorder(path, header) as recorder:
        give(recorder, items)
    return path


@pytest.fixture
def session(tmp_path: Path) -> Path:
    """Eight seconds of the land rig, with a bad reading, a stray topic and a word from the crew."""
    bad = Frame(FRAMES[-1].t_ns, RIG.topic(RIG.sensors[1]), b"NaN")
    stray = Frame(FRAMES[-1].t_ns, "rig/other/topic", b"1")
    note = Action(FRAMES[-1].t_ns, ActionKind.NOTE, text="hello")
    return write(tmp_path / "a.stopmark", [*FRAMES, bad, stray, note])


def samples() -> list[Sample]:
    decoder = Decoder(RIG)
    return [item for frame in FRAMES for item in decoder.decode(frame) if isinstance(item, Sample)]


def query(words: str) -> list[tuple[Any, ...]]:
    with duckdb.connect() as base:
        return list(base.execute(words).fetchall())


def moment(t_ns: int) -> datetime:
    return datetime.fromtimestamp(t_ns // 1000 / 1e6, UTC)


def test_readings_as_parquet_are_equal_to_the_bit(session: Path, tmp_path: Path) -> None:
    out = tmp_path / "r.parquet"
    result = export_readings([session], out)
    expected = samples()
    assert result == ExportResult(
        out, len(expected), expected[0].t_ns, expected[-1].t_ns, {"not a finite number": 1, "topic not configured": 1}
    )
    frame = pd.read_parquet(out)
    assert list(frame.columns) == ["time", "source_time", "sensor", "quantity", "value", "unit"]
    assert frame["time"].astype("int64").tolist() == [sample.t_ns for sample in expected]
    assert frame["value"].tolist() == [sample.value for sample in expected]
    assert frame["sensor"].tolist() == [RIG.sensors[sample.sensor].id for sample in expected]
    assert frame["source_time"].notna().all()
    rows = query(f"SELECT count(*), sum(value), max(unit) FILTER (sensor = 'hook-load') FROM '{out}'")
    assert rows == [(len(expected), pytest.approx(sum(sample.value for sample in expected)), "N")]
    rows = query(f"SELECT epoch_ns(time), epoch_ns(source_time), sensor, quantity, value, unit FROM '{out}'")
    assert rows == [
        (sample.t_ns, sample.source_t_ns, sensor.id, sensor.quantity, sample.value, SI_UNITS[sensor.dimension])
        for sample, sensor in ((sample, RIG.sensors[sample.sensor]) for sample in expected)
    ]
    assert frame["source_time"].astype("int64").tolist() == [sample.source_t_ns for sample in expected]
    assert frame["unit"].tolist() == [row[5] for row in rows]


def test_readings_as_csv_are_equal_and_typed_without_options(session: Path, tmp_path: Path) -> None:
    out = tmp_path / "r.csv"
    export_readings([session], out)
    expected = samples()
    frame = pd.read_csv(out)
    assert frame["value"].tolist() == [sample.value for sample in expected]
    times = pd.to_datetime(frame["time"])
    assert times.astype("int64").tolist() == pytest.approx([sample.t_ns // 1000 for sample in expected], abs=1)
    assert times.iloc[0].to_pydatetime() == moment(expected[0].t_ns)
    types = {str(row[0]): str(row[1]) for row in query(f"DESCRIBE SELECT * FROM '{out}'")}
    assert types["time"] == types["source_time"] == "TIMESTAMP WITH TIME ZONE"
    assert types["value"] == "DOUBLE"
    total = query(f"SELECT sum(value) FROM '{out}'")
    assert total == [(pytest.approx(sum(sample.value for sample in expected)),)]
    rows = query(f"SELECT epoch_us(time), sensor, quantity, value, unit FROM '{out}'")
    assert rows == [
        (sample.t_ns // 1000, sensor.id, sensor.quantity, sample.value, SI_UNITS[sensor.dimension])
        for sample, sensor in ((sample, RIG.sensors[sample.sensor]) for sample in expected)
    ]
    assert frame["sensor"].tolist() == [row[1] for row in rows]


def test_readings_in_the_sensors_own_units_and_between_two_times(session: Path, tmp_path: Path) -> None:
    out = tmp_path / "r.parquet"
    from_ns, to_ns = START_NS + 2 * SECOND_NS, START_NS + 3 * SECOND_NS
    export_readings([session], out, from_ns, to_ns, own_units=True)
    frame = pd.read_parquet(out)
    assert frame["time"].astype("int64").between(from_ns, to_ns - 1).all()
    load = frame[frame["sensor"] == "hook-load"]
    assert len(load) == 20
    assert set(load["unit"]) == {"kN"}
    assert load["value"].between(45, 55).all()


def test_resampled_readings_stand_side_by_side_and_go_stale(tmp_path: Path) -> None:
    cut = [frame for frame in FRAMES if not (frame.topic.endswith("drum") and frame.t_ns > START_NS + 3 * SECOND_NS)]
    session = write(tmp_path / "a.stopmark", [*cut])
    out = tmp_path / "w.csv"
    result = export_resampled([session], out, SECOND_NS)
    frame = pd.read_csv(out)
    assert result.rows == len(frame) == 7
    assert frame.columns[0] == "time"
    assert {"drum [counts]", "hook-load [N]", "service-1 [Pa]", "lever [fraction]"} <= set(frame.columns)
    assert pd.to_datetime(frame["time"]).diff().dropna().unique().tolist() == [pd.Timedelta("1s")]
    drum = frame["drum [counts]"].tolist()
    assert drum[:3] == [1_000_019.0, 1_000_039.0, 1_000_059.0]
    assert all(math.isnan(value) for value in drum[3:])
    assert frame["hook-load [N]"].notna().all()
    with pytest.raises(ExportError, match="at least 1 ms"):
        export_resampled([session], out, 1000)


def test_resampling_takes_the_last_reading_before_each_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(columns, "CHUNK_BLOCKS", 2)
    monkeypatch.setattr(export, "BATCH_ROWS", 7)
    chance = random.Random(5)
    kept = [frame for frame in FRAMES if chance.random() < 0.05]
    half = len(kept) // 2
    parts = [write(tmp_path / "a.stopmark", [*kept[:half]]), write(tmp_path / "b.stopmark", [*kept[half:]])]
    out = tmp_path / "w.parquet"
    every_ns, from_ns = 70_000_000, START_NS + SECOND_NS
    result = export_resampled(parts, out, every_ns, from_ns)
    frame = pd.read_parquet(out)
    times = frame["time"].astype("int64").tolist()
    assert (result.rows, result.from_ns, result.to_ns) == (len(times), times[0], times[-1])
    assert times == list(range(-(-from_ns // every_ns) * every_ns, times[-1] + 1, every_ns))
    assert kept[-1].t_ns - every_ns < times[-1] <= kept[-1].t_ns + 50_000_000
    taken = [sample for item in kept for sample in Decoder(RIG).decode(item) if isinstance(sample, Sample)]
    for index, sensor in enumerate(RIG.sensors):
        mine = [sample for sample in taken if sample.sensor == index and sample.t_ns >= from_ns]
        for t_ns, shown in zip(times, frame[f"{sensor.id} [{SI_UNITS[sensor.dimension]}]"].tolist(), strict=True):
            before = [sample for sample in mine if sample.t_ns < t_ns]
            if before and t_ns - before[-1].t_ns <= sensor.stale_after_s * 1e9:
                assert shown == before[-1].value
            else:
                assert math.isnan(shown)


def test_an_empty_session_makes_an_empty_table(tmp_path: Path) -> None:
    session = write(tmp_path / "a.stopmark", [])
    assert export_resampled([session], tmp_path / "w.csv", SECOND_NS).rows == 0
    assert export_readings([session], tmp_path / "r.csv").rows == 0


def test_signals_are_those_of_the_core(session: Path, tmp_path: Path) -> None:
    out = tmp_path / "s.parquet"
    result = export_signals([session], out, SECOND_NS, ["height", "hook_load"], START_NS + 3 * SECOND_NS)
    frame = pd.read_parquet(out)
    assert list(frame.columns) == ["time", "hoist", "height [m]", "hook_load [N]"]
    assert len(frame) == result.rows == 5

    def core_at(t_ns: int) -> Core:
        core = Core(RIG, build_rules(tables_of(RULES), "rules", RIG, SIGNAL_NAMES))
        for item in FRAMES:
            if item.t_ns >= t_ns:
                break
            core.feed(item)
        core.advance(t_ns)
        return core

    for row in frame.itertuples(index=False):
        snapshot = core_at(int(row[0].value)).snapshot()
        shown = [
            float(snapshot.value(name).number) if snapshot.value(name).known else None
            for name in ("height", "hook_load")
        ]
        assert [None if math.isnan(value) else value for value in row[2:]] == shown
        assert row[1] == snapshot.hoist.value
    with pytest.raises(ExportError, match="multiple of 50 ms"):
        export_signals([session], out, 30_000_000)
    with pytest.raises(ExportError, match="unknown signal 'depth'"):
        export_signals([session], out, names=["depth"])


def tables_of(text: str) -> dict[str, Any]:
    import tomllib

    return tomllib.loads(text)


def test_findings_stay_text_in_a_spreadsheet(tmp_path: Path) -> None:
    trap = '=HYPERLINK("http://x","y")'
    said = Finding(START_NS, "alarm", "slack-line", Severity.WARNING, "normal", "unacknowledged", trap, "@SUM(A1)", 1.5)
    session = write(tmp_path / "a.stopmark", [FRAMES[0], said])
    for name in ("f.csv", "f.xlsx"):
        export_findings([session], tmp_path / name)
    row = pd.read_csv(tmp_path / "f.csv").iloc[0]
    assert (row["severity"], row["message"], row["guidance"], row["number"]) == (
        "WARNING",
        "'" + trap,
        "'@SUM(A1)",
        1.5,
    )
    sheet = openpyxl.load_workbook(tmp_path / "f.xlsx")["Stopmark"]
    cell = sheet.cell(2, 7)
    assert (cell.value, cell.data_type) == ("'" + trap, "s")
    export_findings([session], tmp_path / "f.parquet")
    assert pd.read_parquet(tmp_path / "f.parquet")["message"].tolist() == [trap]


def test_a_workbook_s_limit_is_told(session: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(table_file, "XLSX_ROWS", 100)
    out = tmp_path / "r.xlsx"
    result = export_readings([session], out)
    assert result.rows == 100
    assert "no more than 100 rows" in result.message
    frame = pd.read_excel(out)
    assert len(frame) == 100
    assert frame["value"].tolist() == pytest.approx([sample.value for sample in samples()[:100]], rel=1e-14)
    assert frame["time"].iloc[0].to_pydatetime() == datetime.fromtimestamp(
        FRAMES[0].t_ns // 1_000_000 / 1000, UTC
    ).replace(tzinfo=None)


def test_several_sessions_become_one_table(tmp_path: Path) -> None:
    half = len(FRAMES) // 2
    parts = [write(tmp_path / "a.stopmark", [*FRAMES[:half]]), write(tmp_path / "b.stopmark", [*FRAMES[half:]])]
    whole = write(tmp_path / "c.stopmark", [*FRAMES])
    for make in (export_readings, export_signals):
        make(parts, tmp_path / "parts.parquet")
        make([whole], tmp_path / "whole.parquet")
        assert pd.read_parquet(tmp_path / "parts.parquet").equals(pd.read_parquet(tmp_path / "whole.parquet"))


def test_what_cannot_be_exported_is_told(session: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(ExportError, match=r"must end in \.csv"):
        export_readings([session], tmp_path / "r.txt")
    with pytest.raises(ExportError, match="cannot be written"):
        export_readings([session], tmp_path / "no" / "r.csv")
    with pytest.raises(ExportError, match="no session"):
        export_readings([], tmp_path / "r.csv")
    deep = find_rig("deep")
    other = tmp_path / "deep.stopmark"
    with Recorder(other, {"rig": deep.name, "config": deep.model_dump(mode="json"), "rules": RULES}):
        pass
    with pytest.raises(ExportError, match="another rig"):
        export_readings([session, other], tmp_path / "r.csv")

    def missing(*_: object) -> table_file.Table:
        raise ImportError(name="pyarrow")

    monkeypatch.setattr(table_file, "_TABLES", {**table_file._TABLES, "parquet": missing})
    with pytest.raises(ExportError, match=r"needs pyarrow: pip install 'stopmark\[export\]'"):
        export_readings([session], tmp_path / "r.parquet")


@pytest.mark.parametrize("name", ["t.csv", "t.parquet", "t.xlsx"])
def test_an_interrupted_table_leaves_nothing_behind(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_bytes(b"older")

    def interrupted() -> None:
        with TableFile(tmp_path / name, [Column("a", "number")]) as table:
            table.write([[1.0, 2.0]])
            raise KeyError("interrupted")

    with pytest.raises(KeyError):
        interrupted()
    assert [path.name for path in tmp_path.iterdir()] == [name]
    assert (tmp_path / name).read_bytes() == b"older"


def later(frames: list[Frame], by_s: int) -> list[Frame]:
    """The same messages so much later, their own times included."""
    made = []
    for frame in frames:
        document = json.loads(frame.payload)
        document["t"] += by_s * 1000
        made.append(Frame(frame.t_ns + by_s * SECOND_NS, frame.topic, json.dumps(document).encode()))
    return made


@pytest.mark.parametrize(("apart_s", "one_file"), [(300, True), (300, False), (30 * 86_400, False)])
def test_where_nothing_was_recorded_there_are_no_rows(tmp_path: Path, apart_s: int, one_file: bool) -> None:
    again = later(FRAMES, apart_s)
    if one_file:
        paths = [write(tmp_path / "a.stopmark", [*FRAMES, *again])]
    else:
        paths = [write(tmp_path / "a.stopmark", [*FRAMES]), write(tmp_path / "b.stopmark", [*again])]
    for what, result in (
        ("resampled", export_resampled(paths, tmp_path / "r.csv", SECOND_NS)),
        ("signals", export_signals(paths, tmp_path / "s.csv", SECOND_NS, ["hook_load", "height_unknown"])),
    ):
        table = pd.read_csv(result.path)
        at_s = (pd.to_datetime(table["time"]) - pd.Timestamp(START_NS, unit="ns", tz="UTC")).dt.total_seconds()
        gone = [at for at in at_s if 8 + 61 <= at < apart_s]
        assert (what, gone) == (what, [])
        assert sum(8 < at <= 8 + 61 for at in at_s) in (59, 60, 61), what  # so that one sees how it began
        assert sum(at >= apart_s for at in at_s) == sum(at < 8 for at in at_s), what
        ((from_ns, to_ns),) = result.silences
        assert from_ns == pytest.approx(FRAMES[-1].t_ns + 60 * SECOND_NS, abs=2 * SECOND_NS)
        assert to_ns == again[0].t_ns
        assert table.iloc[-1].notna().sum() >= 3, what


def test_a_silence_at_the_end_is_told_too(tmp_path: Path) -> None:
    health = Frame(FRAMES[-1].t_ns + 500 * SECOND_NS, HEALTH_TOPIC, b"{}")
    result = export_resampled([write(tmp_path / "a.stopmark", [*FRAMES, health])], tmp_path / "r.csv", SECOND_NS)
    assert result.to_ns == pytest.approx(FRAMES[-1].t_ns + 60 * SECOND_NS, abs=SECOND_NS)
    assert [to_ns for _, to_ns in result.silences] == [health.t_ns]
