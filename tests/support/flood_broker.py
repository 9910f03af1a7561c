"""A broker for tests that does what no sound one does: ``python -m tests.support.flood_broker MODE [--rate N] [--seconds S]``.

It serves one monitor at a time on a free port of the loopback (printed as the first line) and always sends the land rig's
readings at their rates. A line on its input starts the fault; when that is over it prints what it really sent as JSON, and
goes on with the plain readings until its input ends. A fault lasts S seconds, and longer on a machine that is slow, until what
makes it one has been sent (``--least`` messages; of a drip, until the monitor has come anew), up to a minute.

Modes: ``flood`` (all sensors together at N messages a second), ``one`` (one sensor alone at that rate, the others as
usual), ``storm`` (N distinct topics a second that nobody asked for), ``giant`` (payloads of 256 MB, the most that MQTT knows,
under a sensor's topic), ``batches`` (payloads of 100,000 readings), ``full`` (payloads of 10,000 readings, the largest that
are taken, N readings a second), ``drip`` (one message, byte by byte, longer than anybody waits).
"""

import argparse
import contextlib
import json
import select
import socket
import sys
import time
from typing import Any

from monitor.config.rig_file import find_rig
from tests.support.sender import field, message, packet

STEP_S = 0.01
MOST = 4000
"""Messages made between two sends: a sender that fell behind must not fall silent over catching up."""
GIANT_BYTES = (1 << 28) - 1
LIMIT_S = 60.0
"""How long a fault lasts at most."""
Pieces = tuple[list[bytes], int]


class Readings:
    """Messages of the land rig's sensors."""

    def __init__(self) -> None:
        rig = find_rig("land")
        self.sensors = [(rig.topic(sensor), sensor) for sensor in rig.sensors]
        self._heads = [field(topic.encode()) for topic, _ in self.sensors]
        self._formats = []
        for _, sensor in self.sensors:
            value = b"%07d" if sensor.sequence else b"%d" if sensor.si.dimension == "switch" else b"%05.2f"
            self._formats.append(
                b'{"value": ' + value + b', "t": %.3f' + (b', "seq": %d}' if sensor.sequence else b"}")
            )
        self._sequence = 0
        self._tick = 0
        self._last_s = [0.0] * len(self.sensors)
        self.gaps_s = [0.0] * len(self.sensors)
        """The longest time between two of the usual readings of each sensor."""

    def one(self, place: int, now_s: float) -> bytes:
        """One reading of a sensor."""
        sensor = self.sensors[place][1]
        if sensor.sequence:
            self._sequence += 1
            payload = self._formats[place] % (1_000_000, now_s * 1e3, self._sequence)
        elif sensor.si.dimension == "switch":
            payload = self._formats[place] % (0, now_s * 1e3)
        else:
            payload = self._formats[place] % (20 + now_s % 1, now_s * 1e3)
        body = self._heads[place] + payload
        return bytes((0x30, len(body))) + body if len(body) < 128 else packet(0x30, body)

    def usual(self, but: int = -1) -> tuple[bytes, int]:
        """What is due in one step of `STEP_S` at the sensors' own rates, and how many messages that is."""
        self._tick += 1
        now_s = time.time()
        due = [
            place
            for place, (_, sensor) in enumerate(self.sensors)
            if place != but and (self._tick + place) % max(1, round(1 / (sensor.rate_hz or 20) / STEP_S)) == 0
        ]
        for place in due:
            if self._last_s[place]:
                self.gaps_s[place] = max(self.gaps_s[place], now_s - self._last_s[place])
            self._last_s[place] = now_s
        return b"".join(self.one(place, now_s) for place in due), len(due)


class Peer:
    """The monitor's connection."""

    def __init__(self, server: socket.socket) -> None:
        self._server = server
        self._link: socket.socket | None = None
        self.subscribed = False
        self.connections = 0

    def send(self, data: bytes) -> None:
        """Send all of it, however long that takes. Without a connection it is lost.

        Raises:
            ConnectionError: the monitor hung up.
        """
        if self._link is not None and self.subscribed and data:
            try:
                self._link.sendall(data)
            except OSError:
                self._hang_up()
                raise ConnectionError from None

    def serve(self, wait_s: float) -> None:
        """Let a monitor in and answer it, for at most `wait_s` when there is nothing to do."""
        link = self._link
        sources = [self._server] if link is None else [self._server, link]
        for ready in select.select(sources, [], [], max(0.0, wait_s))[0]:
            if ready is self._server:
                self._hang_up()
                self._link = self._server.accept()[0]
                self._link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                self.connections += 1
            elif link is not None:
                with contextlib.suppress(OSError):
                    data = link.recv(65536)
                    if data:
                        self._answer(link, data)
                        continue
                self._hang_up()

    def _answer(self, link: socket.socket, data: bytes) -> None:
        while data:
            size, shift, at = 0, 0, 1
            while True:
                size |= (data[at] & 0x7F) << shift
                shift += 7
                at += 1
                if not data[at - 1] & 0x80:
                    break
            kind, body, data = data[0] & 0xF0, data[at : at + size], data[at + size :]
            if kind == 0x10:
                link.sendall(packet(0x20, b"\0\0"))
            elif kind == 0x80:
                topics = 0
                rest = body[2:]
                while rest:
                    rest = rest[3 + (rest[0] << 8 | rest[1]) :]
                    topics += 1
                link.sendall(packet(0x90, body[:2] + b"\0" * topics))
                self.subscribed = True
            elif kind == 0xC0:
                link.sendall(packet(0xD0, b""))

    def _hang_up(self) -> None:
        if self._link is not None:
            self._link.close()
        self._link, self.subscribed = None, False


