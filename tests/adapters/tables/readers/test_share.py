"""How far a log has been read."""

import gzip
import math
from pathlib import Path

import pytest

from monitor.adapters.tables.readers.series import Series
from monitor.adapters.tables.readers.table import Layout


def test_the_share_grows_to_one_over_all_files(tmp_path: Path) -> None:
    text = "time,pos\n" + "".join(f"{row},{row % 30}\n" for row in range(100_000))
    (tmp_path / "a.csv").write_text(text)
    (tmp_path / "b.csv.gz").write_bytes(gzip.compress(text.encode()))
    series = Series([tmp_path / "a.csv", tmp_path / "b.csv.gz"], Layout())
    shares = [series.share for place, _ in enumerate(series) if place % 1000 == 0]
    assert len(shares) == 200
    assert shares == sorted(shares)
    assert 0.0 < shares[0] < 0.5
    assert series.share == 1.0


def test_of_a_pipe_nobody_knows(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    class Input:
        buffer = (tmp_path / "x").open("wb+")

    Input.buffer.write(b"time,pos\n1,2\n3,4\n")
    Input.buffer.seek(0)
    monkeypatch.setattr("sys.stdin", Input)
    series = Series([Path("-")], Layout())
    assert len(list(series)) == 2
    assert math.isnan(series.share)
