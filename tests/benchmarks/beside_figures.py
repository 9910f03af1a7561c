"""Side by side with general tools on the same data, in one run: a bare consumer, plain recorders, tables read and worked on.

Run it with ``python -m tests.benchmarks.beside_figures [consumer] [recorders] [import] [signals]``; the consumer needs mosquitto.
Each ratio is the rate of Stopmark over that of the other: above 1 Stopmark is faster. They are of CPU time of all threads, the
best of some rounds in turn. What the others do is the least that keeps or gives something of the kind, not the same:

* the consumer validates each payload and forgets it; the monitor evaluates all signals and rules and records;
* the recorders keep time, topic and payload, on the disk once a second of the stream (a row each in SQLite) or once a minute
  (Parquet, of which nothing opens until it is closed);
* reading a log as a table takes two columns, drops what is empty or out of range, and writes them in SI; an import besides looks
  for spikes, freezes and shifts, works out every signal and rule at each row, and writes a session that replays;
* signals by pandas and DuckDB are eight: the last reading of six sensors at each grid point, a height in proportion to the counts
  and its difference over half a second; Stopmark's are all of its signals, each with its validity.
"""

import argparse
import asyncio
import sqlite3
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

import duckdb
import pandas as pd  # type: ignore[import-untyped]
import pyarrow as pa
import pyarrow.parquet as pq

from monitor.adapters.sessions.recorder import Recorder
from monitor.adapters.tables.export import export_readings
from monitor.adapters.tables.field_log import FieldLog
from monitor.adapters.tables.field_map import load_map
from monitor.analysis.signal_table import export_signals
from monitor.config.rig import Rig
from monitor.config.rig_file import find_rig
from monitor.model.stream import GRID_NS, SECOND_NS, Frame
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.record import record
from simulators.scenario.scenario import find_scenario
from tests.benchmarks.core_figures import cpu_s, full_rate
from tests.benchmarks.figures import Figure, show
from tests.benchmarks.pipeline_figures import measure
from tests.benchmarks.recording_figures import RATE_HZ, SENSORS, frames_of
from tests.benchmarks.slow_figures import FEW, imported
from tests.support.slow_data import MAP

PARTS: Final = ("consumer", "recorders", "import", "signals")
ROUNDS: Final = 3
MINUTE: Final = 60 * SENSORS * RATE_HZ
"""Samples of a minute."""
PERIOD_S: Final = 10.0
QUANTITIES: Final = (
    "drum_counts",
    "hook_load",
    "service_pressure_1",
    "service_pressure_2",
    "brake_lever",
    "aux_current",
)
HALF_SECOND: Final = SECOND_NS // GRID_NS // 2
METRES_PER_COUNT: Final = 1e-4
"""For the others' heights: any number costs the same."""


def main(arguments: Sequence[str] | None = None) -> list[Figure]:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("parts", nargs="*", choices=[*PARTS, []], help="which figures (default: all)")
    parser.add_argument("--messages", type=int, default=40_000, help="messages of the consumers")
    parser.add_argument(
        "--seconds", type=int, default=300, help="length of the streams that are recorded and worked on"
    )
    parser.add_argument("--rows", type=int, default=30_000, help="rows of the log that is imported")
    args = parser.parse_args(arguments)
    parts = args.parts or PARTS
    figures: list[Figure] = []
    with TemporaryDirectory() as name:
        folder = Path(name)
        if "consumer" in parts:
            figures += asyncio.run(measure(["rate"], args.messages, ROUNDS, 0.0, 0.0))
        if "recorders" in parts:
            figures += recorders(folder, args.seconds)
        if "import" in parts:
            figures += imports(folder, args.rows)
        if "signals" in parts:
            figures += signals(folder, args.seconds)
    return figures


def best(work: Mapping[str, Callable[[], object]]) -> dict[str, float]:
    """Least CPU time of each, s, in turn: noise only ever adds."""
    found = dict.fromkeys(work, float("inf"))
    for _ in range(ROUNDS):
        for name, one in work.items():
            found[name] = min(found[name], cpu_s(one))
    return found


