"""What the rig's own brakes can do, against the textbook forms written out by hand."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.config.brakes import BandBrake, CaliperBrake
from monitor.config.rig_file import find_rig
from monitor.core.brakes.model import BrakeModel

LAND = find_rig("land")
LIGHT = find_rig("light")
assert isinstance(LAND.brake, CaliperBrake)
assert isinstance(LIGHT.brake, BandBrake)
DISC = LAND.brake
BAND = LIGHT.brake

scales = st.floats(0.3, 1.3)


@given(share=st.floats(0.0, 1.6), scale=scales)
def test_springs_grip_until_the_oil_lifts_them_and_not_beyond(share: float, scale: float) -> None:
    """F = F0 - A p (derived from the balance of spring and piston): nothing is left at the lift pressure, half at half."""
    pressure = share * DISC.lift_pressure_pa
    torque = BrakeModel(LAND).emergency_torque_n_m(pressure, scale)
    force = DISC.emergency_clamp_force_n * max(0.0, 1.0 - share)
    expected = 2 * DISC.friction * scale * force * DISC.effective_radius_m * DISC.emergency_calipers
    assert torque == pytest.approx(expected, rel=1e-9, abs=1e-3)


@given(share=st.floats(0.0, 1.2), scale=scales)
def test_a_circuit_is_half_the_service_calipers(share: float, scale: float) -> None:
    pressure = share * DISC.full_pressure_pa
    force = DISC.clamp_force_n * share
    both = 2 * DISC.friction * scale * force * DISC.effective_radius_m * DISC.calipers
    assert BrakeModel(LAND).circuit_torque_n_m(pressure, scale) == pytest.approx(both / 2)


@given(share=st.floats(0.01, 1.2), scale=scales, direction=st.sampled_from([-1, 1]))
def test_a_circuit_is_one_band(share: float, scale: float, direction: int) -> None:
    """Friction stands in the exponent: a band that grips worse loses more than in proportion."""
    ratio = math.exp(BAND.friction * scale * math.radians(BAND.wrap_deg))
    slack = BAND.full_pull_n * share * BAND.bands / 2 / (1.0 if direction < 0 else ratio)
    seen = BrakeModel(LIGHT).circuit_torque_n_m(share * BAND.full_pressure_pa, scale, direction)
    assert seen == pytest.approx(slack * (ratio - 1.0) * BAND.rim_radius_m)
