"""Every key that a screen can ask the catalogue for: what the source marks, what tables hold, what core and adapters say.

Texts of the screens are the first arguments of `tr`, `tr_n` and `msgid`. Those that core and adapters make are f-strings: their
parts get names here, for a translation may need them in another order.
"""

import ast
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Final, get_args

from monitor.adapters.ledger.ledger import KINDS
from monitor.core.signals import believable
from monitor.core.signals.table import SIGNALS
from monitor.model.alarm import EXPECTED_WORDS, AlarmState, FindingKind, Severity
from monitor.model.check import CheckVerdict
from monitor.model.quantities import QUANTITIES
from monitor.model.reading import RejectReason
from monitor.presentation.brake_causes import ROWS
from monitor.presentation.brake_trend import SERIES
from monitor.presentation.format import SYSTEM_LABEL
from monitor.presentation.missing import TABLE_WORDS
from monitor.runtime.driver import Mode
from monitor.ui.acts import ACTS, WATCH
from monitor.ui.drawing.theme import THEMES
from monitor.ui.help_text import WORDS
from monitor.ui.keys.global_keys import GLOBAL
from monitor.ui.keys.replay_keys import REPLAY_KEYS
from monitor.ui.screens import SCREENS, checks

ROOT: Final = Path(__file__).parent.parent.parent
SHOWS: Final = (
    "monitor/presentation",
    "monitor/ui",
    "monitor/web",
    "monitor/fleet/rigs",
    "monitor/commands/handover.py",
    "simulators/training",
)
"""Packages that say words to the crew."""
SAYS: Final = (
    "monitor/core/checks", "monitor/core/estimator", "monitor/core/sensors", "monitor/core/alarms/crew_actions.py",
    "monitor/core/height_actions.py", "monitor/core/instruments.py", "monitor/core/restore.py",
    "monitor/adapters/mqtt/source.py", "monitor/adapters/mqtt/connection_errors.py", "monitor/fleet/rigs/supervisor.py",
)  # fmt: skip
"""Where texts are made that are recorded, and shown from the record."""
_CALLS: Final = {"tr": 1, "tr_n": 2, "msgid": 1}
_SENTENCE: Final = re.compile(r"[a-z]{2,}.* .*[a-z]{2,}|^ [a-z]{2,}|[a-z]{3,}:? \{|\} ?[a-z]{4,}")
_NOT_SHOWN: Final = re.compile(
    r"cannot be restored|: no list|no covariance|no JSON object|is no time$|^records: |nothing that the alarms"
    r"|is no row|Estimate \|| --> |^ clear$|^ doubt$|^small length$|admit it first|learned more than it|^places: "
    r"|%s|has an end of shelving|rules look at signals|expected \{"
)
"""Of saved state and of mistakes in the source."""


def keys() -> dict[str, str]:
    """Key to plural ("" where it has none)."""
    found: dict[str, str] = {}
    for one, many in _marked():
        found[one] = many or found.get(one, "")
    for text in (*_tables(), *_rules(), *_said()):
        if text:
            found.setdefault(text, "")
    return found


def recorded() -> set[str]:
    """Those keys of which core, adapters and rules make what stands in records."""
    return {*_rules(), *_said()}


def _sources(*places: str) -> Iterator[ast.Module]:
    for place in places:
        path = ROOT / place
        for file in [path] if path.suffix else sorted(path.rglob("*.py")):
            yield ast.parse(file.read_text(encoding="utf-8"))


def _marked() -> Iterator[tuple[str, str]]:
    for tree in _sources(*SHOWS):
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in _CALLS:
                texts = [part.value for part in node.args[: _CALLS[node.func.id]] if isinstance(part, ast.Constant)]
                if texts and texts[0]:
                    yield texts[0], texts[1] if len(texts) > 1 else ""


