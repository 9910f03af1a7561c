"""How well stands, line work and speeds are found in logs whose truth is known, by the step of the readings; and how fast.

Run it with ``python -m tests.benchmarks.work_figures``; its seeds were never used for tuning.
"""

import argparse
import time
from collections.abc import Sequence

import numpy as np

from monitor.analysis.work.log import WorkedLog, worked
from monitor.analysis.work.series import series
from tests.benchmarks.figures import Figure, show
from tests.support.known_logs import Log, Seen, filled, found_stands, log_rig, night, odd_night, spoiled

STEPS = (0.1, 1.0, 3.0, 10.0)
FIRST_SEED = 1000


class _Sum:
    """What was found of what was true, over all seeds."""

    def __init__(self) -> None:
        self.true = self.hit = self.found = 0
        self.work: list[float] = []

    def add(self, truth: Log, log: WorkedLog, within_s: float) -> None:
        ends = [(stand.lifted.from_s, stand.lifted.to_s) for stand in log.motion.stands]
        self.hit += found_stands(ends, truth, log.series.start_ns, within_s)
        self.true += len(truth.truth.stands)
        self.found += len(ends)
        self.work.append(log.work_j / sum(truth.truth.work_j.values()) - 1.0)

    def figures(self, words: str, goal: str, work_goal: str) -> list[Figure]:
        worst = max(self.work, key=abs)
        return [
            Figure(f"stands found, {words}", 100.0 * self.hit / self.true, f"% of {self.true}", goal),
            Figure(f"stands too many, {words}", 100.0 * max(0, self.found - self.true) / self.true, "%", "2"),
            Figure(f"line work off the truth, {words}: worst night", 100.0 * worst, "%", work_goal),
        ]


def _kinds(truth: Log, odd: Log, step_s: float, seed: int) -> list[tuple[str, Log, Seen, float]]:
    return [
        ("plain", truth, truth.seen(step_s), 1.0),
        ("rig file wrong, rough load", odd, odd.seen(step_s, noise_m=0.02, noise_n=6_000.0), 1.0),
        ("1 % of readings wrong", odd, spoiled(odd.seen(step_s), seed), 1.0),
        ("each value three times", truth, filled(truth.seen(step_s), 3), 3.0),
    ]


def main(argv: Sequence[str] | None = None) -> list[Figure]:
    """The figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--seeds", type=int, default=20)
    args = parser.parse_args(argv)
    sums: dict[tuple[str, float], _Sum] = {}
    readings, seconds = 0, 0.0
    for seed in range(FIRST_SEED, FIRST_SEED + args.seeds):
        truth, odd = night(seed), odd_night(seed)
        for step_s in STEPS:
            for words, of, seen, rows in _kinds(truth, odd, step_s, seed):
                began = time.perf_counter()
                log = worked(series(log_rig(step_s), *seen))
                seconds += time.perf_counter() - began
                readings += len(seen[0])
                sums.setdefault((words, step_s), _Sum()).add(of, log, max(8.0, 1.5 * step_s * rows))
    found: list[Figure] = []
    for (words, step_s), total in sorted(sums.items(), key=lambda item: (item[0][0], item[0][1])):
        told = f"{words}, a reading every {step_s:g} s"
        clean = words == "plain"
        found += total.figures(told, "98", "1" if clean else "")
    found.append(Figure("working out strokes, stands and work: readings a second", readings / max(seconds, 1e-9)))
    assert np.isfinite([figure.value for figure in found]).all()
    return show(*found)


if __name__ == "__main__":
    main()
