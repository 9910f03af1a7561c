"""Rows of plain data as tables, and tables as Parquet files."""

from collections.abc import Sequence
from dataclasses import asdict, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

from monitor.adapters.host.output_file import whole

if TYPE_CHECKING:
    import pyarrow as pa


def schema_of(row: type) -> "pa.Schema":
    """The columns of a dataclass of numbers, words and what may be None."""
    import pyarrow as pa

    types = {"int": pa.int64(), "bool": pa.bool_(), "float": pa.float64(), "str": pa.string()}
    names = {
        one.name: one.type.__name__ if isinstance(one.type, type) else str(one.type).partition(" ")[0]
        for one in fields(row)
    }
    return pa.schema([(name, types[kind]) for name, kind in names.items()])


def table_of(kind: type, rows: Sequence[Any]) -> "pa.Table":
    """Rows of one kind as a table; times are UTC, ns."""
    import pyarrow as pa

    return pa.Table.from_pylist([asdict(row) for row in rows], schema=schema_of(kind))


def write_table(path: Path, kind: type, rows: Sequence[Any]) -> None:
    """Write rows of one kind to a Parquet file, whole or not at all.

    Raises:
        UserError: it cannot be written.
    """
    import pyarrow.parquet as pq

    with whole(path) as part:
        pq.write_table(table_of(kind, rows), part)
