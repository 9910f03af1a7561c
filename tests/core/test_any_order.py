"""The whole core under any order of readings, rubbish, the crew's actions, silences, restarts, jumps and looks back.

After every step: no exception; every number that is shown as known is one; a height whose sensor is silent is not sure;
every alarm goes the ways of its table, from where it was left, and no DANGER is set aside; and a fresh replay of the record
shows the same snapshot and says the same.
"""

import json
from typing import Any

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from monitor.core.alarms.lifecycle import BY_CONDITION, LIFE
from monitor.core.engine import Core
from monitor.model.alarm import AlarmState, Finding, Severity
from monitor.model.reading import Validity
from monitor.model.stream import CARRIED_TOPIC, HEALTH_TOPIC, Action, ActionKind, Frame
from tests.fuzz.stream import shipped, sound_finding, sound_snapshot

RIG, RULES = shipped("land")
ORIGIN_NS = 1_700_000_000_000_000_000
STEP_NS = 50_000_000
HEALTH = {"recording": "on", "connected": True, "dropped": 0, "lag_s": 0.0, "note": ""}
COUNTS_PER_M = 4096 / 0.2
BY_TABLE = (AlarmState.SUPPRESSED, AlarmState.UNACKNOWLEDGED, AlarmState.LATCHED_UNACKNOWLEDGED, AlarmState.NORMAL)
"""What follows from the condition."""
WAYS = {
    (before.value, way.value)
    for (before, _), after in LIFE.items()
    for way in (BY_TABLE if after is BY_CONDITION else (after,))
    if way is not None
}
TWO_AT_ONCE = {(one, other) for one, middle in WAYS for start, other in WAYS if start == middle}
"""A condition may change at the grid point at which an action, or the end of a time, does."""
SILENT_NS = 10_000_000_000
KINDS = tuple(kind for kind in ActionKind if kind is not ActionKind.SLIP_AND_CUT)


