"""A live monitor of the land rig that tells how it fares: ``python -m tests.support.flooded_child URL FOLDER [options]``.

Options: ``--screen``, ``--page`` (then the first line is its address), ``--gaps``.

Ten times a second it prints a line of JSON: its memory, what it took and dropped, how late its loop, its rules and its
readings are, and the alarms that stand. It ends with its input.
"""

import argparse
import asyncio
import contextlib
import json
import os
import sys
import time
from pathlib import Path

from monitor.adapters.host.clock import StreamClock
from monitor.adapters.mqtt.address import parse_broker_url
from monitor.adapters.sessions.recorder import Recorder
from monitor.config.rig_file import find_rig
from monitor.config.rules_file import default_rules_path
from monitor.model.snapshot import Snapshot
from monitor.model.stream import Frame
from monitor.runtime.assembly import header_of
from monitor.runtime.live import LiveDriver, run_for, settle_memory

PAGE_BYTES = os.sysconf("SC_PAGE_SIZE")
STATM = Path("/proc/self/statm")
PERIOD_S = 0.1
SAMPLED = 50
"""Of so many messages one is looked at for its age."""


class Watched(LiveDriver):
    """A live driver that keeps an eye on itself."""

    ages: list[float]
    said: list[str]
    """Words for the connection, each change since the last line: some stand for a hundredth of a second only."""
    sent_s: dict[str, float]
    gaps_s: dict[str, float]
    """The longest time between two readings of a sensor, as their sender says it, since the last line; not of the first
    sensor, which some faults have gone mad."""
    late_ns = 0
    advanced_cpu_s = 0.0
    busy_cpu_s = 0.0
    """The most CPU time of the loop's thread that went by between two turns of the rules."""
    seen = 0
    pulled_s = 0.0
    pulled_cpu_s = 0.0
    gap_s = 0.0
    """Longest time between two looks of the screen."""
    gap_cpu_s = 0.0
    """The same in CPU time of the loop's thread."""

    def watch_closely(self, watch_gaps: bool) -> None:
        """Look at ages and delays from now on, and with `watch_gaps` at each reading of all sensors but the first."""
        self.ages = []
        self.said = []
        self.sent_s, self.gaps_s = {}, {}
        others = {self.rig.topic(sensor): sensor.id for sensor in self.rig.sensors[1:]}
        self._others = others if watch_gaps else {}
        self._on_frame = self._look
        advance = self.runner.advance

        def advanced(t_ns: int) -> None:
            # How far the rules are behind the clock at the moment before they catch up.
            self.late_ns = max(self.late_ns, t_ns - self.core.now_ns) if self.core.now_ns else 0
            self.busy_cpu_s = (
                max(self.busy_cpu_s, time.thread_time() - self.advanced_cpu_s) if self.advanced_cpu_s else 0.0
            )
            advance(t_ns)
            self.advanced_cpu_s = time.thread_time()

        self.runner.advance = advanced  # type: ignore[method-assign]

    def _look(self, frame: Frame) -> None:
        topic, payload = frame.topic, frame.payload
        self.seen += 1
        if self.seen % SAMPLED == 0 and len(payload) < 100:
            at = payload.find(b'"t": ')
            if at > 0:
                sent_ms = float(payload[at + 5 :].split(b",")[0].rstrip(b"}"))
                self.ages.append(time.time() - sent_ms * 1e-3)
        if (name := self._others.get(topic)) is not None:
            sent_s = float(payload.rpartition(b'"t": ')[2].rstrip(b"}")) * 1e-3
            if name in self.sent_s:
                self.gaps_s[name] = max(self.gaps_s.get(name, 0.0), sent_s - self.sent_s[name])
            self.sent_s[name] = sent_s
        self.runner.message(frame)

    def _connection(self, connected: bool, words: str) -> None:
        self.said.append(words)
        super()._connection(connected, words)

    def snapshot(self) -> Snapshot | None:
        """As the screen pulls it."""
        now_s = time.monotonic()
        if self.pulled_s:
            self.gap_s = max(self.gap_s, now_s - self.pulled_s)
            self.gap_cpu_s = max(self.gap_cpu_s, time.thread_time() - self.pulled_cpu_s)
        self.pulled_s, self.pulled_cpu_s = now_s, time.thread_time()
        return super().snapshot()


