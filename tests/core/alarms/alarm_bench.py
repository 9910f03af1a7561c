"""A small catalogue and a driver for tests of the alarm bank."""

import json
from typing import Any

from monitor.config.rig_file import find_rig
from monitor.config.rule import SENSOR_SIGNALS, RuleSet
from monitor.config.rules_file import build_rules
from monitor.core.alarms.bank import AlarmBank
from monitor.core.alarms.crew_actions import ASIDE_NOW
from monitor.core.alarms.lifecycle import LATCHED
from monitor.model.alarm import AlarmState, AlarmView, Finding
from monitor.model.snapshot import HoistState
from monitor.model.stream import GRID_NS, Action, ActionKind

START_NS = 1_700_000_000_000_000_000
RIG = find_rig("land")
SIGNALS = ("a", "b", "c", "d", "e")
VALID, DEGRADED, INVALID, NOT_FITTED = range(4)


def rule(name: str, signal: str = "a", **fields: Any) -> dict[str, Any]:
    """One [[rule]] table: above 1, clear at 0, no delays, CAUTION, unless `fields` say otherwise."""
    table = {
        "id": name,
        "signal": signal,
        "compare": "above",
        "trip": 1.0,
        "clear": 0.0,
        "severity": "CAUTION",
        "message": f"{name} is wrong",
        "guidance": f"Look at {name}.",
    }
    return table | fields


def rules(*tables: dict[str, Any]) -> RuleSet:
    return build_rules({"format": 1, "rule": list(tables)}, "test", RIG, SIGNALS)


class Bench:
    """Drives a bank from one grid point to the next; signals keep their values until they are changed."""

    def __init__(self, *tables: dict[str, Any], aside: int = ASIDE_NOW) -> None:
        self.rules = rules(*tables)
        self.aside = aside
        self.bank = AlarmBank(self.rules, SIGNALS, aside)
        self.numbers = [0.0] * len(SIGNALS)
        self.validities = [VALID] * len(SIGNALS)
        self.flags = [[(0.0, VALID)] * len(SENSOR_SIGNALS) for _ in RIG.sensors]
        self.hoist = HoistState.STILL
        self.expected: frozenset[str] = frozenset()
        self.t_ns = START_NS
        self.story: list[Finding] = []

    def step(self, points: int = 1, **values: float | None) -> list[Finding]:
        """Set signals (None: invalid) and take `points` grid points; the alarm findings."""
        for name, number in values.items():
            place = SIGNALS.index(name)
            self.numbers[place] = float("nan") if number is None else number
            self.validities[place] = INVALID if number is None else VALID
        findings = []
        for _ in range(points):
            self.t_ns += GRID_NS
            flags = tuple(map(tuple, self.flags))
            findings += self.bank.evaluate(self.t_ns, self.numbers, self.validities, self.hoist, flags, self.expected)
        self.story += findings
        return findings

    def act(
        self, kind: ActionKind, target: str = "", number: float | None = None, who: str = "", text: str = ""
    ) -> list[Finding]:
        findings = self.bank.act(Action(self.t_ns, kind, target, number, text, who))
        self.story += findings
        return findings

    def view(self, key: str) -> AlarmView | None:
        return next((view for view in self.bank.views() if view.key == key), None)

    def state(self, key: str) -> str:
        view = self.view(key)
        return view.state.value if view else "normal"

    def restart(self, aside: int | None = None) -> None:
        """A new bank from the old one's saved state, by way of JSON text; with `aside` of another version."""
        saved = json.loads(json.dumps(self.bank.state()))
        self.bank = AlarmBank(self.rules, SIGNALS, aside or self.aside)
        self.bank.restore(saved)


def into(state: AlarmState) -> Bench:
    """A bench whose alarm "one" is in `state`. Latched states have a latched rule."""
    latched = state in LATCHED
    acknowledged = (AlarmState.ACKNOWLEDGED, AlarmState.LATCHED_ACKNOWLEDGED)
    bench = Bench(rule("one", latched=latched, when=["still", "hoisting"]), rule("other", "b"))
    bench.step()
    if latched or state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED):
        bench.step(a=2.0)
    if state in acknowledged:
        bench.act(ActionKind.ACKNOWLEDGE, "one")
    if latched or state is AlarmState.RETURNED:
        bench.step(a=0.0)
    if state is AlarmState.SHELVED:
        bench.act(ActionKind.SHELVE, "one")
    if state is AlarmState.OUT_OF_SERVICE:
        bench.act(ActionKind.OUT_OF_SERVICE, "one")
    if state is AlarmState.SUPPRESSED:
        bench.hoist = HoistState.LOWERING
        bench.step(a=2.0)
    assert bench.state("one") == state
    return bench
