"""Figures of the recorder, the reader, the export and the broker source.

Run it with ``python -m tests.benchmarks.recording_figures``; it prints one line per figure. Rates are per second of this
process's CPU time, so that a busy machine changes them little. ``--kills 200`` also kills a recorder that often.
"""

import argparse
import asyncio
import contextlib
import json
import math
import random
import resource
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory

import aiomqtt
from pydantic_core import from_json

from monitor.adapters.host.clock import StreamClock
from monitor.adapters.mqtt.address import parse_broker_url
from monitor.adapters.mqtt.source import MqttSource
from monitor.adapters.sessions.chain import SessionChain
from monitor.adapters.sessions.reader import SessionReader
from monitor.adapters.sessions.recorder import Recorder
from monitor.adapters.tables.columns import ColumnDecoder
from monitor.adapters.tables.export import export_readings, export_resampled
from monitor.build import KIND
from monitor.config.rig import Rig
from monitor.config.rig_file import find_rig
from monitor.model.stream import Frame
from monitor.runtime.replay import ReplayDriver
from tests.adapters.sessions.killing import killed_session
from tests.benchmarks.figures import Figure, show
from tests.support.broker import Mosquitto, until

START_NS = 1_767_225_600_000_000_000
RATE_HZ = 20
SENSORS = 12

SENDER = """
import socket, struct, sys
port, count = int(sys.argv[1]), int(sys.argv[2])
link = socket.create_connection(("127.0.0.1", port))
head = bytes((0, 4)) + b"MQTT" + bytes((4, 2, 0, 60, 0, 5)) + b"flood"
link.sendall(bytes((16, len(head))) + head)
link.recv(4)
topic = b"rig/land/hoist/drum"
for start in range(0, count, 200):
    batch = b""
    for n in range(start, start + 200):
        body = struct.pack(">H", len(topic)) + topic + b'{"value": %d, "t": 1767225634982, "seq": %d}' % (n, n)
        batch += bytes((48, len(body))) + body
    link.sendall(batch)
"""


def frames_of(rig: Rig, seconds: int) -> Iterator[Frame]:
    """Twelve sensors at 20 Hz: noisy readings with seven digits, source time, sequence on the drum, some jitter."""
    chance = random.Random(1)
    for second in range(seconds):
        made = []
        for sensor in rig.sensors[:SENSORS]:
            for count in range(RATE_HZ):
                t_ns = START_NS + second * 10**9 + count * 50_000_000 + chance.randrange(8000) * 1000
                tick = second * RATE_HZ + count
                if sensor.quantity == "drum_counts":
                    document: dict[str, float] = {"value": 1_000_000 + int(2e4 * math.sin(tick / 900)), "seq": tick}
                elif sensor.si.dimension == "switch":
                    document = {"value": 0}
                else:
                    document = {"value": float(format(50 + chance.gauss(0, 0.5), ".7g"))}
                document["t"] = t_ns // 1_000_000
                made.append(Frame(t_ns, rig.topic(sensor), json.dumps(document).encode()))
        yield from sorted(made, key=lambda frame: frame.t_ns)


def cpu_s(work: Callable[[], object]) -> float:
    """CPU time that `work` takes, all threads of this process."""
    start = time.process_time()
    work()
    return time.process_time() - start


