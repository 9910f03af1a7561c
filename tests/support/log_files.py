"""One table of readings, written in every format that can be read: by other libraries, or by the published schema."""

import bz2
import gzip
import io
import lzma
import zipfile
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

BEGIN: Final = datetime(2026, 1, 1, 6, 0, tzinfo=UTC)
NULL: Final = -999.25


def times(count: int, step_s: float = 1.0) -> list[datetime]:
    """So many times from `BEGIN` on."""
    return [BEGIN + timedelta(seconds=step_s * i) for i in range(count)]


def positions(count: int) -> list[float]:
    """Block heights, m, up and down between 2 and 30 m."""
    return [round(2.0 + abs((0.5 * i) % 56 - 28), 2) for i in range(count)]


def loads(count: int) -> list[float | None]:
    """Hook loads, kN; every seventh is missing."""
    return [None if i % 7 == 6 else round(400.0 + 3.25 * (i % 40), 2) for i in range(count)]


Columns = Mapping[str, Sequence[object]]


def table(count: int) -> dict[str, list[object]]:
    """The columns TIME (s from `BEGIN`), BPOS (m), HKLD (kN)."""
    return {"TIME": list(range(count)), "BPOS": [*positions(count)], "HKLD": [*loads(count)]}


def las_text(count: int, wrap: bool = False) -> str:
    """LAS 2.0 as `lasio` writes it."""
    import lasio
    import numpy as np

    las = lasio.LASFile()
    las.well["NULL"].value = NULL
    las.well["DATE"].value = BEGIN.strftime("%Y-%m-%dT%H:%M:%S")
    made = table(count)
    for name, unit, words in (
        ("TIME", "s", "Elapsed time"),
        ("BPOS", "m", "Block position"),
        ("HKLD", "kN", "Hook load"),
    ):
        las.append_curve(name, np.array([NULL if v is None else v for v in made[name]], float), unit=unit, descr=words)
    text = io.StringIO()
    las.write(text, version=2.0, wrap=wrap)
    return text.getvalue()


_CURVES: Final = (("TIME", "s", "date time"), ("BPOS", "m", "double"), ("HKLD", "kN", "double"))


def witsml_131(count: int, order: Sequence[int] = (1, 2, 3), first: int = 0, more: str = "") -> str:
    """A log by time of WITSML 1.3.1.1; `order` is the column of each curve in the rows."""
    heads = "".join(
        f"""<logCurveInfo uid="{name}"><mnemonic>{name}</mnemonic><unit>{unit}</unit><nullValue>{NULL}</nullValue>
        <columnIndex>{place}</columnIndex><curveDescription>{name} as measured</curveDescription>
        <typeLogData>{kind}</typeLogData></logCurveInfo>"""
        for (name, unit, kind), place in zip(_CURVES, order, strict=True)
    )
    rows = []
    for i in range(first, count):
        load = loads(count)[i]
        cells = [
            f"{times(count)[i]:%Y-%m-%dT%H:%M:%S.000Z}",
            repr(positions(count)[i]),
            str(NULL if load is None else load),
        ]
        rows.append("<data>" + ",".join(cells[order.index(place)] for place in (1, 2, 3)) + "</data>")
    return f"""<?xml version="1.0" encoding="UTF-8"?>
<logs xmlns="http://www.witsml.org/schemas/131" version="1.3.1.1">
  <log uidWell="W-1" uidWellbore="B-1" uid="L-1">
    <nameWell>W 1</nameWell><nameWellbore>B 1</nameWellbore><name>Surface time</name>
    <indexType>date time</indexType>
    <startDateTimeIndex>{BEGIN:%Y-%m-%dT%H:%M:%SZ}</startDateTimeIndex>
    <direction>increasing</direction><indexCurve columnIndex="{order[0]}">TIME</indexCurve>
    <nullValue>{NULL}</nullValue>{heads}
    <logData>{"".join(rows)}</logData>{more}
  </log>
</logs>
"""


