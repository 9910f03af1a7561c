"""A Sparkplug node that is not ours, through a real broker: what it sends is read, its death is noticed, and a recording of it
replays to the same findings."""

import asyncio
import contextlib
import math
import time
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import pytest

from monitor.adapters.host.clock import StreamClock
from monitor.adapters.mqtt.address import parse_broker_url
from monitor.adapters.sessions.reader import SessionReader
from monitor.adapters.sessions.recorder import Recorder
from monitor.commands.check import _survey
from monitor.config.rig import Rig
from monitor.config.rules_file import default_rules_path
from monitor.config.toml_file import read_text
from monitor.model.snapshot import SensorView
from monitor.runtime.assembly import header_of
from monitor.runtime.live import LiveDriver
from monitor.runtime.replay import ReplayDriver
from tests.support.broker import Certificates, Mosquitto, until
from tests.support.sparkplug import DEVICE, GROUP, NODE, load_sensor, rig_with
from tests.support.sparkplug_node import SparkplugNode

MakeNode = Callable[..., SparkplugNode]
LOAD, OIL, LEVER = "Hoist/Hook load", "Hoist/Oil pressure", "Hoist/Lever"


def a_rig() -> Rig:
    """Sensors of several types: a hook load in kN, a pressure and a lever."""
    load = load_sensor()
    oil = load_sensor(metric=OIL).model_copy(
        update={"id": "oil", "quantity": "service_pressure_1", "unit": "bar", "range": (-40.0, 250.0)}
    )
    lever = load_sensor(metric=LEVER).model_copy(
        update={"id": "lever", "quantity": "brake_lever", "unit": "percent", "range": (-5.0, 105.0)}
    )
    return rig_with(*(sensor.model_copy(update={"stale_after_s": 30.0}) for sensor in (load, oil, lever)))


def metric(name: str | None, kind: str, value: float, **more: Any) -> dict[str, Any]:
    named = {} if name is None else {"name": name}
    return {"type": kind, "value": value, "timestamp": int(time.time() * 1000), **named, **more}


def birth(node: SparkplugNode, first_alias: int) -> None:
    node.publish("NodeBirth", {"timestamp": int(time.time() * 1000), "metrics": []})
    rows = ((LOAD, "Float", 100.0), (OIL, "Int16", -5.0), (LEVER, "UInt32", 7.0))
    metrics = [metric(name, kind, value, alias=first_alias + i) for i, (name, kind, value) in enumerate(rows)]
    node.publish("DeviceBirth", DEVICE, {"timestamp": int(time.time() * 1000), "metrics": metrics})


def data(node: SparkplugNode, *metrics: dict[str, Any]) -> None:
    node.publish("DeviceData", DEVICE, {"timestamp": int(time.time() * 1000), "metrics": list(metrics)})


@contextlib.asynccontextmanager
async def watching(rig: Rig, url: str, session: Path, credentials: Path | None = None) -> AsyncIterator[LiveDriver]:
    rules_path = default_rules_path()
    rules, clock = read_text(rules_path), StreamClock.live()
    with Recorder(session, header_of(rig, rules, "SIMULATED", clock.now_ns())) as recorder:
        address = parse_broker_url(url, {}, credentials)
        driver = LiveDriver(rig, rules, str(rules_path), address, clock, "SIMULATED", recorder)
        task = asyncio.create_task(driver.run())
        try:
            await until(lambda: driver.runner.connected is True, "a connection")
            yield driver
        finally:
            driver.stop()
            await task


def sensor(driver: LiveDriver, name: str) -> SensorView:
    return next(view for view in driver.core.snapshot().sensors if view.id == name)


def reads(driver: LiveDriver, name: str, number: float) -> Callable[[], bool]:
    return lambda: math.isclose(sensor(driver, name).value.number, number, rel_tol=1e-6)