class AnyOrder(RuleBasedStateMachine):
    """A live core, what it recorded, and what it said."""

    def __init__(self) -> None:
        super().__init__()
        self.now_ns = ORIGIN_NS
        self.count = 0
        self.height_m = 8.0
        self.read_ns: int | None = None
        self.core = Core(RIG, RULES)
        self.record: list[Frame | Action] = []
        self.said: list[Finding] = []
        self.states: dict[str, str] = {}
        self.kept: tuple[str, int, int] | None = None

    def feed(self, item: Frame | Action) -> None:
        admitted = self.core.admit(item)
        self.record.append(admitted)
        self.hear(self.core.feed(admitted))

    def hear(self, found: list[Finding]) -> None:
        self.said += found
        for finding in found:
            sound_finding(finding)
            if finding.kind == "alarm":
                before = self.states.get(finding.key, finding.before)
                assert finding.before == before, f"{finding} does not go on from {before}"
                way = (finding.before, finding.after)
                assert way in WAYS or way in TWO_AT_ONCE, f"{finding.key} went {way}"
                assert not (finding.severity is Severity.DANGER and finding.after == AlarmState.SHELVED.value)
                self.states[finding.key] = finding.after

    def sensor(self, name: str, payload: bytes) -> None:
        self.feed(Frame(self.now_ns, f"rig/land/hoist/{name}", payload))

    @initialize()
    def begin(self) -> None:
        self.feed(Frame(self.now_ns, HEALTH_TOPIC, json.dumps(HEALTH).encode()))

    @rule(
        speed_m_s=st.sampled_from([0.0, 0.0, 0.5, -0.5, 2.0, -2.0, 9.0]),
        steps=st.integers(1, 40),
        load_kn=st.sampled_from([5, 250, 900, 2500]),
        brake_bar=st.sampled_from([0, 40, 120]),
        late_ms=st.sampled_from([0, 0, 3, 400]),
        without=st.sampled_from(["", "", "drum", "hook-load", "service-1"]),
    )
    def readings(self, speed_m_s: float, steps: int, load_kn: int, brake_bar: int, late_ms: int, without: str) -> None:
        for _ in range(steps):
            self.now_ns += STEP_NS
            self.count += 1
            self.height_m += speed_m_s * 0.05
            source = self.now_ns // 1_000_000 - late_ms
            values: dict[str, Any] = {
                "drum": 1_000_000 + round((self.height_m - 8.0) * COUNTS_PER_M),
                "hook-load": load_kn,
                "service-1": brake_bar,
                "service-2": brake_bar,
                "lever": brake_bar / 120,
            }
            for name, value in values.items():
                if name != without:
                    payload = json.dumps({"value": value, "t": source, "seq": self.count % 65_536})
                    self.sensor(name, payload.encode())
            if without != "drum":
                self.read_ns = self.now_ns

    @rule(
        name=st.sampled_from(["drum", "hook-load", "lever", "accumulator", "overtravel-electric"]),
        payload=st.one_of(
            st.binary(max_size=40),
            st.floats().map(lambda number: json.dumps({"value": number}).encode()),
            st.sampled_from([b"[" * 500, b'{"value": true}', b'{"value": 1e999}', b'{"value": 5, "t": -1, "seq": -1}']),
        ),
        wait_ns=st.sampled_from([0, 1, STEP_NS - 1, STEP_NS, 10**9]),
    )
    def rubbish(self, name: str, payload: bytes, wait_ns: int) -> None:
        self.now_ns += wait_ns
        self.sensor(name, payload)

    @rule(connected=st.booleans(), dropped=st.integers(0, 10**6), lag_s=st.sampled_from([0.0, 0.6, 30.0]))
    def health(self, connected: bool, dropped: int, lag_s: float) -> None:
        told = HEALTH | {"connected": connected, "dropped": dropped, "lag_s": lag_s}
        self.feed(Frame(self.now_ns, HEALTH_TOPIC, json.dumps(told).encode()))

    @rule(
        kind=st.sampled_from(KINDS),
        about=st.sampled_from(["", "brake-now-down", "brake-now-up", "ease-up", "slack-line", "overtravel", "holding"]),
        number=st.sampled_from([None, 0.0, 1.0, 12.0, 600.0, -5.0, 1e300]),
    )
    def act(self, kind: ActionKind, about: str, number: float | None) -> None:
        self.feed(Action(self.now_ns, kind, about, number, "said", "ab"))

    @rule(seconds=st.sampled_from([0.02, 0.3, 2.0, 12.0, 90.0]))
    def silence(self, seconds: float) -> None:
        """Nothing comes; a timer lets time pass."""
        self.now_ns += round(seconds * 1e9)
        self.hear(self.core.advance(self.now_ns))

    @rule()
    def restart(self) -> None:
        """A new process takes over what the old one knew, through its file."""
        kept = json.loads(json.dumps(self.core.state(), allow_nan=False))
        self.now_ns += 1_500_000_000
        self.core, self.record, self.said, self.states, self.kept = Core(RIG, RULES), [], [], {}, None
        self.feed(Frame(self.now_ns, CARRIED_TOPIC, json.dumps(kept).encode()))
        self.begin()

    @rule()
    def look_back(self) -> None:
        """A fresh replay of the record up to now."""
        self.hear(self.core.advance(self.now_ns))
        again = Core(RIG, RULES)
        said = [finding for item in self.record for finding in again.feed(again.admit(item))]
        said += again.advance(self.now_ns)
        assert said == self.said
        assert repr(again.snapshot()) == repr(self.core.snapshot())

    @precondition(lambda self: self.core.now_ns and self.core.can_checkpoint)
    @rule()
    def checkpoint(self) -> None:
        """The recorder keeps the state of this moment."""
        state = json.dumps(self.core.state(), allow_nan=False)
        self.kept = (state, self.core.now_ns, len(self.record))

    @precondition(lambda self: self.kept is not None)
    @rule()
    def seek(self) -> None:
        """A replay jumps here: from the last checkpoint, and what was recorded since."""
        assert self.kept is not None
        state, at_ns, count = self.kept
        core = Core(RIG, RULES)
        core.restore(json.loads(state), at_ns, same_run=True)
        for item in self.record[count:]:
            for finding in core.feed(core.admit(item)):
                sound_finding(finding)
                if finding.kind == "alarm":
                    way = (finding.before, finding.after)
                    assert way in WAYS or way in TWO_AT_ONCE, f"{finding.key} went {way} after a jump"
        core.advance(self.now_ns)
        if core.now_ns:
            self.check_shown(core)

    @invariant()
    def shown_is_known(self) -> None:
        if self.core.now_ns:
            self.check_shown(self.core)

    def check_shown(self, core: Core) -> None:
        snapshot = core.snapshot()
        sound_snapshot(snapshot)
        silent_ns = core.now_ns - (self.read_ns or 0)
        if silent_ns > SILENT_NS:
            assert snapshot.value("height").validity is not Validity.VALID, "an old height is shown as sure"


TestAnyOrder = AnyOrder.TestCase
TestAnyOrder.settings = settings(max_examples=12, stateful_step_count=25, deadline=None)
