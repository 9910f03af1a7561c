"""The same readings come out of every format, however it is packed and wherever it comes from."""

import io
import os
import subprocess
import sys
import threading
from datetime import UTC, datetime
from pathlib import Path

import pytest

from monitor.adapters.tables.readers.series import Series
from monitor.adapters.tables.readers.table import FieldLogError, Layout
from tests.adapters.tables.readers.reading import cells_of, write
from tests.support import log_files

COUNT = 200


def make(folder: Path, kind: str) -> Path:
    path = folder / f"log.{kind}"
    if kind == "parquet":
        log_files.write_parquet(path, COUNT)
    elif kind == "xlsx":
        log_files.write_workbook(path, COUNT)
    else:
        text = {
            "csv": log_files.csv_text(COUNT),
            "las": log_files.las_text(COUNT),
            "wrapped.las": log_files.las_text(COUNT, wrap=True),
            "131.xml": log_files.witsml_131(COUNT),
            "141.xml": log_files.witsml_141(COUNT),
        }[kind]
        write(path, text)
    return path


KINDS = ("csv", "las", "wrapped.las", "131.xml", "141.xml", "parquet", "xlsx")


def readings(cells: list[list[str]], begin: datetime) -> list[tuple[float, float, float | None]]:
    made = []
    for row in cells:
        time, position, load = (*row, "")[:3]
        if time.replace(".", "").isdecimal():
            t_s = float(time)
        else:
            when = datetime.fromisoformat(time)
            t_s = ((when if when.tzinfo else when.replace(tzinfo=UTC)) - begin).total_seconds()
        made.append((t_s, float(position), float(load) if load else None))
    return made


def expected() -> list[tuple[float, float, float | None]]:
    return [
        (float(i), position, load)
        for i, (position, load) in enumerate(zip(log_files.positions(COUNT), log_files.loads(COUNT), strict=True))
    ]


@pytest.mark.parametrize("kind", KINDS)
def test_every_format_gives_the_same_readings_names_and_units(tmp_path: Path, kind: str) -> None:
    series, cells = cells_of(make(tmp_path, kind))
    assert series.first.heads.names[:3] == ("TIME", "BPOS", "HKLD")
    if kind not in ("csv", "parquet"):
        assert series.first.heads.units[1:] == ("m", "kN")
    assert readings(cells, log_files.BEGIN) == expected()
    assert not series.dropped


@pytest.mark.parametrize("packer", log_files.PACKERS)
@pytest.mark.parametrize("kind", ["csv", "las", "141.xml", "parquet", "xlsx"])
def test_every_packing_of_every_format(tmp_path: Path, kind: str, packer: str) -> None:
    packed = write(tmp_path / "log.bin", log_files.PACKERS[packer](make(tmp_path, kind).read_bytes()))
    _, cells = cells_of(packed)
    assert readings(cells, log_files.BEGIN) == expected()


@pytest.mark.parametrize("kind", ["csv", "parquet", "xlsx", "141.xml"])
@pytest.mark.parametrize("packer", ["", "gz", "zip"])
def test_every_format_from_a_pipe(tmp_path: Path, kind: str, packer: str, monkeypatch: pytest.MonkeyPatch) -> None:
    data = make(tmp_path, kind).read_bytes()
    data = log_files.PACKERS[packer](data) if packer else data
    outlet, inlet = os.pipe()

    def fill() -> None:
        with os.fdopen(inlet, "wb") as pipe:
            pipe.write(data)

    filler = threading.Thread(target=fill)
    filler.start()
    with os.fdopen(outlet, "rb") as pipe:
        monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(pipe))
        series, cells = cells_of(Path("-"))
        filler.join()
    assert series.first.name.startswith("standard input")
    assert readings(cells, log_files.BEGIN) == expected()


def test_a_zip_of_several_files_is_one_log(tmp_path: Path) -> None:
    import zipfile

    with zipfile.ZipFile(tmp_path / "logs.zip", "w") as archive:
        archive.writestr("b.csv", "t,x\n3,1\n")
        archive.writestr("a.csv", "t,x\n1,1\n2,1\n")
        archive.writestr("__MACOSX/a.csv", "rubbish")
    series, cells = cells_of(tmp_path / "logs.zip")
    assert [row[0] for row in cells] == ["1", "2", "3"]
    assert series.first.name.endswith("logs.zip: a.csv")


