"""The rule catalogue: which signal is wrong when, how badly, and what to look at. Loaded once, checked completely.

A rule is one ``[[rule]]`` table in ``config/rules.toml``. Levels are numbers in the signal's SI unit, or a reference to
the rig's own file, so that one catalogue serves every rig::

    trip = "rig:braking.min_holding_ratio"
    clear = "1.05 * rig:braking.min_holding_ratio"

A reference to a field that this kind of equipment does not have (the coolant limit of a rig without an auxiliary
brake) leaves the rule out for this rig; a field that no rig can have is an error. A rule with ``per = "sensor"`` is a
template: it becomes one rule for each of the rig's sensors, under the key ``rule:sensor``.
"""

import re
from collections.abc import Collection, Iterator, Mapping
from dataclasses import replace
from types import UnionType
from typing import Annotated, Any, Final, Literal, Self, Union, get_args, get_origin

from pydantic import BaseModel, Field, model_validator

from monitor.config.fields import Finite, Model, Name, NotNegative, Words
from monitor.config.optional_tables import StandIn
from monitor.config.rig import Rig
from monitor.config.rule import GUIDANCE_LENGTH, MESSAGE_LENGTH, SENSOR_SIGNALS, Compare, Rule, RuleSet
from monitor.config.toml_file import ConfigError, FilePath, config_root, read_toml, validate
from monitor.model.alarm import Severity
from monitor.model.snapshot import HoistState

_REFERENCE: Final = re.compile(r"(?:([-+]?\d+(?:\.\d+)?)\s*\*\s*)?rig:([a-z0-9_]+(?:\.[a-z0-9_]+)+)")


class RuleTable(Model):
    """One ``[[rule]]`` of the catalogue, as written."""

    id: Name
    signal: str
    per: Literal["sensor"] | None = None
    compare: Compare
    trip: Finite | str
    clear: Finite | str
    on_delay_s: NotNegative = 0.0
    off_delay_s: NotNegative = 0.0
    severity: Literal["NOTICE", "CAUTION", "WARNING", "DANGER"]
    latched: bool = False
    prompt: bool = False
    precedence: Annotated[int, Field(ge=0, le=9)] = 0
    when: tuple[HoistState, ...] = ()
    hides: tuple[str, ...] = ()
    message: Annotated[Words, Field(min_length=1)]
    guidance: Annotated[Words, Field(min_length=1, max_length=GUIDANCE_LENGTH)]

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        problems = []
        if HoistState.UNKNOWN in self.when:
            problems.append("when: 'unknown' cannot be asked for (an unknown hoist never suppresses); leave it out")
        if self.prompt and (self.latched or self.severity != "NOTICE"):
            problems.append("prompt: a prompt is a NOTICE and is not latched")
        if self.per is None:
            if len(self.message) > MESSAGE_LENGTH:
                problems.append(f"message: {len(self.message)} characters, the banner has room for {MESSAGE_LENGTH}")
            if self.signal in SENSOR_SIGNALS:
                problems.append(f'per: a rule on {self.signal} needs per = "sensor"')
        elif "{sensor}" not in self.message:
            problems.append("message: needs {sensor}, the place for the sensor's name")
        elif self.signal not in SENSOR_SIGNALS:
            problems.append(f"signal: {self.signal!r} is not one that every sensor has ({', '.join(SENSOR_SIGNALS)})")
        if problems:
            raise ValueError("; ".join(problems))
        return self


class Catalogue(Model):
    """The frame of a rules file; its tables are checked one by one, so that each problem names its rule."""

    format: Literal[1]
    rule: Annotated[list[dict[str, Any]], Field(min_length=1)]


def default_rules_path() -> FilePath:
    """The catalogue that comes with Stopmark."""
    return config_root() / "rules.toml"


