"""A recording monitor is killed without warning: the session opens, in order and whole, and lacks at most a second."""

import json
import random
import subprocess
import sys
import time
from pathlib import Path

import pytest

from monitor.adapters.replay import SessionReader
from monitor.core.types import Action, Frame
from tests.broker import wait_until

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize("seed", range(6))
def test_killed_at_a_random_moment(tmp_path: Path, seed: int) -> None:
    path, said = tmp_path / "killed.stopmark", tmp_path / "said"
    with said.open("wb") as out:
        child = subprocess.Popen(
            [sys.executable, "-m", "tests.adapters.recording_child", str(path)], cwd=ROOT, stdout=out
        )
        try:
            wait_until(lambda: said.stat().st_size > 0, "the child records")
            end_s = time.monotonic() + random.Random(seed).uniform(0.05, 1.8)
            wait_until(lambda: time.monotonic() >= end_s, "the moment has come")
        finally:
            child.kill()
            child.wait()
    given = [line.split() for line in said.read_text(encoding="ascii").splitlines() if line.count(" ") == 1]
    times = [int(t_ns) for _, t_ns in given]
    with SessionReader(path) as session:
        inputs = list(session.inputs())
        findings = session.findings()
    frames = [item for item in inputs if isinstance(item, Frame)]
    notes = [item for item in inputs if isinstance(item, Action)]
    numbers = [json.loads(frame.payload)["seq"] for frame in frames]
    assert numbers == list(range(len(frames)))
    last_ns = frames[-1].t_ns if frames else times[0]
    assert times[-1] - last_ns <= 1_000_000_000, "more than a second is missing"
    # Each tenth frame was followed by an action and a finding of the same moment: they share its fate.
    assert [note.number for note in notes] == [float(count) for count in range(9, len(frames), 10)][: len(notes)]
    assert len(frames) // 10 - len(notes) <= 1
    assert len(findings) in (len(notes), len(notes) - 1)
    place = {id(item): index for index, item in enumerate(inputs)}
    for note in notes:
        before = inputs[place[id(note)] - 1]
        assert isinstance(before, Frame)
        assert json.loads(before.payload)["seq"] == note.number
