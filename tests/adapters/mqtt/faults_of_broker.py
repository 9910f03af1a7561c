"""Faults of a broker and of the way to it, each with its end, and how a live monitor on the shipped rig takes them.

Shared by the tests and by the benchmark that prints the times.
"""

import asyncio
import contextlib
import shutil
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from monitor.adapters.host.clock import StreamClock
from monitor.adapters.mqtt.address import BrokerUrl, parse_broker_url
from monitor.config.rig_file import find_rig
from monitor.config.rules_file import default_rules_path
from monitor.model.alarm import Finding
from monitor.model.stream import Frame
from monitor.runtime.live import LiveDriver
from tests.support.broker import Certificates, SampleBroker, free_port, until
from tests.support.sender import Instruments, running

ANNOUNCING = ("disconnected", "sensors-silent", "sensor-silent")
"""Rules that say that nothing comes."""
Act = Callable[[], Awaitable[None]]


class Watch:
    """A live monitor, headless and without a recorder, and all that it found and was told."""

    def __init__(self, url: BrokerUrl) -> None:
        rules = Path(default_rules_path())
        self.raised: list[tuple[float, float, str]] = []
        """Alarms raised: real time (monotonic, s), stream time since the reading that was taken last (s), and rule."""
        self.drum: list[int] = []
        """Sequence numbers of the drum, as they were taken."""
        self.said: list[str] = []
        """All that was said of the connection: some words stand for a hundredth of a second only."""
        self._taken_ns = 0
        self.driver = LiveDriver(
            find_rig("land"),
            rules.read_text(encoding="utf-8"),
            str(rules),
            url,
            StreamClock.live(),
            sinks=(self._found,),
        )
        self.driver._on_frame = self._message
        tell = self.driver._connection

        def reported(connected: bool, words: str) -> None:
            self.said.append(words)
            tell(connected, words)

        self.driver._connection = reported  # type: ignore[method-assign]

    def _found(self, finding: Finding) -> None:
        if finding.kind == "alarm" and finding.after == "unacknowledged":
            silent_s = (finding.t_ns - self._taken_ns) * 1e-9
            self.raised.append((time.monotonic(), silent_s, finding.key.partition(":")[0]))

    def _message(self, frame: Frame) -> None:
        if b'"seq"' in frame.payload:
            self.drum.append(int(frame.payload.rpartition(b":")[2].strip(b" }")))
        self._taken_ns = max(frame.t_ns, self.driver.core.now_ns)  # as the core takes it
        self.driver.runner.message(frame)

    @property
    def words(self) -> str:
        """What the monitor says about its connection."""
        return self.driver.runner.note

    def announced(self, since_s: float) -> tuple[float, float] | None:
        """When a rule first said, after `since_s`, that nothing comes, and how long in stream time nothing had come then."""
        return next(
            ((at_s, silent_s) for at_s, silent_s, rule in self.raised if at_s >= since_s and rule in ANNOUNCING), None
        )

    @property
    def calm(self) -> bool:
        """Whether readings come and no rule says that they do not, so that one can say it anew."""
        alarms = self.driver.core.snapshot().alarms
        return len(self.drum) > 40 and not any(
            alarm.active and alarm.key.partition(":")[0] in ANNOUNCING for alarm in alarms
        )


@contextlib.asynccontextmanager
async def watching(url: BrokerUrl) -> AsyncIterator[Watch]:
    """A monitor at work."""
    watch = Watch(url)
    task = asyncio.create_task(watch.driver.run())
    try:
        yield watch
    finally:
        task.cancel()
        await asyncio.wait([task])


class Proxy:
    """A way to the broker that can fail without a word: it stops forwarding, and may forget its connections."""

    def __init__(self, port: int) -> None:
        """For the broker at `port` of the loopback."""
        self.port = free_port()
        self._to = port
        self._server: asyncio.Server | None = None
        self._open = asyncio.Event()
        self._epoch = 0
        self._writers: set[asyncio.StreamWriter] = set()

    async def start(self) -> None:
        """Let traffic through."""
        self._open.set()
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", self.port)

    def cut(self) -> None:
        """Forward nothing more, close nothing: what is sent waits."""
        self._open.clear()

    def mend(self) -> None:
        """Forward again, also what waited."""
        self._open.set()

    def forget(self) -> None:
        """Forward again, but nothing of the connections that there were: they stay open and dead."""
        self._epoch += 1
        self._open.set()

    async def stop(self) -> None:
        """Close everything."""
        self._open.set()
        for writer in self._writers:
            writer.transport.abort()
        if self._server is not None:
            self._server.close()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        epoch = self._epoch
        self._writers.add(writer)
        await self._open.wait()
        with contextlib.suppress(OSError):  # no broker is there: the caller is left waiting
            far_reader, far_writer = await asyncio.open_connection("127.0.0.1", self._to)
            self._writers.add(far_writer)
            await asyncio.gather(self._pipe(reader, far_writer, epoch), self._pipe(far_reader, writer, epoch))

    async def _pipe(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, epoch: int) -> None:
        with contextlib.suppress(OSError):
            while data := await reader.read(1 << 16):
                await self._open.wait()
                if epoch == self._epoch:
                    writer.write(data)
                    await writer.drain()
            if epoch == self._epoch:
                writer.close()


