"""A `stopmark watch --web` in the background, and a block that a hand moves for it."""

import asyncio
import os
import re
import resource
import subprocess
import sys
import threading
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import aiohttp

from tests.commands.test_commands import ROOT, Hand, own_rig
from tests.support.broker import Mosquitto, wait_until

END_S = 60.0
VIEWER = re.compile(r" -m monitor\.(web|fleet\.rigs)\.viewer")
PASSWORD = "only-the-monitor-knows"


class Served:
    """A `stopmark watch --web` in the background."""

    def __init__(self, folder: Path, broker_url: str, *more: str, handles: int = 0, fleet: Path | None = None) -> None:
        """With `handles` it may have so many files open. It watches one rig, or those of a `fleet` file."""
        self.data = folder / "data"
        rigs = ["--rig", str(own_rig(folder))] if fleet is None else ["--fleet", str(fleet)]
        self.process = subprocess.Popen(
            [sys.executable, "-m", "monitor.cli", "watch", *rigs, "--broker", broker_url, "--web", "--port", "0",
              "--data", str(self.data), *more],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT,
            env=os.environ | {"STOPMARK_MQTT_USER": "watcher", "STOPMARK_MQTT_PASSWORD": PASSWORD},
            preexec_fn=(lambda: resource.setrlimit(resource.RLIMIT_NOFILE, (handles, handles))) if handles else None,
        )  # fmt: skip
        self.reported: list[str] = []
        self._ears = threading.Thread(target=self._listen, daemon=True)
        self._ears.start()
        wait_until(lambda: bool(self.urls) or self.process.poll() is not None, "the address of the page", 60.0)
        assert self.urls, self.reported

    def _listen(self) -> None:
        assert self.process.stderr is not None
        for line in self.process.stderr:
            self.reported.append(line)

    @property
    def urls(self) -> list[str]:
        return re.findall(r"http://\S+", "".join(self.reported))

    @property
    def url(self) -> str:
        return self.urls[0]

    @property
    def port(self) -> int:
        return int(re.search(r":(\d+)/", self.url)[1])  # type: ignore[index]

    @property
    def viewers(self) -> list[int]:
        """Process numbers of its viewers."""
        children = Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children").read_text().split()
        return [int(child) for child in children if VIEWER.search(command_line(int(child)))]

    def end(self, number: int) -> int:
        """End it by a signal; its exit code."""
        self.process.send_signal(number)
        code = self.process.wait(END_S)
        self._ears.join(END_S)
        assert "Traceback" not in "".join(self.reported)
        return code


def command_line(process: int) -> str:
    """Of a process; empty when there is none, or it has ended and only waits to be counted."""
    return of_process(process, "cmdline")


def of_process(process: int, file: str) -> str:
    """One of the kernel's files about a process; empty when there is none."""
    try:
        return Path(f"/proc/{process}/{file}").read_bytes().replace(b"\0", b" ").decode()
    except OSError:
        return ""


@asynccontextmanager
async def feeding(broker: Mosquitto, from_ft: float, ft_s: float) -> AsyncIterator[None]:
    """A block that moves down by hand and then stands, for as long as the context lasts."""
    hand, end = Hand(broker), threading.Event()

    def move() -> None:
        hand.run_down(from_ft, ft_s, 3.0)
        while not end.is_set():
            hand.run_down(from_ft - 3.0 * ft_s, 0.0, 0.2)

    mover = asyncio.create_task(asyncio.to_thread(move))
    try:
        yield
    finally:
        end.set()
        await mover
        hand.close()


@asynccontextmanager
async def knocking(**options: Any) -> AsyncIterator[aiohttp.ClientSession]:
    async with aiohttp.ClientSession(**options) as web:
        yield web