def memory_bytes() -> int:
    """Resident memory of this process."""
    return int(STATM.read_text(encoding="ascii").split()[1]) * PAGE_BYTES


async def report(driver: Watched, recorder: Recorder) -> None:
    """Print how it fares until the input ends."""
    due_s = time.monotonic()
    ended = asyncio.get_running_loop().run_in_executor(None, sys.stdin.read)
    while not ended.done():
        due_s += PERIOD_S
        await asyncio.sleep(max(0.0, due_s - time.monotonic()))
        late_s = time.monotonic() - due_s
        due_s = max(due_s, time.monotonic() - PERIOD_S)
        rss = memory_bytes()
        ages, driver.ages = sorted(driver.ages), []
        said, driver.said = driver.said, []
        gaps_s, driver.gaps_s = driver.gaps_s, {}
        snap = LiveDriver.snapshot(driver)
        source = driver.source
        if source is None:
            continue  # nothing can have been said yet
        reported = {
            "at": time.monotonic(),
            "cpu": time.process_time(),
            "rss_mb": rss / 1e6,
            "received": source.received,
            "dropped": driver.runner.dropped,
            "foreign": source.foreign,
            "lost": recorder.lost,
            "connected": driver.runner.connected,
            "connections": source.connections,
            "said": said,
            "late_s": late_s,
            "gaps_s": gaps_s,
            "rules_late_s": driver.late_ns * 1e-9,
            "rules_cpu_s": driver.busy_cpu_s,
            "age_s": ages[len(ages) // 2] if ages else None,
            "age_most_s": ages[-1] if ages else None,
            "screen_gap_s": driver.gap_s,
            "screen_cpu_s": driver.gap_cpu_s,
            "silent": sum(sensor.stale for sensor in snap.sensors) if snap else None,
            "alarms": sorted(alarm.key for alarm in snap.alarms if alarm.active) if snap else [],
            "rejects": dict(snap.rejects) if snap else {},
        }
        driver.late_ns, driver.gap_s, driver.busy_cpu_s, driver.gap_cpu_s = 0, 0.0, 0.0, 0.0
        print(json.dumps(reported), flush=True)


async def show_page(driver: LiveDriver) -> None:
    """Serve the screen to browsers of this machine while the driver runs."""
    from monitor.adapters.host.shutdown import Ending
    from monitor.web.hub import Hub, OneRig
    from monitor.web.server import WebPage

    with WebPage("127.0.0.1", 0) as page:
        print(json.dumps(page.url), flush=True)
        await page.show(Hub(OneRig(driver)), lambda stop: run_for(driver, None, stop.is_set), Ending())


async def watch(url: str, folder: Path, rules: Path, text: str, screen: bool, page: bool, gaps: bool) -> None:
    """Watch with the rules in `text`, recording in `folder`."""
    rig, clock = find_rig("land"), StreamClock.live()
    with Recorder(folder / "flood.stopmark", header_of(rig, text, "LIVE", clock.now_ns())) as recorder:
        driver = Watched(rig, text, str(rules), parse_broker_url(url, {}), clock, "LIVE", recorder)
        driver.watch_closely(gaps)
        settle_memory()
        if screen:
            from monitor.ui.app import StopmarkApp

            app = StopmarkApp(driver)
            running = asyncio.create_task(app.run_async(headless=True, size=(120, 40)))
        else:
            running = asyncio.create_task(show_page(driver) if page else driver.run())
        telling = asyncio.create_task(report(driver, recorder))
        await asyncio.wait((running, telling), return_when=asyncio.FIRST_COMPLETED)
        for task in (telling, running):
            if task.done():
                task.result()
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task


def main() -> None:
    """Watch until the input ends."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("url")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--screen", action="store_true", help="with the screen, drawn and thrown away")
    parser.add_argument("--page", action="store_true", help="with the page for browsers")
    parser.add_argument(
        "--gaps", action="store_true", help="tell of holes in the readings of all sensors but the first"
    )
    args = parser.parse_args()
    rules = Path(default_rules_path())
    asyncio.run(
        watch(args.url, args.folder, rules, rules.read_text(encoding="utf-8"), args.screen, args.page, args.gaps)
    )


if __name__ == "__main__":
    main()
