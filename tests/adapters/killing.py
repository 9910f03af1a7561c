"""Kill a recording process at a random moment and look at what is left."""

import random
import subprocess
import sys
import time
from pathlib import Path

from monitor.adapters.replay import SessionReader
from monitor.core.types import Action, Finding, Frame
from tests.broker import wait_until

ROOT = Path(__file__).parents[2]


def killed_session(folder: Path, seed: int, most_s: float = 1.8) -> tuple[list[Frame | Action], list[Finding], float]:
    """Inputs and findings of a session whose recorder was killed, and how many seconds of its stream are missing."""
    path, said = folder / f"killed-{seed}.stopmark", folder / f"said-{seed}"
    with said.open("wb") as out:
        child = subprocess.Popen(
            [sys.executable, "-m", "tests.adapters.recording_child", str(path)], cwd=ROOT, stdout=out
        )
        try:
            wait_until(lambda: said.stat().st_size > 0, "the child records")
            end_s = time.monotonic() + random.Random(seed).uniform(0.05, most_s)
            wait_until(lambda: time.monotonic() >= end_s, "the moment has come")
        finally:
            child.kill()
            child.wait()
    lines = [line.split() for line in said.read_text(encoding="ascii").splitlines() if line.count(" ") == 1]
    given_ns = [int(t_ns) for _, t_ns in lines]
    with SessionReader(path) as session:
        inputs = list(session.inputs())
        findings = session.findings()
    kept_ns = max((item.t_ns for item in inputs), default=given_ns[0])
    return inputs, findings, (given_ns[-1] - kept_ns) * 1e-9