def flood(peer: Peer, readings: Readings, rate: float, seconds: float, mode: str, least: int) -> dict[str, Any]:
    """The fault itself; what was sent."""
    sent = own = size = 0
    start_s = time.monotonic()
    while (now_s := time.monotonic()) < start_s + (seconds if sent >= least else LIMIT_S):
        due = round((now_s - start_s) * rate) - sent
        if mode != "full":
            due = min(due, MOST)
        usual, count = readings.usual(0 if mode == "one" else -1)
        block = b""
        if mode in ("flood", "one"):
            wall_s = time.time()
            places = len(readings.sensors) if mode == "flood" else 1
            block = b"".join(readings.one(n % places, wall_s + n * 1e-6) for n in range(due))
        elif mode == "storm":
            block = b"".join(message(f"rig/land/storm/{n}", b'{"value": 1}') for n in range(sent, sent + due))
        elif mode == "full" and due >= 10_000:
            due = 10_000
            values = b'{"value": [' + b",".join([b"20.5"] * 10_000) + b'], "t": ['
            times = b",".join(b"%.3f" % (time.time() * 1e3 + n / 1000) for n in range(10_000))
            block = message(readings.sensors[2][0], values + times + b"]}")
        else:
            due = 0
        with contextlib.suppress(ConnectionError):
            peer.send((usual if mode != "flood" else b"") + block)
            sent += due
            own += count if mode != "flood" else 0
            size += len(block)
        peer.serve(start_s + STEP_S * (int((now_s - start_s) / STEP_S) + 1) - time.monotonic())
    took_s = time.monotonic() - start_s
    gaps = {sensor.id: gap_s for (_, sensor), gap_s in zip(readings.sensors, readings.gaps_s, strict=True)}
    return {
        "sent": sent,
        "usual": own,
        "seconds": took_s,
        "rate": sent / took_s,
        "megabytes": size / 1e6,
        "gaps_s": gaps,
    }


def heavy(peer: Peer, readings: Readings, seconds: float, mode: str) -> dict[str, float]:
    """Payloads that are no readings: giants and batches far too large."""
    topic = readings.sensors[1][0]
    if mode == "giant":
        body = field(topic.encode())
        head, rest = b"\x30\xff\xff\xff\x7f" + body, GIANT_BYTES - len(body)
        block = b"[" + b"1," * (1 << 19)
    else:
        values = b'{"value": [' + b",".join([b"1"] * 100_000) + b'], "t": 1}'
        head, rest, block = message(topic, values), 0, b""
    sent = size = 0
    start_s = time.monotonic()
    while time.monotonic() < start_s + seconds:
        with contextlib.suppress(ConnectionError):
            peer.send(head)
            left = rest
            while left:
                peer.send(block[:left])
                left -= min(left, len(block))
            sent += 1
            size += len(head) + rest
            peer.send(readings.usual()[0])
        peer.serve(0.0 if mode == "giant" else STEP_S)
    took_s = time.monotonic() - start_s
    return {"sent": sent, "usual": sent, "seconds": took_s, "rate": sent / took_s, "megabytes": size / 1e6}


def drip(peer: Peer, readings: Readings, seconds: float) -> dict[str, float]:
    """One message byte by byte, and another on the next connection, until the time is over."""
    head = field(readings.sensors[1][0].encode())
    start_s, first = time.monotonic(), peer.connections
    sent = left = 0

    def going() -> bool:
        return time.monotonic() < start_s + (seconds if peer.connections > first else LIMIT_S)

    while going():
        with contextlib.suppress(ConnectionError):
            while not peer.subscribed and going():
                peer.serve(0.05)
            begun = peer.connections
            peer.send(b"\x30\xff\x7f" + head)
            left = 0x3FFF - len(head)
            while peer.connections == begun and peer.subscribed and going():
                peer.send(b" ")
                sent, left = sent + 1, left - 1
                peer.serve(0.05)
            if peer.connections != begun:
                left = 0  # a new connection has not begun with it
    with contextlib.suppress(ConnectionError):
        peer.send(b" " * left)  # the message that has begun is ended, so that what follows can be read
    return {"sent": sent, "usual": 0, "seconds": time.monotonic() - start_s, "rate": 0.0, "megabytes": sent / 1e6}


def main() -> None:
    """Serve until the input ends."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("mode", choices=("flood", "one", "storm", "giant", "batches", "full", "drip"))
    parser.add_argument("--rate", type=float, default=100_000.0)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--least", type=int, default=0)
    args = parser.parse_args()
    readings = Readings()
    with socket.create_server(("127.0.0.1", 0)) as server:
        print(server.getsockname()[1], flush=True)
        peer = Peer(server)
        due_s = time.monotonic()
        while True:
            with contextlib.suppress(ConnectionError):
                peer.send(readings.usual()[0])
            due_s = max(due_s + STEP_S, time.monotonic())
            peer.serve(due_s - time.monotonic())  # also when it is late: else nobody would ever be let in
            while (left_s := due_s - time.monotonic()) > 0:
                peer.serve(left_s)
            if not select.select([sys.stdin], [], [], 0)[0]:
                continue
            if not sys.stdin.readline():
                return
            if args.mode in ("giant", "batches"):
                reported = heavy(peer, readings, args.seconds, args.mode)
            elif args.mode == "drip":
                reported = drip(peer, readings, args.seconds)
            else:
                reported = flood(peer, readings, args.rate, args.seconds, args.mode, args.least)
            print(json.dumps({**reported, "end": time.monotonic()}), flush=True)
            due_s = time.monotonic()


if __name__ == "__main__":
    main()
