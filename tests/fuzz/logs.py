"""Targets that read logs of other recorders: text, LAS, WITSML, workbooks and Parquet, packed or not, all edited.

Oracle: rows of text of which none is wider than memory, everything that is not a row counted with its place; or a `UserError`
in words that names the file; nothing else.
"""

from functools import cache, lru_cache
from pathlib import Path
from typing import Final

from monitor.adapters.tables.field_map import LogMap
from monitor.adapters.tables.proposal.propose import propose
from monitor.adapters.tables.readers.series import Series
from monitor.adapters.tables.readers.table import MOST_COLUMNS, Layout
from monitor.config.toml_file import parse_toml, validate
from monitor.errors import UserError
from tests.fuzz.draws import Draws, edited
from tests.fuzz.texts import find_rig_once, folder, in_words
from tests.support import log_files

_COUNT: Final = 12
_TEXT: Final = (
    *(
        b",",
        b";",
        b"\t",
        b"|",
        b'"',
        b'""',
        b"\n",
        b"\r",
        b"\r\n",
        b"\0",
        b"\xff\xfe",
        b"\xef\xbb\xbf",
        b" ",
        b"#",
        b"\x1a",
    ),
    *(b"x" * 300, b"," * 300, b"\n" * 50, b'"\n' * 20, b"-999.25", b"1e999", b"\xc3", b"sep=;\n"),
)
_LAS: Final = (
    *(
        b"~A\n",
        b"~V\n",
        b"~C\n",
        b"~",
        b"\n",
        b"WRAP. YES :\n",
        b"VERS. 3.0 :\n",
        b"NULL. x :\n",
        b"DLM. COMMA :\n",
        b".",
    ),
    *(b":", b"#", b" ", b'"', b"A.B.C : D : E\n", b". : \n", b"9" * 400, b"\xff", b"\0", b"TIME.s :\n"),
)
_WITSML: Final = (
    *(
        b"<data>",
        b"</data>",
        b"<log>",
        b"</log>",
        b"<logData>",
        b"<logCurveInfo>",
        b"<mnemonicList>",
        b"&amp;",
        b"&x;",
        b"<",
    ),
    *(
        b"<!DOCTYPE a>",
        b'<!DOCTYPE a [<!ENTITY x "y">]>',
        b"<![CDATA[",
        b"]]>",
        b"<!--",
        b"-->",
        b"<?x?>",
        b"<a>" * 40,
        b",",
    ),
    *(
        b"<columnIndex>0</columnIndex>",
        b"<columnIndex>99999</columnIndex>",
        b"<nullValue>x</nullValue>",
        b"\0",
        b"\xff",
        b"&#0;",
    ),
    *(b"<dataDelimiter></dataDelimiter>", b"<dataDelimiter>::</dataDelimiter>", b"<unitList></unitList>", b"<data/>"),
)


def _read(name: str, data: bytes, layout: Layout | None = None) -> None:
    path = folder() / name
    path.write_bytes(data)
    try:
        series = Series([path], layout or Layout())
        before = 0
        width = len(series.first.heads.names)
        assert 0 < width <= MOST_COLUMNS
        assert len(set(series.first.heads.names)) == width
        for table, number, cells in series:
            assert number >= before
            assert all(type(cell) is str for cell in cells)
            before = number if table is series.first else 0
    except UserError as error:
        _named(error, path)
        return
    for reason, count in series.dropped.items():
        assert count > 0
        assert str(path) in series.dropped.first[reason]


def _named(error: UserError, path: Path) -> None:
    in_words(error)
    assert str(path) in str(error)


def text(data: bytes) -> None:
    """A table of text, laid out in one of many ways."""
    draws = Draws(data)
    delimiter = draws.pick((",", ";", "\t", "|"))
    decimal = draws.pick((".", ",")) if delimiter != "," else "."
    made = log_files.csv_text(_COUNT, delimiter, decimal, draws.pick(("", "a title", "a;b")), draws.flag())
    raw = made.encode(draws.pick(("utf-8", "utf-16", "utf-16-le", "latin-1", "utf-8-sig")))
    layout = Layout()
    if draws.flag(4):
        encoding = draws.pick((None, "utf-8", "utf-16", "utf-7", "idna", "hex", "x"))
        layout = Layout(
            draws.pick((None, ",", " ", '"', "\n", "x")), None, encoding, draws.pick((None, 0, 3)), draws.below(3)
        )
    _read("log.csv", edited(draws, raw, _TEXT), layout)


