"""The live pipeline through a real broker: cost per message, batches, and how soon a finding is out.

Run it with ``python -m tests.benchmarks.pipeline_figures [rate] [batches] [news]``; it needs mosquitto. Consumers are measured
one after the other, in this process, on the messages of the same sender, which is never far ahead. The
floor is the least a consumer in Python can do: aiomqtt, and one pydantic model validated from each payload. CPU time is that
of all threads of the process, the recorder's included; the wall rate also depends on what else the machine does.
"""

import argparse
import asyncio
import statistics
import sys
import time
from collections.abc import Awaitable, Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import aiomqtt
from pydantic import BaseModel, ConfigDict

from monitor.adapters.host.clock import StreamClock
from monitor.adapters.mqtt.address import parse_broker_url
from monitor.adapters.sessions.recorder import Recorder
from monitor.config.rig import Rig
from monitor.config.rig_file import find_rig
from monitor.config.rules_file import default_rules_path
from monitor.config.toml_file import read_text
from monitor.model.alarm import Finding
from monitor.model.reading import RejectReason
from monitor.model.stream import GRID_NS, Frame
from monitor.runtime.assembly import header_of
from monitor.runtime.live import Intake, LiveDriver, OnFrame
from tests.benchmarks.figures import Figure
from tests.benchmarks.sender import PREFIX, SWITCH
from tests.support.broker import Mosquitto, until

SWITCHED = """
[[rule]]
id = "switched"
signal = "overtravel_air"
compare = "above"
trip = 0.5
clear = 0.5
severity = "NOTICE"
message = "The switch is on."
guidance = "For figures only."
"""
"""One more rule, which clears at once: the shipped one holds for a second."""
WARM = 2_000
"""Messages that are taken before the measuring starts."""
BATCH = 20


class Reading(BaseModel):
    """What the floor makes of a payload."""

    model_config = ConfigDict(strict=True, allow_inf_nan=False)
    value: float
    t: int
    seq: int | None = None


class Readings(BaseModel):
    """The same for a batch."""

    model_config = ConfigDict(strict=True, allow_inf_nan=False)
    value: list[float]
    t: list[int]


@dataclass(frozen=True, slots=True)
class Taken:
    """What a consumer did."""

    cpu_us: float
    """CPU time per message."""
    rate: float
    """Messages per second of wall time."""
    used: float
    """Share of the readings that were not refused."""
    wrong: int = 0
    """Readings refused for anything but coming late, which on a busy machine they do."""


def rig_in_us() -> Rig:
    """The land rig, with source times in microseconds: at these rates a millisecond holds several readings of a sensor."""
    rig = find_rig("land")
    plain = rig.model_dump(by_alias=True)
    for sensor in plain["sensors"]:
        sensor["time_format"] = "us"
    return Rig.model_validate(plain)


async def measured(port: int, count: int, batch: int, number: Callable[[], int]) -> tuple[float, float]:
    """CPU microseconds per message, and messages per second, while `count` messages are sent; `number` were taken so far."""
    words = [sys.executable, "-m", "tests.benchmarks.sender", str(port), str(count), str(batch)]
    sender = await asyncio.create_subprocess_exec(*words, stdin=asyncio.subprocess.PIPE)
    assert sender.stdin is not None
    begin = None
    before = at = number()
    end = time.monotonic() + 60.0
    while at < before + count - 100:
        at = number()
        assert time.monotonic() < end, f"after a minute, {at - before} of {count} messages were taken"
        if begin is None and at >= before + WARM:
            begin = (time.process_time(), time.monotonic(), at)
        sender.stdin.write(b"%d\n" % (at - before))
        await asyncio.sleep(0.01)
    assert begin is not None
    cpu, wall, done = time.process_time() - begin[0], time.monotonic() - begin[1], at - begin[2]
    await until(lambda: number() >= before + count, "the last messages")
    sender.stdin.close()
    await sender.wait()
    return cpu / done * 1e6, done / wall


async def floor(port: int, count: int, batch: int) -> Taken:
    """The bare consumer."""
    taken = 0
    model = Reading if batch == 1 else Readings

    async def consume() -> None:
        nonlocal taken
        async with aiomqtt.Client("127.0.0.1", port, protocol=aiomqtt.ProtocolVersion.V311) as client:
            await client.subscribe(PREFIX + "#")
            ready.set()
            async for message in client.messages:
                model.model_validate_json(message.payload)
                taken += 1

    ready = asyncio.Event()
    task = asyncio.create_task(consume())
    await ready.wait()
    cpu_us, rate = await measured(port, count, batch, lambda: taken)
    task.cancel()
    await asyncio.wait([task])
    return Taken(cpu_us, rate, 1.0)


