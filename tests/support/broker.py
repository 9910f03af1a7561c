"""A real mosquitto for tests: on a free loopback port, with users, rights and TLS as asked, and its log readable.

Nothing here can skip: without mosquitto (and, for TLS, openssl) on the machine the tests fail and say what to install.
"""

import asyncio
import contextlib
import os
import random
import re
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from pathlib import Path
from typing import Self

import aiomqtt

from monitor.config.toml_file import config_root

START_S = 60.0
GRACE_S = 60.0
"""How long a test waits for what must come. It ends as soon as that has come; a busy machine may take its time."""
PORTS = range(12_000, 32_000)
"""Below the ports that systems give to outgoing connections: none of those can take a broker's place while it is down."""
NODES = "node-"
"""How names of the Sparkplug nodes of tests begin."""
MONITORS = r"stopmark-[^ ]*|monitor-one"
"""Names under which monitors come to the brokers of tests, as a pattern."""


def program(name: str) -> str | None:
    """Path of a program, also where only the administrator's search path leads; None when there is none."""
    return shutil.which(name, path=os.pathsep.join((os.environ.get("PATH", ""), "/usr/sbin", "/usr/local/sbin")))


def command(name: str) -> str:
    """Path of a program that the tests need; fails the test when there is none."""
    found = program(name)
    assert found, f"{name} is not installed: the tests need it (Debian: apt-get install mosquitto openssl)"
    return found


_untried = random.SystemRandom().sample(PORTS, len(PORTS))


def free_port() -> int:
    """A port on the loopback that was free a moment ago; each call gives another, and other processes hardly ever the same."""
    while _untried:
        with socket.socket() as probe, contextlib.suppress(OSError):
            probe.bind(("127.0.0.1", _untried.pop()))
            port: int = probe.getsockname()[1]
            return port
    raise AssertionError("no port of the loopback is free")


def wait_until(condition: Callable[[], bool], what: str, timeout_s: float = GRACE_S) -> None:
    """Wait for `condition`, at most `timeout_s`; a test that waits in vain fails and says for what."""
    end = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < end, f"waited {timeout_s} s in vain for: {what}"
        time.sleep(0.01)


async def until(condition: Callable[[], bool], what: str, timeout_s: float = GRACE_S) -> None:
    """`wait_until` that lets the event loop run."""
    end = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < end, f"waited {timeout_s} s in vain for: {what}"
        await asyncio.sleep(0.01)


@contextlib.asynccontextmanager
async def sending(
    broker: "Mosquitto", messages: Callable[[float], Sequence[tuple[str, str]]], every_s: float = 0.05
) -> AsyncIterator[None]:
    """Somebody who sends, again and again, what `messages` gives for the seconds gone."""
    end = asyncio.Event()

    async def send() -> None:
        start_s = time.monotonic()
        async with aiomqtt.Client("127.0.0.1", broker.port, timeout=GRACE_S) as client:
            while not end.is_set():
                for topic, payload in messages(time.monotonic() - start_s):
                    await client.publish(topic, payload)
                await asyncio.sleep(every_s)

    task = asyncio.create_task(send())
    try:
        yield
    finally:
        end.set()  # not cancelled: the library may swallow that, and send for ever
        await task


