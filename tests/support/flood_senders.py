"""A flood through a real mosquitto, in the words of `tests.support.flood_broker`:
``python -m tests.support.flood_senders --rate N --seconds S``.

It prints the broker's port, sends the land rig's readings at their rates, and at a line on its input has several senders
offer N messages a second together (as many as Python gets out); what they really sent is printed as JSON.
"""

import argparse
import json
import select
import socket
import subprocess
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.support.broker import Mosquitto
from tests.support.flood_broker import STEP_S, Readings
from tests.support.sender import hello

SENDERS = 3


def connected(port: int, name: str) -> socket.socket:
    """A sender's connection that stands."""
    link = socket.create_connection(("127.0.0.1", port))
    link.sendall(hello(name))
    assert link.recv(4)[3] == 0
    return link


def send(port: int, number: int, rate: float, seconds: float) -> None:
    """One sender."""
    link, readings = connected(port, f"sender-{number}"), Readings()
    places = len(readings.sensors)
    sent = 0
    start_s = time.monotonic()
    while (now_s := time.monotonic()) < start_s + seconds:
        due = min(2000, round((now_s - start_s) * rate) - sent)
        wall_s = time.time()
        link.sendall(b"".join(readings.one(n % places, wall_s + n * 1e-6) for n in range(due)))
        sent += due
        time.sleep(max(0.0, STEP_S - (time.monotonic() - now_s)))
    link.sendall(b"\xc0\x00")
    assert link.recv(2) == b"\xd0\x00"  # the broker has taken all that came before
    print(sent)


def main() -> None:
    """Serve until the input ends."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rate", type=float, default=100_000.0)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--least", type=int, default=0, help="no bound here: the senders offer what they can")
    parser.add_argument("--sender", nargs=2, type=int, metavar=("PORT", "NUMBER"), help="be one of the senders")
    args = parser.parse_args()
    if args.sender:
        port, number = args.sender
        send(port, number, args.rate / SENDERS, args.seconds)
        return
    with TemporaryDirectory() as folder:
        broker = Mosquitto(Path(folder), quiet=True).start()
        try:
            print(broker.port, flush=True)
            link, readings = connected(broker.port, "usual"), Readings()
            senders: list[subprocess.Popen[str]] = []
            start_s = due_s = time.monotonic()
            while True:
                link.sendall(readings.usual()[0])
                due_s = max(due_s + STEP_S, time.monotonic())
                time.sleep(max(0.0, due_s - time.monotonic()))
                if senders and all(sender.poll() is not None for sender in senders):
                    took_s = time.monotonic() - start_s
                    sent = sum(int(sender.communicate()[0]) for sender in senders)
                    reported = {
                        "sent": sent,
                        "usual": 0,
                        "seconds": took_s,
                        "rate": sent / took_s,
                        "megabytes": sent * 7e-5,
                    }
                    print(json.dumps({**reported, "end": time.monotonic()}), flush=True)
                    senders = []
                if select.select([sys.stdin], [], [], 0)[0]:
                    if not sys.stdin.readline():
                        return
                    words = ["--rate", str(args.rate), "--seconds", str(args.seconds)]
                    start_s = time.monotonic()
                    senders = [
                        subprocess.Popen(
                            [
                                sys.executable,
                                "-m",
                                "tests.support.flood_senders",
                                *words,
                                "--sender",
                                str(broker.port),
                                str(n),
                            ],
                            stdout=subprocess.PIPE,
                            text=True,
                        )
                        for n in range(SENDERS)
                    ]
        finally:
            broker.stop()


if __name__ == "__main__":
    main()
