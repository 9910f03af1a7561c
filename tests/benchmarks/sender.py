"""A process that publishes readings of the land rig as fast as they are taken, or at a given rate; for the benchmarks.

``python -m tests.benchmarks.sender PORT COUNT BATCH``: sends `COUNT` messages of `BATCH` readings each. It reads, from
standard input, how many messages have been taken so far, one number a line, and is never far ahead (see `WINDOW`):
that way the consumer sets the pace, and no reading grows old in the broker.

``python -m tests.benchmarks.sender PORT COUNT 1 --rate HZ --every S``: sends at a steady rate instead, and about every
S seconds, at random moments, turns a switch over. Each turn is told on standard output as one line: the monotonic clock (ns)
just before it was sent, and the switch's new state.

Source times are the time of sending, in microseconds. The block swings by a metre, so that the readings make sense.
"""

import argparse
import contextlib
import itertools
import math
import os
import random
import select
import socket
import struct
import sys
import time
from collections.abc import Iterator

WINDOW = 2000
"""Messages sent and not yet taken, at most, where each holds one reading; of batches, correspondingly fewer."""
CHUNK = 20
"""Messages that are handed to the network at once."""
PREFIX = "rig/land/hoist/"
SWITCH = "overtravel-air"
PER_SECOND = {
    "drum": 20, "hook-load": 20, "service-1": 20, "service-2": 20, "lever": 20, "emergency-release": 10, "aux-current": 10,
    "accumulator": 5, "clutch": 5, "overtravel-electric": 5, "overtravel-air": 5, "disc-left": 1, "disc-right": 1, "coolant": 1,
}  # fmt: skip
"""How often the land rig's sensors speak: the mix of what is sent."""
STEADY = {
    "hook-load": (900.0, 6.0), "service-1": (0.0, 0.4), "service-2": (0.0, 0.4), "lever": (0.0, 0.4),
    "emergency-release": (140.0, 0.5), "aux-current": (0.0, 0.4), "accumulator": (150.0, 0.4), "disc-left": (60.0, 1.0),
    "disc-right": (60.0, 1.0), "coolant": (40.0, 1.0),
}  # fmt: skip
"""Mean and noise of what stands still; the rest is 0 but for the drum and the clutch."""


def noisy(sensor: str, chance: random.Random) -> Iterator[bytes]:
    """Readings of a sensor that stands still, again and again: made beforehand, so that sending is cheap."""
    mean, noise = STEADY.get(sensor, (1.0 if sensor == "clutch" else 0.0, 0.0))
    return itertools.cycle([b"%.2f" % chance.gauss(mean, noise) if noise else b"%d" % mean for _ in range(1009)])


def drum(run_us: int) -> bytes:
    """Counts of the drum `run_us` after the start: the block swings by a metre, from rest."""
    return b"%d" % (1_184_000 - int(20_480 * math.cos(run_us * 1.6e-7)))


def order(chance: random.Random) -> list[str]:
    """One second's readings of all sensors, mixed."""
    mixed = [sensor for sensor, count in PER_SECOND.items() for _ in range(count)]
    chance.shuffle(mixed)
    return mixed


def packet(topic: str, payload: bytes) -> bytes:
    """An MQTT 3.1.1 PUBLISH of quality 0."""
    name = topic.encode()
    body = struct.pack(">H", len(name)) + name + payload
    left, length = len(body), b""
    while left > 127:
        length += bytes((left & 127 | 128,))
        left >>= 7
    return b"0" + length + bytes((left,)) + body


def connect(port: int) -> socket.socket:
    """A connection to the broker on the loopback."""
    link = socket.create_connection(("127.0.0.1", port))
    link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    head = bytes((0, 4)) + b"MQTT" + bytes((4, 2, 0, 0)) + struct.pack(">H", 6) + b"sender"
    link.sendall(bytes((16, len(head))) + head)
    link.recv(4)
    return link


def messages(batch: int) -> Iterator[bytes]:
    """Packets without end, each made at the moment it is asked for."""
    chance = random.Random(1)
    still = {sensor: noisy(sensor, chance) for sensor in PER_SECOND}
    last_us: dict[str, int] = {}
    start_us = time.time_ns() // 1000
    for number, sensor in enumerate(itertools.cycle(order(chance))):
        now_us = time.time_ns() // 1000
        before_us = last_us.get(sensor, now_us - 50_000)
        now_us = max(now_us, before_us + batch)
        last_us[sensor] = now_us
        if batch == 1:
            values = drum(now_us - start_us) if sensor == "drum" else next(still[sensor])
            times = b"%d" % now_us
        else:
            moments = [now_us - (now_us - before_us) * back // batch for back in range(batch - 1, -1, -1)]
            if sensor == "drum":
                made = [drum(moment - start_us) for moment in moments]
            else:
                made = list(itertools.islice(still[sensor], batch))
            values = b"[" + b",".join(made) + b"]"
            times = b"[" + b",".join([b"%d" % moment for moment in moments]) + b"]"
        extra = b', "seq": %d' % number if sensor == "drum" and batch == 1 else b""
        yield packet(PREFIX + sensor, b'{"value": %b, "t": %b%b}' % (values, times, extra))


class Ledger:
    """How many messages the consumer has taken, as it says on standard input."""

    def __init__(self, window: int) -> None:
        self.taken = 0
        self._window = window
        self._rest = b""

    def wait(self, sent: int) -> None:
        """Return when `sent` is within the window."""
        while sent - self.taken >= self._window or select.select([0], [], [], 0)[0]:
            reported = os.read(0, 65536)
            if not reported:
                sys.exit(0)
            *lines, self._rest = (self._rest + reported).split(b"\n")
            if lines:
                self.taken = int(lines[-1])


def flood(link: socket.socket, count: int, batch: int) -> None:
    """As fast as they are taken."""
    ledger, source = Ledger(WINDOW if batch == 1 else WINDOW // 5), messages(batch)
    for sent in range(0, count, CHUNK):
        ledger.wait(sent)
        link.sendall(b"".join(itertools.islice(source, CHUNK)))


def steady(link: socket.socket, count: int, rate_hz: float, every_s: float) -> None:
    """At `rate_hz`, with a switch turned over now and then."""
    chance, source, state = random.Random(2), messages(1), 0
    due = time.monotonic()
    turn = due + every_s
    for _ in range(count):
        due += 1 / rate_hz
        while turn < due:
            time.sleep(max(0.0, turn - time.monotonic()))
            turn += every_s * (1.0 + 0.25 * chance.random())
            state = 1 - state
            payload = b'{"value": %d, "t": %d}' % (state, time.time_ns() // 1000)
            moment = time.monotonic_ns()
            link.sendall(packet(f"{PREFIX}{SWITCH}", payload))
            print(moment, state, flush=True)
        time.sleep(max(0.0, due - time.monotonic()))
        made = next(source)
        while SWITCH.encode() in made:
            made = next(source)
        link.sendall(made)


def main() -> None:
    """Send, then wait for the end of standard input."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("port", type=int)
    parser.add_argument("count", type=int)
    parser.add_argument("batch", type=int)
    parser.add_argument("--rate", type=float, default=0.0)
    parser.add_argument("--every", type=float, default=1.0)
    args = parser.parse_args()
    link = connect(args.port)
    with contextlib.closing(link):
        if args.rate:
            steady(link, args.count, args.rate, args.every)
        else:
            flood(link, args.count, args.batch)
        sys.stdin.buffer.read()


if __name__ == "__main__":
    main()
