"""The two sums of line work in words, by the ton-mile of API RP 9B: 2000 lbf over 5280 ft, 14.317 MJ."""

import re

import pytest

from monitor.presentation.line_work import both_units, compared_sums

TON_MILE = 2000 * 4.4482216152605 * 5280 * 0.3048


@pytest.mark.parametrize(
    ("counted", "strokes", "words"),
    [
        (100.0, 102.0, "counted on the way it is 100.00 ton-miles (1432 MJ): the strokes make 2.0 % more. "),
        (100.0, 98.0, "the strokes make 2.0 % less. "),
        (100.0, 100.0, "counted on the way it is 100.00 ton-miles (1432 MJ), the same. "),
        (0.0, 1.0, "counted on the way it is 0.00 ton-miles (0 MJ). "),
    ],
)
def test_two_sums_of_one_record_are_told_apart(counted: float, strokes: float, words: str) -> None:
    assert words in compared_sums(counted * TON_MILE, strokes * TON_MILE)


def test_work_in_both_units() -> None:
    found = re.fullmatch(r"([0-9.]+) ton-miles \((\d+) MJ\)", both_units(1e9))
    assert found is not None
    assert float(found[1]) * TON_MILE == pytest.approx(1e9, rel=1e-4)
    assert found[2] == "1000"
    assert both_units(2.5 * TON_MILE, 1).startswith("2.5 ")
