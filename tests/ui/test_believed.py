"""Screens say words where a figure says nothing, and tell a value from its limit."""

from dataclasses import replace

import pytest

from monitor.model.alarm import Severity
from monitor.model.check import CheckReading
from monitor.model.reading import Validity, Value
from monitor.model.snapshot import Snapshot
from monitor.presentation.format import Units
from monitor.ui.history import History
from monitor.ui.screens import SCREENS
from monitor.ui.view import ScreenState
from tests.ui import sample
from tests.ui.pages import SIZES, page

BY_NAME = {spec.name: spec for spec in SCREENS}
EMPTY_HOOK = {"slack": 1.0, "holding_ratio": 6_520_085.0, "emergency_ratio": 3_400_000.0, "design_factor": 854_000.0,
              "hook_load": 0.0, "string_load": 0.0, "fast_line_tension": 0.0, "load_over_rating": 0.0}  # fmt: skip


def with_values(**changes: float | Value) -> Snapshot:
    return replace(sample.still(), values=sample.values(**changes))


def text(snap: Snapshot, screen: str, size: tuple[int, int] = (120, 40), **changes: object) -> str:
    return "\n".join("".join(row) for row in page(snap, BY_NAME[screen], size, **changes).chars)


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("screen", ["Drive", "Brakes", "Line"])
def test_ratios_over_an_empty_hook_are_words(screen: str, size: tuple[int, int]) -> None:
    shown = text(with_values(**EMPTY_HOOK), screen, size)
    for figure in ("6520085", "3400000", "854000"):
        assert figure not in shown
    # What a low screen has no row for it does not show at all.
    rows = {"Drive": "HOLDING", "Brakes": "service", "Line": "design factor"}
    line = next((line for line in shown.splitlines() if rows[screen] in line), None)
    assert line is None or "no load" in line
    if size[1] >= 30:
        assert line is not None


def test_an_empty_hook_is_never_low_on_holding() -> None:
    shown = text(with_values(slack=1.0, holding_ratio=0.0), "Brakes")
    assert "LOW" not in shown


def test_a_ratio_of_a_light_load_is_still_a_figure() -> None:
    assert "27.10 ×" in text(with_values(holding_ratio=27.1), "Brakes")


def test_a_reach_longer_than_any_mast_is_no_figure() -> None:
    shown = text(with_values(emergency_reach=5123.0, reach_assured=5123.0), "Brakes")
    assert "5123" not in shown
    assert "beyond measure" in shown


def test_what_a_check_reads_is_worded_like_the_signal() -> None:
    running, *others = sample.checks()
    reading = CheckReading("holding ratio, service", Value(6_520_085.0, Validity.VALID), "ratio")
    snap = replace(sample.still(), checks=(replace(running, readings=(reading,)), *others))
    shown = text(snap, "Checks")
    assert "6520085" not in shown
    assert "no load to speak of" in shown


def test_the_trend_of_a_ratio_leaves_out_the_empty_hook() -> None:
    history = History()
    for second, factor in enumerate((8.1, 854_000.0, 8.2, 854_000.0)):
        moment = with_values(design_factor=factor, slack=float(factor > 100))
        history.feed(replace(moment, t_ns=sample.T0_NS + second * sample.SECOND))
    snap = with_values(design_factor=854_000.0, slack=1.0)
    pages = [
        text(snap, "Trends", history=history, screen_state=ScreenState(span_s=60.0, page=page)) for page in range(9)
    ]
    shown = next(page for page in pages if "design factor" in page)
    assert "854" not in shown
    assert "no load to speak of" in shown
    assert "8.4" in shown  # top of the axis


@pytest.mark.parametrize(
    ("signal", "number", "threshold", "shown"),
    [
        ("margin_down", -0.004, 0.0, "now −4 mm, limit 0 mm"),
        ("design_factor", 2.9996, 3.0, "now 2.9996, limit 3.0000"),
        ("circuit_ratio", 0.7986, 0.8, "now 0.799, limit 0.800"),
        ("brake_time_up", 999.0, 4.0, "now not near, limit 4.0 s"),
        ("design_factor", 3.0, 3.0, "now at the limit, 3.00"),
    ],
)
def test_why_it_fired_tells_the_value_from_the_limit(signal: str, number: float, threshold: float, shown: str) -> None:
    alarm = sample.alarm("it", Severity.WARNING, "It", signal=signal, number=number, threshold=threshold)
    snap = replace(with_values(**{signal: number}), alarms=(alarm,))
    assert shown in text(snap, "Alarms", (200, 50))


def test_what_is_not_known_is_said_in_words() -> None:
    alarm = sample.alarm("it", Severity.WARNING, "It", number=None, threshold=None)
    unknown = Value(float("nan"), Validity.INVALID)
    snap = replace(with_values(margin_down=unknown), alarms=(alarm,))
    assert "now not known, limit not known" in text(snap, "Alarms", (200, 50))


def test_discs_are_compared_by_difference_in_every_unit() -> None:
    """130 °F beside 75 °F once read "hotter / cooler 1.00"."""
    hot, cool = (Units("field").shown("temperature").unit.to_si(f) for f in (130.0, 75.0))
    snap = with_values(disc_temperature_left=hot, disc_temperature_right=cool, disc_difference=hot - cool)
    shown = text(snap, "Brakes", (200, 50), units=Units("field"))
    assert "55 °F" in shown
    assert "hotter / cooler" not in shown