@pytest.mark.parametrize("packer", ["gz", "bz2", "xz", "zst", "zip"])
def test_a_packed_file_that_is_cut_off_or_damaged_says_so(tmp_path: Path, packer: str) -> None:
    lines = "".join(f"{i},{i * 7919 % 1000}.{i * 104729 % 997}\n" for i in range(100_000))
    data = log_files.PACKERS[packer](("t,x\n" + lines).encode())
    half = len(data) // 2
    damaged = data[:half] + b"\xff" * 64 + data[half + 64 :]
    # A zstandard stream may be written without a checksum: then what is damaged in it shows in its rows.
    for broken in (data[:half],) if packer == "zst" else (data[:half], damaged):
        with pytest.raises(FieldLogError, match=r"log\.bin.*(unpacked|damaged)"):
            cells_of(write(tmp_path / "log.bin", broken))


def test_what_is_no_table_says_what_it_is(tmp_path: Path) -> None:
    for data, words in (
        (b"", "is empty"),
        (b"%PDF-1.7 ...", "is a PDF"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 600, "old kind"),
        (b"SQLite format 3\0" + b"\0" * 600, "database"),
        (b"PAR1" + b"\0" * 400, "damaged Parquet"),
        (b"PK\x03\x04" + b"\0" * 400, "zip"),
        (b"<html><body>no log</body></html>", "no WITSML log object"),
        (b"~Version\n~Well\n", "no line of it begins with ~A"),
    ):
        with pytest.raises(FieldLogError, match=words):
            cells_of(write(tmp_path / "x", data))
    with pytest.raises(FieldLogError, match="no such file"):
        cells_of(tmp_path / "none")
    with pytest.raises(FieldLogError, match="is a folder"):
        cells_of(tmp_path)


def test_a_bomb_of_packings_is_refused(tmp_path: Path) -> None:
    data = b"t,x\n1,2\n"
    for _ in range(5):
        data = log_files.PACKERS["gz"](data)
    with pytest.raises(FieldLogError, match="packed more than"):
        cells_of(write(tmp_path / "x.gz", data))


def test_rows_that_were_looked_at_come_again(tmp_path: Path) -> None:
    series = Series([write(tmp_path / "x.csv", log_files.csv_text(30))], Layout())
    ahead = series.ahead(10)
    assert series.ahead(10) == ahead
    assert [number for _, number, _ in series] == list(range(2, 32))


_MEMORY = """
import resource, sys
from pathlib import Path
from monitor.adapters.tables.readers.series import Series
from monitor.adapters.tables.readers.table import Layout
rows = sum(1 for _ in Series([Path(sys.argv[1])], Layout()))
print(rows, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024)
"""


def peak_mb(path: Path) -> tuple[int, int]:
    done = subprocess.run([sys.executable, "-c", _MEMORY, str(path)], capture_output=True, text=True, check=True)
    rows, peak = map(int, done.stdout.split())
    return rows, peak


@pytest.mark.parametrize("kind", ["csv", "las", "141.xml"])
def test_memory_stays_flat_however_long_a_text_is(tmp_path: Path, kind: str) -> None:
    peaks = []
    for times_over in (1, 40):
        text = make(tmp_path, kind).read_text()
        begins = {"csv": "\n", "las": "~A", "141.xml": "<data>"}[kind]
        first = text.index(begins) if kind == "141.xml" else text.index("\n", text.index(begins)) + 1
        last = text.index("</logData>") if kind == "141.xml" else len(text)
        body = text[first:last] * (10 * times_over)
        path = write(tmp_path / f"long.{kind}", text[:first] + body + text[last:])
        rows, peak = peak_mb(path)
        assert rows == COUNT * 10 * times_over
        peaks.append(peak)
    assert peaks[1] < peaks[0] + 15, peaks
