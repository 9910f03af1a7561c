"""Brakes: what adds torque, what takes it away, and what is nothing at standstill."""

import pytest
from hypothesis import given

from monitor.physics import brakes
from monitor.physics.brakes import EddyBrake
from tests.physics.rigs import spans

EDDY = EddyBrake(peak_torque_n_m=95e3, critical_speed_rad_s=12.0, rated_current_a=75.0)


@given(spans(-50, 800), spans(0.1, 200))
def test_fade_never_gains_with_heat(temperature: float, more: float) -> None:
    cool, hot = (brakes.fade_factor(t, 225, 375, 0.65) for t in (temperature, temperature + more))
    assert 0.65 <= hot <= cool <= 1.0


def test_fade_by_hand() -> None:
    assert brakes.fade_factor(200, 200, 400, 0.6) == 1.0
    assert brakes.fade_factor(300, 200, 400, 0.6) == pytest.approx(0.8)
    assert brakes.fade_factor(1000, 200, 400, 0.6) == 0.6
    assert brakes.fade_factor(1000, 200, 400, 0.0) == 0.0


@pytest.mark.parametrize(
    "limits", [(300.0, 300.0, 0.6), (300.0, 200.0, 0.6), (200.0, 300.0, 1.1), (200.0, 300.0, -0.1)]
)
def test_fade_without_sense_is_refused(limits: tuple[float, float, float]) -> None:
    with pytest.raises(ValueError, match="fade"):
        brakes.fade_factor(100.0, *limits)


@given(spans(10, 1e5), spans(0.1, 0.7), spans(1.0, 6.0), spans(0.2, 1.0))
def test_the_wrong_end_of_a_band_is_worth_its_ratio_less(
    pull: float, friction: float, wrap: float, radius: float
) -> None:
    helped = brakes.band_torque_n_m(pull, friction, wrap, radius)
    against = brakes.band_torque_n_m(pull, friction, wrap, radius, self_energising=False)
    assert helped / against == pytest.approx(brakes.band_ratio(friction, wrap))


@given(spans(0.01, 60), spans(0, 150))
def test_eddy_brake_never_exceeds_its_peak(speed: float, current: float) -> None:
    assert 0.0 <= EDDY.torque_n_m(speed, current) <= 95e3 * (1 + 1e-12)


def test_eddy_brake_by_hand() -> None:
    assert EDDY.torque_n_m(0.0, 75.0) == 0.0
    assert EDDY.torque_n_m(12.0, 75.0) == pytest.approx(95e3)
    assert EDDY.torque_n_m(6.0, 75.0) == pytest.approx(0.8 * 95e3)
    assert EDDY.torque_n_m(12.0, 37.5) == pytest.approx(95e3 / 4)
    assert EDDY.torque_n_m(12.0, 750.0) == pytest.approx(95e3)  # saturated
