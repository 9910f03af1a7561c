"""WITSML logs by the published schema, and XML that means harm."""

from pathlib import Path

import pytest

from monitor.adapters.tables.proposal.propose import propose
from monitor.adapters.tables.readers.safe_xml import MOST_DEPTH, MOST_TEXT
from monitor.adapters.tables.readers.series import Series
from monitor.adapters.tables.readers.table import FieldLogError, Layout
from monitor.config.rig_file import find_rig
from tests.adapters.tables.readers.reading import cells_of, write
from tests.support.log_files import positions, witsml_131, witsml_141


def test_curves_of_1_3_1_1_come_by_their_column_index(tmp_path: Path) -> None:
    series, cells = cells_of(write(tmp_path / "x.xml", witsml_131(9, order=(3, 1, 2))))
    assert series.first.heads.names == ("BPOS", "HKLD", "TIME")
    assert series.first.heads.units == ("m", "kN", "s")
    assert series.first.heads.words == ("BPOS as measured", "HKLD as measured", "TIME as measured")
    assert series.first.index == "TIME"
    assert [float(row[0]) for row in cells] == positions(9)
    assert [row[1] for row in cells][6] == ""  # marked by the curve's null value
    assert cells[0][2] == "2026-01-01T06:00:00.000Z"


def test_null_values_are_compared_as_numbers_and_the_curve_goes_before_the_log(tmp_path: Path) -> None:
    text = witsml_141(4).replace("<unit>m</unit>", "<unit>m</unit><nullValue>-1</nullValue>")
    text = text.replace(",29.5,", ",-1.00,").replace(",29.0,", ",-999.2500,").replace(",403.25<", ",-999.2500<")
    _, cells = cells_of(write(tmp_path / "x.xml", text))
    assert [row[1] for row in cells] == ["30.0", "", "-999.2500", "28.5"]
    assert cells[1][2] == ""


def test_logs_of_one_document_follow_each_other_whatever_their_order_of_curves(tmp_path: Path) -> None:
    one, other = witsml_141(3), witsml_141(5, "second", root=False)
    other = other.replace("<mnemonicList>TIME,BPOS,HKLD", "<mnemonicList>BPOS,HKLD,TIME").replace(
        "<unitList>s,m,kN", "<unitList>m,kN,s"
    )
    for row in other.split("<data>")[1:]:
        time, rest = row.split("</data>")[0].split(",", 1)
        other = other.replace(f"{time},{rest}</data>", f"{rest},{time}</data>")
    _, cells = cells_of(write(tmp_path / "x.xml", one.replace("</logs>", other + "</logs>")))
    assert [float(row[1]) for row in cells] == positions(3) + positions(5)


def test_logs_that_cannot_follow_are_counted_with_their_reason(tmp_path: Path) -> None:
    one = witsml_141(3)
    deep = witsml_141(2, "deep", root=False, index="measured depth")
    feet = witsml_141(2, "feet", root=False).replace("<unit>m</unit>", "<unit>ft</unit>")
    path = write(tmp_path / "x.xml", one.replace("</logs>", deep + feet + "</logs>"))
    series, cells = cells_of(path)
    assert len(cells) == 3
    reasons = dict(series.dropped)
    assert reasons == {
        "line: log 'deep' goes by 'measured depth'; only logs by time can be read": 2,
        "line: log 'feet' has other units than the first for BPOS": 2,
    }
    assert series.dropped.rows == 4


def test_rows_with_too_few_or_too_many_cells_are_counted(tmp_path: Path) -> None:
    text = witsml_141(4).replace("<data>", "<data>x,y</data>\n<data>1,2,3,4</data><data>", 1)
    series, cells = cells_of(write(tmp_path / "x.xml", text))
    assert len(cells) == 4
    assert dict(series.dropped) == {"line: has not as many cells as there are curves": 2}


def test_a_log_that_runs_from_the_last_time_to_the_first_is_read(tmp_path: Path) -> None:
    text = witsml_141(9).replace("<direction>increasing", "<direction>decreasing")
    before, rest = text.split("</unitList>")
    rows, after = rest.rsplit("</data>", 1)
    rows = "</data>".join(reversed(rows.split("</data>"))) + "</data>"
    _, cells = cells_of(write(tmp_path / "x.xml", before + "</unitList>" + rows + after))
    assert [float(row[1]) for row in cells] == positions(9)[::-1]
    proposal = propose(Series([tmp_path / "x.xml"], Layout()), find_rig("land"), "land", True)
    assert "sort = true" in proposal.toml
    assert any("newest row comes first" in doubt for doubt in proposal.doubts)


