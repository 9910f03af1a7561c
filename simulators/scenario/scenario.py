"""Scenarios: what happens on the rig, what goes wrong, and which findings must and must not come of it.

One TOML file each in ``config/scenarios``; the file's name is the scenario's. Everything wrong in a file is reported
at once, with the field.
"""

import os
from collections.abc import Iterable, Mapping, Sequence
from math import inf
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal, Union

from pydantic import AfterValidator, Field, ValidationInfo, field_validator

from monitor.config.fields import Finite, Model, NotNegative, Positive
from monitor.config.optional_tables import MAY_LACK
from monitor.config.rig import Rig
from monitor.config.rig_file import shipped_rigs
from monitor.config.toml_file import ConfigError, config_root, named_file, read_toml, validate
from monitor.model.alarm import Finding, Severity
from simulators.crew.programs import PROGRAMS
from simulators.crew.settings import SETTINGS
from simulators.faults.base import Fault
from simulators.faults.table import FAULTS
from simulators.sensors.channel import READ

if TYPE_CHECKING:
    AnyFault = Fault
else:
    AnyFault = Annotated[Union[FAULTS], Field(discriminator="kind")]  # noqa: UP007

Event = Literal["lower_limit", "upper_limit", "floor", "crown", "parted"]
"""What the truth can do: a limit passed, floor or crown struck, the line parted."""


def _program(name: str) -> str:
    if name not in PROGRAMS:
        raise ValueError(f"unknown program {name!r}, known: {', '.join(PROGRAMS)}")
    return name


def _setting(name: str) -> str:
    if name not in SETTINGS:
        raise ValueError(f"there is no such setting, known: {', '.join(SETTINGS)}")
    return name


class Work(Model):
    """What the operator does: a program, its settings, and where the block starts."""

    program: Annotated[str, AfterValidator(_program)]
    start_m: Finite
    settings: dict[Annotated[str, AfterValidator(_setting)], Finite] = Field(default_factory=dict)


class Transport(Model):
    """How readings travel."""

    latency_s: NotNegative = 0.02
    jitter_s: NotNegative = 0.006
    """Mean of the exponential part of the delay."""
    batch: Annotated[int, Field(ge=1, le=100)] = 1
    """Readings per message, as arrays."""
    clock_offset_s: Finite = 0.35
    clock_drift: Finite = 5e-6


class Expect(Model):
    """A finding that must come: its key (``rule`` or ``rule:sensor``), and perhaps before something the truth does."""

    key: str
    before: Event | None = None
    after_s: NotNegative = 0.0
    """Not earlier than this time of the run."""
    within_s: Positive | None = None
    """At most this long after `after_s`."""


class Forbid(Model):
    """Findings that must not come: keys, and every alarm at or above a severity that is not expected."""

    keys: tuple[str, ...] = ()
    severity: Literal["NOTICE", "CAUTION", "WARNING", "DANGER"] | None = None


class CrewAction(Model):
    """Something the crew tells the monitor during the run."""

    at_s: NotNegative
    kind: Literal["slip and cut", "reference height", "acknowledge", "check start", "check step"]
    target: str = ""
    number: Finite | None = None


