"""`stopmark record` as a service manager and the site's supervision see it: in a process of its own, on a real broker."""

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from prometheus_client.parser import text_string_to_metric_families

from monitor.adapters.sessions.reader import SessionReader
from tests.commands.test_commands import ROOT, Hand, own_rig
from tests.support.broker import Mosquitto, free_port, wait_until

DEADLINE_S = 60.0


class Manager:
    """What a service manager is to the service: a socket that listens."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "notify"
        self.said: list[str] = []
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(str(self.path))
        self._thread = threading.Thread(target=self._listen)
        self._thread.start()

    def _listen(self) -> None:
        while said := self._socket.recv(4096).decode():
            self.said.append(said)

    def heard(self, line: str) -> int:
        """How often a line that begins so has come up to now."""
        return sum(said.startswith(line) for said in list(self.said))

    def status(self) -> str:
        return next((said for said in reversed(list(self.said)) if said.startswith("STATUS=")), "")

    def close(self) -> None:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as own:
            own.sendto(b"", str(self.path))
        self._thread.join()
        self._socket.close()


class Recording:
    """A `stopmark record` in the background."""

    def __init__(
        self, folder: Path, broker_url: str, *more: str, before: Callable[[], None] | None = None, **environment: str
    ) -> None:
        self.data = folder / "data"
        self.log = folder / "stopmark.log"
        self.process = subprocess.Popen(
            [sys.executable, "-m", "monitor.cli", "record", "--rig", str(own_rig(folder)), "--broker", broker_url,
             "--data", str(self.data), "--log", str(self.log), *more],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT, env=os.environ | environment,
            preexec_fn=before,
        )  # fmt: skip

    def lines(self, path: Path | None = None) -> list[dict[str, Any]]:
        path = path or self.log
        return [json.loads(line) for line in path.read_text().splitlines()] if path.exists() else []

    def logged(self, message: str) -> bool:
        return any(message in line["message"] for line in self.lines())

    def found(self, key: str) -> bool:
        return any(key in line.get("fields", {}).get("key", "") for line in self.lines())

    def end(self, number: int = signal.SIGTERM) -> None:
        self.process.send_signal(number)
        out, err = self.process.communicate(timeout=DEADLINE_S)
        assert self.process.returncode == 0, err
        assert (out, err) == ("", "")

    def kill(self) -> None:
        self.process.kill()
        self.process.communicate()


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[Manager]:
    made = Manager(tmp_path)
    yield made
    made.close()


def figures(port: int) -> dict[str, float]:
    """The page of one rig as the independent parser reads it: every sample by its name and its labels but the rig's."""
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics", timeout=DEADLINE_S) as answer:
        assert answer.headers["Content-Type"].startswith("text/plain; version=0.0.4")
        text = answer.read().decode()
    return parsed(text)


def parsed(text: str) -> dict[str, float]:
    found = {}
    for family in text_string_to_metric_families(text):
        assert family.type in ("gauge", "counter"), family.name
        assert family.documentation, family.name
        for sample in family.samples:
            assert sample.labels.pop("rig"), family.name
            name = sample.name + "".join(f",{key}={value}" for key, value in sorted(sample.labels.items()))
            assert name not in found
            found[name] = sample.value
    return found


def test_a_service_from_its_start_to_its_end(broker: Mosquitto, manager: Manager, tmp_path: Path) -> None:
    port, file = free_port(), tmp_path / "health.prom"
    service = Recording(
        tmp_path, broker.url, "--metrics", str(port), "--health-file", str(file),
        NOTIFY_SOCKET=str(manager.path), WATCHDOG_USEC="300000",
    )  # fmt: skip
    try:
        wait_until(lambda: manager.heard("READY=1") == 1, "readiness", DEADLINE_S)
        wait_until(lambda: manager.status().startswith("STATUS=connected; recording;"), "the status", DEADLINE_S)
        pings = manager.heard("WATCHDOG=1")
        since = time.monotonic()
        wait_until(lambda: manager.heard("WATCHDOG=1") >= pings + 20, "signs of life", DEADLINE_S)
        # At a third of the time asked for: two seconds, less those that waited to be heard while this machine stalled.
        assert time.monotonic() - since > 0.8
        hand = Hand(broker)
        for _ in range(10):  # until a machine that is busy with other things saw enough of the runs
            hand.run_down(from_ft=24.0, ft_s=5.0, seconds=3.5)
            taken = figures(port).get("stopmark_sensor_readings_total,quantity=block_position,sensor=block", 0.0)
            if taken > 50 and service.found("brake-now-down"):
                break
        hand.say("weight", "heavy")
        wait_until(
            lambda: figures(port).get("stopmark_rejects_total,reason=not a number") == 1.0, "the reject", DEADLINE_S
        )
        reported = figures(port)
        hand.close()
        assert reported["stopmark_up"] == reported["stopmark_connected"] == reported["stopmark_recording"] == 1.0
        assert reported["stopmark_connections_total"] == 1.0
        assert reported["stopmark_frames_total"] > 100
        assert reported["stopmark_sensor_readings_total,quantity=block_position,sensor=block"] > 50
        assert reported["stopmark_sensor_age_seconds,quantity=hook_load,sensor=weight"] < 60.0
        assert reported["stopmark_findings_total,kind=alarm"] >= 1.0
        assert sum(value for name, value in reported.items() if name.startswith("stopmark_alarms,")) >= 1.0
        assert sum(value for name, value in reported.items() if name.startswith("stopmark_height_validity,")) == 1.0
        assert 0.0 <= reported["stopmark_recorder_behind_seconds"] < 60.0
        assert reported["stopmark_ledger_failed"] == reported["stopmark_ledger_waiting"] == 0.0
        assert reported["stopmark_recorder_lost_frames_total"] == reported["stopmark_dropped_frames_total"] == 0.0
        assert 0 < reported["stopmark_disk_free_bytes"] < reported["stopmark_disk_bytes"]
        assert 1e6 < reported["process_resident_memory_bytes"] < 1e9
        assert abs(reported["process_start_time_seconds"] - time.time()) < 3600
        wait_until(file.exists, "the health file", DEADLINE_S)
        assert parsed(file.read_text())["stopmark_up"] == 1.0
        service.end()
    finally:
        service.kill()
    wait_until(lambda: manager.heard("STOPPING=1") == 1, "the end being told", DEADLINE_S)
    assert parsed(file.read_text())["stopmark_up"] == 0.0
    assert sorted(path.name for path in tmp_path.glob(".health*")) == []
    lines = service.lines()
    assert lines[0]["message"] == "started"
    assert lines[0]["fields"] | {"rig": "own", "broker": broker.url} == lines[0]["fields"]
    assert any(line["message"] == f"connected to {broker.url}" for line in lines)
    assert service.found("brake-now-down")
    assert lines[-1]["message"] == "stopped (SIGTERM)"
    (session,) = service.data.glob("*.stopmark")
    with SessionReader(session) as reader:
        assert sum(1 for _ in reader.inputs()) > 100
    assert not session.with_name(session.name + "-wal").exists()
    assert broker.published_by("stopmark-.*") == []


