"""The fuzzers' short job: each target with inputs that hypothesis chooses, the same ones every time. The long job is
``python -m tests.fuzz TARGET``.
"""

import json
import random
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.fuzz.targets import SIZES, TARGETS

INPUTS = {
    "wire": 3000,
    "decode": 4000,
    "sparkplug": 1500,
    "rig": 300,
    "rules": 600,
    "scenario": 400,
    "import": 150,
    "log-text": 300,
    "log-las": 100,
    "log-witsml": 300,
    "log-binary": 60,
    "log-proposed": 60,
    "map": 200,
    "web": 800,
    "session": 60,
    "notes": 100,
    "ledger": 60,
    "core": 120,
    "carried": 80,
}
"""A second or two of each."""


@pytest.mark.parametrize("name", TARGETS)
def test_random_inputs(name: str) -> None:
    chance = random.Random(f"{name}:1")
    for _ in range(INPUTS[name]):
        TARGETS[name](chance.randbytes(chance.choice(SIZES)))


@pytest.mark.parametrize("name", TARGETS)
def test_inputs_that_hypothesis_shrinks(name: str) -> None:
    @settings(
        max_examples=INPUTS[name] // 4, derandomize=True, database=None, suppress_health_check=[HealthCheck.too_slow]
    )
    @given(st.binary(max_size=200))
    def holds(data: bytes) -> None:
        TARGETS[name](data)

    holds()


def test_the_long_job_counts_its_inputs_and_keeps_memory_bounded(tmp_path: Path) -> None:
    words = ["decode", "--runs", "500", "--memory", "1500", "--out", str(tmp_path)]
    done = subprocess.run([sys.executable, "-m", "tests.fuzz", *words], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    reported = json.loads(done.stdout)
    assert reported["inputs"] == 500
    assert reported["broken"] == []
    assert 0 < reported["peak_mb"] < 1500


def test_a_broken_oracle_fails_the_long_job(tmp_path: Path) -> None:
    # With next to no memory the first inputs cannot even be made.
    words = ["decode", "--runs", "10", "--memory", "1", "--out", str(tmp_path)]
    done = subprocess.run([sys.executable, "-m", "tests.fuzz", *words], capture_output=True, text=True, check=False)
    assert done.returncode == 1