def _tables() -> Iterator[str]:
    for spec in SCREENS:
        yield from (spec.name, spec.help)
    for key in (*(key for spec in SCREENS for key in spec.keys), *REPLAY_KEYS, *GLOBAL):
        yield from (key.label, key.help)
    yield from (part for pair in WORDS for part in pair)
    yield WATCH
    yield from (word for act in ACTS.values() for word in (act.word, act.short))
    for row in ROWS.values():
        yield from (row.fine, row.bad, row.look, row.relation)
        for cause in row.causes:
            yield cause.words
            yield from (word for fact in cause.facts for word in (fact.words, fact.relation))
    yield from (row.label for row in (*SIGNALS, *QUANTITIES.values()))
    yield from (checks._AFTER_ANY_FAIL, *checks._AFTER_FAIL.values())
    for row in believable.BELIEVABLE.values():
        yield from (row.above, row.below, row.endless)
    yield believable.NO_LOAD
    yield from (
        *TABLE_WORDS.values(),
        *SYSTEM_LABEL.values(),
        *KINDS.values(),
        *get_args(Mode),
        *get_args(FindingKind),
        *THEMES,
    )
    yield from (severity.name for severity in Severity)
    yield from (*map(str, AlarmState), *map(str, CheckVerdict), *map(str, RejectReason), EXPECTED_WORDS)
    yield from ("at most", "at least", "near", "rising", "falling", "steady", "varies", "no trend yet", "up", "down")
    yield from (words.removeprefix("brake ").removeprefix("pressure ") for words in SERIES.values())


def _rules() -> Iterator[str]:
    rules = tomllib.loads((ROOT / "config/rules.toml").read_text(encoding="utf-8"))["rule"]
    yield from (rule[name] for rule in rules for name in ("message", "guidance"))


def _said() -> Iterator[str]:
    for tree in _sources(*SAYS):
        above = {child: node for node in ast.walk(tree) for child in ast.iter_child_nodes(node)}
        for node in ast.walk(tree):
            text = _text(node)
            if (
                _SENTENCE.search(text)
                and not _NOT_SHOWN.search(text)
                and not _aside(node, above)
                and _letters(text) >= 5
            ):
                yield text


def _letters(text: str) -> int:
    """Letters outside the braces: a key with next to none is found in every text."""
    return sum(map(str.isalpha, re.sub(r"\{[^}]*\}", "", text)))


def _aside(node: ast.AST, above: dict[ast.AST, ast.AST]) -> bool:
    """Whether a text is no words for the crew: a docstring, a part of an f-string, an error of the program's own."""
    parent = above[node]
    if isinstance(parent, ast.Expr | ast.JoinedStr | ast.Compare | ast.Subscript):
        return True
    while not isinstance(parent, ast.stmt):
        if (
            isinstance(parent, ast.Call)
            and isinstance(parent.func, ast.Attribute)
            and parent.func.attr in ("warning", "info")
        ):
            return True
        parent = above[parent]
    return isinstance(parent, ast.Raise) and "Refused" not in ast.dump(parent)


def _text(node: ast.AST) -> str:
    if isinstance(node, ast.Constant):
        return re.sub(r"\{:[^}]*\}", "{part}", node.value) if isinstance(node.value, str) else ""
    if not isinstance(node, ast.JoinedStr):
        return ""
    found, names = "", set[str]()
    for part in node.values:
        if isinstance(part, ast.Constant):
            found += str(part.value).replace("{", "{{").replace("}", "}}")
        elif isinstance(part, ast.FormattedValue):
            name = _name(part.value)
            taken = name
            place = 2
            while taken in names:
                taken, place = f"{name}_{place}", place + 1
            names.add(taken)
            found += f"{{{taken}}}"
    return found


def _name(value: ast.expr) -> str:
    """A name for what stands in the braces."""
    match value:
        case ast.Name(id=name) | ast.Attribute(attr=name):
            return name.strip("_").lower()
        case ast.Call(func=ast.Name(id=name) | ast.Attribute(attr=name), args=[first, *_]) if not isinstance(
            first, ast.Constant
        ):
            return _name(first) if name not in ("words", "sensor") else name
        case ast.Call(func=ast.Attribute(value=inner)):
            return _name(inner)
        case ast.BinOp(left=left, right=right):
            return _name(right) if isinstance(left, ast.Constant) else _name(left)
        case ast.Subscript(value=inner):
            return _name(inner)
    return "part"
