"""At which level of a figure of the brake an alarm comes: what its trend is asked about."""

from monitor.adapters.ledger.entries import BRAKE_FIGURES
from monitor.config.rules_file import rule_tables
from monitor.config.toml_file import parse_toml
from monitor.model.alarm import Severity


def alarm_levels(rules_text: str, where: str) -> dict[str, float]:
    """Levels at which the gravest alarms of these rules come, for each number of a ``brake`` entry that has one.

    A level that depends on the rig is left out.

    Raises:
        ConfigError: they are no rules.
    """
    levels: dict[str, tuple[Severity, float]] = {}
    names = {signal: name for name, signal in BRAKE_FIGURES.items()}
    for rule in rule_tables(parse_toml(rules_text, where), where):
        name, trip, severity = names.get(rule.signal), rule.trip, Severity[rule.severity]
        if name is not None and not isinstance(trip, str) and severity >= levels.get(name, (severity, 0.0))[0]:
            levels[name] = severity, trip
    return {name: level for name, (_, level) in levels.items()}
