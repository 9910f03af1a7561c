"""`stopmark import`: a field log recorded by another system becomes a session that replays and reports."""

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.commands.common.progress import Progress
from monitor.errors import UserError
from monitor.text import harmless

if TYPE_CHECKING:
    from monitor.adapters.tables.field_log import FieldLog
    from monitor.adapters.tables.readers.series import Series
    from monitor.runtime.runner import Runner

LEAST_HOLE_NS = 5_000_000_000
"""A hole in the log longer than this, and a gap by the rows' own rate, is passed over."""
CHECKPOINT_NS = 1_000_000_000_000
"""Least stream time between two checkpoints while data are slow: no run begins where an import ended, and a look into the
middle plays a thousand rows again at the most."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's words."""
    parser.add_argument(
        "logs", metavar="FILE", type=Path, nargs="*",
        help="the field log, in one file or several: CSV, xlsx, Parquet, LAS 2.0, WITSML (1.3.1.1, 1.4.1.1), also packed (gz, "
        "bz2, xz, zst, zip); - is standard input",
    )  # fmt: skip
    parser.add_argument(
        "--map", metavar="MAP.toml", type=Path,
        help="which column is what; without it one is proposed by looking at the log, printed with its reasons, and written",
    )  # fmt: skip
    parser.add_argument("--rig", metavar="NAME|FILE", help="for a proposed map: the log's rig, shipped or a rig file")
    parser.add_argument("--yes", action="store_true", help="go on with a proposed map without a look at it")
    parser.add_argument("-o", "--out", metavar="SESSION", type=Path, help="the session to write (.stopmark)")
    parser.add_argument("--example", action="store_true", help="print a map with everything in it, to begin from")
    parser.add_argument("--rules", metavar="FILE", help="rule catalogue (default: the one that comes with Stopmark)")


_ENDINGS = (".csv", ".txt", ".dat", ".asc", ".xml", ".las", ".parquet", ".xlsx", ".gz", ".bz2", ".xz", ".zst", ".zip")


def _propose(args: argparse.Namespace) -> "tuple[Path, Series | None]":
    """Propose a map, print it and write it. Returns its path and, where the log comes from a pipe, the log as opened."""
    from monitor.adapters.host.output_file import write_whole
    from monitor.adapters.tables.proposal.propose import propose
    from monitor.adapters.tables.readers.series import Series
    from monitor.adapters.tables.readers.table import Layout
    from monitor.config.rig_file import find_rig

    log: Path = args.logs[0]
    stem = log.name if str(log) != "-" else "standard-input"
    while Path(stem).suffix.lower() in _ENDINGS:
        stem = Path(stem).stem
    path = (args.out.parent if args.out is not None else Path()) / f"{stem}.map.toml"
    if path.exists():
        raise UserError(f"{path}: exists already; import with --map {path}, or remove it to have one proposed anew")
    words = args.rig or "land"
    rig = find_rig(words)
    series = Series(args.logs, Layout())
    proposal = propose(series, rig, str(Path(words).resolve()) if words.endswith(".toml") else words, bool(args.rig))
    wide = max(len(choice.what) for choice in proposal.choices)
    print(harmless(f"proposed for {series.first.name}:"))
    for choice in proposal.choices:
        print(harmless(f"  {choice.what:{wide}}  {choice.value}: {choice.evidence}"))
    if proposal.unused:
        print(harmless(f"  {'not used':{wide}}  {', '.join(proposal.unused)}"))
    for doubt in proposal.doubts:
        print(harmless(f"  doubtful: {doubt}"))
    write_whole(path, proposal.toml)
    logs = " ".join(map(str, args.logs))
    print(harmless(f"written: {path}"))
    if not args.yes:
        print(harmless(f"look at it, then: stopmark import {logs} --map {path} -o {args.out or stem + '.stopmark'}"))
    return path, series if str(log) == "-" else None


