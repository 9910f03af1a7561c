"""The auxiliary brake's torque, and what of it is on its way while its field rises."""

import math

import pytest

from monitor.config.rig_file import find_rig
from monitor.core.brakes.auxiliary import Auxiliary
from monitor.model.reading import UNKNOWN_FLAG, Flag, Validity

RIG = find_rig("land")
OMEGA = 12.0
STEP_S = 0.05
VALID = int(Validity.VALID)


def reading(current_a: float) -> Flag:
    return UNKNOWN_FLAG if math.isnan(current_a) else (current_a, VALID)


@pytest.mark.parametrize("tau_s", [0.2, 0.4, 0.8])
def test_of_a_field_that_rises_no_more_is_said_to_come_than_comes(tau_s: float) -> None:
    auxiliary = Auxiliary(RIG)
    full, _ = Auxiliary(RIG).torque(OMEGA, lambda name: reading(60.0))
    most = 0.0
    for k in range(200):
        current = 60.0 * (1.0 - math.exp(-max(0.0, k * STEP_S - 1.0) / tau_s))
        torque, _ = auxiliary.torque(OMEGA, lambda name, current=current: reading(current))
        assert torque + auxiliary.coming_n_m <= 1.001 * full
        most = max(most, auxiliary.coming_n_m)
    assert most > 0.05 * full
    assert auxiliary.coming_n_m == 0.0


def test_a_field_that_falls_stands_or_is_not_known_brings_nothing() -> None:
    auxiliary = Auxiliary(RIG)
    for current in [60.0] * 5 + [50.0] * 5 + [math.nan] * 3 + [10.0] * 5 + [0.0] * 5:
        auxiliary.torque(OMEGA, lambda name, current=current: reading(current))
        assert auxiliary.coming_n_m == 0.0