def test_another_delimiter_and_quoted_cells(tmp_path: Path) -> None:
    text = witsml_141(2).replace("<nullValue>", "<dataDelimiter>|</dataDelimiter><nullValue>", 1)
    head, rows = text.split("</unitList>")
    _, cells = cells_of(
        write(tmp_path / "x.xml", head + "</unitList>" + rows.replace(",", "|").replace("30.0", '"30|0"'))
    )
    assert [row[1] for row in cells] == ["30|0", "29.5"]


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("date time", "measured depth", "goes by 'measured depth'; only logs by time"),
        ("TIME,BPOS,HKLD", "TIME,BPOS,BPOS", "does not name each of its curves once"),
        ('version="1.4.1.1"', 'version="1.1"', "no WITSML log object of version"),
        ("schemas/1series", "schemas/2", "no WITSML log object of version"),
        ("<logs ", "<wells ", "mismatched tag|no WITSML"),
        ("<data>", "<note>", "mismatched tag"),
        ("</unitList>", "</unitList></logData></log></logs><!--", "junk|not well-formed|unclosed|no row of data"),
        ("</logData>", "", "mismatched tag"),
        ("HKLD</mnemonic>", "HK&unknown;LD</mnemonic>", "undefined entity"),
    ],
)
def test_documents_that_cannot_be_used_say_why(tmp_path: Path, old: str, new: str, words: str) -> None:
    with pytest.raises(FieldLogError, match=words):
        cells_of(write(tmp_path / "x.xml", witsml_141(5).replace(old, new, 1 if old != "<data>" else -1)))


def test_a_document_that_breaks_off_gives_no_quiet_half(tmp_path: Path) -> None:
    text = witsml_141(3000)
    with pytest.raises(FieldLogError, match=r"x\.xml: line \d+: is no sound XML"):
        cells_of(write(tmp_path / "x.xml", text[: len(text) // 2]))


LAUGHS = "".join(f'<!ENTITY l{i} "{f"&l{i - 1};" * 10}">' for i in range(1, 10))
HARM = {
    "entities that grow": f'<!DOCTYPE logs [<!ENTITY l0 "ha">{LAUGHS}]>',
    "a file of this machine": '<!DOCTYPE logs [<!ENTITY f SYSTEM "file:///etc/passwd">]>',
    "a document type from elsewhere": '<!DOCTYPE logs SYSTEM "http://127.0.0.1:9/x.dtd">',
    "parameter entities": '<!DOCTYPE logs [<!ENTITY % p SYSTEM "file:///etc/passwd"> %p;]>',
    "one long entity": f'<!DOCTYPE logs [<!ENTITY a "{"x" * 100_000}">]>',
    "an empty document type": "<!DOCTYPE logs>",
}


@pytest.mark.parametrize("harm", HARM)
@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
def test_document_types_are_refused_at_sight(tmp_path: Path, harm: str, encoding: str) -> None:
    body = witsml_141(2).replace("Surface time", "&l9;" if "grow" in harm else "x")
    text = f'<?xml version="1.0" encoding="{encoding}"?>{HARM[harm]}{body}'
    with pytest.raises(FieldLogError, match="declares a document type or an entity"):
        cells_of(write(tmp_path / "x.xml", text.encode(encoding)))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("<log>" + "<a>" * (MOST_DEPTH + 1), "deep in each other"),
        ("<log><name>" + "x" * (MOST_TEXT + 1), "characters of text"),
        ("<log>" + "<a>x" * 20 + "y" * MOST_TEXT, "characters of text"),
        ('<log name="' + "x" * (5 << 20), "tag or a comment of more than"),
        ("<log><!--" + "x" * (5 << 20), "tag or a comment of more than"),
        ("<log>" + "<logCurveInfo/>" * 5000, "more than 4096 curves"),
    ],
)
def test_depth_text_and_tags_are_bounded(tmp_path: Path, text: str, words: str) -> None:
    root = '<logs xmlns="http://www.witsml.org/schemas/1series" version="1.4.1.1">'
    with pytest.raises(FieldLogError, match=words):
        cells_of(write(tmp_path / "x.xml", root + text))