@dataclass
class Scene:
    """The shipped broker, the instruments, the monitor, and the way between."""

    broker: SampleBroker
    instruments: Instruments
    watch: Watch
    proxy: Proxy
    spare: Path
    """An empty folder."""

    async def restart(self) -> None:
        """End the broker and start it at once."""
        await asyncio.to_thread(self.broker.stop)
        await asyncio.to_thread(self.broker.start)

    def put(self, name: str, certificate: Path) -> None:
        """Put `certificate` and its key in the place of the broker's file `name`; the old ones are kept aside."""
        for suffix in (".pem", ".key"):
            kept = self.spare / f"{name}{suffix}"
            if not kept.exists():
                shutil.copy(self.broker.folder / f"{name}{suffix}", kept)
            shutil.copyfile(certificate.with_suffix(suffix), self.broker.folder / f"{name}{suffix}")


@contextlib.asynccontextmanager
async def scene(proxied: bool = False) -> AsyncIterator[Scene]:
    """Everything up and flowing. With `proxied` the monitor goes through the proxy; the instruments never do."""
    with TemporaryDirectory() as name:
        broker = await asyncio.to_thread(SampleBroker, Path(name) / "broker")
        await asyncio.to_thread(broker.start)
        proxy = Proxy(broker.port)
        spare = Path(name) / "spare"
        spare.mkdir()
        await proxy.start()
        shutil.copytree(
            broker.folder, Path(name) / "instruments"
        )  # their own copies, whatever is done to the monitor's
        senders = parse_broker_url(broker.tls_url, {}, Path(name) / "instruments" / "sensors.toml")
        url = parse_broker_url(
            f"mqtts://localhost:{proxy.port if proxied else broker.port}", {}, broker.credentials("monitor")
        )
        try:
            async with running(Instruments(find_rig("land"), senders)) as instruments, watching(url) as watch:
                await until(lambda: watch.calm, "readings")
                yield Scene(broker, instruments, watch, proxy, spare)
        finally:
            await proxy.stop()
            broker.stop()


@dataclass(frozen=True)
class Outcome:
    """What came of a fault."""

    announced_s: float
    """From its beginning until an alarm said that nothing comes."""
    silent_s: float
    """Stream time between the last reading and that alarm, whatever the machine does meanwhile."""
    words: str
    """What the monitor said about its connection at the end of it."""
    back_s: float
    """From its end until a reading that was sent after it was taken."""
    sent_s: float
    """From its end until one was sent at all: the senders connect anew, too."""
    twice: int
    """Readings taken twice."""
    wrote: list[str]
    """Lines of the broker's log that show the monitor writing anything, or leaving a will. There must be none."""


async def endure(scene: Scene, begin: Act, end: Act, words: str, hold_s: float = 0.0) -> Outcome:
    """Let a fault begin, last until the monitor says `words` (and at least `hold_s`), and end."""
    watch, instruments = scene.watch, scene.instruments
    begun_s, before = time.monotonic(), len(watch.said)
    await begin()
    await until(lambda: watch.announced(begun_s) is not None, f"an alarm; words: {watch.words}")
    await until(
        lambda: any(words in reported for reported in [*watch.said[before:], watch.words]), f"words like {words!r}"
    )
    said = next(reported for reported in [watch.words, *watch.said[before:]] if words in reported)
    await until(lambda: time.monotonic() >= begun_s + hold_s, "the fault to last")
    await end()
    ended_s, ticks = time.monotonic(), instruments.ticks
    await until(lambda: instruments.ticks > ticks, "the senders send again")
    sent_s = time.monotonic() - ended_s
    await until(lambda: watch.drum[-1] > ticks, f"readings again; words: {watch.words}")
    back_s = time.monotonic() - ended_s
    announced = watch.announced(begun_s)
    assert announced is not None
    wrote = scene.broker.published_by("stopmark-[0-9a-f]+") + scene.broker.wills()
    assert scene.broker.published_by("instruments") != [], "the log must show a PUBLISH where there is one"
    twice = len(watch.drum) - len(set(watch.drum))
    return Outcome(announced[0] - begun_s, announced[1], said, back_s, sent_s, twice, wrote)