def driver_on(
    url: str, recorder: Recorder | None, sinks: list[Callable[[Finding], None]], intake: Intake | None = None
) -> LiveDriver:
    """The whole live pipeline, as `stopmark watch` makes it."""
    rules = default_rules_path()
    where = parse_broker_url(url, {})
    text = read_text(Path(rules)) + SWITCHED
    return LiveDriver(rig_in_us(), text, str(rules), where, StreamClock.live(), "LIVE", recorder, sinks, intake=intake)


async def running(driver: LiveDriver, work: Callable[[], Awaitable[None]]) -> None:
    """`work` while the driver runs."""
    task = asyncio.create_task(driver.run())
    await until(lambda: driver.runner.connected is True or task.done(), "a connection")
    await work()
    task.cancel()
    await asyncio.wait([task])


async def pipeline(url: str, count: int, batch: int, folder: Path | None) -> Taken:
    """The monitor; with a recorder where there is a folder."""
    with ExitStack() as stack:
        recorder = None
        if folder is not None:
            header = header_of(rig_in_us(), "", "LIVE", 0)
            path = folder / f"figures-{time.monotonic_ns()}.stopmark"
            recorder = stack.enter_context(Recorder(path, header))
        driver = driver_on(url, recorder, [])
        port = parse_broker_url(url, {}).port
        found: list[float] = []

        async def work() -> None:
            found.extend(await measured(port, count, batch, lambda: driver.runner.frames + driver.runner.dropped))

        await running(driver, work)
        rejects = driver.core.snapshot().rejects
        refused = sum(rejects.values())
        if driver.runner.dropped or (recorder is not None and recorder.lost):
            print(f"{driver.runner.dropped} messages were dropped: this figure is none", file=sys.stderr)
    # A machine that stalls makes readings come too late, or so late that the block seems elsewhere: they are not wrong.
    wrong = refused - sum(rejects.get(reason.value, 0) for reason in (RejectReason.TOO_OLD, RejectReason.GATE))
    if wrong:
        print(f"refused: {dict(rejects)}", file=sys.stderr)
    return Taken(found[0], found[1], 1.0 - refused / (count * batch), wrong)


async def rates(broker: Mosquitto, folder: Path, batch: int, count: int, rounds: int) -> list[Figure]:
    """Floor, pipeline and pipeline with recorder in turn; of each the best round, for noise only ever adds."""
    kinds: dict[str, Callable[[], Awaitable[Taken]]] = {
        "floor: aiomqtt + pydantic": lambda: floor(broker.port, count, batch),
        "pipeline": lambda: pipeline(broker.url, count, batch, None),
        "pipeline with recorder": lambda: pipeline(broker.url, count, batch, folder),
    }
    runs: dict[str, list[Taken]] = {name: [] for name in kinds}
    for _ in range(rounds):
        for name, run in kinds.items():
            runs[name].append(await run())
    print(f"{'messages of ' + str(batch) + ' readings':<28} {'us CPU each':>12} {'readings/s of CPU':>18} "
          f"{'readings/s':>12} {'rate to floor':>14} {'used':>7}")  # fmt: skip
    base = 0.0
    figures = []
    for name, taken in runs.items():
        cpu_us = min(run.cpu_us for run in taken)
        rate = max(run.rate for run in taken)
        base = base or cpu_us
        print(f"{name:<28} {cpu_us:>12.2f} {batch * 1e6 / cpu_us:>18,.0f} {batch * rate:>12,.0f} "
              f"{base / cpu_us:>14.2f} {min(run.used for run in taken):>7.1%}", flush=True)  # fmt: skip
        name = f"{name}, {'one reading' if batch == 1 else f'{batch} readings'} a message"
        figures.append(
            Figure(f"{name}: readings per second of CPU", batch * 1e6 / cpu_us, "", "250,000" if batch > 1 else "")
        )
        if cpu_us != base:
            figures.append(Figure(f"{name}: rate, with the bare consumer as 1", base / cpu_us, "", "0.5, better 0.7"))
    return figures


