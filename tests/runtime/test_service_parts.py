"""The parts of a service, each by itself."""

import asyncio
import configparser
import contextlib
import json
import logging
import math
import os
import re
import shutil
import socket
import subprocess
from argparse import ArgumentParser, ArgumentTypeError
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.adapters.host import metrics_endpoint
from monitor.adapters.host.clock import StreamClock
from monitor.adapters.host.logs import MOST_WAITING, JsonLines, ServiceLog
from monitor.adapters.host.service_manager import Notifier
from monitor.adapters.mqtt.address import BrokerUrl, parse_broker_url
from monitor.adapters.mqtt.source import MqttSource
from monitor.adapters.sessions.segments import Retention
from monitor.commands import record, watch
from monitor.commands.common import arguments
from monitor.config.rig_file import find_rig
from monitor.config.rules_file import default_rules_path
from monitor.config.toml_file import read_text
from monitor.model.stream import Frame
from monitor.runtime import live
from monitor.runtime.live import LiveDriver
from monitor.runtime.service import FindingLog, Service
from tests.runtime.test_service_figures import asked
from tests.support.broker import GRACE_S, Certificates, until, wait_until

ROOT = Path(__file__).parents[2]


# --- the service manager ------------------------------------------------------------------------------------------------


@contextlib.contextmanager
def listening(address: str) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as wire:
        wire.bind("\0" + address[1:] if address.startswith("@") else address)
        wire.settimeout(10.0)
        yield wire


def waiting(wire: socket.socket) -> list[bytes]:
    """What has come and was not read yet."""
    found: list[bytes] = []
    with contextlib.suppress(BlockingIOError):
        while True:
            found.append(wire.recv(1000))
    return found


