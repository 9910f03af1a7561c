"""Brakes: what adds torque, what takes it away, and what is nothing at standstill."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.physics import brakes
from monitor.physics.brakes import EddyBrake, EmergencyCalipers, RegenerativeDrive, ServiceCalipers, TwoBands
from tests.physics.rigs import spans

SERVICE = ServiceCalipers(friction=0.4, radius_m=0.7, calipers=6, piston_area_m2=0.0054, return_pressure_pa=3e5)
EMERGENCY = EmergencyCalipers(0.4, 0.7, 2, spring_n=120e3, spring_rate_n_per_m=6e6, piston_area_m2=0.015)
EDDY = EddyBrake(peak_torque_n_m=95e3, critical_speed_rad_s=12.0, rated_current_a=75.0)
DRIVE = RegenerativeDrive(torque_limit_n_m=60e3, power_limit_w=900e3)


@given(spans(-50, 800), spans(0.1, 200))
def test_fade_never_gains_with_heat(temperature: float, more: float) -> None:
    cool, hot = (brakes.fade_factor(t, 225, 375, 0.65) for t in (temperature, temperature + more))
    assert 0.65 <= hot <= cool <= 1.0


def test_fade_by_hand() -> None:
    assert brakes.fade_factor(200, 200, 400, 0.6) == 1.0
    assert brakes.fade_factor(300, 200, 400, 0.6) == pytest.approx(0.8)
    assert brakes.fade_factor(1000, 200, 400, 0.6) == 0.6


@pytest.mark.parametrize(
    "limits", [(300.0, 300.0, 0.6), (300.0, 200.0, 0.6), (200.0, 300.0, 1.1), (200.0, 300.0, -0.1)]
)
def test_fade_without_sense_is_refused(limits: tuple[float, float, float]) -> None:
    with pytest.raises(ValueError, match="fade"):
        brakes.fade_factor(100.0, *limits)


def test_nothing_to_hold_is_held_without_limit() -> None:
    assert brakes.holding_ratio(252e3, 0.0) == math.inf
    assert brakes.holding_ratio(252e3, 126e3) == 2.0


@given(spans(0.0, 1.0), spans(0.01, 1.0))
def test_pad_radius_lies_on_the_pad_and_worn_in_is_smaller(inner: float, width: float) -> None:
    worn, new = (brakes.effective_radius_m(inner, inner + width, state) for state in (True, False))
    assert inner < worn <= new * (1 + 1e-9) < inner + width


def test_a_pad_inside_out_is_refused() -> None:
    with pytest.raises(ValueError, match="inner radius"):
        brakes.effective_radius_m(0.8, 0.7)


@given(spans(0, 20e6), spans(0.3, 1.0))
def test_service_torque_and_its_pressure_are_inverse(pressure: float, fade: float) -> None:
    torque = SERVICE.torque_n_m(pressure, fade)
    if pressure <= SERVICE.return_pressure_pa:
        assert torque == 0.0
    else:
        assert SERVICE.pressure_for_torque_pa(torque, fade) == pytest.approx(pressure)


@given(spans(0, 12e6), spans(0, 0.01))
def test_pressure_and_wear_take_from_the_springs(pressure: float, wear: float) -> None:
    full = EMERGENCY.torque_n_m()
    assert EMERGENCY.torque_n_m(pressure, wear) <= full
    assert EMERGENCY.torque_n_m(EMERGENCY.lift_pressure_pa(wear) + 1.0, wear) == 0.0
    assert EMERGENCY.torque_n_m(0.99 * EMERGENCY.lift_pressure_pa(wear), wear) > 0.0
    assert EMERGENCY.release_pressure_pa(0.001, wear) > EMERGENCY.lift_pressure_pa(wear)
    assert EMERGENCY.wear_from_lift_pressure_m(EMERGENCY.lift_pressure_pa(wear)) == pytest.approx(wear, abs=1e-12)


def test_emergency_by_hand() -> None:
    assert EMERGENCY.torque_n_m() == pytest.approx(134.4e3)
    assert EMERGENCY.lift_pressure_pa() == pytest.approx(8e6)
    # 2 mm of wear cost 12 kN of 120; residual 0.8 MPa costs the same.
    assert EMERGENCY.torque_n_m(wear_m=0.002) == pytest.approx(0.9 * 134.4e3)
    assert EMERGENCY.torque_n_m(0.8e6) == pytest.approx(0.9 * 134.4e3)


@given(spans(10, 1e5), spans(0.1, 0.7), spans(1.0, 6.0), spans(0.2, 1.0))
def test_the_wrong_end_of_a_band_is_worth_its_ratio_less(
    pull: float, friction: float, wrap: float, radius: float
) -> None:
    helped = brakes.band_from_pull(pull, friction, wrap, radius)
    against = brakes.band_from_pull(pull, friction, wrap, radius, self_energising=False)
    assert helped.torque_n_m / against.torque_n_m == pytest.approx(brakes.band_ratio(friction, wrap))
    assert helped.slack_n == pytest.approx(pull)
    assert against.tight_n == pytest.approx(pull)
    pressure = brakes.band_peak_pressure_pa(helped.tight_n, radius, 0.2)
    again = brakes.band_from_peak_pressure(pressure, friction, wrap, radius, 0.2)
    assert again.torque_n_m == pytest.approx(helped.torque_n_m)


@given(spans(0.2, 0.6), spans(0.0, 1.0))
def test_two_bands(friction: float, share: float) -> None:
    single = brakes.band_from_pull(1000.0, friction, 4.7, 0.6)
    equal = TwoBands((friction, friction), 4.7, 0.6)
    assert equal.torque_n_m(2000.0) == pytest.approx(2 * single.torque_n_m)
    assert equal.heat_share() == pytest.approx(0.5)
    # Unequal adjustment keeps the torque and spoils the heat; unequal friction spoils both.
    unequal = TwoBands((friction, friction), 4.7, 0.6, first_share=share)
    assert unequal.torque_n_m(2000.0) == pytest.approx(2 * single.torque_n_m)
    assert unequal.heat_share() == pytest.approx(share)
    wet = TwoBands((friction, 0.5 * friction), 4.7, 0.6)
    assert wet.torque_n_m(2000.0) < equal.torque_n_m(2000.0)
    assert wet.heat_share() > 0.5


@given(spans(0.01, 60), spans(0, 150), spans(0, 300), spans(0, 400))
def test_eddy_brake_never_exceeds_its_peak(speed: float, current: float, rise: float, dry: float) -> None:
    torque = EDDY.torque_n_m(speed, current, rise, dry)
    assert 0.0 <= torque <= 95e3 * (1 + 1e-12)
    assert torque <= EDDY.torque_n_m(speed, current, rise) + 1e-9


@given(spans(0, 75), spans(0.1, 11.9), spans(1, 300))
def test_a_hot_rotor_brakes_less_below_critical_speed(current: float, speed: float, rise: float) -> None:
    assert EDDY.torque_n_m(speed, current, rise) <= EDDY.torque_n_m(speed, current)


def test_eddy_brake_by_hand() -> None:
    assert EDDY.torque_n_m(0.0, 75.0) == 0.0
    assert EDDY.torque_n_m(12.0, 75.0) == pytest.approx(95e3)
    assert EDDY.torque_n_m(6.0, 75.0) == pytest.approx(0.8 * 95e3)
    assert EDDY.torque_n_m(12.0, 37.5) == pytest.approx(95e3 / 4)
    assert EDDY.torque_n_m(12.0, 750.0) == pytest.approx(95e3)  # saturated
    assert EDDY.torque_n_m(12.0, 75.0, coolant_lost_s=90.0) == pytest.approx(95e3 / 2)
    assert EDDY.torque_n_m(12.0, 75.0, coolant_lost_s=180.0) == 0.0


@given(spans(0.0, 100.0), st.booleans())
def test_regenerative_drive_keeps_both_limits(speed: float, tripped: bool) -> None:
    torque = DRIVE.torque_n_m(speed, tripped)
    assert torque <= 60e3
    assert torque * speed <= 900e3 * (1 + 1e-12)
    assert (torque == 0.0) == tripped
