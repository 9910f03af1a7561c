"""What readings show by their values: held-back jumps of what cannot jump, and a load that steps for good."""

import math

import pytest

from monitor.config.rig_file import find_rig
from monitor.config.sensor import Sensor
from monitor.core.sensors.record import SensorRecord
from monitor.core.sensors.register import SensorRegister
from monitor.model.reading import RejectReason, Sample

RIG = find_rig("land")
T = 1_700_000_000_000_000_000
SENSORS = {sensor.id: sensor for sensor in RIG.sensors}


def sensor(name: str) -> Sensor:
    return SENSORS[name]


def record(name: str) -> SensorRecord:
    """A record as the rig's register makes it."""
    return next(made for made in SensorRegister(RIG).records if made.id == name)


def feed(made: SensorRecord, values: list[float], seconds: float = 0.0) -> list[RejectReason | None]:
    """Give it these readings at its own rate from `seconds` on; what it refuses. Then bring its diagnosis up to date."""
    period_ns = round(1e9 / made.sensor.rate_hz)
    start_ns = T + round(seconds * 1e9)
    refused = [
        made.accept(Sample(start_ns + i * period_ns, 0, value, start_ns + i * period_ns))
        for i, value in enumerate(values)
    ]
    made.update_diagnosis(start_ns + len(values) * period_ns, False)
    return refused


@pytest.mark.parametrize("away_c", [150.0, -120.0])
def test_one_jump_of_a_temperature_is_a_fault_and_touches_nothing(away_c: float) -> None:
    made = record("disc-right")
    refused = feed(made, [80.0 + i * 0.7 for i in range(20)] + [94.0 + away_c, 94.5])
    assert refused == [None] * 20 + [RejectReason.UNCONFIRMED, None]
    assert made.number == 94.5
    assert "no heat" in made.diagnosis


def test_a_temperature_that_jumps_and_stays_is_a_fault_too() -> None:
    made = record("disc-right")
    feed(made, [80.0, 80.5, 81.0, 260.0, 261.0, 262.0])
    assert made.number == 262.0
    assert "no heat" in made.diagnosis


def test_a_disc_that_heats_as_fast_as_brakes_can_heat_it_is_none() -> None:
    """20 K/s: 5 MW into 245 kJ/K, more than any shipped brake takes."""
    made = record("disc-right")
    assert feed(made, [80.0 + 20.0 * i for i in range(30)]) == [None] * 30
    assert made.diagnosis == ""


def swing(kn: float, period_s: float, seconds: float) -> list[float]:
    """A hook load at 20 Hz around `kn` that swings by 40 %, at 8 % damping: the jerk of a brake slammed on (made up)."""
    omega = 2 * math.pi / period_s
    times = [i * 0.05 for i in range(round(seconds * 20))]
    return [1e3 * kn * (1.0 + 0.4 * math.exp(-0.08 * omega * t) * math.cos(omega * t)) for t in times]


LEVEL = [1e3 * (900.0 + 9.0 * math.sin(1.7 * i)) for i in range(60)]


@pytest.mark.parametrize("step_kn", [500.0, -500.0, 300.0])
def test_a_load_that_steps_at_once_and_stays_is_told_until_it_steps_back(step_kn: float) -> None:
    made = record("hook-load")
    stepped = [value + 1e3 * step_kn for value in LEVEL]
    feed(made, LEVEL + stepped)
    told_kn = float(made.diagnosis.removeprefix("jumped by ").split()[0])
    assert told_kn == pytest.approx(step_kn, abs=15.0)
    feed(made, LEVEL, seconds=6.0)
    assert made.diagnosis == ""


def test_a_load_picked_up_set_down_or_swung_hard_is_no_step() -> None:
    made = record("hook-load")
    ramp = [1e3 * (220.0 + 68.0 * i) for i in range(11)]  # 680 kN in half a second
    feed(made, [220e3] * 40 + ramp + swing(900.0, 0.25, 3.0) + swing(900.0, 0.6, 3.0) + ramp[::-1] + [220e3] * 40)
    assert made.diagnosis == ""


def test_a_load_that_goes_to_nothing_is_left_to_the_watch_for_a_lost_load() -> None:
    made = record("hook-load")
    feed(made, LEVEL + [4e3 + value / 1e3 for value in LEVEL])
    assert made.diagnosis == ""


def test_a_lever_is_not_held_back() -> None:
    made = record("lever")
    assert feed(made, [0.0] * 20 + [0.95] * 20) == [None] * 40
