"""What a run is made of beside its readings: a core out of a rig and a text of rules, and the header of its session."""

import json
from importlib.metadata import version
from typing import Literal

from monitor.config.rig import Rig
from monitor.config.rule import RuleSet
from monitor.config.rules_file import build_rules
from monitor.config.toml_file import parse_toml
from monitor.core.engine import Core
from monitor.core.signals.table import SIGNAL_NAMES, not_fitted
from monitor.runtime.driver import Mode


def core_of(rig: Rig, rules_text: str, where: str) -> Core:
    """A core for `rig` with the rules in a TOML text.

    Raises:
        ConfigError: every problem of the rules at once.
    """
    return Core(rig, rules_of(rig, rules_text, where))


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
    }
