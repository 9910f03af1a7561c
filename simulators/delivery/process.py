"""The simulated rig as a process of its own, so that a demonstration's monitor is fed as a real one is."""

import contextlib
import json
import subprocess
import sys
import threading
from types import TracebackType
from typing import Any, Self

from monitor.errors import UserError


class SimulatedRig:
    """A running ``stopmark simulate``. `events` fills with what the truth does; It waits for `go` before it starts."""

    def __init__(self, process: "subprocess.Popen[str]") -> None:
        self._process = process
        self.events: list[dict[str, Any]] = []
        self.finished = False
        self._ready = False
        self._known = threading.Event()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            try:
                message = json.loads(line)
            except ValueError:
                continue
            if message.get("event") == "ready":
                self._ready = True
                self._known.set()
            elif message.get("event") == "end":
                self.finished = True
            elif message.get("event") == "truth":
                self.events.append(message)
        self._known.set()

    def wait_ready(self, timeout_s: float = 20.0) -> None:
        """Until it is connected to the broker.

        Raises:
            UserError: it ended, or did not get so far in time.
        """
        self._known.wait(timeout_s)
        if not self._ready:
            self.stop()
            said = (self._process.stderr.read() if self._process.stderr else "").strip().splitlines()
            raise UserError(f"the simulated rig did not start: {said[-1] if said else 'it said nothing'}")

    def go(self, origin_ns: int, monotonic_ns: int) -> None:
        """Let it start, on the clock that reads `origin_ns` at `monotonic_ns`.

        Both processes then agree on stream time (the machine's monotonic clock is one for all processes).
        """
        assert self._process.stdin is not None
        with contextlib.suppress(BrokenPipeError):
            self._process.stdin.write(f"{origin_ns}:{monotonic_ns}\n")
            self._process.stdin.flush()

    @property
    def running(self) -> bool:
        """Whether it still publishes."""
        return self._process.poll() is None

    def stop(self) -> None:
        """End it and take in what it said last."""
        if self._process.poll() is None:
            self._process.terminate()
            try:
                self._process.wait(5)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()
        self._reader.join(2)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.stop()


def start_simulated_rig(
    broker_url: str,
    rig: str,
    scenario: str,
    seed: int,
    rate: float,
    seconds: float | None = None,
    sparkplug: bool = False,
) -> SimulatedRig:
    """Start ``stopmark simulate`` against `broker_url`; it connects and waits for `SimulatedRig.go`."""
    words = [
        sys.executable, "-m", "monitor.cli", "simulate", "--broker", broker_url, "--rig", rig, "--scenario", scenario,
        "--seed", str(seed), "--rate", repr(rate), "--wait",
    ]  # fmt: skip
    if sparkplug:
        words.append("--sparkplug")
    if seconds is not None:
        words += ["--for", repr(seconds)]
    process = subprocess.Popen(
        words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, encoding="utf-8"
    )
    return SimulatedRig(process)
