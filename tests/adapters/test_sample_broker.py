"""The shipped broker configuration: it starts as its comment says, and the monitor's user can read and nothing else."""

import asyncio
import os
import re
import subprocess
from collections.abc import Iterator
from pathlib import Path

import aiomqtt
import pytest

from monitor.adapters.address import parse_broker_url
from monitor.adapters.clock import StreamClock
from monitor.adapters.mqtt import MqttSource
from monitor.configfile import config_root
from tests.broker import command, free_port, until, wait_until


@pytest.fixture
def prepared(tmp_path: Path, certificates: object, make_broker: object) -> Iterator[tuple[Path, int]]:
    """A folder made by the shipped script, and the port of a broker that runs from it.

    The other fixtures are named for what they need: openssl and mosquitto.
    """
    folder = tmp_path / "broker"
    script = config_root() / "broker" / "prepare.sh"
    path = os.pathsep.join((os.environ["PATH"], "/usr/sbin", "/usr/local/sbin"))
    subprocess.run(
        ["sh", script, folder, "localhost"], check=True, env={**os.environ, "PATH": path}, capture_output=True
    )
    config, port = folder / "mosquitto.conf", free_port()
    text = config.read_text(encoding="utf-8").replace("listener 8883", f"listener {port} 127.0.0.1")
    if os.geteuid() == 0:
        text += "user root\n"  # else it gives up its rights, and with them the files of the test
    config.write_text(text, encoding="utf-8")
    with (tmp_path / "log").open("wb") as log:
        process = subprocess.Popen([command("mosquitto"), "-v", "-c", config], stdout=log, stderr=log)
    try:
        running = re.compile(r"mosquitto version .* running")
        wait_until(lambda: bool(running.search((tmp_path / "log").read_text("utf-8"))), "the broker runs")
        yield folder, port
    finally:
        process.terminate()
        process.wait(15)


async def test_the_monitor_reads_and_cannot_write(prepared: tuple[Path, int]) -> None:
    folder, port = prepared
    url = f"mqtts://localhost:{port}"
    heard: list[tuple[str, bytes]] = []
    states: list[tuple[bool, str]] = []
    source = MqttSource(
        parse_broker_url(url, {}, folder / "monitor.toml"),
        ["rig/land/hoist/drum"],
        StreamClock.live(),
        lambda t_ns, topic, payload, retained: heard.append((topic, payload)),
        lambda *state: states.append(state),
    )
    task = asyncio.create_task(source.run())
    await until(lambda: source.connections == 1, f"a connection: {states}")
    for user, payload in (("monitor", b"a command"), ("sensors", b"a reading")):
        login = parse_broker_url(url, {}, folder / f"{user}.toml")
        async with aiomqtt.Client(
            login.host, login.port, username=login.user, password=login.password, tls_context=login.tls_context()
        ) as client:
            await client.publish("rig/land/hoist/drum", payload, qos=1)
    await until(lambda: heard != [], "the reading")
    assert heard == [("rig/land/hoist/drum", b"a reading")]
    task.cancel()
    await asyncio.wait([task])


def test_secrets_are_for_their_owner_alone(prepared: tuple[Path, int]) -> None:
    folder, _ = prepared
    for path in folder.iterdir():
        assert path.stat().st_mode & 0o077 == 0, path.name
    word = re.findall(r'password = "(\w+)"', (folder / "monitor.toml").read_text("utf-8"))[0]
    assert len(word) == 32
    assert word not in (folder / "passwords").read_text("utf-8")
