"""A process that does nothing but hear of the switch and wait for the next 50 ms of the clock; the floor for news.

``python -m tests.benchmarks.listener PORT``: for each time that `sender` turns the switch on, prints one line when its turn
comes: when the message came and when the line is written, by the monotonic clock, and how long it waited in between, all ns.
"""

import asyncio
import sys
import time

import aiomqtt

from monitor.model.stream import GRID_NS
from tests.benchmarks.sender import PREFIX, SWITCH


async def listen(port: int) -> None:
    """Until the process is ended."""
    reported = set()

    async def report(arrived_ns: int, due_ns: int) -> None:
        await asyncio.sleep((due_ns - time.monotonic_ns()) * 1e-9)
        print(arrived_ns, time.monotonic_ns(), due_ns - arrived_ns, flush=True)

    async with aiomqtt.Client("127.0.0.1", port, protocol=aiomqtt.ProtocolVersion.V311) as client:
        await client.subscribe(PREFIX + "#")
        print("ready", flush=True)
        async for message in client.messages:
            if message.topic.value == PREFIX + SWITCH and b'"value": 1' in bytes(message.payload):
                arrived_ns = time.monotonic_ns()
                task = asyncio.create_task(report(arrived_ns, arrived_ns + GRID_NS - arrived_ns % GRID_NS))
                reported.add(task)
                task.add_done_callback(reported.discard)


if __name__ == "__main__":
    asyncio.run(listen(int(sys.argv[1])))