@pytest.mark.parametrize("abstract", [False, True])
def test_words_reach_the_service_manager(tmp_path: Path, abstract: bool) -> None:
    address = f"@stopmark-test-{os.getpid()}" if abstract else str(tmp_path / "notify")
    with listening(address) as wire:
        notifier = Notifier({"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "30000000", "WATCHDOG_PID": str(os.getpid())})
        assert notifier.listens
        assert notifier.watchdog_s == 30.0
        assert notifier.ready()
        notifier.status("well\nREADY=1\x1b[31m")
        notifier.status("well\nREADY=1\x1b[31m")  # not twice
        notifier.alive()
        notifier.stopping()
        reported = [wire.recv(1000) for _ in range(4)]
        assert reported == [b"READY=1", b"STATUS=well READY=1 [31m", b"WATCHDOG=1", b"STOPPING=1"]
        notifier.close()


def test_readiness_is_said_again_when_it_did_not_get_through(tmp_path: Path) -> None:
    with listening(str(tmp_path / "notify")) as wire:
        notifier = Notifier({"NOTIFY_SOCKET": str(tmp_path / "notify")})
        while notifier.ready():  # nobody reads: there is an end to what the system holds
            pass
        notifier.status("waiting")
        wire.setblocking(False)
        assert set(waiting(wire)) == {b"READY=1"}
        assert notifier.ready()
        notifier.status("waiting")
        assert [wire.recv(1000), wire.recv(1000)] == [b"READY=1", b"STATUS=waiting"]
        notifier.close()


@pytest.mark.parametrize(
    "environment",
    [
        {},
        {"NOTIFY_SOCKET": ""},
        {"NOTIFY_SOCKET": "vsock:2:1234"},
        {"NOTIFY_SOCKET": "/nowhere/at/all"},
        {"WATCHDOG_USEC": "1000000"},
    ],
)
def test_without_a_service_manager_nothing_is_said(environment: dict[str, str]) -> None:
    notifier = Notifier(environment)
    assert not notifier.listens
    assert notifier.watchdog_s is None
    assert notifier.ready()
    notifier.alive()
    notifier.close()


@pytest.mark.parametrize("environment", [{"WATCHDOG_PID": "1"}, {"WATCHDOG_USEC": "soon"}, {"WATCHDOG_USEC": "0"}])
def test_a_watchdog_meant_for_another_process_is_none(tmp_path: Path, environment: dict[str, str]) -> None:
    with listening(str(tmp_path / "notify")):
        given = {"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "1000000"} | environment
        notifier = Notifier(given)
        assert notifier.watchdog_s is None
        notifier.close()


def test_a_monitor_that_stands_still_gives_no_sign_of_life(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Stream time is what counts: a loop that turns while the monitor's timer has died must not look alive."""
    rules = Path(default_rules_path())
    url = parse_broker_url("mqtt://127.0.0.1:1", {})
    driver = LiveDriver(find_rig("land"), read_text(rules), str(rules), url, StreamClock.live())
    with listening(str(tmp_path / "notify")) as wire, ServiceLog(tmp_path / "log", 10_000, 1) as log:
        notifier = Notifier({"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "9000000"})
        service = Service(driver, FindingLog(), log, notifier)
        wire.setblocking(False)
        times = iter(range(0, 10_000, 10))
        monkeypatch.setattr("monitor.runtime.service.time.monotonic", lambda: float(next(times)))

        def said() -> list[bytes]:
            service._poll()
            return waiting(wire)

        assert said() == []  # not started: not ready
        driver.runner.health(1_700_000_000_000_000_000)
        assert said()[-2:] == [b"READY=1", b"WATCHDOG=1"]
        assert said() == []
        assert said() == []
        driver.runner.advance(1_700_000_001_000_000_000)
        assert said()[-1:] == [b"WATCHDOG=1"]
        notifier.close()


# --- the log ------------------------------------------------------------------------------------------------------------


def lines_of(path: Path) -> list[dict[str, object]]:
    return [json.loads(line) for line in path.read_text().splitlines()]


def test_a_line_of_the_log_is_one_object_and_inert(tmp_path: Path) -> None:
    log = logging.getLogger("monitor.test")
    with ServiceLog(tmp_path / "log", 1 << 20, 2, ["s3cret"]):
        log.warning(
            "two\nlines, \x1b[31mred, %s", "s3cret", extra={"key": "a:b", "number": float("nan"), "who": "s3cret!"}
        )
        try:
            raise ValueError("s3cret in an error")
        except ValueError:
            log.exception("it failed")
    text = (tmp_path / "log").read_text()
    assert "s3cret" not in text
    assert "\x1b" not in text
    first, second = lines_of(tmp_path / "log")
    assert str(first.pop("time")).endswith("+00:00")
    assert first == {
        "level": "warning", "logger": "monitor.test", "message": "two\nlines, \x1b[31mred, ***",
        "fields": {"key": "a:b", "number": None, "who": "***!"},
    }  # fmt: skip
    assert second["level"] == "error"
    assert str(second["error"]).endswith("ValueError: *** in an error")


def test_the_log_is_rotated_by_size(tmp_path: Path) -> None:
    with ServiceLog(tmp_path / "log", 2_000, 2):
        for number in range(100):
            logging.getLogger("monitor.test").info("line %d", number)
    files = sorted(tmp_path.iterdir())
    assert [file.name for file in files] == ["log", "log.1", "log.2"]
    assert all(0 < file.stat().st_size <= 2_000 for file in files)
    kept = [str(line["message"]) for file in reversed(files) for line in lines_of(file)]
    assert kept == [f"line {number}" for number in range(100 - len(kept), 100)]


def test_lines_that_cannot_be_written_are_counted_and_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    log = logging.getLogger("monitor.test")
    with ServiceLog(tmp_path / "log", 1 << 20, 2) as service_log:
        log.info("before")
        wait_until(lambda: (tmp_path / "log").read_text() != "", "the first line")
        with monkeypatch.context() as patch:
            patch.setattr(JsonLines, "format", lambda *_: (_ for _ in ()).throw(OSError(28, "No space left on device")))
            log.info("never")
            log.info("never")
            wait_until(lambda: service_log.lost == 2, "the loss")
        log.info("after")
    reported = [line["message"] for line in lines_of(tmp_path / "log")]
    assert reported == ["before", "after", "2 lines of this log could not be written"]


def test_a_log_that_nobody_takes_never_holds_up_whoever_logs(tmp_path: Path) -> None:
    log = ServiceLog(tmp_path / "log", 1 << 20, 2)
    log._thread = type(log._thread)(target=lambda: None)  # whoever should write has died
    with log:
        for _ in range(MOST_WAITING + 7):
            logging.getLogger("monitor.test").info("more")
        assert log.lost == 7
        log._lines.get()


def test_the_journal_gets_the_level_of_each_line() -> None:
    record_ = logging.makeLogRecord({"msg": "hot", "levelno": logging.WARNING, "levelname": "WARNING"})
    text = JsonLines(journal=True).format(record_)
    assert text.startswith("<4>{")
    assert json.loads(text[3:])["message"] == "hot"


# --- how long sessions stay ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        ([], Retention()),
        (["--keep-days", "none", "--keep-share", "none", "--keep-free", "none"], Retention(None, None, None)),
        (["--keep-days", "0.5", "--keep-share", "20%", "--keep-free", "2GB"], Retention(0.5, 0.2, 2_000_000_000)),
        (["--keep-share", "100", "--keep-free", "1.5tb"], Retention(90.0, 1.0, 1_500_000_000_000)),
    ],
)
@pytest.mark.parametrize("command", [watch, record])
def test_bounds_on_what_is_kept(command: object, words: list[str], expected: Retention) -> None:
    parser = ArgumentParser()
    command.add_arguments(parser)  # type: ignore[attr-defined]
    args = parser.parse_args(["--rig", "land", "--broker", "mqtt://h", *words])
    assert arguments.retention_of(args) == expected


@given(st.text(max_size=12))
def test_a_bound_is_a_number_above_zero_or_refused(text: str) -> None:
    for read in (arguments.days, arguments.share, arguments.size):
        taken = math.nan
        try:
            taken = arguments.bound(read)(text)
        except ArgumentTypeError as error:
            words = str(error)
        assert taken > 0.0 or "nor none" in words


def test_help_says_what_happens_to_sessions_that_somebody_may_miss() -> None:
    for command in (watch, record):
        parser = ArgumentParser()
        command.add_arguments(parser)
        words = " ".join(parser.format_help().split())
        assert "flagged, or held findings that nobody had acknowledged, is removed only with a warning" in words


def test_help_names_every_way_to_give_a_password() -> None:
    parser = ArgumentParser()
    record.add_arguments(parser)
    for name in ("STOPMARK_MQTT_USER", "STOPMARK_MQTT_PASSWORD", "STOPMARK_MQTT_PASSWORD_FILE"):
        assert re.search(rf"\b{name}\b", parser.format_help()), name


# --- the sample unit ----------------------------------------------------------------------------------------------------

UNIT = ROOT / "config/systemd/stopmark-record.service"


def unit() -> configparser.ConfigParser:
    parser = configparser.ConfigParser(strict=False, interpolation=None)
    parser.optionxform = str  # type: ignore[assignment,method-assign]  # names are told apart by case
    parser.read_string(UNIT.read_text().replace("\\\n", " "))
    return parser


def test_the_sample_unit_is_hardened_and_starts_a_command_that_is_understood() -> None:
    service = unit()["Service"]
    assert service["Type"] == "notify"
    assert service["Restart"] == "on-failure"
    assert int(service["WatchdogSec"]) >= 10
    for name in (
        "NoNewPrivileges", "ProtectHome", "PrivateTmp", "PrivateDevices", "ProtectKernelTunables", "MemoryDenyWriteExecute",
        "RestrictNamespaces", "LockPersonality",
    ):  # fmt: skip
        assert service[name] == "yes"
    assert service["ProtectSystem"] == "strict"
    assert service["CapabilityBoundingSet"] == ""
    assert unit()["Unit"]["StartLimitIntervalSec"] == "0"
    assert service["LimitCORE"] == "0"
    assert service["User"] not in ("", "root")
    words = service["ExecStart"].replace("%%", "%").split()
    assert words[1] == "record"
    parser = ArgumentParser()
    record.add_arguments(parser)
    args = parser.parse_args(words[2:])
    assert args.data == f"/var/lib/{service['StateDirectory']}"
    assert metrics_endpoint.is_loopback(args.metrics[0])
    assert arguments.retention_of(args) == Retention(90.0, 0.5, 2_000_000_000)
    assert f"LoadCredential={args.credentials.removeprefix('${CREDENTIALS_DIRECTORY}/')}:" in UNIT.read_text()


def test_systemd_finds_nothing_wrong_with_the_sample_unit(tmp_path: Path) -> None:
    """By its own checker where there is one; what the checker wants of a file is held everywhere."""
    text = UNIT.read_text()
    for line in text.replace("\\\n", " ").splitlines():
        assert not line or line.startswith(("#", "[")) or line.partition("=")[0].isalnum(), line
    checker = shutil.which("systemd-analyze")
    if checker:
        copy = tmp_path / UNIT.name
        copy.write_text(text.replace("/opt/stopmark/bin/stopmark", "/bin/true"))
        done = subprocess.run([checker, "verify", str(copy)], capture_output=True, text=True, timeout=60)
        assert (done.returncode, done.stderr) == (0, "")


async def test_the_service_answers_while_it_runs(tmp_path: Path) -> None:
    """In the loop: the page is there before the broker is, and gone after the end."""
    rules = Path(default_rules_path())
    url = parse_broker_url("mqtt://127.0.0.1:1", {})
    driver = LiveDriver(find_rig("land"), read_text(rules), str(rules), url, StreamClock.live())
    with ServiceLog(tmp_path / "log", 1 << 20, 2) as log:
        service = Service(driver, FindingLog(), log, Notifier({}), ("127.0.0.1", 0))
        running = asyncio.create_task(service.run(None, {}))
        assert service.endpoint is not None
        await until(lambda: driver.core.now_ns > 0, "the start")
        answer = await asked(service.endpoint.port, b"GET /metrics HTTP/1.1\r\n\r\n")
        assert b'\nstopmark_connected{rig="land"} 0\n' in answer
        assert b'\nstopmark_recording{rig="land"} 0\n' in answer
        assert service.words().startswith("not connected (")
        driver.stop()
        await running
        service.ended("test")
    assert lines_of(tmp_path / "log")[-1]["message"] == "stopped (test)"


async def test_a_stop_ends_the_run_though_the_library_swallows_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """`asyncio.wait_for` of Python 3.11 does, when what it waits for has come at that very moment."""
    words: list[str] = []

    async def deaf(_source: MqttSource) -> None:
        while len(words) < 2:
            try:
                await asyncio.sleep(3600.0)
            except asyncio.CancelledError:
                words.append("stop")

    monkeypatch.setattr(MqttSource, "run", deaf)
    monkeypatch.setattr(live, "_CANCEL_AGAIN_S", 0.01)
    rules = Path(default_rules_path())
    url = parse_broker_url("mqtt://127.0.0.1:1", {})
    driver = LiveDriver(find_rig("land"), read_text(rules), str(rules), url, StreamClock.live())
    running = asyncio.create_task(driver.run())
    await until(lambda: driver.core.now_ns > 0, "the start")
    driver.stop()
    await asyncio.wait_for(running, GRACE_S)
    assert words == ["stop", "stop"]


async def test_garbage_is_collected_while_no_message_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    """Among all objects it takes a tenth of a second in a flood, in which the rules would wait."""
    rules = Path(default_rules_path())
    url = parse_broker_url("mqtt://127.0.0.1:1", {})
    driver = LiveDriver(find_rig("land"), read_text(rules), str(rules), url, StreamClock.live())
    source = MqttSource(url, [], StreamClock.live(), lambda _: None, lambda *_: None)
    source._inbox.put([Frame(1, "rig/land/hoist/drum", b"1")])
    looks = 0
    collected = []

    async def pause(_: float) -> None:
        nonlocal looks
        looks += 1
        if looks == 50:
            source._inbox.take()
        if looks == 53:
            raise asyncio.CancelledError

    monkeypatch.setattr(live.gc, "collect", lambda: collected.append(looks))
    monkeypatch.setattr(live.asyncio, "sleep", pause)
    with pytest.raises(asyncio.CancelledError):
        await driver._collect_garbage(source)
    longest = live._COLLECT_LATEST + 1
    assert collected == [longest, 2 * longest, 50, 51, 52]


async def test_certificates_that_end_soon_are_told_while_there_is_time(
    tmp_path: Path, certificates: Certificates
) -> None:
    rules = Path(default_rules_path())
    client = certificates.issue("client", days=7)
    url = BrokerUrl("127.0.0.1", 1, True, ca=certificates.ca, cert=client, key=client.with_suffix(".key"))
    driver = LiveDriver(find_rig("land"), read_text(rules), str(rules), url, StreamClock.live())
    with ServiceLog(tmp_path / "log", 1 << 20, 2) as log:
        service = Service(driver, FindingLog(), log, Notifier({}), url=url)
        running = asyncio.create_task(service.run(None, {}))
        await until(
            lambda: 'stopmark_certificate_end_time_seconds{rig="land",use="client"}' in service.page(), "the look at it"
        )
        driver.stop()
        await running
        service.ended("test")
    assert 'stopmark_certificate_end_time_seconds{rig="land",use="authority"}' in service.page()
    logged = [str(line["message"]) for line in lines_of(tmp_path / "log")]
    reported = [words for words in logged if str(client) in words]
    assert [words.partition(" UTC, ")[2] for words in reported] == [
        "in 6 days: renew it, or there will be no connection from then on"
    ]
