"""How well logs that nobody here made are taken: each kind of fault over a known truth, at 0.1, 1, 3 and 10 s between rows.

Run it with ``python -m tests.benchmarks.import_figures [--hours H] [--seed S] [--kinds K,...] [--periods P,...]``. Of each
kind and period: for which share of the time in which the rows allow a height it is known; at which share of the time a height
was given that lies further from the truth than its own bound (and 0.3 m); what line work errs by, and how near the estimate of
the missing part comes; the string set in slips, found; false WARNING and DANGER, those apart that only say that data are
missing. The seed is none of those that anything was set with.
"""

import argparse
import gc
import resource
import tempfile
from collections.abc import Sequence
from pathlib import Path
from statistics import median

from tests.benchmarks.figures import Figure, show
from tests.support.dirty_logs import FAULTS, dirty_log, work
from tests.support.imported import Outcome, imported

PERIODS = (0.1, 1.0, 3.0, 10.0)
LOUD_HOURS = 100.0


def outcomes(kind: str, period_s: float, hours: float, seed: int) -> Outcome:
    """One kind at one period. Fast rows are many: of these a quarter of the time is enough."""
    truth = work(seed, hours if period_s >= 1.0 else hours / 4.0)
    with tempfile.TemporaryDirectory() as folder:
        return imported(Path(folder), dirty_log(truth, kind, period_s, seed), truth)


def line(kind: str, period_s: float, one: Outcome) -> str:
    """A row of the table."""
    missing = "" if one.missing_error != one.missing_error else f"{100 * one.missing_error:+.0f}"
    return (
        f"{period_s:>5g} {kind:<13}{100 * one.known_share:>8.2f}{100 * one.wrong_share:>8.3f}{100 * one.work_error:>8.2f}"
        f"{missing:>8}{one.set_downs:>6}/{one.true_set_downs:<5}{len(one.false_alarms):>4}{len(one.data_alarms):>5}"
        f"{one.rows_a_second:>9.0f}"
    )


def main(arguments: Sequence[str] | None = None) -> list[Figure]:
    """Print the table and the figures."""
    words = argparse.ArgumentParser(description="How well dirty logs are imported.")
    words.add_argument("--hours", type=float, default=8.0)
    words.add_argument("--seed", type=int, default=20261)
    words.add_argument("--kinds", default=",".join(FAULTS))
    words.add_argument("--periods", default=",".join(map(str, PERIODS)))
    args = words.parse_args(arguments)
    print("    s fault          known %  wrong % work err  missing  slips    loud data   rows/s")
    found: dict[tuple[str, float], Outcome] = {}
    for period_s in map(float, args.periods.split(",")):
        for kind in args.kinds.split(","):
            found[kind, period_s] = one = outcomes(kind, period_s, args.hours, args.seed)
            print(line(kind, period_s, one), flush=True)
            gc.collect()
    figures: list[Figure] = []
    for period_s in sorted({period_s for _, period_s in found}):
        of = [one for (_, at), one in found.items() if at == period_s]
        hours = sum(one.seconds for one in of) / 3600.0
        settled = [one for one in of if one.missing_error != one.missing_error]
        told = [abs(one.missing_error) for one in of if one.missing_error == one.missing_error]
        kinds = f"{len(of)} kinds, {hours:.0f} h"
        figures += show(
            Figure(f"{period_s:g} s rows: height known, worst kind", 100 * min(one.known_share for one in of), "%", "99"),
            Figure(f"{period_s:g} s rows: wrong though given, worst kind", 100 * max(one.wrong_share for one in of), "%", "0.1"),
            Figure(f"{period_s:g} s rows: wrong though given, median kind", 100 * median(one.wrong_share for one in of), "%"),
            Figure(f"{period_s:g} s rows: line work off, worst kind without a missing part",
                   100 * max((abs(one.work_error) for one in settled), default=0.0), "%", "1"),
            Figure(f"{period_s:g} s rows: estimate of the missing line work off, worst kind",
                   100 * max(told, default=0.0), "%", "20"),
            Figure(f"{period_s:g} s rows: set-downs found, worst kind",
                   100 * min(one.set_downs / max(1, one.true_set_downs) for one in of if one.whole), "%", "98"),
            Figure(f"{period_s:g} s rows: false WARNING and DANGER",
                   LOUD_HOURS * sum(len(one.false_alarms) for one in of) / hours, f"per 100 h ({kinds})", "1"),
            Figure(f"{period_s:g} s rows: rows a second, slowest kind", min(one.rows_a_second for one in of), "rows/s",
                   "6,000 at 10 s"),
        )  # fmt: skip
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    return figures + show(Figure("memory, most, truth and all", peak_mb, "MB", "300"))


if __name__ == "__main__":
    main()