class Scenario(Model):
    """One scenario, complete."""

    format: Literal[1] = 1
    name: str = ""
    description: str
    rig: str = "land"
    duration_s: Positive = 60.0
    work: Work
    truth_spread: NotNegative = 1.0
    """How far the machine differs from the rig's file: 1 is as far as that file says it may."""
    transport: Transport = Transport()
    sparkplug: bool = False
    """Whether the rig's sensors come as metrics of a Sparkplug node, those too that its file has on plain topics."""
    faults: tuple[AnyFault, ...] = ()
    actions: tuple[CrewAction, ...] = ()
    expect: tuple[Expect, ...] = ()
    forbid: Forbid = Forbid()

    @field_validator("description")
    @classmethod
    def _one_line(cls, description: str) -> str:
        if "\n" in description or not description:
            raise ValueError("must be one line")
        return description

    @field_validator("faults")
    @classmethod
    def _begin_in_time(cls, faults: tuple[Fault, ...], info: ValidationInfo) -> tuple[Fault, ...]:
        end_s = info.data.get("duration_s", inf)
        late = [
            f"{i}.start_s: {fault.start_s:g} is after the end"
            for i, fault in enumerate(faults)
            if fault.start_s >= end_s
        ]
        if late:
            raise ValueError("; ".join(f"{words} (duration_s = {end_s:g})" for words in late))
        return faults

    @field_validator("forbid")
    @classmethod
    def _not_expected(cls, forbid: Forbid, info: ValidationInfo) -> Forbid:
        both = [expect.key for expect in info.data.get("expect", ()) if expect.key in forbid.keys]
        if both:
            raise ValueError("; ".join(f"keys: {key!r} is expected as well" for key in both))
        return forbid

    def on(self, rig: Rig, home: Rig) -> "Scenario":
        """This scenario, written for `home`, on `rig`: loads by the ratio of the ratings, heights by the place between
        the limits. The same rig gives the same scenario."""
        if rig.name == home.name:
            return self
        heavier = rig.block.rated_load_kg / home.block.rated_load_kg
        ours, theirs = rig.limits, home.limits
        taller = (ours.upper_m - ours.lower_m) / (theirs.upper_m - theirs.lower_m)

        def height(metres: float) -> float:
            return ours.lower_m + (metres - theirs.lower_m) * taller

        settings = {
            name: {"": value, "rating": value * heavier, "limits": height(value)}[SETTINGS[name].follows]
            for name, value in self.work.settings.items()
        }
        work = self.work.model_copy(update={"start_m": height(self.work.start_m), "settings": settings})
        return self.model_copy(update={"work": work})

    def problems_on(self, rig: Rig) -> list[str]:
        """What keeps this scenario from running on `rig`."""
        problems = []
        ids = [sensor.id for sensor in rig.sensors]
        for i, fault in enumerate(self.faults):
            for sensor in fault.sensors() or ():
                if sensor not in ids:
                    known = ", ".join(ids)
                    problems.append(f"faults.{i}.sensor: rig {rig.name!r} has no sensor {sensor!r}; it has {known}")
        if not rig.mast.floor_m <= self.work.start_m < rig.mast.crown_m:
            problems.append(f"work.start_m: {self.work.start_m} is outside the mast of rig {rig.name!r}")
        lacking = [f"[{table}]" for table in MAY_LACK if not rig.has(table)]
        lacking += [] if rig.has("overtravel") else ["limits.overtravel_m"]
        if lacking:
            problems.append(f"rig {rig.name!r}: its file has no {', '.join(lacking)}, which the simulated rig needs")
        problems += [f"rig {rig.name!r}: no simulated {s.quantity}" for s in rig.sensors if s.quantity not in READ]
        return problems

    def judge(self, findings: Iterable[Finding], events: Sequence[tuple[str, int]], origin_ns: int) -> list[str]:
        """What the findings lack or have too much, one sentence each; empty when all is as expected.

        `events` are what the truth did: names (see `Event`) with stream times in ns.
        """
        alarms = [finding for finding in findings if finding.raised]
        first: dict[str, int] = {}
        for name, t_ns in events:
            first.setdefault(name, t_ns)
        missing = [self._missing(expect, alarms, first, origin_ns) for expect in self.expect]
        excess = [self._excess(finding, (finding.t_ns - origin_ns) / 1e9) for finding in alarms]
        return [problem for problem in (*missing, *excess) if problem]

    @staticmethod
    def _missing(expect: Expect, alarms: Sequence[Finding], first: Mapping[str, int], origin_ns: int) -> str:
        """What is wrong with an expected finding; `first` is when each event of the truth happened. Empty: nothing."""
        start_ns = origin_ns + int(expect.after_s * 1e9)
        end_ns = inf if expect.within_s is None else start_ns + int(expect.within_s * 1e9)
        times = [f.t_ns for f in alarms if f.key == expect.key and start_ns <= f.t_ns <= end_ns]
        if not times:
            return f"expected {expect.key}: it did not come"
        if expect.before is None:
            return ""
        event_ns = first.get(expect.before)
        if event_ns is None:
            return f"expected {expect.key} before {expect.before}: the truth never got there"
        late_s = (min(times) - event_ns) / 1e9
        return f"expected {expect.key} before {expect.before}: it came {late_s:.2f} s after" if late_s >= 0 else ""

    def _excess(self, finding: Finding, at_s: float) -> str:
        """What is wrong with an alarm that came: it is forbidden, or as serious and not expected. Empty: nothing."""
        forbid = self.forbid
        if finding.key in forbid.keys or finding.key.split(":")[0] in forbid.keys:
            return f"forbidden {finding.key} came at {at_s:.2f} s"
        if forbid.severity is None or finding.severity < Severity[forbid.severity]:
            return ""
        if finding.key in {expect.key for expect in self.expect}:
            return ""
        return f"unexpected {finding.severity.name} {finding.key} came at {at_s:.2f} s"


def shipped_scenarios() -> dict[str, Path]:
    """Scenario files that come with Stopmark, by name."""
    found = {path.stem: path for path in (config_root() / "scenarios").glob("*.toml")}
    return dict(sorted(found.items()))


def load_scenario(path: str | os.PathLike[str]) -> Scenario:
    """The scenario in the TOML file at `path`.

    Raises:
        ConfigError: with every problem of the file.
    """
    data = read_toml(Path(path))
    rig = data.get("rig")
    problems = []
    if isinstance(rig, str) and rig not in shipped_rigs() and not rig.endswith(".toml"):
        problems.append(f"{path}: rig: no rig is called {rig!r}; shipped: {', '.join(shipped_rigs())}")
    try:
        scenario = validate(Scenario, {**data, "name": data.get("name") or Path(path).stem}, str(path))
    except ConfigError as error:
        raise ConfigError(problems + error.problems) from None
    if problems:
        raise ConfigError(problems)
    return scenario


def find_scenario(name_or_path: str) -> Scenario:
    """A shipped scenario by name, or any scenario file by path.

    Raises:
        ConfigError: neither exists, or the file has problems.
    """
    shipped = shipped_scenarios()
    path = named_file(name_or_path, shipped)
    if path is not None:
        return load_scenario(path)
    lines = [f"no scenario is called {name_or_path!r}; give a .toml file, or one of these:"]
    raise ConfigError(lines + [f"  {name}: {read_toml(path).get('description', '')}" for name, path in shipped.items()])
