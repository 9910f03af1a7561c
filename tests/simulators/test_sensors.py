"""Messages of the simulated sensors, read back with the pointers that the rig's file gives."""

import json
from typing import Any

import pytest

from monitor.config.rig import Rig
from monitor.config.rig_file import find_rig, shipped_rigs
from monitor.config.sensor import Sensor
from monitor.config.toml_file import validate
from monitor.core.sensors.decoder import Decoder
from monitor.model.quantities import QUANTITIES
from monitor.model.reading import Sample
from monitor.model.stream import Frame
from simulators.machine.plant import Plant
from simulators.machine.truth import Truth
from simulators.scenario.plant_source import DEFAULT_ORIGIN_NS, PlantSource
from simulators.scenario.scenario import find_scenario
from simulators.sensors.channel import READ, Channel, SourceClock

T0 = DEFAULT_ORIGIN_NS


def sensor_of(**fields: Any) -> Sensor:
    """A hook load sensor with some fields changed."""
    base: dict[str, Any] = {
        "id": "hook-load", "quantity": "hook_load", "unit": "kN", "rate_hz": 20, "stale_after_s": 1.0,
        "range": [-50, 4500], "sigma": 0,
    }  # fmt: skip
    return validate(Sensor, base | fields, "test")


def plant_and_rig(sensor: Sensor) -> tuple[Plant, Rig]:
    """A land rig at 20 m that has `sensor` in place of its hook load."""
    rig = find_rig("land")
    others = tuple(s for s in rig.sensors if s.quantity != sensor.quantity)
    rig = rig.model_copy(update={"sensors": (sensor, *others)})
    return Plant(rig, Truth.nominal(rig), 20.0), rig


def message_of(sensor: Sensor, batch: int = 1, offset_ns: int = 0) -> tuple[bytes, float]:
    """What the sensor sends, and the plant's hook load in kN."""
    plant, rig = plant_and_rig(sensor)
    channel = Channel(rig, sensor, SourceClock(T0, offset_ns), 1, 0.02, 0.0, batch)
    for i in range(batch):
        messages = channel.sample(plant, T0 + i * 50_000_000, i * 0.05)
    assert len(messages) == 1
    return messages[0].payload, plant.force_n / 1e3


def test_plain_number() -> None:
    payload, load = message_of(sensor_of())
    assert json.loads(payload) == pytest.approx(load, rel=0.02)


def test_ascii_number() -> None:
    payload, load = message_of(sensor_of(payload="ascii"))
    assert float(payload) == pytest.approx(load, rel=0.02)


def test_nested_pointers_with_escapes_and_arrays() -> None:
    sensor = sensor_of(value="/data/0/a~1b", time="/data/0/t", sequence="/n~0n", quality="/q", time_format="us")
    payload, load = message_of(sensor, offset_ns=250_000_000)
    message = json.loads(payload)
    assert message["data"][0]["a/b"] == pytest.approx(load, rel=0.02)
    assert message["data"][0]["t"] == (T0 + 250_000_000) // 1000
    assert message["n~n"] == 1
    assert message["q"] == "good"


@pytest.mark.parametrize("form", ["s", "ms", "us", "ns", "iso8601"])
def test_every_time_format_is_read_back_by_the_monitor(form: str) -> None:
    sensor = sensor_of(value="/v", time="/t", time_format=form)
    payload, _ = message_of(sensor)
    _, rig = plant_and_rig(sensor)
    found = list(Decoder(rig).decode(Frame(T0, rig.topic(sensor), payload)))
    assert len(found) == 1
    assert isinstance(found[0], Sample)
    assert found[0].source_t_ns == pytest.approx(T0, abs=1_100_000)


def test_batches_are_arrays_that_the_monitor_reads_back() -> None:
    sensor = sensor_of(value="/v", time="/t")
    payload, load = message_of(sensor, batch=5)
    assert len(json.loads(payload)["v"]) == 5
    _, rig = plant_and_rig(sensor)
    found = list(Decoder(rig).decode(Frame(T0, rig.topic(sensor), payload)))
    values = [sample.value for sample in found if isinstance(sample, Sample)]
    assert values == pytest.approx([load * 1e3] * 5, rel=0.02)


def test_counts_wrap_at_their_bits_and_follow_the_sense() -> None:
    rig = find_rig("land")
    drum = next(s for s in rig.sensors if s.quantity == "drum_counts")
    for bits, sense in ((16, 1), (32, -1)):
        sensor = drum.model_copy(update={"bits": bits, "sense": sense})
        plant = Plant(rig, Truth.nominal(rig), 30.0)
        channel = Channel(rig, sensor, SourceClock(T0), 1, 0.0, 0.0, 1)
        first = json.loads(channel.sample(plant, T0, 0.0)[0].payload)["value"]
        plant.turns += 1.0
        second = json.loads(channel.sample(plant, T0, 0.0)[0].payload)["value"]
        assert 0 <= first < 2**bits
        assert (second - first) * sense % 2**bits == pytest.approx(4096, abs=2)


def test_every_quantity_of_the_shipped_rigs_can_be_simulated() -> None:
    """The monitor may know kinds of readings that the simulated rig has no truth for; its scenarios then refuse in words."""
    assert set(READ) <= set(QUANTITIES)
    assert {sensor.quantity for name in shipped_rigs() for sensor in find_rig(name).sensors} <= set(READ)


@pytest.mark.parametrize("name", sorted(shipped_rigs()))
def test_the_monitor_refuses_nothing_of_a_healthy_rig(name: str) -> None:
    rig = find_rig(name)
    scenario = find_scenario("calm-trip").model_copy(update={"work": find_scenario("calm-trip").work})
    decoder = Decoder(rig)
    seen: set[int] = set()
    for frame in PlantSource(rig, scenario, 2, duration_s=20.0):
        for item in decoder.decode(frame):
            assert isinstance(item, Sample)
            seen.add(item.sensor)
    assert seen == set(range(len(rig.sensors)))


def test_same_seed_same_bytes_and_another_seed_another_rig() -> None:
    rig, scenario = find_rig("land"), find_scenario("clumsy-trip")
    one = [(f.t_ns, f.topic, f.payload) for f in PlantSource(rig, scenario, 4, duration_s=30.0)]
    two = [(f.t_ns, f.topic, f.payload) for f in PlantSource(rig, scenario, 4, duration_s=30.0)]
    other = [(f.t_ns, f.topic, f.payload) for f in PlantSource(rig, scenario, 5, duration_s=30.0)]
    assert one == two
    assert one != other
    assert [t for t, _, _ in one] == sorted(t for t, _, _ in one)
