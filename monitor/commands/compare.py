"""`stopmark compare`: what two sets of rules would have said about the same session, and where they differ."""

import argparse
from collections import Counter
from typing import TYPE_CHECKING

from monitor.commands.common.arguments import rules_text
from monitor.commands.common.progress import replaying
from monitor.commands.common.session_range import add_sessions
from monitor.errors import UserError

if TYPE_CHECKING:
    from monitor.analysis.rule_comparison import Comparison, Difference
    from monitor.model.alarm import Finding


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's words."""
    add_sessions(parser)
    parser.add_argument(
        "--rules", metavar="FILE", action="append", required=True,
        help='rule catalogue; give it twice: A, then B. "recorded" is what was in force then, "shipped" what comes with '
        "Stopmark. Given once, it is compared with what was recorded. The exit code is 0 where both say the same, 1 where not",
    )  # fmt: skip
    parser.add_argument("--all", action="store_true", help="list every difference (default: the first 100)")


def run(args: argparse.Namespace) -> int:
    """Compare; 0 when both say the same, 1 when they differ."""
    from monitor.adapters.sessions.chain import SessionChain
    from monitor.analysis.rule_comparison import changed_rules, compare

    if len(args.rules) > 2:
        raise UserError("--rules: give one or two sets of rules")
    names = args.rules if len(args.rules) == 2 else ["recorded", *args.rules]
    with SessionChain(args.sessions) as chain:
        sets = (rules_text(names[0], chain), rules_text(names[1], chain))
        print(f"A: {names[0]}\nB: {names[1]}")
        for words in changed_rules(chain, sets):
            print(f"  {words}")
        with replaying(chain.seconds, chain.rig.name):
            result = compare(chain, sets)
    _print(result, 1_000_000 if args.all else 100)
    return 1 if result.differences else 0


def _print(result: "Comparison", most: int) -> None:
    a, b = Counter(f.key for f in result.first), Counter(f.key for f in result.second)
    print(f"\n{'alarm':<34}{'A':>6}{'B':>6}")
    for key in sorted(a | b):
        print(f"{key:<34}{a[key]:>6}{b[key]:>6}{'' if a[key] == b[key] else '   differs'}")
    print(f"{'all':<34}{a.total():>6}{b.total():>6}")
    if not a | b:
        print("\nNeither says anything.")
        return
    if not result.differences:
        words = "1 alarm, at" if result.same == 1 else f"{result.same} alarms, each at"
        print(f"\nBoth say the same: {words} the same moment.")
        return
    count, alike = len(result.differences), result.same
    words = f"{count} difference{'s' if count > 1 else ''}, {alike} alarm{'s' if alike != 1 else ''} alike"
    print(f"\n{words}; times are UTC:")
    for difference in result.differences[:most]:
        print(f"  {_words(difference)}")
    if len(result.differences) > most:
        print(f"  and {len(result.differences) - most} more; --all lists them")


def _words(difference: "Difference[Finding]") -> str:
    from monitor.presentation.format import clock

    first, second = difference.first, difference.second
    when = clock(difference.t_ns, date=True)
    if first is None or second is None:
        shown = first or second
        assert shown is not None
        return f"{when}  only {'A' if second is None else 'B'}: {shown.severity.name} {shown.message} [{shown.key}]"
    words = []
    later = difference.later_s or 0.0
    if later:
        words.append(f"B {abs(later):.2f} s {'later' if later > 0 else 'sooner'}")
    if first.severity is not second.severity:
        words.append(f"{first.severity.name} in A, {second.severity.name} in B")
    return f"{when}  both: {first.message} [{first.key}]: {', '.join(words)}"
