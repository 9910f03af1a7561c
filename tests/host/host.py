"""What the tests of host faults share: a live run without a broker, and what its folder holds afterwards."""

import asyncio
import contextlib
import json
import sqlite3
import subprocess
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from monitor.adapters.host.clock import StreamClock
from monitor.adapters.mqtt.address import parse_broker_url
from monitor.adapters.sessions.reader import SessionReader
from monitor.adapters.sessions.recorder import Recorder
from monitor.config.rig_file import find_rig
from monitor.config.rules_file import default_rules_path
from monitor.config.toml_file import read_text
from monitor.model.stream import Frame
from monitor.runtime.live import LiveDriver

DEADLINE_S = 60.0
NO_BROKER = "mqtt://127.0.0.1:1"


def recorded(data: Path) -> list[Frame]:
    """All frames of a folder's sessions, oldest first; each file must be whole and stand alone."""
    found: list[Frame] = []
    for session in sorted(data.glob("*.stopmark")):
        assert not session.with_name(session.name + "-wal").exists()
        with contextlib.closing(sqlite3.connect(session)) as base:
            assert base.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        with SessionReader(session) as reader:
            found += [item for item in reader.inputs() if isinstance(item, Frame)]
    return found


@asynccontextmanager
async def running(driver: LiveDriver) -> AsyncIterator["asyncio.Task[None]"]:
    task = asyncio.create_task(driver.run())
    try:
        yield task
    finally:
        driver.stop()
        await task


def live(recorder: Recorder | None = None) -> LiveDriver:
    rules = default_rules_path()
    clock = StreamClock.live()
    return LiveDriver(
        find_rig("land"), read_text(Path(rules)), str(rules), parse_broker_url(NO_BROKER, {}), clock, "LIVE", recorder
    )


class Child:
    """`tests.host.host_child`, and what it says."""

    def __init__(self, broker: str, data: Path) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "tests.host.host_child", broker, str(data)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=Path(__file__).parents[2],
        )  # fmt: skip

    def ask(self, word: str = "look") -> dict[str, Any]:
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write(word + "\n")
        self.process.stdin.flush()
        reported: dict[str, Any] = json.loads(self.process.stdout.readline())
        assert reported["alive"]
        return reported
