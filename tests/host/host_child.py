"""A live run in a process of its own whose limits can be changed while it runs. Not a test; the tests of host faults start it.

Usage: python -m tests.host.host_child BROKER_URL FOLDER. Segments of two seconds. For each word read from standard input it takes
one more reading and prints a line of JSON: "look" (how it fares), "starve" (no file handle is left from now on), "feed" (there
are again); "peek" prints without a reading. Ends in order when standard input ends.
"""

import asyncio
import json
import logging
import resource
import sys
from pathlib import Path

from monitor.adapters.host.clock import StreamClock
from monitor.adapters.mqtt.address import parse_broker_url
from monitor.adapters.sessions.folder import DataFolder
from monitor.adapters.sessions.segments import SegmentedRecorder
from monitor.config.rig_file import find_rig
from monitor.config.rules_file import default_rules_path
from monitor.config.toml_file import read_text
from monitor.model.stream import Frame
from monitor.runtime.assembly import header_of
from monitor.runtime.live import LiveDriver, run_for


class Said(logging.Handler):
    """What was logged, warnings and worse."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.lines: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.lines.append(record.getMessage())


async def serve(driver: LiveDriver, recorder: SegmentedRecorder, said: Said) -> None:
    running = asyncio.create_task(run_for(driver, None))
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    while word := (await asyncio.to_thread(sys.stdin.readline)).strip():
        if word == "starve":
            # What is open stays open; a new handle would have a number at or above the limit, so there is none to be had.
            resource.setrlimit(resource.RLIMIT_NOFILE, (3, hard))
        elif word == "feed":
            resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
        if word != "peek":
            now_ns, drum = driver.clock.now_ns(), driver.rig.sensors[0]
            reading = {"value": 1_000_000, "t": now_ns // 1_000_000, "seq": driver.runner.frames % 65_536}
            driver.runner.message(Frame(now_ns, driver.rig.topic(drum), json.dumps(reading).encode()))
        snapshot = driver.snapshot()
        assert snapshot is not None
        print(
            json.dumps({
                "t_ns": snapshot.t_ns, "now_ns": driver.clock.now_ns(), "height": snapshot.value("height").validity.name,
                "stale": snapshot.sensors[0].stale, "frames": driver.runner.frames, "connected": driver.runner.connected,
                "note": driver.runner.note, "state": recorder.state, "problem": recorder.problem,
                "lost": recorder.lost, "alive": not running.done(), "said": said.lines,
                "alarms": [alarm.key for alarm in snapshot.alarms],
            }),
            flush=True,
        )  # fmt: skip
    driver.stop()
    await running


def main(broker: str, folder: Path) -> None:
    said = Said()
    logging.getLogger().addHandler(said)
    rig, rules, clock = find_rig("land"), Path(default_rules_path()), StreamClock.live()
    text = read_text(rules)
    with DataFolder(folder) as held:
        now_ns = clock.now_ns()
        header = header_of(rig, text, "LIVE", now_ns)
        with SegmentedRecorder(held, rig.name, header, now_ns, segment_ns=2_000_000_000) as recorder:
            url = parse_broker_url(broker, {})
            driver = LiveDriver(rig, text, str(rules), url, clock, "LIVE", recorder)
            asyncio.run(serve(driver, recorder, said))


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]))