async def news(broker: Mosquitto, folder: Path, seconds: float, rate_hz: float) -> list[Figure]:
    """From the publishing of a reading to its finding, with the recorder on.

    What is beyond the grid is the whole time without the wait from the reading's arrival to the grid point that follows it.
    The floor is a process that hears the same message through aiomqtt and does nothing but wait for its next 50 ms.
    """
    arrived: list[int] = []
    out: list[tuple[int, int]] = []
    """When a finding came out (monotonic) and the grid point it is of (stream), ns."""

    def sink(finding: Finding) -> None:
        if finding.key == "switched" and finding.after == "unacknowledged":
            out.append((time.monotonic_ns(), finding.t_ns))

    with Recorder(folder / "news.stopmark", header_of(rig_in_us(), "", "LIVE", 0)) as recorder:

        def noted(_topics: Sequence[str], on_frame: OnFrame) -> OnFrame:
            def take(frame: Frame) -> None:
                if frame.topic.endswith(SWITCH):
                    arrived.append(frame.t_ns)
                on_frame(frame)

            return take

        driver = driver_on(broker.url, recorder, [sink], Intake("figures/nothing", noted))
        count = round(seconds * rate_hz)
        words = [sys.executable, "-m", "tests.benchmarks.sender", str(broker.port), str(count), "1"]
        words += ["--rate", str(rate_hz), "--every", "0.2"]
        reported: list[tuple[int, int]] = []
        heard: list[list[int]] = []

        async def listen(listener: asyncio.subprocess.Process) -> None:
            assert listener.stdout is not None
            while line := await listener.stdout.readline():
                heard.append([int(word) for word in line.split()])

        async def work() -> None:
            listener = await asyncio.create_subprocess_exec(
                *(sys.executable, "-m", "tests.benchmarks.listener", str(broker.port)), stdout=asyncio.subprocess.PIPE
            )
            assert listener.stdout is not None
            await listener.stdout.readline()
            listening = asyncio.create_task(listen(listener))
            sender = await asyncio.create_subprocess_exec(
                *words, stdin=asyncio.subprocess.DEVNULL, stdout=asyncio.subprocess.PIPE
            )
            assert sender.stdout is not None
            while line := await sender.stdout.readline():
                moment, state = line.split()
                reported.append((int(moment), int(state)))
            await until(lambda: len(arrived) == len(reported), "the last reading of the switch")
            await until(lambda: driver.core.now_ns > arrived[-1] + 2 * GRID_NS, "the last grid point")
            await until(lambda: len(heard) == sum(state for _, state in reported), "the last word of the floor")
            await sender.wait()
            listener.terminate()
            await listening
            await listener.wait()

        await running(driver, work)
    turned_on = [(moment, t_ns) for (moment, state), t_ns in zip(reported, arrived, strict=True) if state]
    assert len(turned_on) == len(out), f"{len(turned_on)} times on, {len(out)} findings"
    beyond, whole, bare = [], [], []
    for (moment, t_ns), (found, grid_ns), (_, woke, waited) in zip(turned_on, out, heard, strict=True):
        whole.append((found - moment) * 1e-6)
        beyond.append(whole[-1] - (grid_ns - t_ns) * 1e-6)
        bare.append((woke - moment - waited) * 1e-6)
    print(f"publish to finding at {rate_hz:.0f} messages/s, {len(out)} findings, recorder on")
    figures = []
    for name, times in (("floor beyond 50 ms", bare), ("beyond the 50 ms grid", beyond), ("as a whole", whole)):
        centiles = statistics.quantiles(times, n=100, method="inclusive")
        shown = f"50 % {centiles[49]:6.2f} ms, 99 % {centiles[98]:6.2f} ms, worst {max(times):6.2f} ms"
        print(f"  {name:<24} {shown}", flush=True)
        title = f"publish to finding at {rate_hz:.0f} messages/s, {name}"
        figures += [
            Figure(f"{title}, median", centiles[49], "ms"),
            Figure(f"{title}, 99 %", centiles[98], "ms", "5" if name.startswith("beyond") else ""),
        ]
    return figures


async def measure(parts: list[str], messages: int, rounds: int, seconds: float, rate_hz: float) -> list[Figure]:
    """The parts asked for, on one broker."""
    figures: list[Figure] = []
    with TemporaryDirectory() as name:
        folder = Path(name)
        extra = ["max_queued_messages 0", "set_tcp_nodelay true"]
        broker = Mosquitto(folder / "broker", quiet=True, extra=extra).start()
        try:
            if "rate" in parts:
                figures += await rates(broker, folder, 1, messages, rounds)
            if "batches" in parts:
                figures += await rates(broker, folder, BATCH, messages // 5, rounds)
            if "news" in parts:
                figures += await news(broker, folder, seconds, rate_hz)
        finally:
            broker.stop()
    return figures


PARTS = ("rate", "batches", "news")


def main(arguments: Sequence[str] | None = None) -> list[Figure]:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("parts", nargs="*", choices=[*PARTS, []], help="which figures (default: all)")
    parser.add_argument("--messages", type=int, default=60_000, help="messages per consumer and round")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--seconds", type=float, default=120.0, help="length of the run for the news")
    parser.add_argument("--rate", type=float, default=500.0, help="messages a second for the news")
    args = parser.parse_args(arguments)
    return asyncio.run(measure(args.parts or list(PARTS), args.messages, args.rounds, args.seconds, args.rate))


if __name__ == "__main__":
    main()
