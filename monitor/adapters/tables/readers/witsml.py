"""WITSML log objects 1.3.1.1 and 1.4.1.1: XML by the published schema (Energistics, ``obj_log.xsd``), read as it streams.

A document holds one or more ``log``: a header with one ``logCurveInfo`` for each curve (mnemonic, unit, null value), then
``logData`` with one ``data`` element for each row. Which cell is which curve, 1.3.1.1 says by ``columnIndex`` in the header,
1.4.1.1 by ``mnemonicList`` before the rows. Only logs by time are read: a log by depth says nothing of when.
"""

import csv
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final

from monitor.adapters.tables.readers.safe_xml import CHUNK_BYTES, SafeXml
from monitor.adapters.tables.readers.source import Source
from monitor.adapters.tables.readers.table import MOST_COLUMNS, Dropped, FieldLogError, Heads, Layout, Row

NAMESPACES: Final = {
    "http://www.witsml.org/schemas/131": "1.3.1.1",
    "http://www.witsml.org/schemas/1series": "1.4.1.1",
}
_BY_TIME: Final = ("date time", "elapsed time")
_CURVE_FIELDS: Final = ("mnemonic", "unit", "nullValue", "curveDescription", "columnIndex")
_LOG_FIELDS: Final = (
    "name", "indexType", "indexCurve", "nullValue", "direction", "startDateTimeIndex", "dataDelimiter",
)  # fmt: skip


@dataclass(slots=True)
class _Curve:
    mnemonic: str = ""
    unit: str = ""
    null: str = ""
    words: str = ""
    column: int = 0


@dataclass(slots=True)
class _Log:
    """One log object as far as it was read."""

    fields: dict[str, str] = field(default_factory=dict)
    curves: list[_Curve] = field(default_factory=list)
    mnemonics: list[str] = field(default_factory=list)
    units: list[str] = field(default_factory=list)

    def columns(self) -> list[_Curve]:
        """The curves in the order of the cells of a row."""
        if self.mnemonics:
            known = {curve.mnemonic: curve for curve in self.curves}
            made = []
            for place, mnemonic in enumerate(self.mnemonics):
                curve = known.get(mnemonic) or _Curve(mnemonic)
                if not curve.unit and place < len(self.units):
                    curve.unit = self.units[place]
                made.append(curve)
            return made
        if all(curve.column for curve in self.curves):
            return sorted(self.curves, key=lambda curve: curve.column)
        return self.curves