def load_rules(path: FilePath, rig: Rig, known_signals: Collection[str], not_fitted: Collection[str] = ()) -> RuleSet:
    """The catalogue in the TOML file at `path`, for `rig`.

    Args:
        path: the rules file.
        rig: where references and sensors come from.
        known_signals: names of the signals that exist.
        not_fitted: names of those that this rig cannot have: rules on them are left out.

    Raises:
        ConfigError: every problem of the file at once, each with the rule and the field.
    """
    return build_rules(read_toml(path), str(path), rig, known_signals, not_fitted)


def build_rules(
    data: Mapping[str, Any],
    where: str,
    rig: Rig,
    known_signals: Collection[str],
    not_fitted: Collection[str] = (),
) -> RuleSet:
    """As `load_rules`, from the parsed file; `where` names it in problems."""
    tables, problems = _tables(data, where)
    ids = [table.id for table in tables]
    problems += [f"{where}: rule {name!r}: id: is used twice" for name in sorted({i for i in ids if ids.count(i) > 1})]
    rules: list[Rule] = []
    left_out: list[str] = []
    for table in tables:
        try:
            expanded = list(_expand(table, f"{where}: rule {table.id!r}", rig, known_signals))
            if table.signal in not_fitted:
                raise _AbsentError
            rules += expanded
        except _AbsentError:
            left_out.append(table.id)
        except ConfigError as error:
            problems += error.problems
    entries = data.get("rule")
    written = [entry.get("id") for entry in entries if isinstance(entry, dict)] if isinstance(entries, list) else []
    problems += _hides_problems(tables, [name for name in written if isinstance(name, str)], where)
    if problems:
        raise ConfigError(problems)
    present = {table.id: table for table in tables if table.id not in left_out}
    return RuleSet(tuple(_with_hidden_keys(rule, rules, present) for rule in rules), tuple(left_out))


def rule_tables(data: Mapping[str, Any], where: str) -> list[RuleTable]:
    """The rules as they are written, for no rig in particular.

    Raises:
        ConfigError: any problem; every problem is named.
    """
    tables, problems = _tables(data, where)
    if problems:
        raise ConfigError(problems)
    return tables


class _AbsentError(Exception):
    """A level refers to equipment that this rig has not."""


def _tables(data: Mapping[str, Any], where: str) -> tuple[list[RuleTable], list[str]]:
    try:
        catalogue = validate(Catalogue, data, where)
    except ConfigError as error:
        return [], error.problems
    tables: list[RuleTable] = []
    problems: list[str] = []
    for place, entry in enumerate(catalogue.rule, 1):
        name = entry.get("id")
        label = f"rule {name!r}" if isinstance(name, str) else f"rule number {place}"
        try:
            tables.append(validate(RuleTable, entry, f"{where}: {label}"))
        except ConfigError as error:
            problems += error.problems
    return tables, problems


def _expand(table: RuleTable, where: str, rig: Rig, known_signals: Collection[str]) -> Iterator[Rule]:
    problems: list[str] = []
    levels: dict[str, float] = {}
    absent = False
    for name, level in (("trip", table.trip), ("clear", table.clear)):
        try:
            levels[name] = _level(level, rig)
        except _AbsentError:
            absent = True
        except ValueError as error:
            problems.append(f"{where}: {name}: {error}")
    if len(levels) == 2:
        trip, clear = levels["trip"], levels["clear"]
        if (clear > trip) if table.compare == "above" else (clear < trip):
            side = "at or below" if table.compare == "above" else "at or above"
            problems.append(f"{where}: clear: must be {side} trip ({clear:g} against {trip:g})")
    if table.per is None and table.signal not in known_signals and table.signal not in SENSOR_SIGNALS:
        problems.append(f"{where}: signal: there is no signal {table.signal!r}")
    if problems:
        raise ConfigError(problems)
    if absent:
        raise _AbsentError
    if table.per is None:
        return iter([_rule(table, table.id, None, table.message, table.guidance, levels)])
    quantities = [sensor.quantity for sensor in rig.sensors]
    expanded = []
    for place, sensor in enumerate(rig.sensors):
        # Two sensors of one quantity are told apart by their ids; so is one whose label would burst the banner.
        label = sensor.label if quantities.count(sensor.quantity) == 1 else sensor.id
        message = table.message.replace("{sensor}", label)
        if len(message) > MESSAGE_LENGTH:
            room = MESSAGE_LENGTH - len(table.message.replace("{sensor}", ""))
            message = table.message.replace(
                "{sensor}", sensor.id if len(sensor.id) <= room else sensor.id[: room - 1] + "…"
            )
        guidance = table.guidance.replace("{id}", sensor.id)[:GUIDANCE_LENGTH]
        expanded.append(_rule(table, f"{table.id}:{sensor.id}", place, message, guidance, levels))
    return iter(expanded)


