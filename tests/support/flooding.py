"""Play a flood against a live monitor in a process of its own, and sum up how it fared."""

import json
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from queue import Empty, Queue
from threading import Thread
from typing import Any

Line = dict[str, Any]
GRACE_S = 60.0
"""How long a machine may take for what takes a moment when it is not busy."""
LATE_S = 0.25
"""More than this is late, on a machine that is not late anyway."""
SETTLED = 10
"""So many lines in a row, a second of them, show that all is as usual."""


class Child:
    """A Python module as a process that prints lines."""

    def __init__(self, module: str, *words: str) -> None:
        self._module = module
        self.process = subprocess.Popen(
            [sys.executable, "-m", module, *words], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        self._lines: Queue[str] = Queue()
        Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self._lines.put(line)

    def line(self, timeout_s: float) -> str:
        """Its next line."""
        try:
            return self._lines.get(timeout=timeout_s)
        except Empty:
            raise AssertionError(f"{self._module} said nothing for {timeout_s} s") from None

    def lines(self) -> Iterator[str]:
        """What it has said since."""
        while not self._lines.empty():
            yield self._lines.get_nowait()

    def write(self, text: str) -> None:
        """Write a line to it."""
        assert self.process.stdin is not None
        self.process.stdin.write(text + "\n")
        self.process.stdin.flush()

    def end(self) -> None:
        """End its input, and it."""
        assert self.process.stdin is not None
        self.process.stdin.close()
        try:
            self.process.wait(GRACE_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()


@dataclass
class Course:
    """How a monitor fared: before the fault, during it, after it."""

    offered: Line
    """What the sender says of itself."""
    before: list[Line] = field(default_factory=list)
    during: list[Line] = field(default_factory=list)
    after: list[Line] = field(default_factory=list)
    began_s: float = 0.0
    ended_s: float = 0.0

    def most(self, name: str) -> float:
        """The largest value of a figure during the fault; the first line after it tells of its end."""
        return max((line[name] for line in self.during + self.after[:1] if line[name] is not None), default=0.0)

    def median(self, name: str) -> float:
        """The median of a figure during the fault."""
        values = sorted(line[name] for line in self.during if line[name] is not None)
        return float(values[len(values) // 2]) if values else 0.0

    def gain(self, name: str) -> float:
        """By how much a counter grew from the last line before the fault to the last line of all."""
        return float((self.after or self.during)[-1][name] - self.before[-1][name])

    @property
    def memory_mb(self) -> float:
        """By how much its memory grew at most, from before the fault."""
        least = self.before[-1]["rss_mb"]
        return float(max(line["rss_mb"] for line in self.during + self.after) - least)

    @property
    def recovered(self) -> Line | None:
        """The first line after the fault from which on everything was as usual: fresh readings, no sensor silent, the loop
        in time, or at least no later than it was before the fault."""
        most_s = max([LATE_S, *(lateness(line) for line in self.before)])
        for place, line in enumerate(self.after):
            if all(usual(later, most_s) for later in self.after[place:]):
                return line
        return None

    @property
    def recovery_s(self) -> float:
        """From the end of the fault until everything was as usual."""
        line = self.recovered
        return float("inf") if line is None else float(max(0.0, line["at"] - self.ended_s))

    @property
    def recovery_cpu_s(self) -> float:
        """CPU time that the monitor spent from then to then."""
        line = self.recovered
        return float("inf") if line is None else float(line["cpu"] - self.after[0]["cpu"])

    def said(self, words: str) -> bool:
        """Whether `words` were among what was said of the connection, during the fault or after it."""
        return any(words in said for line in self.during + self.after for said in line["said"])

    def alarms(self) -> set[str]:
        """Alarms that stood during the fault or after it and not before."""
        stood = {key for line in self.before for key in line["alarms"]}
        return {key for line in self.during + self.after for key in line["alarms"]} - stood


def lateness(line: Line) -> float:
    """How late the loop and its readings are."""
    return float(max(line["late_s"], line["age_most_s"] or 0.0))


def usual(line: Line, most_s: float) -> bool:
    """Whether a monitor is as it is without any fault."""
    return line["connected"] and line["silent"] == 0 and lateness(line) <= most_s


@contextmanager
def flooded(
    mode: str, folder: Path, rate: float, seconds: float, screen: bool = False, least: int = 0
) -> Iterator[Callable[[], Course]]:
    """A monitor on a broker of `mode`, both running; what is given plays the fault once, for so many seconds and at `least` so
    many messages."""
    words = ("--rate", str(rate), "--seconds", str(seconds), "--least", str(least))
    broker = (
        Child("tests.support.flood_senders", *words)
        if mode == "mosquitto"
        else Child("tests.support.flood_broker", mode, *words)
    )
    monitor: Child | None = None
    try:
        url = f"mqtt://127.0.0.1:{int(broker.line(GRACE_S))}"
        folder.mkdir(parents=True, exist_ok=True)
        more = (["--screen"] if screen else []) + (["--gaps"] if mode == "one" else [])
        monitor = Child("tests.support.flooded_child", url, str(folder), *more)
        yield lambda: _play(broker, monitor, seconds)
    finally:
        if monitor is not None:
            monitor.end()
        broker.end()


def _play(broker: Child, monitor: Child, seconds: float) -> Course:
    before: list[Line] = []
    end_s = time.monotonic() + GRACE_S
    while len(before) < SETTLED or not all(usual(line, LATE_S) for line in before[-SETTLED:]):
        if time.monotonic() > end_s and all(usual(line, float("inf")) for line in before[-SETTLED:]):
            break  # the machine is late by itself: what comes is held against that
        assert time.monotonic() < end_s + GRACE_S, f"the monitor never ran well: {before[-1]}"
        before.append(json.loads(monitor.line(GRACE_S)))
    course = Course({}, before[-SETTLED:], began_s=time.monotonic())
    broker.write("go")
    course.offered = json.loads(broker.line(seconds + 2 * GRACE_S))
    course.ended_s = course.offered["end"]
    lines = [json.loads(line) for line in monitor.lines()] or [json.loads(monitor.line(GRACE_S))]
    end_s = course.ended_s + GRACE_S
    while True:
        course.during = [line for line in lines if course.began_s < line["at"] <= course.ended_s]
        course.after = [line for line in lines if line["at"] > course.ended_s]
        settled = course.recovered
        if settled is not None and course.after[-1]["at"] >= max(course.ended_s + 2.0, settled["at"] + 1.0):
            return course
        if lines[-1]["at"] > end_s:
            return course
        lines.append(json.loads(monitor.line(GRACE_S)))