class Mosquitto:
    """One broker. `start` it, then `stop`, `freeze`, `thaw` or start it again on the same port."""

    def __init__(
        self,
        folder: Path,
        users: Mapping[str, str] | None = None,
        acl: str | None = None,
        tls: "Certificates | None" = None,
        client_certificates: bool = False,
        quiet: bool = False,
        extra: Sequence[str] = (),
        address: str = "127.0.0.1",
        port: int = 0,
    ) -> None:
        """`users` are names and passwords (None lets everybody in), `acl` the text of an access list, `tls` whose
        certificates to use. A `quiet` broker logs only errors, for tests with very many messages. It listens at `address`
        of the loopback, at `port` (0: any)."""
        folder.mkdir(parents=True, exist_ok=True)
        self.address = address
        self.port = port or free_port()
        self.log = folder / "mosquitto.log"
        self.log.touch()
        self._config = folder / "mosquitto.conf"
        self._process: subprocess.Popen[bytes] | None = None
        lines = [f"listener {self.port} {address}", f"allow_anonymous {'true' if users is None else 'false'}"]
        if users is not None:
            passwords = folder / "passwords"
            passwords.touch(mode=0o600)
            for name, password in users.items():
                subprocess.run([command("mosquitto_passwd"), "-b", passwords, name, password], check=True)
            lines.append(f"password_file {passwords}")
        if acl is not None:
            rights = folder / "rights"
            rights.write_text(acl, encoding="utf-8")
            rights.chmod(0o600)
            lines.append(f"acl_file {rights}")
        if tls is not None:
            lines += [f"cafile {tls.ca}", f"certfile {tls.server}", f"keyfile {tls.server.with_suffix('.key')}"]
            lines.append(f"require_certificate {'true' if client_certificates else 'false'}")
        if os.name == "posix" and os.geteuid() == 0:
            lines.append("user root")  # else it gives up its rights, and with them the files of the test
        lines += ["log_dest stderr", f"log_type {'error' if quiet else 'all'}", "connection_messages true"]
        lines += ["persistence false", *extra]
        self._config.write_text("\n".join(lines) + "\n", encoding="utf-8")

    def start(self) -> Self:
        """Start it and wait until it takes connections."""
        with self.log.open("ab") as log:
            self._process = subprocess.Popen([command("mosquitto"), "-c", self._config], stderr=log, stdout=log)
        wait_until(self._answers, f"mosquitto on port {self.port}; its log:\n{self.text()}", START_S)
        return self

    def _answers(self) -> bool:
        assert self._process is not None
        assert self._process.poll() is None, f"mosquitto ended at once:\n{self.text()}"
        with socket.socket() as probe:
            return probe.connect_ex((self.address, self.port)) == 0

    def stop(self) -> None:
        """End it, frozen or not."""
        if self._process is not None:
            if self._process.poll() is None:
                self._process.send_signal(signal.SIGCONT)
                self._process.terminate()
            self._process.wait(START_S)
            self._process = None

    def freeze(self) -> None:
        """Stop it in its tracks: connections stand, nothing moves."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def resume(self) -> None:
        """Let a frozen one go on."""
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)

    def reload(self) -> None:
        """Let it read its passwords and rights again."""
        assert self._process is not None
        self._process.send_signal(signal.SIGHUP)

    @property
    def url(self) -> str:
        """Its address for plain MQTT."""
        return f"mqtt://{self.address}:{self.port}"

    @property
    def tls_url(self) -> str:
        """Its address for TLS (by the name in its certificate)."""
        return f"mqtts://localhost:{self.port}"

    def text(self) -> str:
        """Its log so far."""
        return self.log.read_text(encoding="utf-8", errors="replace")

    def published_by(self, client_id: str) -> list[str]:
        """Log lines of messages that the client `client_id` (a pattern) sent. For the monitor there must be none."""
        return published_by(self.text(), client_id)

    def wills(self) -> list[str]:
        """Log lines of last wills that any client left, but for Sparkplug nodes (`NODES`), whose deaths are wills."""
        found, client = [], ""
        for line in self.text().splitlines():
            if connected := re.search(r"New client connected from \S+ as (\S+)", line):
                client = connected[1]
            elif ": Will message specified" in line and not client.startswith(NODES):
                found.append(line)
        return found

    def monitors_kept_silent(self) -> None:
        """Fail where a monitor published something or left a will. A quiet broker has not seen it either way."""
        assert self.published_by(MONITORS) == []
        assert self.wills() == []


def published_by(log: str, client_id: str) -> list[str]:
    """Lines of a mosquitto log that show a PUBLISH *from* the client whose name matches the pattern `client_id`."""
    return [line for line in log.splitlines() if re.search(rf"Received PUBLISH from (?:{client_id})(?: |$)", line)]


class SampleBroker(Mosquitto):
    """The broker whose configuration ships: prepared by its script, on a free port of the loopback."""

    def __init__(self, folder: Path) -> None:
        """Prepare it in `folder`, for clients that come to ``localhost``."""
        self.folder = folder
        self.address = "127.0.0.1"
        script = config_root() / "broker" / "prepare.sh"
        done = subprocess.run(["sh", script, folder, "localhost"], capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr
        self.port = free_port()
        self.log = folder / "mosquitto.log"
        self.log.touch()
        self._config = folder / "mosquitto.conf"
        self._process = None
        text = self._config.read_text(encoding="utf-8").replace("listener 8883", f"listener {self.port} 127.0.0.1")
        if os.name == "posix" and os.geteuid() == 0:
            text += "user root\n"  # else it gives up its rights, and with them the files of the test
        self._config.write_text(text + "log_dest stderr\nlog_type all\n", encoding="utf-8")

    def credentials(self, user: str) -> Path:
        """The credentials file of ``monitor`` or ``sensors``."""
        return self.folder / f"{user}.toml"

    def authority(self) -> "Certificates":
        """The rig's own authority, to issue more certificates from."""
        return Certificates(self.folder, existing=True)


class Certificates:
    """A small authority for tests: its own certificate, one for the broker, and as many for clients as asked."""

    def __init__(self, folder: Path, existing: bool = False) -> None:
        """A new one in `folder`, or the one whose ``ca.pem`` and ``ca.key`` are there already."""
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        self.ca = folder / "ca.pem"
        if existing:
            self.server = folder / "server.pem"
            return
        self._openssl(
            "req", "-x509", *_KEY, "-keyout", "ca.key", "-out", "ca.pem", "-days", "30", "-subj", "/CN=Test CA"
        )
        self.server = self.issue("server", "localhost")

    def issue(self, name: str, host: str = "", days: int = 30) -> Path:
        """A certificate called `name`, for `host` when given; with `days` below 1 it has expired already."""
        subject = f"/CN={host or name}"
        self._openssl("req", *_KEY, "-keyout", f"{name}.key", "-out", f"{name}.csr", "-subj", subject)
        (self.folder / f"{name}.ext").write_text(f"subjectAltName=DNS:{host or name}\n", encoding="utf-8")
        self._openssl(
            *("x509", "-req", "-in", f"{name}.csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial"),
            *("-out", f"{name}.pem", "-days", str(days), "-extfile", f"{name}.ext"),
        )
        return self.folder / f"{name}.pem"

    def _openssl(self, *words: str) -> None:
        done = subprocess.run([command("openssl"), *words], cwd=self.folder, capture_output=True, check=False)
        assert done.returncode == 0, f"openssl {words[0]} failed: {done.stderr.decode()}"


_KEY = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