class Witsml:
    """A WITSML document as a table. Further logs in it follow the first where they have its curves."""

    unit_of_place = "line"
    layout = Layout()

    def __init__(self, source: Source) -> None:
        """Read the first header.

        Raises:
            FieldLogError: it is no WITSML log by time of a version that is read, or unsafe.
        """
        self.name, self._source = source.name, source
        self._xml = SafeXml(source.name, self._start, self._end)
        self._path: list[str] = []
        self._log = _Log()
        self._rows: deque[tuple[int, list[str] | str]] = deque()
        """Rows that wait to be fetched; a text says why there is none."""
        self._places: list[int] = []
        self._nulls: list[str] = []
        self._cells = 0
        self._skipping = ""
        self._version = ""
        self._known: Heads | None = None
        self.begins = self.index = ""
        self._ended = False
        while self._known is None and self._feed():
            pass
        if self._known is None:
            raise FieldLogError(f"{self.name}: {self._skipping or 'there is no row of data in it'}")
        self.heads = self._known
        self.kind = f"WITSML {self._version} log"

    def _feed(self) -> bool:
        """Take in the next piece; False at the end."""
        if self._ended:
            return False
        piece = self._source.stream.read(CHUNK_BYTES)
        self._ended = not piece
        self._xml.feed(piece)
        return not self._ended

    # --- elements ----------------------------------------------------------------------------------------------------

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        space, _, local = name.rpartition(" ")
        if not self._path:
            self._version = self._root(space, local, attributes.get("version", ""))
        self._path.append(local)
        at = self._path[1:]
        if at == ["log"]:
            self._log, self._cells, self._skipping = _Log(), 0, ""
        elif at == ["log", "logCurveInfo"]:
            if len(self._log.curves) >= MOST_COLUMNS:
                raise FieldLogError(f"{self.name}: line {self._xml.line}: more than {MOST_COLUMNS} curves")
            self._log.curves.append(_Curve())
        elif at == ["log", "logData"]:
            self._cells = 0

    def _root(self, space: str, local: str, version: str) -> str:
        found = NAMESPACES.get(space, "") if space else version
        if local == "logs" and (version or found)[:5] in ("1.3.1", "1.4.1") and (found or not space):
            return version if version[:5] in ("1.3.1", "1.4.1") else found
        what = (
            f"a document {local!r}" + (f", version {version}" if version else "") + (f", of {space}" if space else "")
        )
        raise FieldLogError(
            f"{self.name}: is XML, but {what[:200]} and no WITSML log object of version 1.3.1.1 or 1.4.1.1;"
            " have the log exported as one of these"
        )

    def _end(self, name: str, text: str) -> None:
        at = self._path[1:]
        local = self._path.pop()
        if at == ["log", "logData", "data"]:
            self._data(text)
        elif len(at) == 3 and at[:2] == ["log", "logCurveInfo"] and local in _CURVE_FIELDS:
            self._curve_field(self._log.curves[-1], local, text.strip())
        elif len(at) == 2 and at[0] == "log" and local in _LOG_FIELDS:
            self._log.fields[local] = text.strip()
        elif at == ["log", "logData", "mnemonicList"]:
            self._log.mnemonics = [word.strip() for word in text.split(",")]
        elif at == ["log", "logData", "unitList"]:
            self._log.units = [word.strip() for word in text.split(",")]

    def _curve_field(self, curve: _Curve, local: str, text: str) -> None:
        if local == "mnemonic":
            curve.mnemonic = text
        elif local == "unit":
            curve.unit = text
        elif local == "nullValue":
            curve.null = text
        elif local == "curveDescription":
            curve.words = text
        else:
            curve.column = int(text) if text.isdecimal() and len(text) < 6 else 0

    def _data(self, text: str) -> None:
        """One row. It is taken apart at once: a later log of the document may have other curves."""
        if not self._cells and not self._skipping:
            self._skipping = self._begin_rows()
        row: list[str] | str = self._skipping
        if not row:
            cells = self._split(text)
            wrong = len(cells) != self._cells
            row = "has not as many cells as there are curves" if wrong else self._known_cells(cells)
        self._rows.append((self._xml.line, row))

    def _begin_rows(self) -> str:
        """Look at the header of the log whose rows begin. Returns why they cannot be taken, or nothing."""
        log, fields = self._log, self._log.fields
        called = f"log {fields.get('name', '')[:60]!r}"
        if fields.get("indexType", "") not in _BY_TIME:
            return f"{called} goes by {fields.get('indexType', 'no known index')!r}; only logs by time can be read"
        columns = log.columns()
        names = [curve.mnemonic for curve in columns]
        if not columns or not all(names) or len(set(names)) < len(names):
            return f"the header of {called} does not name each of its curves once"
        if self._known is None:
            self._known = Heads(
                tuple(names), tuple(curve.unit for curve in columns), tuple(curve.words for curve in columns)
            )
            self.index = fields.get("indexCurve", "") or names[0]
            if fields.get("indexType") == "elapsed time":
                self.begins = fields.get("startDateTimeIndex", "")
            self._places = list(range(len(names)))
        else:
            units = dict(zip(self._known.names, self._known.units, strict=True))
            if not set(units) <= set(names):
                return f"{called} lacks curves of the first: {', '.join(sorted(set(units) - set(names)))[:200]}"
            changed = [curve.mnemonic for curve in columns if units.get(curve.mnemonic, curve.unit) != curve.unit]
            if changed:
                return f"{called} has other units than the first for {', '.join(changed)[:200]}"
            self._places = [names.index(name) for name in self._known.names]
        common = fields.get("nullValue", "")
        nulls = {curve.mnemonic: curve.null or common for curve in columns}
        self._nulls = [nulls[name] for name in self._known.names]
        self._cells = len(columns)
        return ""

    # --- rows --------------------------------------------------------------------------------------------------------

    def rows(self, dropped: Dropped) -> Iterator[Row]:
        """The rows of all logs that are by time. See `Table`."""
        more = True
        while more:
            more = self._feed()
            while self._rows:
                line, row = self._rows.popleft()
                if isinstance(row, str):
                    dropped.lose_row(row, f"{self.name} line {line}")
                else:
                    yield line, row

    def _split(self, text: str) -> Sequence[str]:
        delimiter = self._log.fields.get("dataDelimiter", "") or ","
        if '"' in text and len(delimiter) == 1:
            return next(csv.reader([text.replace("\n", " ")], delimiter=delimiter), [])
        return text.split(delimiter)

    def _known_cells(self, cells: Sequence[str]) -> list[str]:
        """The cells in the order of the heads, without those that mean "no value"."""
        made = []
        for place, null in zip(self._places, self._nulls, strict=True):
            cell = cells[place].strip()
            made.append("" if null and cell[:1] == null[:1] and _same(cell, null) else cell)
        return made


def _same(cell: str, null: str) -> bool:
    if cell == null:
        return True
    try:
        return float(cell) == float(null)
    except ValueError:
        return False