def feed(runner: "Runner", log: "FieldLog") -> None:
    """Feed the whole log to the runner's core.

    Raises:
        FieldLogError: the log cannot be used (see `FieldLog.frames`).
    """
    from monitor.adapters.sessions.gaps import longest_silence_ns
    from monitor.model.stream import Action

    core = runner.core
    hole_ns = max(LEAST_HOLE_NS, longest_silence_ns(sensor.rate_hz for sensor in log.rig.sensors))
    for frame in log.inputs():
        if isinstance(frame, Action):
            runner.action(frame)
            continue
        if core.now_ns and frame.t_ns - core.now_ns > hole_ns:
            # As over a restart: that rows are missing is no event of the rig, and no sensor of it fell silent.
            runner.advance(core.now_ns + round(min(log.reading_s) * 1e9))
            runner.start_from_state(frame.t_ns, core.state())
        runner.frame(frame)
    # No further than to the next row: that the log ends is no silence of a sensor either.
    runner.advance(core.now_ns + min(1_000_000_000, round(min(log.reading_s) * 1e9)))


def run(args: argparse.Namespace) -> int:
    """Import; what was dropped is printed by reason."""
    from monitor.adapters.host.output_file import check_out
    from monitor.adapters.sessions.whole import whole_session
    from monitor.adapters.tables.field_log import FieldLog
    from monitor.adapters.tables.field_map import EXAMPLE, load_map
    from monitor.adapters.tables.proposal.unit_names import contradictions
    from monitor.config.rules_file import default_rules_path
    from monitor.config.toml_file import read_text
    from monitor.presentation.slow_data import blind_to, is_slow, slow_words
    from monitor.runtime.assembly import core_of, header_of
    from monitor.runtime.runner import Runner

    if args.example:
        print(EXAMPLE, end="")
        return 0
    if not args.logs:
        raise UserError(
            "give FILE, --map MAP.toml and -o SESSION; without --map one is proposed (--example prints one)"
        )
    if args.out is None and (args.map is not None or args.yes):
        raise UserError("give -o SESSION, the session to write")
    if args.map is not None and (args.rig or args.yes):
        raise UserError("--rig and --yes go with a proposed map; a map given with --map names its rig itself")
    if len(args.logs) > 1 and Path("-") in args.logs:
        raise UserError("standard input (-) cannot be one of several files; give it alone")
    if args.out is not None:
        check_out(args.out, (".stopmark",), None, args.logs)
    opened = None
    if args.map is None:
        args.map, opened = _propose(args)
        if not args.yes:
            return 0
    mapping = load_map(args.map)
    rules_path = Path(args.rules or default_rules_path())
    rules = read_text(rules_path)
    log = FieldLog(args.logs, mapping, opened)
    for words in contradictions(log.heads, mapping.columns):
        print(harmless(f"doubtful: {words}"))
    core = core_of(log.rig, rules, str(rules_path))
    header = header_of(log.rig, rules, "IMPORTED", log.start_ns) | {
        "source": ", ".join(log.name for log in args.logs)[:200]
    }
    with (
        Progress(f"reading {log.name}", done=lambda: (log.rows, log.share)),
        whole_session(args.out, header) as recorder,
    ):
        runner = Runner(core, recorder, slow_checkpoint_ns=CHECKPOINT_NS)
        feed(runner, log)
        recorder.note(core.now_ns, "import", log.words())
        recorder.note(core.now_ns, "quality", log.quality.text(), float(log.quality.cells))
    for key, count in log.dropped.items():
        print(harmless(f"dropped {count:>8}  {key} (first: {log.dropped.first[key]})"))
    for kind, (count, seconds) in log.quality.kinds().items():
        print(harmless(f"bad     {count:>8}  {kind}, {seconds:.0f} s in all"))
    last = core.snapshot()
    if is_slow(last):
        print(harmless(slow_words(last)))
    summary = {
        "summary": "import", "session": str(args.out), "rig": log.rig.name, "rows": log.rows, "readings": log.readings,
        "dropped": dict(log.dropped), "bad": log.quality.kinds(), "gaps": log.gaps, "findings": runner.findings,
        "stream_seconds": round((core.now_ns - log.start_ns) * 1e-9, 3),
        "cannot_warn_of": list(blind_to(last.values)) if is_slow(last) else [],
    }  # fmt: skip
    print(json.dumps(summary))
    return 0
