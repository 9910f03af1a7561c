"""Columns of a piece come back as they were put in, also from another process."""

import pickle

import numpy as np
import pytest

from monitor.analysis.pieces import Columns, Numbers


def some(rows: int) -> dict[str, Numbers]:
    """Columns of all kinds: not known, one number, few changes with what is not known in between, noise."""
    steps = np.repeat(np.array([1.5, np.nan, -0.0, 0.0], np.float32), -(-rows // 4))[:rows]
    return {
        "unknown": np.full(rows, np.nan, np.float32),
        "one": np.full(rows, 7.25, np.float32),
        "steps": steps,
        "noise": np.random.default_rng(1).normal(size=rows).astype(np.float32),
        "view": np.arange(2.0 * rows, dtype=np.float32).reshape(rows, 2)[:, 1],
    }


@pytest.mark.parametrize("rows", [0, 1, 2, 1000])
def test_columns_come_back_to_the_bit(rows: int) -> None:
    given = some(rows)
    columns = Columns(rows)
    for name, numbers in given.items():
        columns.put(name, numbers)
    for kept in (columns, pickle.loads(pickle.dumps(columns))):
        assert set(kept) == set(given)
        assert len(kept) == len(given)
        for _ in range(2):
            for name, numbers in given.items():
                assert kept[name].dtype == np.float32
                assert kept[name].tobytes() == numbers.tobytes(), name
        assert kept.pop("steps").tobytes() == given["steps"].tobytes()
        with pytest.raises(KeyError):
            kept["steps"]


def test_what_seldom_changes_takes_little_room() -> None:
    rows = 100_000
    columns = Columns(rows)
    for name, numbers in some(rows).items():
        if name not in ("noise", "view"):
            columns.put(name, numbers)
    assert len(pickle.dumps(columns)) < 2000
