"""The shipped broker configuration: it starts as its comment says, and the monitor's user can read and nothing else."""

import asyncio
import os
import re
import socket
import subprocess
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import aiomqtt
import pytest

from monitor.adapters.host.clock import StreamClock
from monitor.adapters.mqtt.address import parse_broker_url
from monitor.adapters.mqtt.source import MqttSource
from monitor.config.toml_file import config_root
from tests.support.broker import SampleBroker, command, free_port, until, wait_until
from tests.support.sender import hello


@pytest.fixture
def prepared(tmp_path: Path, certificates: object, make_broker: object) -> Iterator[tuple[Path, int]]:
    """A folder made by the shipped script, and the port of a broker that runs from it.

    The other fixtures are named for what they need: openssl and mosquitto.
    """
    broker = SampleBroker(tmp_path / "broker").start()
    try:
        yield broker.folder, broker.port
    finally:
        broker.stop()


async def test_the_monitor_reads_and_cannot_write(prepared: tuple[Path, int]) -> None:
    folder, port = prepared
    url = f"mqtts://localhost:{port}"
    heard: list[tuple[str, bytes]] = []
    states: list[tuple[bool, str]] = []
    source = MqttSource(
        parse_broker_url(url, {}, folder / "monitor.toml"),
        ["rig/land/hoist/drum"],
        StreamClock.live(),
        lambda frame: heard.append((frame.topic, frame.payload)),
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
    for path in set(folder.iterdir()) - {folder / "mosquitto.log"}:
        assert path.stat().st_mode & 0o077 == 0, path.name
    word = re.findall(r'password = "(\w+)"', (folder / "monitor.toml").read_text("utf-8"))[0]
    assert len(word) == 32
    assert word not in (folder / "passwords").read_text("utf-8")


def test_the_two_commands_of_its_comment_start_it_as_any_user_may(certificates: object, make_broker: object) -> None:
    script = config_root() / "broker" / "prepare.sh"
    shown = [line[1:].strip() for line in script.read_text("utf-8").splitlines() if line.startswith("#     ")]
    assert shown == ["sh prepare.sh FOLDER HOST", "mosquitto -c FOLDER/mosquitto.conf"]
    with TemporaryDirectory() as name:
        top = Path(name)
        top.chmod(0o755)  # the broker gives up the superuser's rights, and still has to get there
        folder = top / "broker"
        bare = {"PATH": "/usr/bin:/bin"}  # where an ordinary user's shell looks
        first, second = (line.replace("FOLDER", str(folder)).replace("HOST", "127.0.0.1") for line in shown)
        done = subprocess.run(first, shell=True, cwd=script.parent, env=bare, capture_output=True, text=True)
        assert done.returncode == 0, done.stderr
        start = done.stdout.strip().rpartition("Start the broker: ")[2]
        assert start.endswith(second)
        config, port = folder / "mosquitto.conf", free_port()
        text = config.read_text(encoding="utf-8").replace("listener 8883", f"listener {port} 127.0.0.1")
        config.write_text(text, encoding="utf-8")
        with (top / "log").open("wb") as log:
            process = subprocess.Popen(start.split(), env=bare, stdout=log, stderr=log)
        try:
            said = (top / "log").read_text
            wait_until(lambda: bool(re.search(r"mosquitto version .* running", said("utf-8"))), "the broker runs")
            login = parse_broker_url(f"mqtts://127.0.0.1:{port}", {}, folder / "monitor.toml")
            context = login.tls_context()
            assert context is not None
            with (
                socket.create_connection(("127.0.0.1", port), 5) as bare_link,
                context.wrap_socket(bare_link, server_hostname="127.0.0.1") as secure,
            ):
                secure.sendall(hello("any", login.user, login.password))
                assert secure.recv(4) == b"\x20\x02\x00\x00"
        finally:
            process.terminate()
            process.wait(15)


def test_what_is_missing_is_said(tmp_path: Path) -> None:
    script = config_root() / "broker" / "prepare.sh"
    shell = command("sh")
    tools = tmp_path / "tools"
    tools.mkdir()
    done = subprocess.run([shell, script, tmp_path / "broker"], capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (2, "usage: sh prepare.sh FOLDER HOST\n")
    done = subprocess.run(
        [shell, script, tmp_path / "broker", "localhost"], env={"PATH": str(tools)}, capture_output=True, text=True
    )
    assert done.returncode == 1
    assert "openssl is missing: apt-get install" in done.stderr


def test_the_sample_unit_hands_its_service_what_this_broker_asks_for(
    prepared: tuple[Path, int], tmp_path: Path
) -> None:
    """By its own lines only: those that install, and those that load credentials."""
    folder, port = prepared
    unit = (config_root() / "systemd" / "stopmark-record.service").read_text("utf-8")
    (copied,) = re.findall(r"install -m 0600 -t /etc/stopmark (.+)", unit)
    installed = {f"/etc/stopmark/{Path(name).name}": folder / Path(name).name for name in copied.split()}
    shown = tmp_path / "credentials"
    shown.mkdir()
    for name, source in re.findall(r"^LoadCredential=([^:]+):(.+)$", unit, re.MULTILINE):
        (shown / name).write_bytes(installed[source].read_bytes())
        (shown / name).chmod(0o400)  # as systemd hands them over
    (used,) = re.findall(r"--credentials \$\{CREDENTIALS_DIRECTORY\}/(\S+)", unit)
    login = parse_broker_url(f"mqtts://localhost:{port}", {}, shown / used)
    assert login.user == "monitor"
    assert login.cert == shown / "monitor.pem"


def prepare(folder: Path, host: str) -> subprocess.CompletedProcess[str]:
    script = config_root() / "broker" / "prepare.sh"
    return subprocess.run([command("sh"), script, folder, host], capture_output=True, text=True, timeout=60)


@pytest.mark.parametrize("host", ["", "two words", "[::1]", "a/b", "mqtts://rig", "*"])
def test_what_is_no_host_is_refused_in_words(
    tmp_path: Path, certificates: object, make_broker: object, host: str
) -> None:
    done = prepare(tmp_path / "broker", host)
    assert done.returncode == 2
    assert "is no name and no address of a host" in done.stderr
    assert not (tmp_path / "broker").exists()


def test_any_folder_and_any_length_of_name_will_do(tmp_path: Path, certificates: object, make_broker: object) -> None:
    folder = tmp_path / "a & b|c"
    done = prepare(folder, "a" * 60 + ".rig.example")  # longer than the common name of a certificate may be
    assert done.returncode == 0, done.stderr
    assert f"certfile {folder}/server.pem" in (folder / "mosquitto.conf").read_text("utf-8")
    reported = subprocess.run(
        [command("openssl"), "x509", "-in", folder / "server.pem", "-noout", "-ext", "subjectAltName"],
        capture_output=True, text=True,
    )  # fmt: skip
    assert f"DNS:{'a' * 60}.rig.example" in reported.stdout


def test_a_folder_that_the_broker_will_not_get_into_is_told(
    tmp_path: Path, certificates: object, make_broker: object
) -> None:
    tmp_path.chmod(0o700)
    done = prepare(tmp_path / "broker", "localhost")
    assert done.returncode == 0
    changes = os.geteuid() == 0 and subprocess.run(["id", "mosquitto"], capture_output=True).returncode == 0
    assert ("the user mosquitto cannot get into" in done.stderr) == changes


def test_what_openssl_refuses_is_shown(tmp_path: Path, certificates: object, make_broker: object) -> None:
    tools = tmp_path / "openssl"
    tools.write_text("#!/bin/sh\necho openssl is out of order >&2\nexit 1\n")
    tools.chmod(0o755)
    script = config_root() / "broker" / "prepare.sh"
    done = subprocess.run(
        [command("sh"), script, tmp_path / "broker", "localhost"], env={"PATH": f"{tmp_path}:{os.environ['PATH']}"},
        capture_output=True, text=True,
    )  # fmt: skip
    assert done.returncode != 0
    assert "openssl is out of order" in done.stderr