def ratios(what: str, unit: str, rates: Mapping[str, float], own: int = 1) -> list[Figure]:
    """The rates of one kind of work, and those of Stopmark, which are the first `own`, over each of the others."""
    names = list(rates)
    figures = [Figure(f"{what}, {name}", rate, unit) for name, rate in rates.items()]
    figures += [
        Figure(f"{what}: {mine} over {name}", rates[mine] / rates[name], "times its rate")
        for mine in names[:own]
        for name in names[own:]
    ]
    return show(*figures)


# --- recorders ----------------------------------------------------------------------------------------------------------


def recorders(folder: Path, seconds: int) -> list[Figure]:
    """Cost and size of recording twelve sensors at 20 Hz."""
    rig = find_rig("land")
    frames = list(frames_of(rig, seconds))
    paths = {name: folder / f"beside.{ending}" for name, ending in (
        ("Stopmark", "stopmark"), ("SQLite, a row a sample", "sqlite"), ("Parquet, a row a sample", "parquet"),
    )}  # fmt: skip
    by = (partial(_by_stopmark, rig), _by_sqlite, _by_parquet)

    def again(one: Callable[[Path, Sequence[Frame]], None], path: Path) -> None:
        for old in folder.glob(f"{path.name}*"):
            old.unlink()
        one(path, frames)

    took = best({name: partial(again, one, path) for (name, path), one in zip(paths.items(), by, strict=True)})
    figures = ratios("recording", "samples/s CPU", {name: len(frames) / cpu for name, cpu in took.items()})
    sizes = {name: path.stat().st_size / len(frames) for name, path in paths.items()}
    return figures + show(*(Figure(f"recording, {name}: size", size, "bytes a sample") for name, size in sizes.items()))


def _by_stopmark(rig: Rig, path: Path, frames: Sequence[Frame]) -> None:
    header = {"rig": rig.name, "config": rig.model_dump(mode="json"), "rules": "", "mode": "simulated"}
    with Recorder(path, header, wait=True) as recorder:
        for number, frame in enumerate(frames, 1):
            recorder.frame(frame)
            if not number % (SENSORS * RATE_HZ):
                assert recorder.flush()


def _by_sqlite(path: Path, frames: Sequence[Frame]) -> None:
    base = sqlite3.connect(path)
    base.execute("PRAGMA journal_mode=WAL")
    base.execute("PRAGMA synchronous=NORMAL")
    base.execute("CREATE TABLE reading (t_ns INTEGER, topic TEXT, payload BLOB)")
    for number, frame in enumerate(frames, 1):
        base.execute("INSERT INTO reading VALUES (?, ?, ?)", (frame.t_ns, frame.topic, frame.payload))
        if not number % (SENSORS * RATE_HZ):
            base.commit()
    base.commit()
    base.close()


def _by_parquet(path: Path, frames: Sequence[Frame]) -> None:
    schema = pa.schema([("t_ns", pa.int64()), ("topic", pa.string()), ("payload", pa.binary())])
    with pq.ParquetWriter(path, schema, compression="zstd") as writer:
        for start in range(0, len(frames), MINUTE):
            rows = frames[start : start + MINUTE]
            columns: list[list[Any]] = [
                [row.t_ns for row in rows],
                [row.topic for row in rows],
                [row.payload for row in rows],
            ]
            writer.write_table(pa.table(columns, schema=schema))


# --- logs ---------------------------------------------------------------------------------------------------------------


def imports(folder: Path, rows: int) -> list[Figure]:
    """Reading one field log, rows ten seconds apart."""
    (folder / "map.toml").write_text(MAP)
    few_s, _ = imported(folder, "few", FEW, PERIOD_S)
    whole_s = min(imported(folder, "all", rows, PERIOD_S)[0] for _ in range(2)) - few_s
    log = folder / "all.csv"
    mapping = load_map(folder / "map.toml")
    took = {"Stopmark's import": whole_s} | best(
        {
            "Stopmark's reader alone": lambda: deque(FieldLog(log, mapping).inputs(), maxlen=0),
            "pandas, as a table": partial(_table_by_pandas, log, folder / "pandas.parquet"),
            "DuckDB, as a table": partial(_table_by_duckdb, log, folder / "duckdb.parquet"),
        }
    )
    return ratios("log of 10 s rows", "rows/s CPU", {name: rows / cpu for name, cpu in took.items()}, own=2)


