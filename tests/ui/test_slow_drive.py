"""Drive while the position comes seconds apart: it says what it cannot warn of, and shows no margin."""

from dataclasses import replace
from types import MappingProxyType

import pytest

from monitor.model.reading import NOT_FITTED, UNKNOWN, Validity, Value
from monitor.model.snapshot import Snapshot
from monitor.presentation.slow_data import blind_to, is_slow, slow_words
from tests.ui import sample
from tests.ui.test_pages import FULL, page

MARGINS = (
    "margin_up",
    "margin_down",
    "brake_time_up",
    "brake_time_down",
    "fully_margin_up",
    "cross_margin_up",
    "allowed_speed",
)


def slow(period_s: float = 10.0, fitted: bool = True) -> Snapshot:
    """The calm sample as a slow site has it; not `fitted`: without brake sensors."""
    snap = sample.calm()
    values = dict(snap.values) | {"slow_data": Value(1.0, Validity.VALID)} | dict.fromkeys(MARGINS, UNKNOWN)
    if not fitted:
        values |= dict.fromkeys((*MARGINS, "effectiveness", "response_time", "aux_share", "aux_missing"), NOT_FITTED)
    sensors = tuple(replace(sensor, rate_hz=1.0 / period_s) for sensor in snap.sensors)
    return replace(snap, values=MappingProxyType(values), sensors=sensors)


def test_words_name_how_often_and_what_this_rig_loses() -> None:
    assert not is_slow(sample.calm())
    assert slow_words(slow(1.0, fitted=False)) == "position every 1.0 s: cannot warn of a late stop"
    assert slow_words(slow()).startswith("position every 10 s: cannot warn of a late stop, a weak or slow brake")
    assert blind_to(slow(fitted=False).values) == ("a late stop",)


@pytest.mark.parametrize("size", [(60, 20), (80, 24), (120, 40), (200, 50)], ids=str)
@pytest.mark.parametrize("fitted", [True, False])
def test_drive_says_it_at_every_size(size: tuple[int, int], fitted: bool) -> None:
    canvas = page(slow(fitted=fitted), size=size, history=FULL)
    text = canvas.text()
    assert canvas.cut == []
    assert "10 s" in text
    assert "late stop" in text
    assert not any(word in text for word in ("reach ", "margin ", "allowed "))
