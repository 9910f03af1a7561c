"""Slow data over a known truth: a rig of which position and load alone are read, pulling stand after stand."""

import json
import math
import random
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

from monitor.adapters.sessions.recorder import Recorder
from monitor.config.rig import Rig
from monitor.config.rig_file import find_rig
from monitor.config.toml_file import validate
from monitor.model.stream import Frame
from monitor.runtime.assembly import core_of, header_of
from monitor.runtime.runner import Runner
from tests.support.log_map import log_map
from tests.support.recorded import rules

ORIGIN_NS = 1_700_000_000_000_000_000
BLOCK_KN, STRING_KN = 220.0, 620.0
LOW_M, HIGH_M = 2.0, 30.0


@cache
def slow_rig(period_s: float) -> Rig:
    """The land rig with a ready-made position and a load, each every `period_s`, and nothing else."""
    plain = json.loads(find_rig("land").model_dump_json())
    common = {"value": "/value", "rate_hz": 1.0 / period_s, "stale_after_s": max(0.5, 3.5 * period_s)}
    plain["sensors"] = [
        {"id": "pos", "quantity": "block_position", "unit": "m", "range": [-2, 44], "sigma": 0.02} | common,
        {"id": "load", "quantity": "hook_load", "unit": "kN", "range": [-100, 4000], "sigma": 3.0} | common,
    ]
    plain["reference"]["counts"] = {}
    return validate(Rig, plain, "slow rig")


def row(t_ns: int, height_m: float, load_kn: float) -> tuple[Frame, Frame]:
    """One line of a log: both readings at one time."""
    return (
        Frame(t_ns, "rig/land/hoist/pos", json.dumps({"value": round(height_m, 3)}).encode()),
        Frame(t_ns, "rig/land/hoist/load", json.dumps({"value": round(load_kn, 1)}).encode()),
    )


@dataclass
class Pull:
    """Pulling out, stand by stand: up with the string, slips, down empty, slips off. Truth as pieces of smooth motion."""

    seed: int
    seconds: float
    pieces: list[tuple[float, float, float, float, float]] = field(default_factory=list)
    """(from, to, s; height at both, m; hook load, kN)."""

    def __post_init__(self) -> None:
        draw, now = random.Random(self.seed), 0.0
        while now < self.seconds:
            for low, high, start, end, load in (
                (60.0, 100.0, LOW_M, HIGH_M, BLOCK_KN + STRING_KN),
                (8.0, 20.0, HIGH_M, HIGH_M, BLOCK_KN + STRING_KN),
                (40.0, 90.0, HIGH_M, HIGH_M, BLOCK_KN),
                (40.0, 60.0, HIGH_M, LOW_M, BLOCK_KN),
                (30.0, 60.0, LOW_M, LOW_M, BLOCK_KN),
            ):
                took = draw.uniform(low, high)
                self.pieces.append((now, now + took, start, end, load))
                now += took

    @property
    def work_j(self) -> float:
        """Hook load times way, both ways, of the whole strokes."""
        return sum(1e3 * load * abs(end - start) for _, to, start, end, load in self.pieces if to <= self.seconds)

    def rows(self, period_s: float, noise_m: float = 0.01) -> Iterator[tuple[float, float, float]]:
        """(s, height in m, load in kN) every `period_s`."""
        draw, place = random.Random(self.seed + 1), 0
        for count in range(int(self.seconds / period_s)):
            t = count * period_s
            while self.pieces[place][1] <= t:
                place += 1
            begin, end, low, high, load = self.pieces[place]
            done = 0.5 - 0.5 * math.cos(math.pi * (t - begin) / (end - begin))
            yield t, low + (high - low) * done + draw.gauss(0.0, noise_m), load + draw.gauss(0.0, 2.0)

    def frames(self, period_s: float) -> Iterator[Frame]:
        """The same as messages."""
        for t, height, load in self.rows(period_s):
            yield from row(ORIGIN_NS + round(t * 1e9), height, load)

    def csv(self, path: Path, period_s: float) -> Path:
        """The same as a field log."""
        with path.open("w") as file:
            file.write("time,pos,load\n")
            for t, height, load in self.rows(period_s):
                file.write(f"{ORIGIN_NS * 1e-9 + t:.1f},{height:.3f},{load:.2f}\n")
        return path

    def session(self, path: Path, period_s: float, thinned: bool = True) -> Path:
        """The same recorded; not `thinned` as a version did that knew the full grid alone."""
        rig = slow_rig(period_s)
        header: dict[str, Any] = dict(header_of(rig, rules(), "IMPORTED", ORIGIN_NS))
        if not thinned:
            del header["grid"]
        with Recorder(path, header, wait=True) as recorder:
            runner = Runner(core_of(rig, rules(), "rules", header), recorder)
            for frame in self.frames(period_s):
                runner.frame(frame)
            runner.advance(runner.core.now_ns + 1_000_000_000)
            assert recorder.flush(60.0)
        return path


MAP = log_map()
