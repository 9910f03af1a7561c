"""Columns of numbers of which some are not known (NaN): what is known of them, its figures, and the stretches where it holds."""

import math
from itertools import pairwise
from typing import Any, Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from monitor.adapters.tables.cleaning.forward_fill import filled_rows

_Floating = TypeVar("_Floating", bound=np.floating[Any])

SIGMA_OF_MEDIAN: Final = 1.4826
"""Standard deviation of normal noise over the median of its magnitude: 1 / 0.67449, the upper quartile of the standard normal."""


def known_of(numbers: NDArray[_Floating]) -> NDArray[_Floating]:
    """Those that are known, in order."""
    known: NDArray[_Floating] = numbers[np.isfinite(numbers)]
    return known


def most(numbers: NDArray[np.floating[Any]]) -> float:
    """The greatest of the known numbers; NaN where none is known."""
    some = known_of(numbers)
    return float(some.max()) if len(some) else math.nan


def least(numbers: NDArray[np.floating[Any]]) -> float:
    """The least of the known numbers; NaN where none is known."""
    some = known_of(numbers)
    return float(some.min()) if len(some) else math.nan


def mean_of(numbers: NDArray[np.floating[Any]]) -> float:
    """Mean of the known numbers; NaN where none is known."""
    some = known_of(numbers)
    return float(some.mean()) if len(some) else math.nan


def median_of(numbers: NDArray[np.floating[Any]]) -> float:
    """Median of the known numbers; NaN where none is known."""
    some = known_of(numbers)
    return float(np.median(some)) if len(some) else math.nan


def noise_of(steps: NDArray[np.floating[Any]], at_least: int = 1) -> float:
    """Standard deviation of readings whose `steps` from one to the next are noise alone, by the median, which rare true changes
    do not move; 0 where fewer than `at_least` are known."""
    some = known_of(steps)
    return SIGMA_OF_MEDIAN * float(np.median(np.abs(some))) / math.sqrt(2.0) if len(some) >= at_least else 0.0


def noise_at_rest(numbers: NDArray[_Floating], rests: NDArray[np.bool_], at_least: int = 1) -> float:
    """The same of a column's rows. `rests`: between which rows next to each other nothing changed. Where rows repeat a reading
    until the next one comes, the steps are those from reading to reading."""
    rows = filled_rows(number if number == number else None for number in numbers.tolist())
    if len(numbers) <= rows:
        return 0.0
    still = np.lib.stride_tricks.sliding_window_view(rests, rows).all(axis=1)
    return noise_of((numbers[rows:] - numbers[:-rows])[still], at_least)


def runs(
    mask: NDArray[np.bool_], join_s: float = 0.0, elapsed_ns: NDArray[np.int64] | None = None
) -> list[tuple[int, int]]:
    """(first, one past the last) index of each run where `mask` holds; those closer than `join_s`, by the time elapsed at each
    row, are one."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    found: list[tuple[int, int]] = []
    for first, after in edges.reshape(-1, 2).tolist():
        if found and elapsed_ns is not None and elapsed_ns[first] - elapsed_ns[found[-1][1]] < join_s * 1e9:
            found[-1] = (found[-1][0], after)
        else:
            found.append((first, after))
    return found


def stretches_alike(values: NDArray[np.integer[Any]]) -> list[tuple[int, int]]:
    """(first, one past the last) index of each stretch of equal values."""
    edges = [0, *(np.flatnonzero(np.diff(values)) + 1).tolist(), len(values)]
    return [(first, after) for first, after in pairwise(edges) if after > first]
