"""`stopmark backtest`: before a site changes a rule, what the change would have said of all that was ever recorded."""

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.commands.common.ledger_places import add_ledgers, ledgers_by
from monitor.commands.common.place_of_work import add_workers, place_of
from monitor.commands.common.session_places import sessions_of
from monitor.errors import UserError

if TYPE_CHECKING:
    from monitor.fleet.backtest import Outcome, Rules


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's words."""
    parser.add_argument(
        "sessions", metavar="SESSION", nargs="+",
        help="recorded sessions of any rigs: files, folders with all in them, or addresses of a store (s3://…) where fsspec"
        " and its driver are installed",
    )  # fmt: skip
    parser.add_argument("--rules", metavar="FILE", default="recorded", help='the new rules; "shipped": what comes with'
                        ' Stopmark; "recorded" (default): none are changed, see --set')  # fmt: skip
    parser.add_argument("--against", metavar="FILE", default="recorded", help="the rules to compare with, in the same words"
                        " (default: those that each session was recorded with)")  # fmt: skip
    parser.add_argument("--set", dest="changes", metavar="FIELD=VALUE", action="append", default=[],
                        help="change a field of every rig, as in its file but in SI units: limits.reaction_s=0.8;"
                        " may be given several times")  # fmt: skip
    parser.add_argument("-o", "--out", metavar="DIR", required=True,
                        help="folder for the page, its tables, and what was worked out, or an address of a store (s3://…): a"
                        " back-test into the same folder works out only what is new")  # fmt: skip
    add_ledgers(parser)
    add_workers(parser)


def run(args: argparse.Namespace) -> int:
    """Back-test; 0 where both sides say the same, 1 where not."""
    from monitor.adapters.host.output_file import write_whole
    from monitor.commands.common.progress import Progress
    from monitor.fleet.backtest import SessionRow, alarm_table, backtest
    from monitor.fleet.backtest_page import backtest_page
    from monitor.fleet.parts import Parts
    from monitor.fleet.store import out_folder
    from monitor.fleet.tables import write_table

    sessions = sessions_of(args.sessions)
    sides = _side(args.against), _side(args.rules, args.changes)
    if sides[0] == sides[1]:
        raise UserError("both sides are the same: give --rules, --against or --set")
    place = place_of(args)
    parts = Parts(f"{args.out}/parts")
    marks = ledgers_by(args, sessions).entries
    so_far = [0, 1]

    def progress(done: int, total: int) -> None:
        so_far[:] = done, total

    with out_folder(args.out) as out:
        with (
            alarm_table(out / "alarms.parquet") as write,
            Progress("replaying", done=lambda: (so_far[0], so_far[0] / max(1, so_far[1])), things="replays"),
        ):
            outcome = backtest(sessions, sides, parts, place, marks, write, progress)
        write_table(out / "sessions.parquet", SessionRow, outcome.sessions)
        names = args.against, " and ".join(dict.fromkeys([args.rules, *args.changes])) if args.changes else args.rules
        write_whole(out / "index.html", backtest_page(outcome, names, bool(marks)))
    _print(outcome, args.out)
    return 1 if outcome.all.gone or outcome.all.new or outcome.all.moved else 0


def _side(name: str, changes: Sequence[str] = ()) -> "Rules":
    """Rules by name, with changes of the rig.

    Raises:
        UserError: a change is none, or the rules cannot be read or have mistakes.
    """
    from monitor.config.rules_file import default_rules_path, rule_tables
    from monitor.config.toml_file import parse_toml, read_text
    from monitor.fleet.backtest import Rules, changes_of

    try:
        changed = changes_of(changes)
    except ValueError as error:
        raise UserError(f"--set {error}: give FIELD=VALUE once for each field, as limits.reaction_s=0.8") from None
    if name == "recorded":
        return Rules(changes=changed)
    path = Path(default_rules_path() if name == "shipped" else name)
    text = read_text(path)
    rule_tables(parse_toml(text, str(path)), str(path))  # mistakes are said before the long work, not after it
    return Rules(text, str(path), changed)


def _print(outcome: "Outcome", out: str) -> None:
    from monitor.fleet.backtest import most_changed
    from monitor.text import harmless

    tally, unusable = outcome.all, [row for row in outcome.sessions if row.problem]
    used = len(outcome.sessions) - len(unusable)
    kept = sum(row.kept for row in outcome.sessions)
    print(f"sessions: {used}, with {outcome.hours:.2f} h recorded; {kept} of them worked out before")
    print(f"\n{'rule':<26}{'before':>8}{'after':>8}{'gone':>7}{'new':>7}{'moved':>7}{'true lost':>11}")
    for name, one in most_changed(outcome.by["rule"]):
        if one.gone or one.new or one.moved:
            print(f"{name:<26}{one.before:>8}{one.after:>8}{one.gone:>7}{one.new:>7}{one.moved:>7}{one.true_lost:>11}")
    print(
        f"{'all':<26}{tally.before:>8}{tally.after:>8}{tally.gone:>7}{tally.new:>7}{tally.moved:>7}{tally.true_lost:>11}"
    )
    if tally.true_lost:
        print("\ntrue lost: the block crossed its limit after these alarms, and the new rules do not raise them")
    for row in unusable:
        print(harmless(f"not used: {row.problem}"), file=sys.stderr)
    print(f"\n{out}/index.html, with alarms.parquet and sessions.parquet beside it")