@lru_cache(maxsize=4)
def _las(wrap: bool) -> bytes:
    return log_files.las_text(_COUNT, wrap).encode()


def las(data: bytes) -> None:
    """A LAS file."""
    draws = Draws(data)
    _read("log.las", edited(draws, _las(draws.flag()), _LAS))


def witsml(data: bytes) -> None:
    """A WITSML document of one of the two versions."""
    draws = Draws(data)
    two = log_files.witsml_141(4).replace("</logs>", log_files.witsml_141(3, "b", root=False) + "</logs>")
    made = draws.pick((log_files.witsml_131(_COUNT), log_files.witsml_141(_COUNT), two))
    _read("log.xml", edited(draws, made.encode(draws.pick(("utf-8", "utf-16"))), _WITSML))


@cache
def _binary(kind: str) -> bytes:
    if kind in log_files.PACKERS:
        return log_files.PACKERS[kind](log_files.csv_text(_COUNT).encode())
    path = Path(folder(), f"sound.{kind}")
    (log_files.write_parquet if kind == "parquet" else log_files.write_workbook)(path, _COUNT)
    return path.read_bytes()


def binary(data: bytes) -> None:
    """A workbook, a Parquet file, or a packed file."""
    draws = Draws(data)
    kind = draws.pick(("xlsx", "parquet", *log_files.PACKERS))
    _read("log.bin", edited(draws, _binary(kind), (b"\0" * 8, b"\xff" * 4, b"PK\x03\x04", b"PAR1"), 2))


@lru_cache(maxsize=1)
def _long() -> tuple[str, ...]:
    return tuple(log_files.csv_text(60, units=True).splitlines())


_HEADS: Final = (
    *(
        "Block Position (m)",
        "HKLD",
        "Hook Load (klbf)",
        "Time",
        "Date",
        "encoder",
        "Activity Code",
        "Ton-Miles",
        "m",
        "",
        "(",
        "[]",
    ),
    *(
        "block height max",
        "\ud800",
        "x" * 200,
        "Bit Depth, ft",
        "brake pressure (psi)",
        "a\tb",
        "=1+1",
        "\x1b[31m",
        "\x7f",
        "\\",
    ),
)
_ODD: Final = (
    *(
        "0",
        "-999.25",
        "NULL",
        "1e308",
        "-1e308",
        "nan",
        "inf",
        "9" * 400,
        "1e-320",
        "2026-13-45",
        "12:00",
        "31.12.9999 23:59",
    ),
)


def proposed(data: bytes) -> None:
    """A log without a map; what is proposed is a sound map, and every line of it is one line."""
    draws = Draws(data)
    rows = [line.split(",") for line in _long()]
    for _ in range(draws.below(4)):
        rows[0][draws.below(3)] = draws.pick(_HEADS)
    for _ in range(draws.below(3)):
        rows[1][draws.below(3)] = draws.pick(("m", "ft", "kN", "klb", "t", "bar", "s", "ms", "?"))
    for _ in range(draws.below(20)):
        rows[2 + draws.below(60)][draws.below(3)] = draws.pick(_ODD)
    scale = draws.pick((1.0, 1e3, 1e-3, 0.0, -1.0, 1e300))
    if draws.flag(4):
        for row in rows[2:]:
            row[1] = repr(scale * len(row[1]))
    path = folder() / "log.csv"
    path.write_text("\n".join(",".join(row) for row in rows), encoding="utf-8", errors="surrogatepass")
    try:
        found = propose(Series([path], Layout()), find_rig_once("land"), "land", draws.flag())
    except UserError as error:
        _named(error, path)
        return
    made = validate(LogMap, parse_toml(found.toml, "map"), "map")
    assert made.columns
    assert all(choice.evidence for choice in found.choices)
