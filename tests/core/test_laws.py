"""The grid law and the ingest law: whatever queues and timers did live, the record replays to the same findings, exactly.

A stream of sensor messages, crew actions and health reports is fed to a core as a live run would: each message waits a random
time in a queue, and a timer calls `advance` at random moments in between. What the core admitted is recorded and fed to a
second core with no timer at all. Both must say the same, in the same order, at the same nanosecond.
"""

import json
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.config.rig_file import find_rig
from monitor.config.rules_file import default_rules_path, load_rules
from monitor.core.engine import Core
from monitor.core.signals.table import SIGNAL_NAMES
from monitor.model.alarm import Finding
from monitor.model.stream import GRID_NS, HEALTH_TOPIC, Action, ActionKind, Frame

RIG = find_rig("land")
RULES = load_rules(default_rules_path(), RIG, SIGNAL_NAMES)
ORIGIN = 1_700_000_000_000_000_000
HEALTH = json.dumps({"recording": "on", "connected": True, "dropped": 0, "lag_s": 0.0, "note": ""}).encode()


def story(seed: int, seconds: float) -> list[Frame | Action]:
    """An eventful run: the block runs down to the floor, readings stop and come back, the crew acknowledges."""
    draw = random.Random(seed)
    items: list[Frame | Action] = [Frame(ORIGIN, HEALTH_TOPIC, HEALTH)]
    silent = {draw.choice(RIG.sensors).id for _ in range(3)}
    speed = draw.uniform(0.4, 1.5)
    height = draw.uniform(4.0, 12.0)
    per_metre = 4096 / 0.2
    for step in range(int(seconds * 20)):
        t = ORIGIN + step * 50_000_000 + draw.randrange(20_000_000)
        down = min(step / 20 * speed, height)
        readings = {
            "drum": 1_000_000 + round((height - 1.0 - down) * per_metre),
            "hook-load": 900 + draw.gauss(0, 6),
            "service-1": draw.gauss(0, 0.4),
            "service-2": 80.0 if draw.random() < 0.02 else draw.gauss(0, 0.4),
            "lever": 0.0,
            "accumulator": 150.0 - step * 0.3,
            "overtravel-electric": int(draw.random() < 0.01),
        }
        for name, value in readings.items():
            if name in silent and 20 < step < 60:
                continue
            payload = json.dumps({"value": value, "t": t // 1_000_000, "seq": step}).encode()
            items.append(Frame(t + draw.randrange(5_000_000), f"rig/land/hoist/{name}", payload))
        if draw.random() < 0.02:
            items.append(Frame(t, f"rig/land/hoist/{draw.choice(list(readings))}", b"[red]x"))
        if draw.random() < 0.03:
            kind = draw.choice(
                [ActionKind.ACKNOWLEDGE, ActionKind.SHELVE, ActionKind.REFERENCE_HEIGHT, ActionKind.NOTE]
            )
            number = {ActionKind.SHELVE: 1.0, ActionKind.REFERENCE_HEIGHT: draw.uniform(0.0, 30.0)}.get(kind)
            target = draw.choice(["", "brake-now-down"]) if kind is ActionKind.ACKNOWLEDGE else "brake-now-down"
            items.append(Action(t, kind, target, number, "said", "ab"))
    items.sort(key=lambda item: item.t_ns)
    return items


def feed(core: Core, item: Frame | Action) -> list[Finding]:
    return core.ingest(item) if isinstance(item, Frame) else core.act(item)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), timer_seed=st.integers(0, 10_000), worst_delay_ms=st.sampled_from([0, 1, 30, 400]))
def test_a_record_replays_to_the_same_findings_whatever_queue_and_timer_did(
    seed: int, timer_seed: int, worst_delay_ms: int
) -> None:
    draw = random.Random(timer_seed)
    live = Core(RIG, RULES)
    said: list[Finding] = []
    record: list[Frame | Action] = []
    wall = 0
    for item in story(seed, 6.0):
        # The item was stamped on arrival and waited in a queue; meanwhile the timer went on.
        wall = max(wall, item.t_ns + draw.randrange(worst_delay_ms * 1_000_000 + 1))
        if draw.random() < 0.3:
            said += live.advance(wall)
        admitted = live.admit(item)
        record.append(admitted)
        said += feed(live, admitted)
    end = max(wall, live.now_ns) + 3_000_000_000
    for _ in range(40):
        said += live.advance(end - draw.randrange(3_000_000_000))
    said += live.advance(end)

    replayed = Core(RIG, RULES)
    again: list[Finding] = []
    for item in record:
        assert replayed.admit(item) == item
        again += feed(replayed, item)
    again += replayed.advance(end)
    assert again == said
    assert any(finding.kind == "alarm" for finding in said)
    assert replayed.snapshot().alarms == live.snapshot().alarms


@settings(max_examples=50, deadline=None)
@given(offset=st.integers(0, 2 * GRID_NS))
def test_findings_fall_on_grid_points_and_a_grid_point_sees_only_what_came_before(offset: int) -> None:
    core = Core(RIG, RULES)
    core.ingest(Frame(ORIGIN, HEALTH_TOPIC, HEALTH))
    lost = json.dumps({"recording": "failed", "connected": True, "dropped": 0, "lag_s": 0.0, "note": ""}).encode()
    at = ORIGIN + 10 * GRID_NS + offset
    core.ingest(Frame(at, HEALTH_TOPIC, lost))
    found = [f for f in core.advance(at + 3 * GRID_NS) if f.key == "recorder-failed"]
    assert [f.t_ns % GRID_NS for f in found] == [0]
    assert found[0].t_ns > at
    assert found[0].t_ns - at <= GRID_NS


def test_an_input_from_the_past_is_refused_unless_admitted() -> None:
    core = Core(RIG, RULES)
    core.ingest(Frame(ORIGIN, HEALTH_TOPIC, HEALTH))
    core.advance(ORIGIN + 1_000_000_000)
    late = Frame(ORIGIN + 500, HEALTH_TOPIC, HEALTH)
    with pytest.raises(ValueError, match="admit"):
        core.ingest(late)
    assert core.admit(late).t_ns == ORIGIN + 1_000_000_000