def _table_by_pandas(log: Path, out: Path) -> None:
    table = pd.read_csv(log)
    table["time"] = pd.to_datetime(table["time"], unit="s", utc=True)
    table = table.dropna()
    table = table[table["pos"].between(-2.0, 44.0) & table["load"].between(-100.0, 4000.0)]
    table.assign(load=table["load"] * 1e3).to_parquet(out)


def _table_by_duckdb(log: Path, out: Path) -> None:
    with duckdb.connect() as base:
        base.execute(
            f"""COPY (SELECT to_timestamp(time) AS time, pos, load * 1e3 AS load FROM read_csv('{log}')
            WHERE pos BETWEEN -2 AND 44 AND load BETWEEN -100 AND 4000) TO '{out}' (FORMAT parquet)"""
        )


# --- signals ------------------------------------------------------------------------------------------------------------


def signals(folder: Path, seconds: int) -> list[Figure]:
    """Signals at every grid point, of a session of twelve sensors at 20 Hz and of the same readings as a table."""
    rig = full_rate(find_rig("land"))
    session, readings = folder / "signals.stopmark", folder / "readings.parquet"
    record(PlantSource(rig, find_scenario("calm-trip"), 1, duration_s=float(seconds)), session)
    export_readings([session], readings)
    took = best(
        {
            "Stopmark": lambda: export_signals([session], folder / "own.parquet", GRID_NS),
            "pandas": partial(_signals_by_pandas, readings, folder / "pandas-signals.parquet"),
            "DuckDB": partial(_signals_by_duckdb, readings, folder / "duckdb-signals.parquet"),
        }
    )
    return ratios("signals", "times real time", {name: seconds / cpu for name, cpu in took.items()})


def _signals_by_pandas(readings: Path, out: Path) -> None:
    table = pd.read_parquet(readings)
    first, last = table["time"].min(), table["time"].max()
    grid = pd.DataFrame({"time": pd.date_range(first.ceil("50ms"), last, freq="50ms")}).astype(table.dtypes[["time"]])
    for quantity in QUANTITIES:
        column = table.loc[table["quantity"] == quantity, ["time", "value"]].rename(columns={"value": quantity})
        grid = pd.merge_asof(grid, column.sort_values("time"), on="time")
    grid["height"] = grid["drum_counts"] * METRES_PER_COUNT
    grid["speed"] = grid["height"].diff(HALF_SECOND) / 0.5
    grid.to_parquet(out)


def _signals_by_duckdb(readings: Path, out: Path) -> None:
    joins = " ".join(
        f"ASOF LEFT JOIN (SELECT time, value FROM r WHERE quantity = '{name}') {name} ON grid.t >= {name}.time"
        for name in QUANTITIES
    )
    values = ", ".join(f"{name}.value AS {name}" for name in QUANTITIES)
    with duckdb.connect() as base:
        base.execute(f"CREATE TABLE r AS SELECT time::TIMESTAMPTZ AS time, quantity, value FROM '{readings}'")
        base.execute(
            f"""COPY (WITH grid AS (SELECT unnest(generate_series(min(time), max(time), INTERVAL 50 MILLISECOND)) AS t FROM r),
            s AS (SELECT grid.t AS t, {values}, drum_counts.value * {METRES_PER_COUNT} AS height FROM grid {joins})
            SELECT *, (height - lag(height, {HALF_SECOND}) OVER (ORDER BY t)) / 0.5 AS speed FROM s ORDER BY t)
            TO '{out}' (FORMAT parquet)"""
        )


if __name__ == "__main__":
    main()
