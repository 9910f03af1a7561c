"""What the rig's own brakes can do, against the machines of `monitor.physics.brakes` put together by hand."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.config.rig import BandBrake, CaliperBrake
from monitor.config.rig_file import find_rig
from monitor.core.brakes.model import BrakeModel
from monitor.physics.brakes import EmergencyCalipers, ServiceCalipers, band_from_pull

LAND = find_rig("land")
LIGHT = find_rig("light")
assert isinstance(LAND.brake, CaliperBrake)
assert isinstance(LIGHT.brake, BandBrake)
DISC = LAND.brake
BAND = LIGHT.brake

SPRINGS = EmergencyCalipers(
    DISC.friction,
    DISC.effective_radius_m,
    DISC.emergency_calipers,
    spring_n=DISC.emergency_clamp_force_n,
    spring_rate_n_per_m=6e6,
    # Oil just lifts the pads where it pushes as hard as the springs: A = F / p_lift.
    piston_area_m2=DISC.emergency_clamp_force_n / DISC.lift_pressure_pa,
)
SERVICE = ServiceCalipers(
    DISC.friction, DISC.effective_radius_m, DISC.calipers, DISC.clamp_force_n / DISC.full_pressure_pa
)
scales = st.floats(0.3, 1.3)


@given(share=st.floats(0.0, 1.6), scale=scales)
def test_springs_grip_until_the_oil_lifts_them_and_not_beyond(share: float, scale: float) -> None:
    """F = F0 - A p (derived from the balance of spring and piston): nothing is left at the lift pressure, half at half."""
    pressure = share * DISC.lift_pressure_pa
    torque = BrakeModel(LAND).emergency_torque_n_m(pressure, scale)
    assert torque == pytest.approx(SPRINGS.torque_n_m(pressure, fade=scale), rel=1e-9, abs=1e-3)


@given(share=st.floats(0.0, 1.2), scale=scales)
def test_a_circuit_is_half_the_service_calipers(share: float, scale: float) -> None:
    pressure = share * DISC.full_pressure_pa
    assert BrakeModel(LAND).circuit_torque_n_m(pressure, scale) == pytest.approx(
        SERVICE.torque_n_m(pressure, fade=scale) / 2
    )


@given(share=st.floats(0.01, 1.2), scale=scales, direction=st.sampled_from([-1, 1]))
def test_a_circuit_is_one_band(share: float, scale: float, direction: int) -> None:
    """Friction stands in the exponent: a band that grips worse loses more than in proportion."""
    band = band_from_pull(
        BAND.full_pull_n * share * BAND.bands / 2,
        BAND.friction * scale,
        math.radians(BAND.wrap_deg),
        BAND.rim_radius_m,
        self_energising=direction < 0,
    )
    seen = BrakeModel(LIGHT).circuit_torque_n_m(share * BAND.full_pressure_pa, scale, direction)
    assert seen == pytest.approx(band.torque_n_m)