def recording(folder: Path, seconds: int) -> list[Figure]:
    """Cost and size of recording, speed of reading, seeking and exporting."""
    found: list[Figure] = []
    rig = find_rig("land")
    frames = list(frames_of(rig, seconds))
    count = len(frames)
    path = folder / "figures.stopmark"
    header = {"rig": rig.name, "config": rig.model_dump(mode="json"), "rules": "", "mode": "simulated"}
    recorder = Recorder(path, header, wait=True)

    def give() -> None:
        for frame in frames:
            recorder.frame(frame)
        recorder.close()

    found += show(Figure("recording, all threads", cpu_s(give) / count * 1e6, "us of CPU a sample"))
    found += show(Figure("size of a session", path.stat().st_size / count, "bytes a sample", "10"))
    with SessionReader(path) as session:
        found += show(
            Figure("reading frames back", count / cpu_s(lambda: sum(1 for _ in session.inputs())), "samples/s CPU")
        )
        decoder = ColumnDecoder(rig)
        found += show(Figure("reading as arrays", count / cpu_s(lambda: [*decoder.read(session)]), "samples/s CPU"))
        start = time.perf_counter()
        next(session.inputs(START_NS + seconds * 10**9 // 2))
        found += show(Figure("seeking to the middle", (time.perf_counter() - start) * 1e3, "ms"))
    out = folder / "figures.parquet"
    export_readings([path], out, to_ns=START_NS)  # the libraries are loaded once
    found += show(
        Figure("export to Parquet", count / cpu_s(lambda: export_readings([path], out)), "samples/s CPU", "1,000,000")
    )
    part_ns = START_NS + min(seconds, 300) * 10**9
    part = count * min(seconds, 300) // seconds
    for ending in ("csv", "xlsx"):
        to = folder / f"figures.{ending}"
        found += show(
            Figure(
                f"export to {ending}",
                part / cpu_s(partial(export_readings, [path], to, None, part_ns)),
                "samples/s CPU",
            )
        )
    wide = folder / "wide.parquet"
    found += show(
        Figure(
            "export resampled at 20 Hz",
            count / cpu_s(lambda: export_resampled([path], wide, 50_000_000)),
            "samples/s CPU",
        )
    )
    return found


def report(folder: Path, session: Path, jobs: int) -> list[Figure]:
    """Time and memory of `stopmark report` on a session, in processes of its own; memory is looked at ten times a second."""
    command = [sys.executable, "-m", "monitor.cli", "report", str(session), "-o", str(folder / "report.html")]
    start = time.perf_counter()
    process = subprocess.Popen([*command, "--jobs", str(jobs)], stdout=subprocess.DEVNULL)
    most = 0.0
    while process.poll() is None:
        most = max(most, sum(map(pss_bytes, family(process.pid))))
        time.sleep(0.1)
    if process.returncode:
        raise RuntimeError(f"the report of {session} failed")
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    name = f"report, {'one process' if jobs == 1 else f'{jobs} processes'}, {KIND}"
    return show(
        Figure(f"{name}: from start to end", time.perf_counter() - start, "s", "10 for 12 h"),
        Figure(f"{name}: all processes", used.ru_utime + used.ru_stime, "s CPU"),
        Figure(f"{name}: memory of all processes", most / 1e6, "MB", "250"),
    )


def family(pid: int) -> list[int]:
    """A process and those that it started (Linux)."""
    found = [pid]
    with contextlib.suppress(OSError):  # it has ended
        for thread in Path(f"/proc/{pid}/task").iterdir():
            for child in (thread / "children").read_text(encoding="ascii").split():
                found += family(int(child))
    return found


def pss_bytes(pid: int) -> float:
    """Its memory, with its part of what is shared; 0 where it has ended."""
    try:
        lines = Path(f"/proc/{pid}/smaps_rollup").read_text(encoding="ascii").splitlines()
    except OSError:
        return 0.0
    return next((1024.0 * int(line.split()[1]) for line in lines if line.startswith("Pss:")), 0.0)


def seeks(session: Path, count: int = 40) -> list[Figure]:
    """Jumps to random moments of a session, as a person does on the screen; seconds by the clock."""
    found: list[Figure] = []
    chance = random.Random(1)
    with SessionChain([session]) as chain:
        driver = ReplayDriver(chain, 1.0, paused=True)
        took = []
        for _ in range(count):
            t_ns = chance.randint(chain.t_first_ns, chain.end_ns)
            begin_s = time.perf_counter()
            driver.seek_to(t_ns)
            took.append(time.perf_counter() - begin_s)
        found += show(Figure("seek: length of the session", (chain.end_ns - chain.t_first_ns) / 3.6e12, "h"))
    found += show(Figure("seek, median", sorted(took)[count // 2], "s", "0.5"))
    found += show(Figure(f"seek, slowest of {count}", max(took), "s", "0.5"))
    return found


async def intake(folder: Path, count: int) -> list[Figure]:
    """CPU per message of the broker source, and of a bare aiomqtt consumer that parses the same messages."""
    broker = Mosquitto(folder / "broker", quiet=True, extra=["max_queued_messages 0"]).start()
    found: list[Figure] = []
    taken = 0

    def take(frame: Frame) -> None:
        nonlocal taken
        from_json(frame.payload, allow_inf_nan=False)
        taken += 1

    def send() -> "subprocess.Popen[bytes]":
        return subprocess.Popen([sys.executable, "-c", SENDER, str(broker.port), str(count)])

    async def drained(sender: "subprocess.Popen[bytes]", number: Callable[[], int]) -> None:
        last = -1
        while sender.poll() is None or number() != last:
            last = number()
            await asyncio.sleep(0.5)

    try:
        url = parse_broker_url(broker.url, {})
        source = MqttSource(url, ["rig/land/hoist/drum"], StreamClock.live(), take, lambda *_: None)
        task = asyncio.create_task(source.run())
        await until(lambda: source.connections > 0, "a connection")
        start = time.process_time()
        await drained(send(), lambda: taken)
        ours = (time.process_time() - start) / max(1, taken) * 1e6
        await ended(task)

        bare = 0

        async def consume() -> None:
            nonlocal bare
            async with aiomqtt.Client("127.0.0.1", broker.port) as client:
                await client.subscribe("rig/land/hoist/drum")
                async for message in client.messages:
                    from_json(bytes(message.payload), allow_inf_nan=False)
                    bare += 1

        task = asyncio.create_task(consume())
        await asyncio.sleep(0.5)
        start = time.process_time()
        await drained(send(), lambda: bare)
        theirs = (time.process_time() - start) / max(1, bare) * 1e6
        await ended(task)
    finally:
        broker.stop()
    found += show(Figure("broker source with parsing", ours, "us CPU per message"))
    found += show(Figure("bare aiomqtt with parsing", theirs, "us CPU per message"))
    found += show(Figure("source against bare", theirs / ours, "times its rate"))
    return found


async def ended(task: "asyncio.Task[None]") -> None:
    """End `task` and wait until it has ended."""
    task.cancel()
    await asyncio.wait([task])


def kills(folder: Path, count: int) -> list[Figure]:
    """Kill a recorder `count` times; every session must open."""
    found: list[Figure] = []
    missing = [killed_session(folder, seed).missing_s for seed in range(count)]
    found += show(Figure("kill -9: sessions that open", len(missing), f"of {count}", str(count)))
    found += show(Figure("stream missing at worst after kill -9", max(missing), "s", "1"))
    return found


def main(arguments: Sequence[str] | None = None) -> list[Figure]:
    """Print all figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=int, default=1800, help="length of the recorded stream")
    parser.add_argument("--messages", type=int, default=100_000, help="messages sent through the broker")
    parser.add_argument("--kills", type=int, default=0, help="how often to kill a recorder")
    parser.add_argument("--report", type=Path, metavar="SESSION", help="only time a report of this session")
    parser.add_argument("--jobs", type=int, default=2, help="processes of that report")
    parser.add_argument("--seek", type=Path, metavar="SESSION", help="only time jumps in this session")
    args = parser.parse_args(arguments)
    with TemporaryDirectory() as name:
        if args.seek is not None:
            return seeks(args.seek)
        if args.report is not None:
            return report(Path(name), args.report, args.jobs)
        found = recording(Path(name), args.seconds) + asyncio.run(intake(Path(name), args.messages))
        return found + (kills(Path(name), args.kills) if args.kills else [])


if __name__ == "__main__":
    main()