def test_a_lost_broker_is_logged_and_told_and_the_log_goes_on_after_a_hangup(
    broker: Mosquitto, manager: Manager, tmp_path: Path
) -> None:
    service = Recording(tmp_path, broker.url, NOTIFY_SOCKET=str(manager.path))
    try:
        wait_until(lambda: manager.status().startswith("STATUS=connected"), "the connection", DEADLINE_S)
        wait_until(lambda: manager.heard("WATCHDOG=1") > 0, "a sign of life", DEADLINE_S)
        broker.stop()
        wait_until(lambda: manager.status().startswith("STATUS=not connected ("), "the loss", DEADLINE_S)
        wait_until(lambda: service.logged("nothing answers at"), "the reason in the log", DEADLINE_S)
        assert [line["level"] for line in service.lines() if "nothing answers at" in line["message"]] == ["warning"]
        old = service.log.rename(tmp_path / "moved.log")
        service.process.send_signal(signal.SIGHUP)
        wait_until(lambda: service.logged("the log goes on in a new file"), "the new log", DEADLINE_S)
        broker.start()
        wait_until(lambda: service.logged("connected to"), "the connection in the new log", DEADLINE_S)
        assert service.lines(old)[0]["message"] == "started"
        service.end(signal.SIGINT)
    finally:
        service.kill()
    assert service.lines()[-1]["message"] == "stopped (SIGINT)"


def test_no_secret_in_log_status_figures_or_session(make_broker: Any, manager: Manager, tmp_path: Path) -> None:
    guarded = make_broker(users={"driller": "right"})
    secret, port = "wr0ng-and-secret", free_port()
    credentials = tmp_path / "credentials.toml"
    credentials.write_text(f'user = "driller"\npassword = "{secret}"\n')
    credentials.chmod(0o600)
    service = Recording(
        tmp_path, guarded.url, "--credentials", str(credentials), "--metrics", f"127.0.0.1:{port}",
        NOTIFY_SOCKET=str(manager.path),
    )  # fmt: skip
    try:
        wait_until(lambda: "password" in manager.status(), "the refusal in words", DEADLINE_S)
        arguments = Path(f"/proc/{service.process.pid}/cmdline").read_bytes().decode()
        page = urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics", timeout=DEADLINE_S).read().decode()
        service.end()
    finally:
        service.kill()
    assert service.logged("user and password") or service.logged("wrong user or password")
    assert service.logged("everybody on this machine can read the secret in it") == bool(
        credentials.stat().st_mode & 0o004
    )
    reported = [arguments, page, service.log.read_text(), *manager.said]
    assert not [text for text in reported if secret in text]
    assert not [path for path in service.data.iterdir() if secret.encode() in path.read_bytes()]


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (("--metrics", "nowhere"), "no ADDRESS:PORT"),
        (("--metrics", "::1:80"), "brackets"),
        (("--metrics", "192.0.2.1:0"), "cannot be served at 192.0.2.1"),
        (("--health-file", "/nowhere/at/all.prom"), "folder that exists"),
        (("--log", "/nowhere/at/all.log"), "give another --log"),
        (("--log-size", "ten"), "'ten' is not a size such as 500MB"),
        (("--log-keep", "0"), "1 to 1000"),
        (("--keep-days", "-1"), "days above 0, nor none"),
        (("--keep-share", "101%"), "at most 100"),
        (("--keep-free", "2"), "such as 500MB"),
    ],
)
def test_mistakes_are_told_before_anything_runs(tmp_path: Path, words: tuple[str, str], expected: str) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "monitor.cli", "record", "--rig", "land", "--broker", "mqtt://127.0.0.1:1",
         "--data", str(tmp_path / "data"), *words],
        capture_output=True, text=True, timeout=DEADLINE_S, cwd=ROOT,
    )  # fmt: skip
    assert done.returncode == 2
    assert expected in " ".join(done.stderr.split())
    assert "Traceback" not in done.stderr
