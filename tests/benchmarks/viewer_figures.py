"""What a watch's viewers cost it: rules late, and the work of its own loop, with nobody at the page and with all it lets in.

Run it with ``python -m tests.benchmarks viewer_figures``; it needs mosquitto. Each viewer is a process of its own, so that
many of them take the machine's time as well: the CPU time of the watch's own loop between two turns of the rules tells the two
apart.
"""

import argparse
import asyncio
import json
from collections.abc import Sequence
from contextlib import AsyncExitStack
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

import aiohttp

from monitor.web.server import MAX_VIEWERS, MOST_CONNECTIONS, MOST_PER_ADDRESS
from tests.benchmarks.figures import Figure, show
from tests.benchmarks.rig_figures import quick_rig, simulated
from tests.support.broker import GRACE_S, Mosquitto
from tests.support.flooding import Child, Line

SETTLE_S: Final = 10.0


def lines_of(child: Child, seconds: float) -> list[Line]:
    """What it says of itself for so long."""
    first = json.loads(child.line(GRACE_S))
    lines = [first]
    while lines[-1]["at"] < first["at"] + seconds:
        lines.append(json.loads(child.line(GRACE_S)))
    return lines


def figures_of(name: str, lines: list[Line]) -> list[Figure]:
    """How late the rules were, and what its loop did itself."""
    late = sorted(line["rules_late_s"] * 1e3 for line in lines)
    work = max(line["rules_cpu_s"] * 1e3 for line in lines)
    share = (lines[-1]["cpu"] - lines[0]["cpu"]) / (lines[-1]["at"] - lines[0]["at"])
    name = f"page, {name}"
    return show(
        Figure(f"{name}: rules late, median", late[len(late) // 2], "ms", "50"),
        Figure(f"{name}: rules late, worst", late[-1], "ms", "100"),
        Figure(f"{name}: the loop's own work between two turns of the rules, worst", work, "ms CPU", "50"),
        Figure(f"{name}: CPU of the watch", 100 * share, "% of a core"),
    )


async def _read(websocket: Any, count: list[int]) -> None:
    async for message in websocket:
        count.append(len(message.data))


async def looked_at(child: Child, base: str, seconds: float) -> list[Line]:
    """With as many browsers as it lets in, half of which never read, and connections that say nothing up to its bound."""
    async with AsyncExitStack() as stack:
        web = await stack.enter_async_context(aiohttp.ClientSession(connector=aiohttp.TCPConnector(limit=0)))
        readers, received = [], list[int]()
        for number in range(MAX_VIEWERS):
            websocket = await stack.enter_async_context(web.ws_connect(f"{base}/ws?width=120&height=40", origin=base))
            if number % 2:
                readers.append(asyncio.create_task(_read(websocket, received)))

        async def knock() -> None:
            """Others that connect and say nothing, again and again."""
            host, port = base.removeprefix("http://").split(":")
            while True:
                idle = [await asyncio.open_connection(host, int(port)) for _ in range(MOST_PER_ADDRESS - MAX_VIEWERS)]
                await asyncio.sleep(1.0)
                for _, writer in idle:
                    writer.close()

        knocking = asyncio.create_task(knock())
        await asyncio.sleep(SETTLE_S)
        for _ in child.lines():
            pass  # of the time in which they came
        received.clear()
        try:
            lines = await asyncio.to_thread(lines_of, child, seconds)
            print(f"received by those who read: {len(received)} messages, {sum(received):,} bytes in {seconds:g} s")
            return lines
        finally:
            for task in (*readers, knocking):
                task.cancel()
            await asyncio.gather(*readers, knocking, return_exceptions=True)


def main(arguments: Sequence[str] | None = None) -> list[Figure]:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=30.0, help="how long each is watched")
    args = parser.parse_args(arguments)
    print(f"{MAX_VIEWERS} viewers, {MOST_CONNECTIONS} connections, {MOST_PER_ADDRESS} of one address")
    with TemporaryDirectory() as name:
        folder = Path(name)
        broker = Mosquitto(folder, quiet=True).start()
        try:
            with simulated(broker, quick_rig(folder)):
                child = Child("tests.support.flooded_child", broker.url, name, "--page")
                try:
                    base = json.loads(child.line(GRACE_S)).rstrip("/")
                    lines_of(child, SETTLE_S)
                    found = figures_of("nobody looks", lines_of(child, args.seconds))
                    seen = asyncio.run(looked_at(child, base, args.seconds))
                    found += figures_of(f"{MAX_VIEWERS} viewers", seen)
                finally:
                    child.end()
        finally:
            broker.stop()
    return found


if __name__ == "__main__":
    main()
