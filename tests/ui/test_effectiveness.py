"""Brakes says how sure the effectiveness is, and what the crew can do where it is not."""

import math
from dataclasses import replace
from types import MappingProxyType

import pytest

from monitor.model.reading import Validity, Value
from monitor.ui.screens.brakes import contents
from monitor.ui.view import View
from tests.ui import sample


def rows(bound: Value) -> list[tuple[str, str]]:
    """Label and longest words of each row of HOW IT BRAKES."""
    snap = sample.calm()
    snap = replace(snap, values=MappingProxyType({**snap.values, "effectiveness_bound": bound}))
    section = next(s for s in contents(View(snap, sample.rig(), "LIVE")) if s.title == "HOW IT BRAKES")
    return [(item.label.strip(), item.choices[0]) for item in section.items]


@pytest.mark.parametrize(("bound", "asks"), [(0.16, True), (0.08, False)])
def test_the_bound_stands_beside_the_figure_and_a_wide_one_says_what_makes_it_surer(bound: float, asks: bool) -> None:
    found = rows(Value(bound, Validity.VALID))
    assert found[0] == ("effectiveness", f"97 % ±{round(100 * bound)} %")
    assert (found[1] == ("surer by", "brake stop test (Checks)")) is asks


def test_a_bound_that_is_not_known_is_left_out() -> None:
    assert rows(Value(math.nan, Validity.INVALID))[0] == ("effectiveness", "97 %")
