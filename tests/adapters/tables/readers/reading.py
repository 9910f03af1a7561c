"""Helpers of the readers' tests."""

from pathlib import Path

from monitor.adapters.tables.readers.series import Series
from monitor.adapters.tables.readers.table import Layout


def cells_of(*paths: Path, layout: Layout | None = None) -> tuple[Series, list[list[str]]]:
    """The series of some files, and all cells."""
    series = Series(paths, layout or Layout())
    return series, [cells for _, _, cells in series]


def write(path: Path, text: str | bytes) -> Path:
    """The file, written."""
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path