def witsml_141(count: int, name: str = "Surface time", root: bool = True, index: str = "date time") -> str:
    """A log by time of WITSML 1.4.1.1; without `root` the log alone, to be put beside another."""
    heads = "".join(
        f"""<logCurveInfo uid="{mnemonic}"><mnemonic>{mnemonic}</mnemonic><unit>{unit}</unit>
        <typeLogData>{kind}</typeLogData></logCurveInfo>"""
        for mnemonic, unit, kind in _CURVES
    )
    rows = []
    for when, position, load in zip(times(count), positions(count), loads(count), strict=True):
        cells = (f"{when:%Y-%m-%dT%H:%M:%S.000Z}", repr(position), "" if load is None else repr(load))
        rows.append(f"<data>{','.join(cells)}</data>")
    log = f"""<log uidWell="W-1" uidWellbore="B-1" uid="{name}">
    <nameWell>W 1</nameWell><nameWellbore>B 1</nameWellbore><name>{name}</name>
    <indexType>{index}</indexType><direction>increasing</direction><indexCurve>TIME</indexCurve>
    <nullValue>{NULL}</nullValue>{heads}
    <logData><mnemonicList>TIME,BPOS,HKLD</mnemonicList><unitList>s,m,kN</unitList>{"".join(rows)}</logData></log>"""
    return f'<logs xmlns="http://www.witsml.org/schemas/1series" version="1.4.1.1">{log}</logs>' if root else log


def csv_text(count: int, delimiter: str = ",", decimal: str = ".", above: str = "", units: bool = False) -> str:
    """A table of text as spreadsheets write it."""
    lines = [above] if above else []
    lines.append(delimiter.join(("TIME", "BPOS", "HKLD")))
    if units:
        lines.append(delimiter.join(("s", "m", "kN")))
    for when, position, load in zip(times(count), positions(count), loads(count), strict=True):
        cells = (f"{when:%Y-%m-%dT%H:%M:%S}", repr(position), "" if load is None else repr(load))
        lines.append(delimiter.join(cell.replace(".", decimal) for cell in cells))
    return "\n".join(lines) + "\n"


def write_parquet(path: Path, count: int) -> None:
    """By pyarrow: times with a zone, small groups of rows."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    made = pa.table(
        {
            "TIME": pa.array(times(count), pa.timestamp("ms", "UTC")),
            "BPOS": pa.array(positions(count), pa.float64()),
            "HKLD": pa.array(loads(count), pa.float64()),
            "tags": pa.array([["a"]] * count),
        }
    )
    pq.write_table(made, path, row_group_size=50)


def write_workbook(path: Path, count: int) -> None:
    """By openpyxl: a title above the heads, units below them, a sheet without rows before it."""
    from openpyxl import Workbook

    book = Workbook()
    book.active.title = "Notes"
    sheet = book.create_sheet("Log")
    sheet.append(["Log of the night"])
    sheet.append(["TIME", "BPOS", "HKLD"])
    sheet.append([None, "m", "kN"])
    for when, position, load in zip(times(count), positions(count), loads(count), strict=True):
        sheet.append([when.replace(tzinfo=None), position, load])
    book.save(path)


def packed_zip(data: bytes) -> bytes:
    """`data` as the only file in a zip file."""
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("log.txt", data)
    return made.getvalue()


def packed_zstd(data: bytes) -> bytes:
    """By pyarrow, whose compressed streams are zstandard's own."""
    import pyarrow as pa

    sink = pa.BufferOutputStream()
    with pa.CompressedOutputStream(sink, "zstd") as stream:
        stream.write(data)
    return bytes(sink.getvalue())


PACKERS: Final[Mapping[str, Callable[[bytes], bytes]]] = {
    "gz": gzip.compress,
    "bz2": bz2.compress,
    "xz": lzma.compress,
    "zst": packed_zstd,
    "zip": packed_zip,
}
