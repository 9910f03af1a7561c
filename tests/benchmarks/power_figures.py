"""Power cuts at random moments, with writes lost and torn: sessions, the ledger, imports, copies, tables and pages.

Run it with ``python -m tests.benchmarks power_figures -- --cuts 1000``: so many for each of the three cases of
`tests.support.power_cuts`, half a dozen recordings of each.
"""

import argparse
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.benchmarks.figures import Figure, show
from tests.support.power_cuts import CASES, faults, written

RUNS = 6
"""Recordings of a case: threads write at other moments in each."""


def main(arguments: Sequence[str] | None = None) -> list[Figure]:
    """Print what was not kept, and the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cuts", type=int, default=120, metavar="N", help="cuts of each case")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args(arguments)
    figures: list[Figure] = []
    with TemporaryDirectory() as name:
        for case, what in CASES.items():
            found: list[str] = []
            steps = 0
            for run in range(RUNS):
                folder = Path(name, f"{case}-{run}")
                folder.mkdir()
                disk = written(what, folder / "data")
                steps += len(disk.steps)
                first = args.seed * 1_000_000 + run * args.cuts
                found += faults(what, disk, folder, range(first, first + -(-args.cuts // RUNS)))
            for words in found:
                print(f"{case}: {words}")
            cuts = RUNS * -(-args.cuts // RUNS)
            figures += show(
                Figure(
                    f"power cut, {case}: nothing promised lost, doubled or half", cuts - len(found), f"of {cuts}", "all"
                )
            )
            print(f"{case}: {steps} writes, syncs and changes of names in {RUNS} runs")
    return figures


if __name__ == "__main__":
    main()
