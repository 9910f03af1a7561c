"""What it costs to watch many rigs at once: processor, memory and delay; their sensors speak 1 to 5 times a second.

Run it with ``python -m tests.benchmarks.rigs_figures``. The rigs are simulated beforehand (several seeds of one trip) and
published by a process of its own through mosquitto, so that only the monitor is measured: processes of the rigs with core,
recorder and ledger, the supervisor, and the overview drawn four times a second. Processor time is the system's own count over the
whole time; memory is what is used alone, with a part of what is shared (PSS).
"""

import argparse
import asyncio
import contextlib
import multiprocessing
import os
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

import aiomqtt

from monitor.adapters.mqtt.address import parse_broker_url
from monitor.commands import watch
from monitor.commands.common.several_rigs import several_rigs, supervisor_of
from monitor.config.rig_file import find_rig, load_rig
from monitor.fleet.rigs.overview import Overview, draw_overview, shown
from monitor.fleet.rigs.supervisor import Supervisor
from monitor.presentation.format import Units
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.scenario import find_scenario
from tests.benchmarks.figures import Figure, show
from tests.benchmarks.recording_figures import pss_bytes
from tests.support.broker import Mosquitto, until
from tests.support.slow_rigs import fleet_of, slow_rig

SEEDS: Final = 5
START_S: Final = 300.0
DRAW_S: Final = 0.25
_TICKS: Final = os.sysconf("SC_CLK_TCK")
Sent = list[tuple[float, str, bytes]]


def main(arguments: Sequence[str] | None = None) -> list[Figure]:
    """Print the figures."""
    parser = argparse.ArgumentParser(description="Many rigs at once.")
    parser.add_argument("--rigs", type=int, default=50, help="rigs")
    parser.add_argument("--seconds", type=float, default=60.0, help="length of the measurement")
    args = parser.parse_args(arguments)
    with TemporaryDirectory() as name:
        return show(*asyncio.run(_measured(Path(name), args.rigs, args.seconds)))


async def _measured(folder: Path, count: int, seconds: float) -> list[Figure]:
    names = [f"rig-{number:02}" for number in range(count)]
    fleet = fleet_of(folder, names)
    recorded = _simulated(folder, seconds + 40.0)
    broker = Mosquitto(folder / "broker", quiet=True).start()
    context = multiprocessing.get_context("spawn")
    sender = context.Process(target=_send, args=(broker.port, names, recorded), daemon=True)
    try:
        words = _words(str(fleet), broker.url, str(folder / "data"))
        rigs = several_rigs(words)
        began_s = time.monotonic()
        async with supervisor_of(words, rigs, parse_broker_url(broker.url, {})) as supervisor:
            await until(lambda: all(rig.row and rig.row.t_ns for rig in supervisor.rigs), "all rigs", START_S)
            started_s = time.monotonic() - began_s
            sender.start()
            await until(
                lambda: all(rig.row and rig.row.height.known for rig in supervisor.rigs), "all heights", START_S
            )
            await asyncio.sleep(5.0)
            return [
                Figure(f"{count} rigs, from the first to the last that is watched", started_s, "s"),
                *await _while_watching(supervisor, count, seconds),
            ]
    finally:
        if sender.pid is not None:
            sender.kill()
        broker.stop()


async def _while_watching(supervisor: Supervisor, count: int, seconds: float) -> list[Figure]:
    pids = [rig.pid for rig in supervisor.rigs if rig.pid is not None]
    children_s, own_s, began_s = sum(map(_cpu_s, pids)), time.process_time(), time.monotonic()
    oldest_s = age_s = draw_s = 0.0
    while (passed_s := time.monotonic() - began_s) < seconds:
        now_s = time.monotonic()
        rows = [rig.row for rig in supervisor.rigs if rig.row is not None]
        oldest_s = max(oldest_s, *(now_s - rig.row_s for rig in supervisor.rigs))
        age_s = max(age_s, *(row.age_s for row in rows))
        at_s = time.process_time()
        view = Overview([shown(rig, now_s) for rig in supervisor.rigs], "LIVE", Units("si"), time.time_ns())
        draw_overview(view, 120, 60)
        draw_s = max(draw_s, time.process_time() - at_s)
        await asyncio.sleep(DRAW_S)
    used_s, own_s = sum(map(_cpu_s, pids)) - children_s, time.process_time() - own_s
    samples = {
        name: [value for rig in supervisor.rigs for one in rig.families if one.name == name for _, value in one.samples]
        for name in ("stopmark_loop_lag_seconds", "stopmark_dropped_frames_total", "stopmark_frames_total")
    }
    memory = [pss_bytes(pid) for pid in pids]
    return [
        Figure("processor of all rigs' processes", used_s / passed_s, "cores", "2"),
        Figure("processor of one rig", used_s / passed_s / count * 100.0, "% of a core"),
        Figure("processor of the supervisor, the overview drawn 4 times a second", own_s / passed_s, "cores"),
        Figure("drawing the overview once, at most", draw_s * 1e3, "ms"),
        Figure("memory of one rig's process (PSS), at most", max(memory) / 1e6, "MB"),
        Figure("memory of all of them (PSS)", sum(memory) / 1e6, "MB"),
        Figure("oldest row that the overview showed", oldest_s, "s", "3"),
        Figure("oldest position that any row told", age_s, "s", "1.5"),
        Figure("longest delay of any rig's loop in its last minute", max(samples["stopmark_loop_lag_seconds"]), "s"),
        Figure("messages dropped by all rigs", sum(samples["stopmark_dropped_frames_total"]), "messages", "0"),
        Figure("rigs started more than once", sum(rig.starts > 1 for rig in supervisor.rigs), "rigs", "0"),
    ]


def _words(fleet: str, url: str, data: str) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    watch.add_arguments(parser)
    return parser.parse_args(["--fleet", fleet, "--broker", url, "--data", data])


def _simulated(folder: Path, seconds: float) -> list[Sent]:
    """What one rig sends, of several seeds: time from the start, sensor's id, payload."""
    rig, plan = load_rig(slow_rig(folder)), find_scenario("calm-trip")
    plan = plan.on(rig, find_rig(plan.rig))
    return [
        [
            ((frame.t_ns - source.origin_ns) * 1e-9, frame.topic.rpartition("/")[2], frame.payload)
            for frame in source
            if not frame.topic.startswith("$")
        ]
        for source in (PlantSource(rig, plan, seed, duration_s=seconds) for seed in range(SEEDS))
    ]


def _in_order(names: Sequence[str], recorded: Sequence[Sent]) -> Iterator[tuple[float, str, bytes]]:
    """What all rigs send, in order of time."""
    yield from sorted(
        (at_s + 0.013 * place, f"rig/{name}/hoist/{sensor}", payload)
        for place, name in enumerate(names)
        for at_s, sensor, payload in recorded[place % len(recorded)]
    )


def _send(port: int, names: Sequence[str], recorded: Sequence[Sent]) -> None:
    async def send() -> None:
        began_s = time.monotonic()
        async with aiomqtt.Client("127.0.0.1", port, max_queued_outgoing_messages=0) as client:
            for at_s, topic, payload in _in_order(names, recorded):
                ahead_s = at_s - (time.monotonic() - began_s)
                if ahead_s > 0.001:
                    await asyncio.sleep(ahead_s)
                await client.publish(topic, payload)

    with contextlib.suppress(aiomqtt.MqttError):
        asyncio.run(send())


def _cpu_s(pid: int) -> float:
    """Processor time of a process so far."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / _TICKS


if __name__ == "__main__":
    main()