async def a_life(rig: Rig, url: str, nodes: MakeNode, session: Path, **secrets: Path) -> None:
    """Births, data, a power cut, another life with other aliases; and the same again from the recording."""
    ca = secrets.get("ca")
    async with watching(rig, url, session, secrets.get("credentials")) as driver:
        node = await asyncio.to_thread(nodes, url, GROUP, NODE, ca)
        await asyncio.to_thread(birth, node, 10)
        await until(reads(driver, "oil", -5e5), "the first values of a birth, signed ones too")
        await asyncio.to_thread(
            data, node, metric(None, "Float", 120.0, alias=10), metric(None, "UInt32", 60, alias=12)
        )
        await until(reads(driver, "w", 120_000.0), "a float by its alias")
        await until(reads(driver, "lever", 0.6), "an unsigned number by its alias")
        await asyncio.to_thread(data, node, metric(None, "Int16", -12, alias=11), metric(LOAD, "Double", 90.5))
        await until(reads(driver, "oil", -12e5), "a signed number by its alias")
        await until(reads(driver, "w", 90_500.0), "a double by its name")
        node.kill()
        await until(lambda: sensor(driver, "w").stale, "the death")
        assert "went away" in sensor(driver, "w").diagnosis
        assert sensor(driver, "oil").stale
        node = await asyncio.to_thread(nodes, url, GROUP, NODE, ca)
        await asyncio.to_thread(birth, node, 11)
        await until(reads(driver, "w", 100_000.0), "the first value of another life")
        await asyncio.to_thread(data, node, metric(None, "Float", 77.0, alias=11))
        await until(reads(driver, "w", 77_000.0), "a reading under another alias")
        assert driver.core.decoder.missing == 0
    with SessionReader(session) as reader:
        said = reader.findings()
        again: list[Any] = []
        ReplayDriver(reader, math.inf, [again.append]).play_out()
        assert again == said
        assert any(found.key == f"source:{GROUP}/{NODE}" for found in said)
        # A later moment alone: the births are in the checkpoint.
        middle = ReplayDriver(reader, math.inf, from_ns=reader.end_ns - 1_000_000)
        assert middle.core.snapshot().sensors[1].value.known


async def test_a_node_lives_dies_and_lives_again(broker: Mosquitto, sparkplug_nodes: MakeNode, tmp_path: Path) -> None:
    await a_life(a_rig(), broker.url, sparkplug_nodes, tmp_path / "a.stopmark")


async def test_the_same_through_tls(
    make_broker: Callable[..., Mosquitto], certificates: Certificates, sparkplug_nodes: MakeNode, tmp_path: Path
) -> None:
    broker = make_broker(tls=certificates)
    secrets = tmp_path / "secrets.toml"
    secrets.write_text(f'ca = "{certificates.ca}"\n', encoding="utf-8")
    secrets.chmod(0o600)
    await a_life(
        a_rig(), broker.tls_url, sparkplug_nodes, tmp_path / "a.stopmark", ca=Path(certificates.ca), credentials=secrets
    )


async def test_check_lists_what_a_node_sends_and_proposes_tables(
    broker: Mosquitto, sparkplug_nodes: MakeNode, capsys: pytest.CaptureFixture[str]
) -> None:
    async def send() -> None:
        await until(lambda: "Received SUBSCRIBE from stopmark-" in broker.text(), "the listener")
        node = await asyncio.to_thread(sparkplug_nodes, broker.url, GROUP, NODE)
        await asyncio.to_thread(birth, node, 10)
        for place in range(10):
            await asyncio.to_thread(data, node, metric(None, "Float", 100.0 + place, alias=10))

    sending = asyncio.create_task(send())
    assert await _survey(a_rig(), parse_broker_url(broker.url, {}), 8.0) == 0
    await sending
    said = capsys.readouterr().out
    assert f"node {GROUP}/{NODE}, device {DEVICE}: birth " in said
    assert 'quantity = "hook_load"' in said
    assert f'metric = "{LOAD}", type = "Float", birth = "' in said
    assert "alias = 10 }" in said
    # The rest is not passed over, and a rate is that of the time in which it came, not of all the time.
    (rest,) = [line for line in said.splitlines() if line.startswith("# sparkplug = ") and f'"{LEVER}"' in line]
    assert "; 7 to 7 came" in rest
    rate_hz = float(next(line for line in said.splitlines() if line.startswith("rate_hz = ")).split()[-1])
    assert rate_hz > 2 * 10 / 8.0
    assert f"'0 {LOAD}" not in said
