"""Readings that come late: told by the source's time, or by a pause that nothing makes up for."""

import random

import pytest

from monitor.config.rig import Rig
from monitor.config.rig_file import find_rig
from monitor.core.sensors.record import SensorRecord
from monitor.core.sensors.register import SensorRegister
from monitor.model.reading import DEGRADED, INVALID, VALID, Reject, RejectReason, Sample

STAMPED, UNSTAMPED = find_rig("land"), find_rig("light")
T = 1_700_000_000_000_000_000
Arrival = tuple[float, float]
"""When a reading is taken and when it comes, s."""


def times(made: SensorRecord, seconds: float, offset_s: float = 0.0) -> list[float]:
    """When a sensor takes its readings."""
    return [offset_s + i / made.sensor.rate_hz for i in range(round(seconds * made.sensor.rate_hz))]


class Bench:
    """A register whose sensors all speak, each reading 20 ms on its way, unless a test says otherwise."""

    def __init__(self, name: str, rig: Rig | None = None) -> None:
        self.rig = rig or {"land": STAMPED, "light": UNSTAMPED}[name]
        self.sensors = SensorRegister(self.rig)
        self.sensors.start(T)
        self.draw = random.Random(1)
        self.records = {record.id: record for record in self.sensors.records}

    def run(self, seconds: float, ways: dict[str, list[Arrival]]) -> None:
        """So many seconds: the readings of the sensors in `ways` as that says, all others as usual."""
        messages: list[tuple[float, int, float]] = []
        for index, record in enumerate(self.sensors.records):
            usual = [
                (taken, taken + 0.02) for taken in times(record, seconds, self.draw.random() / record.sensor.rate_hz)
            ]
            messages += [(comes, index, taken) for taken, comes in ways.get(record.id, usual)]
        grid = 0.0
        for comes, index, taken in sorted(messages):
            while grid < comes:
                self.sensors.update(T + round(grid * 1e9))
                grid += 0.05
            sensor = self.rig.sensors[index]
            middle = 0.5 * (sensor.range[0] + sensor.range[1])
            value = sensor.si.to_si(middle + self.draw.uniform(-1.0, 1.0) * sensor.sigma)
            source = T + round(taken * 1e9) if sensor.time is not None else None
            reading = Sample(T + round(comes * 1e9), index, value, source)
            reason = self.sensors.records[index].accept(reading)
            if reason is not None:
                self.sensors.refuse(Reject(reading.t_ns, index, reason))
        while grid <= seconds:
            self.sensors.update(T + round(grid * 1e9))
            grid += 0.05

    def validity(self, quantity: str) -> int:
        return self.sensors.readings[quantity][1]


def late(made: SensorRecord, seconds: float, start_s: float, delay_s: float, end_s: float = 1e9) -> list[Arrival]:
    """Readings that come later than usual by `delay_s` between two times."""
    return [(t, t + 0.02 + (delay_s if start_s <= t < end_s else 0.0)) for t in times(made, seconds)]


@pytest.mark.parametrize("name", ["service-1", "dead-line", "accumulator", "rim-left", "coolant", "lever"])
@pytest.mark.parametrize("delay_s", [1.0, 1.9, 3.0])
def test_a_delay_without_a_time_shows_as_a_pause_that_nothing_makes_up_for(name: str, delay_s: float) -> None:
    bench = Bench("light")
    record = bench.records[name]
    bench.run(90.0, {name: late(record, 90.0, 40.0, delay_s)})
    assert "paused" in record.diagnosis
    assert record.lateness.late_s == pytest.approx(delay_s, abs=0.1)
    assert [other.id for other in bench.sensors.records if other.diagnosis] == [name]
    fast = name in ("service-1", "lever")
    assert bench.validity(record.sensor.quantity) == (INVALID if fast else DEGRADED)


@pytest.mark.parametrize("name", ["service-1", "dead-line", "rim-left"])
def test_it_is_over_when_the_delay_ends(name: str) -> None:
    bench = Bench("light")
    record = bench.records[name]
    bench.run(90.0, {name: late(record, 90.0, 40.0, 2.0, end_s=70.0)})
    assert record.diagnosis == ""
    assert bench.validity(record.sensor.quantity) == VALID


def test_a_burst_after_a_pause_makes_up_for_it() -> None:
    bench = Bench("light")
    record = bench.records["lever"]
    held = [
        (t, max(t + 0.02, 42.0 + i * 1e-4) if 40.0 <= t < 42.0 else t + 0.02) for i, t in enumerate(times(record, 60.0))
    ]
    bench.run(60.0, {"lever": held})
    assert record.diagnosis == ""


def test_where_all_pause_it_is_what_they_share_and_no_sensor() -> None:
    bench = Bench("light")
    ways = {record.id: late(record, 60.0, 40.0, 2.0) for record in bench.sensors.records}
    bench.run(60.0, ways)
    assert [record.id for record in bench.sensors.records if record.diagnosis] == []


def test_where_few_sensors_all_pause_it_is_what_they_share() -> None:
    few = UNSTAMPED.model_copy(update={"sensors": UNSTAMPED.sensors[:2]})
    bench = Bench("light", few)
    bench.run(60.0, {record.id: late(record, 60.0, 40.0, 2.0) for record in bench.sensors.records})
    assert [record.id for record in bench.sensors.records if record.diagnosis] == []


def test_uneven_waits_are_no_pause_and_a_long_silence_no_delay() -> None:
    bench = Bench("light")
    record, draw = bench.records["dead-line"], random.Random(3)
    uneven = sorted((t, t + 0.02 + draw.expovariate(1 / 0.1)) for t in times(record, 60.0))
    silent = [(t, t + 0.02) for t in times(record, 120.0) if not 40.0 < t < 80.0]
    bench.run(60.0, {"dead-line": uneven})
    assert record.diagnosis == ""
    bench = Bench("light")
    bench.run(120.0, {"dead-line": silent})
    assert bench.records["dead-line"].diagnosis == ""


def test_messages_of_many_readings_do_not_pause_between_them() -> None:
    bench = Bench("light")
    record = bench.records["lever"]
    bench.run(90.0, {"lever": [(t, (t // 1.0 + 1.0) + 0.02) for t in times(record, 90.0)]})
    assert record.diagnosis == ""


@pytest.mark.parametrize(("name", "used"), [("lever", False), ("disc-left", True), ("accumulator", True)])
def test_with_a_time_the_delay_is_known_and_a_reading_serves_until_it_would_be_stale(name: str, used: bool) -> None:
    bench = Bench("land")
    record = bench.records[name]
    bench.run(80.0, {name: late(record, 80.0, 40.0, 1.5)})
    assert "1.5 s late" in record.diagnosis
    assert bench.validity(record.sensor.quantity) == (DEGRADED if used else INVALID)
    assert (bench.sensors.reasons.get(RejectReason.TOO_OLD, 0) == 0) == used


def test_a_delay_that_most_share_is_the_new_way_and_learned_again() -> None:
    bench = Bench("land")
    ways = {record.id: late(record, 120.0, 40.0, 2.0) for record in bench.sensors.records}
    bench.run(120.0, ways)
    assert [record.id for record in bench.sensors.records if record.diagnosis] == []
    assert bench.validity("brake_lever") == VALID