def _rule(
    table: RuleTable, key: str, sensor: int | None, message: str, guidance: str, levels: Mapping[str, float]
) -> Rule:
    return Rule(
        key=key,
        id=table.id,
        signal=table.signal,
        per=table.per,
        sensor=sensor,
        compare=table.compare,
        trip=levels["trip"],
        clear=levels["clear"],
        on_delay_s=table.on_delay_s,
        off_delay_s=table.off_delay_s,
        severity=Severity[table.severity],
        latched=table.latched,
        prompt=table.prompt,
        when=table.when,
        hides=(),
        message=message,
        guidance=guidance,
        precedence=table.precedence,
    )


def _level(level: float | str, rig: Rig) -> float:
    """The number behind a level.

    Raises:
        ValueError: it is neither a number nor a reference to a number of the rig.
        _AbsentError: it refers to a field that this rig's kind of equipment does not have, or has left open.
    """
    if not isinstance(level, str):
        return float(level)
    match = _REFERENCE.fullmatch(level.strip())
    if match is None:
        raise ValueError(f'{level!r} is neither a number nor like "rig:limits.upper_m" or "0.9 * rig:limits.upper_m"')
    found: Any = rig
    lacking = False
    kinds: list[type[BaseModel]] = [Rig]
    for part in match[2].split("."):
        fields = [kind.model_fields[part].annotation for kind in kinds if part in kind.model_fields]
        if not fields:
            raise ValueError(f"the rig's file has no field {match[2]!r}")
        kinds = [kind for annotation in fields for kind in _models(annotation)]
        found = getattr(found, part, None)
        lacking = lacking or isinstance(found, StandIn)
    if found is None or lacking:
        raise _AbsentError
    if isinstance(found, bool) or not isinstance(found, int | float):
        raise ValueError(f"{match[2]!r} of the rig's file is not a number")
    return float(match[1] or 1.0) * found


def _models(annotation: Any) -> Iterator[type[BaseModel]]:
    """The models among the members of a field's type."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    elif get_origin(annotation) in (Union, UnionType, Annotated):
        for member in get_args(annotation):
            yield from _models(member)


def _hides_problems(tables: list[RuleTable], written: Collection[str], where: str) -> Iterator[str]:
    """Names that are no rule, and circles (whose rules would hide each other, and nothing would be seen)."""
    hides = {table.id: table.hides for table in tables}
    for table in tables:
        for name in table.hides:
            if name not in written:
                yield f"{where}: rule {table.id!r}: hides: there is no rule {name!r}"
        seen: set[str] = set()
        ahead = list(table.hides)
        while ahead:
            name = ahead.pop()
            if name not in seen:
                seen.add(name)
                ahead += hides.get(name, ())
        if table.id in seen:
            yield f"{where}: rule {table.id!r}: hides: it hides itself, directly or through another rule"


def _with_hidden_keys(rule: Rule, rules: list[Rule], present: Mapping[str, RuleTable]) -> Rule:
    """`rule` with the keys it hides: a sensor's rule hides the same sensor's alarm of another template."""
    names = present[rule.id].hides
    keys = tuple(
        other.key
        for other in rules
        if other.id in names and (rule.sensor is None or other.sensor is None or other.sensor == rule.sensor)
    )
    return replace(rule, hides=keys)
