"""What a run is made of beside its readings: a core out of a rig and a text of rules, and the header of its session."""

import json
from collections.abc import Mapping
from importlib.metadata import version
from typing import Any, Final, Literal

from monitor.config.rig import Rig
from monitor.config.rule import RuleSet
from monitor.config.rules_file import build_rules
from monitor.config.toml_file import parse_toml
from monitor.core.alarms.crew_actions import ASIDE, ASIDE_NOW
from monitor.core.engine import Core
from monitor.core.pace import PRESENT, GridLaw
from monitor.core.signals.table import SIGNAL_NAMES, not_fitted
from monitor.errors import UserError
from monitor.runtime.driver import Mode

_ASIDE: Final = "aside"
"""In a header: by which version of `crew_actions.ASIDE` the crew set alarms aside."""
_GRID: Final = "grid"
"""The law by which the grid was thinned."""


def core_of(rig: Rig, rules_text: str, where: str, header: Mapping[str, Any] | None = None) -> Core:
    """A core for `rig` with the rules in a TOML text; with the `header` of a session, as that one was made.

    Raises:
        ConfigError: every problem of the rules at once. UserError: the header is of a newer version, see `law_of`.
    """
    rules = rules_of(rig, rules_text, where)
    if header is None:
        return Core(rig, rules)
    aside = header.get(_ASIDE, 1)
    return Core(rig, rules, aside if isinstance(aside, int) and aside in ASIDE else ASIDE_NOW, law_of(header))


def law_of(header: Mapping[str, Any]) -> GridLaw | None:
    """The law of the grid that a session with this header was recorded under; None, the full grid, for one without any.

    Raises:
        UserError: it was recorded by a newer version, under a law that this one does not know.
    """
    try:
        return GridLaw.of(header.get(_GRID))
    except ValueError as error:
        raise UserError(f"session of rig {header.get('rig')!r}: {error}; update Stopmark to replay it") from None


def rules_of(rig: Rig, rules_text: str, where: str) -> RuleSet:
    """The rules in a TOML text, for `rig`.

    Raises:
        ConfigError: every problem of the rules at once.
    """
    return build_rules(parse_toml(rules_text, where), where, rig, SIGNAL_NAMES, not_fitted(rig))


def header_of(rig: Rig, rules_text: str, mode: Mode | Literal["IMPORTED"], created_ns: int) -> dict[str, object]:
    """What a session keeps about how it was made: the whole configuration."""
    return {
        "rig": rig.name,
        "config": json.loads(rig.model_dump_json()),
        "rules": rules_text,
        "version": version("stopmark"),
        "created": created_ns,
        "mode": mode,
        _ASIDE: ASIDE_NOW,
        _GRID: PRESENT.plain(),
    }
