"""Are the warnings in time, and how often are they false? The random trials of `stopmark trial`, scored.

Run it with ``python -m tests.benchmarks trial_figures --write -- --set danger --runs 500``; or calm, instrument, height.
A danger run takes about half a second of CPU, an instrument run two, a calm one (30 minutes of work) twenty.
"""

import argparse
import json
import math
from collections.abc import Callable, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from monitor.analysis.parallel_replay import processors
from simulators.trial.pool import run_set
from simulators.trial.score import score
from tests.benchmarks.figures import OUTPUTS, Figure, show, stamp


def main(arguments: Sequence[str] | None = None) -> list[Figure]:
    """Run a set and print its figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--set", choices=tuple(SETS), default="danger")
    parser.add_argument("--runs", type=int, default=60)
    parser.add_argument("--seed", type=int, default=3)
    parser.add_argument("--json", action="store_true", help="keep the whole summary in outputs/trial_SET_SEED.json")
    parser.add_argument("--jobs", type=int, default=processors())
    args = parser.parse_args(arguments)
    with TemporaryDirectory() as folder:
        results, _ = run_set(args.set, args.seed, args.runs, args.jobs, Path(folder), lambda done, total: None)
    print(f"{args.set}, {args.runs} runs, seed {args.seed}")
    found = score(args.set, results)
    if args.json:
        text = json.dumps({"commit": stamp().commit, "seed": args.seed, args.set: found}, indent=1)
        (OUTPUTS / f"trial_{args.set}_{args.seed}.json").write_text(text + "\n", encoding="utf-8")
    figures = SETS[args.set](found, f"{args.runs} runs, seed {args.seed}")
    return show(*(figure for figure in figures if figure.value is not None))  # None: no run shows it


def danger(found: dict[str, Any], runs: str) -> list[Figure]:
    """Runs toward a limit: warned in time where physics allows it, and how long before."""
    lead, words = found["lead_over_too_late_s"], found["words"]
    fully, cross = words["brake_fully"], words["will_cross"]
    ease = found["first_notice_before_limit_s"]["value"]
    return [
        Figure("danger: warned in time", *_share(found["in_time"], runs), "100"),
        Figure("danger: silent", *_share(found["silent"], runs), "0"),
        Figure("danger: lead over a full brake is too late, median", lead["median"]["value"], "s", "1.5"),
        Figure("danger: lead over a full brake is too late, 1st percentile", lead["percentile_1"]["value"], "s", "1.3"),
        Figure("danger: ease before the limit, median", ease, "s", "3"),
        Figure("danger: brake fully now, false by more than 0.3 m", *_share(fully["false"], runs), "10"),
        Figure("danger: crossed without brake fully now before", *_share(fully["crossed_without"], runs), "0"),
        Figure("danger: will cross, stopped short all the same", *_share(cross["stopped_short"], runs), "1"),
        Figure("danger: will cross, stopped short by more than 0.3 m", *_share(cross["false"], runs), "0"),
        Figure(
            "danger: crossed without will cross before or at the limit", *_share(cross["crossed_without"], runs), "0"
        ),
        Figure("danger: will cross before the limit, median", cross["before_limit_s"]["value"], "s"),
        Figure("danger: overrun between the best and the expected said", *_share(words["overrun_as_said"], runs)),
    ]


def calm(found: dict[str, Any], runs: str) -> list[Figure]:
    """Ordinary work: alarms that are false, alarms that are many."""
    false = found["false_serious_per_100_h"]
    return [
        Figure(
            "calm: false WARNING or DANGER per 100 h",
            false["per"],
            f"({false['count']} in {found['hours']:g} h, 95 %: {false['low']:.2g} to {false['high']:.2g}; {runs})",
            "1",
        ),
        Figure("calm: alarms per 10 min", found["alarms_per_10_min"]["per"], "", "under 1"),
        Figure("calm: alarms in the worst 10 min", found["worst_10_min"]),
        Figure("calm: chattering alarms", found["chattering"], "", "0"),
    ]


def instrument(found: dict[str, Any], runs: str) -> list[Figure]:
    """Faults of sensors: announced, and never a wrong height called VALID."""
    false = found["false_motion_per_10_h"]
    return [
        Figure("instrument: faults announced", *_share(found["announced"], runs), "99"),
        Figure("instrument: time to announce, median", found["time_to_announce_s"]["median"]["value"], "s"),
        Figure("instrument: wrong height while VALID", *_share(found["wrong_height_while_valid"], runs), "0.1"),
        Figure(
            "instrument: false motion alarms per 10 h of faults",
            false["per"],
            f"({false['count']} in all, 95 %: {false['low']:.2g} to {false['high']:.2g}; {runs})",
            "1",
        ),
    ]


def height(found: dict[str, Any], runs: str) -> list[Figure]:
    """One position sensor that misleads: the truth inside the bound of a VALID height, and the crew told."""
    rows = {"all": found, **found["by_kind"]}
    told = found["told_before_off_by_a_metre"]
    return [
        *(
            Figure(f"height: inside while VALID, {kind}", *_share(of["inside_while_valid"], runs), "99")
            for kind, of in rows.items()
        ),
        *(Figure(f"height: VALID, {kind}", *_share(of["valid"], runs)) for kind, of in rows.items()),
        Figure("height: told before it was off by a metre", *_share(told, runs), "100"),
    ]


SETS: dict[str, Callable[[dict[str, Any], str], list[Figure]]] = {
    "danger": danger,
    "calm": calm,
    "instrument": instrument,
    "height": height,
}


def _share(share: dict[str, Any], runs: str) -> tuple[float, str]:
    """Percent, and what it is a percentage of with its 95 % interval."""
    interval = f"95 %: {100 * share['low']:.2f} to {100 * share['high']:.2f}"
    percent = math.nan if share["share"] is None else 100 * share["share"]
    return percent, f"% ({share['hits']} of {share['of']}, {interval}; {runs})"


if __name__ == "__main__":
    main()
