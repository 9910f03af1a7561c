"""`stopmark trial`: many random runs of the whole monitor on the simulated rig, scored against the truth."""

import argparse
import json
import sys
import time
from pathlib import Path
from typing import Any

from monitor.commands.common.place_of_work import add_scheduler, scheduler_of

DEFAULT_RUNS = {"danger": 200, "calm": 4, "instrument": 60, "height": 28}


def whole(text: str) -> int:
    """A whole number above zero, for argparse."""
    try:
        number = int(text)
    except ValueError:
        number = 0
    if not 0 < number <= 1_000_000:
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number above 0")
    return number


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's words."""
    parser.add_argument("--set", dest="sets", choices=(*DEFAULT_RUNS, "all"), default="all", help="what to try")
    parser.add_argument(
        "--runs", type=whole, help="runs per set (default: 200 danger, 4 calm of 30 min, 60 instrument, 28 height)"
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", type=int, metavar="INDEX", help="this run alone; its result as JSON on stdout")
    parser.add_argument("--jobs", type=whole, help="processes (default: all cores)")
    add_scheduler(parser)
    parser.add_argument("--json", action="store_true", help="figures as one JSON object on stdout")
    parser.add_argument("-o", dest="output", metavar="FILE", type=Path, help="report as an HTML file")
    parser.add_argument(
        "--data", metavar="DIR", help="where results and missed sessions are kept (default: user's data)"
    )


def run(args: argparse.Namespace) -> int:
    """Try, score, report. 0 when it ran, whatever the figures are."""
    from monitor.adapters.sessions.folder import data_folder
    from monitor.analysis.parallel_replay import processors
    from monitor.errors import UserError
    from simulators.trial.cases import SETS, case_of
    from simulators.trial.pool import fingerprint, keep_sessions, run_set
    from simulators.trial.report import page
    from simulators.trial.runs import progress_of, run_case
    from simulators.trial.score import score

    if args.only is not None:
        for name in SETS:
            if args.sets in (name, "all"):
                print(json.dumps(run_case(case_of(name, args.seed, args.only))))
        return 0
    folder = data_folder(args.data) / "trials"
    jobs = args.jobs or processors()
    place = scheduler_of(args)
    live = sys.stderr.isatty()
    figures: dict[str, Any] = {"seed": args.seed, "monitor": fingerprint(), "sets": {}}
    kept: dict[str, Any] = {}
    started = time.monotonic()
    fresh_s = busy_s = 0.0

    for name in SETS:
        if args.sets not in (name, "all"):
            continue

        def progress(done: int, total: int, name: str = name) -> None:
            if live or done in (0, total):
                end = "\n" if done == total or not live else ""
                print(f"\r{name:<10} {progress_of(done, total)}", end=end, file=sys.stderr, flush=True)

        before = time.monotonic()
        runs = args.runs or DEFAULT_RUNS[name]
        results, fresh = run_set(name, args.seed, runs, jobs, folder, progress, place)
        fresh_s += sum(result["stream_s"] for result in results if result["index"] in fresh)
        busy_s += (time.monotonic() - before) * min(jobs, max(len(fresh), 1))
        kept[name] = results
        figures["sets"][name] = score(name, results)
        sessions = keep_sessions(name, args.seed, results, folder)
        figures["sets"][name]["sessions_of_misses"] = [str(path) for path in sessions]
    if args.output is not None:
        try:
            args.output.write_text(page(figures, kept), encoding="utf-8")
        except OSError as error:
            raise UserError(f"{args.output}: the report cannot be written ({error.strerror})") from None
    if args.json:
        print(json.dumps(figures))
        return 0
    print(in_words(figures))
    speed = (
        f", {fresh_s / 3600:.1f} h simulated at {fresh_s / busy_s:.0f} times real time per process" if fresh_s else ""
    )
    print(f"{time.monotonic() - started:.0f} s{speed}; results and sessions of misses in {folder}")
    return 0


def in_words(figures: dict[str, Any]) -> str:
    """The main figures, one line each."""
    lines = []
    sets = figures["sets"]
    if "danger" in sets:
        d = sets["danger"]
        lead, spare = d["lead_over_too_late_s"], d["spare_over_last_useful_s"]
        lines += [
            f"danger      {d['runs']} runs: {d['outcomes']}",
            f"            warned in time, where physics allows it: {_share(d['in_time'])}",
            f"            silent: {_share(d['silent'])}",
            f"            lead over too late: median {_number(lead['median'])} s, 1st percentile"
            f" {_number(lead['percentile_1'])} s; over the last useful moment: median {_number(spare['median'])} s",
            *(
                f"            {word.replace('_', ' ')}: false by more than 0.3 m {_share(d['words'][word]['false'])};"
                f" stopped short at all {_share(d['words'][word]['stopped_short'])};"
                f" crossed without it {_share(d['words'][word]['crossed_without'])}"
                for word in ("brake_fully", "will_cross")
            ),
            f"            overrun as said: {_share(d['words']['overrun_as_said'])}",
        ]
    if "calm" in sets:
        c = sets["calm"]
        lines += [
            f"calm        {c['hours']:g} h: false WARNING or DANGER per 100 h: {_rate(c['false_serious_per_100_h'])}",
            f"            alarms per 10 min: {_rate(c['alarms_per_10_min'])}; worst 10 min: {c['worst_10_min']};"
            f" chattering {c['chattering']}, stale {c['stale']}",
            f"            most often: {c['by_alarm']}",
        ]
    if "instrument" in sets:
        i = sets["instrument"]
        lines += [
            f"instrument  {i['runs']} runs: announced {_share(i['announced'])}, median"
            f" {_number(i['time_to_announce_s']['median'])} s",
            f"            wrong height while VALID: {_share(i['wrong_height_while_valid'])};"
            f" false motion alarms {i['false_motion_alarms']}",
        ]
    if "height" in sets:
        h = sets["height"]
        lines += [
            f"height      {h['runs']} runs: truth inside the bound while VALID {_share(h['inside_while_valid'])}",
            f"            VALID: {_share(h['valid'])}; told before it was off by a metre:"
            f" {_share(h['told_before_off_by_a_metre'])}",
            *(
                f"            {kind}: inside {_share(of['inside_while_valid'])}; VALID {_share(of['valid'])}"
                for kind, of in h["by_kind"].items()
            ),
        ]
    return "\n".join(lines)


def _share(value: dict[str, Any]) -> str:
    if value["share"] is None:
        return "no such run"
    return (
        f"{100 * value['share']:.2f} % ({value['hits']} of {value['of']};"
        f" 95 %: {100 * value['low']:.2f} to {100 * value['high']:.2f} %)"
    )


def _rate(value: dict[str, Any]) -> str:
    if value["per"] is None:
        return "no time"
    return f"{value['per']:.2f} (95 %: {value['low']:.2f} to {value['high']:.2f})"


def _number(value: dict[str, Any]) -> str:
    return "-" if value["value"] is None else f"{value['value']:.2f}"
