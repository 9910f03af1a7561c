"""Kill a process that writes, at a random moment, and look at what is left."""

import random
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

from monitor.adapters.sessions.reader import SessionReader
from monitor.model.alarm import Finding
from monitor.model.stream import Action, Frame
from tests.support.broker import wait_until

ROOT = Path(__file__).parents[3]


def killed(child: str, target: Path, said: Path, after_s: float) -> list[str]:
    """The whole lines that the module `child`, writing to `target`, printed into `said` until it was killed."""
    with said.open("wb") as out:
        process = subprocess.Popen([sys.executable, "-m", child, str(target)], cwd=ROOT, stdout=out)
        try:
            wait_until(lambda: said.stat().st_size > 0, "the child writes")
            end_s = time.monotonic() + after_s
            wait_until(lambda: time.monotonic() >= end_s, "the moment has come")
        finally:
            process.kill()
            process.wait()
    return said.read_text(encoding="ascii").split("\n")[:-1]


@dataclass(frozen=True)
class Killed:
    """A session whose recorder was killed."""

    inputs: list[Frame | Action]
    findings: list[Finding]
    missing_s: float
    """How much of its stream is missing: from the first lost frame, when it had been given, to the last."""
    behind_s: list[float]
    """For how long, at each frame, the recorder said that not everything was on the disk."""


def killed_session(folder: Path, seed: int, most_s: float = 1.8) -> Killed:
    """Record, kill, and look at what is there."""
    path, said = folder / f"killed-{seed}.stopmark", folder / f"said-{seed}"
    lines = killed("tests.adapters.sessions.recording_child", path, said, random.Random(seed).uniform(0.05, most_s))
    reported = [line.split() for line in lines]
    with SessionReader(path) as session:
        inputs = list(session.inputs())
        findings = session.findings()
    kept = sum(isinstance(item, Frame) for item in inputs)
    missing_s = (int(reported[-1][1]) - int(reported[kept][2])) * 1e-9 if kept < len(reported) else 0.0
    return Killed(inputs, findings, max(0.0, missing_s), [float(words[3]) for words in reported])


def killed_ledger(folder: Path, seed: int, most_s: float = 0.4) -> tuple[Path, list[int]]:
    """A ledger whose writer was killed, and the times of the notes that were on the disk by then, as the writer said."""
    path, said = folder / f"killed-{seed}.ledger", folder / f"said-{seed}"
    lines = killed("tests.adapters.ledger.writer_child", path, said, random.Random(seed).uniform(0.0, most_s))
    return path, [int(line) for line in lines]