# --- the faults -----------------------------------------------------------------------------------------------------


async def restart(scene: Scene) -> Outcome:
    """The broker is stopped and started."""

    async def begin() -> None:
        await asyncio.to_thread(scene.broker.stop)

    async def end() -> None:
        await asyncio.to_thread(scene.broker.start)

    return await endure(scene, begin, end, "nothing answers at", 3.0)


async def freeze(scene: Scene) -> Outcome:
    """The broker's process is stopped in its tracks, long enough to be given up."""

    async def begin() -> None:
        scene.broker.freeze()

    async def end() -> None:
        scene.broker.resume()

    return await endure(scene, begin, end, "nothing was heard for too long", 5.0)


async def short_freeze(scene: Scene) -> Outcome:
    """The same, but so short that the connection stands."""

    async def begin() -> None:
        scene.broker.freeze()

    async def end() -> None:
        scene.broker.resume()

    return await endure(scene, begin, end, "connected to", 1.5)


async def half_open(scene: Scene) -> Outcome:
    """Something in between forwards nothing more, and then all that waited."""

    async def begin() -> None:
        scene.proxy.cut()

    async def end() -> None:
        scene.proxy.mend()

    return await endure(scene, begin, end, "nothing was heard for too long", 4.0)


async def half_open_forgotten(scene: Scene) -> Outcome:
    """Something in between forwards nothing more, and after its return knows the old connections no more."""

    async def begin() -> None:
        scene.proxy.cut()

    async def end() -> None:
        scene.proxy.forget()

    return await endure(scene, begin, end, "connected to", 1.5)


async def revoked(scene: Scene) -> Outcome:
    """The monitor's right to read is taken away while it listens: no broker says so."""
    rights = scene.broker.folder / "rights"
    text = rights.read_text(encoding="utf-8")

    async def begin() -> None:
        rights.write_text(text.replace("topic read rig/#", "topic read other/#"), encoding="utf-8")
        scene.broker.reload()

    async def end() -> None:
        rights.write_text(text, encoding="utf-8")
        scene.broker.reload()

    return await endure(scene, begin, end, "may this user read them?")


async def client_expired(scene: Scene) -> Outcome:
    """The monitor's certificate has run out; it is renewed in its place."""
    return await _certificate(
        scene,
        "monitor",
        scene.broker.authority().issue("old", days=-1),
        "refuses the monitor's certificate (certificate expired",
    )


async def client_wrong(scene: Scene) -> Outcome:
    """The monitor's certificate is of another authority."""
    intruder = Certificates(scene.spare / "stranger").issue("monitor")
    return await _certificate(scene, "monitor", intruder, "refuses the monitor's certificate (unknown ca")


async def server_expired(scene: Scene) -> Outcome:
    """The broker's certificate has run out."""
    return await _certificate(
        scene, "server", scene.broker.authority().issue("old", "localhost", -1), "certificate has expired: renew it"
    )


async def server_wrong(scene: Scene) -> Outcome:
    """The broker's certificate is of another authority: somebody else may be standing in for it."""
    intruder = Certificates(scene.spare / "stranger")
    return await _certificate(scene, "server", intruder.server, "certificate is not trusted")


async def _certificate(scene: Scene, name: str, certificate: Path, words: str) -> Outcome:
    async def begin() -> None:
        scene.put(name, certificate)
        await scene.restart()

    async def end() -> None:
        for suffix in (".pem", ".key"):
            shutil.copyfile(scene.spare / f"{name}{suffix}", scene.broker.folder / f"{name}{suffix}")
        if name == "server":
            await scene.restart()

    return await endure(scene, begin, end, words, 2.0)


BROKER_FAULTS: dict[str, Callable[[Scene], Awaitable[Outcome]]] = {
    "restart": restart,
    "freeze": freeze,
    "short freeze": short_freeze,
    "half-open": half_open,
    "half-open, state forgotten": half_open_forgotten,
    "right to read revoked": revoked,
    "client certificate expired": client_expired,
    "client certificate wrong": client_wrong,
    "broker certificate expired": server_expired,
    "broker certificate wrong": server_wrong,
}
PROXIED = ("half-open", "half-open, state forgotten")
"""Those that need the proxy."""


async def outcome_of(name: str) -> Outcome:
    """Play one fault of `BROKER_FAULTS` in a fresh scene."""
    async with scene(name in PROXIED) as play:
        return await BROKER_FAULTS[name](play)
