"""The simulated rig as a process of its own, so that a demonstration's monitor is fed as a real one is."""

import json
import subprocess
import sys
import threading
from types import TracebackType
from typing import Any, Self

from monitor.errors import UserError


class SimulatedRig:
    """A running ``stopmark simulate``. `events` fills with what the truth does; `started_ns` is its first moment."""

    def __init__(self, process: "subprocess.Popen[str]") -> None:
        self._process = process
        self.events: list[dict[str, Any]] = []
        self.started_ns: int | None = None
        self.finished = False
        self._known = threading.Event()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            try:
                told = json.loads(line)
            except ValueError:
                continue
            if told.get("event") == "start":
                self.started_ns = int(told["t_ns"])
                self._known.set()
            elif told.get("event") == "end":
                self.finished = True
            else:
                self.events.append(told)
        self._known.set()

    def wait_started(self, timeout_s: float = 20.0) -> int:
        """Stream time of its first moment.

        Raises:
            UserError: it ended, or did not start in time.
        """
        self._known.wait(timeout_s)
        if self.started_ns is None:
            self.stop()
            said = (self._process.stderr.read() if self._process.stderr else "").strip().splitlines()
            raise UserError(f"the simulated rig did not start: {said[-1] if said else 'it said nothing'}")
        return self.started_ns

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
    origin_ns: int,
    monotonic_origin_ns: int,
    seconds: float | None = None,
) -> SimulatedRig:
    """Start ``stopmark simulate`` against `broker_url`, on the clock that reads `origin_ns` at `monotonic_origin_ns`.

    Both processes then agree on stream time (the machine's monotonic clock is one for all processes).
    """
    words = [
        sys.executable, "-m", "monitor.cli", "simulate", "--broker", broker_url, "--rig", rig, "--scenario", scenario,
        "--seed", str(seed), "--rate", repr(rate), "--clock", f"{origin_ns}:{monotonic_origin_ns}",
    ]  # fmt: skip
    if seconds is not None:
        words += ["--for", repr(seconds)]
    process = subprocess.Popen(
        words, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, encoding="utf-8"
    )
    return SimulatedRig(process)
