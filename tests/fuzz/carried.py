"""Target: what a run before left behind, as the first frame of the next. A real state, then changed in places or as bytes.

Oracle: a core that takes it up, whole or in part, goes on sound: findings, snapshot and its own state.
"""

import json
from copy import deepcopy
from functools import lru_cache
from typing import Any, Final

from monitor.core.engine import Core
from monitor.model.stream import CARRIED_TOPIC, HEALTH_TOPIC, Action, ActionKind, Frame
from tests.fuzz.draws import Draws, edited
from tests.fuzz.stream import T_NS, TOKENS, shipped, sound_finding, sound_snapshot


def some_frames(count: int) -> list[Frame]:
    """Sound readings of four sensors, 50 a second, after a health frame."""
    rig, _ = shipped("land")
    frames = [
        Frame(T_NS, HEALTH_TOPIC, b'{"recording": "on", "connected": true, "dropped": 0, "lag_s": 0.0, "note": ""}')
    ]
    for place in range(count):
        sensor = rig.sensors[place % 4]
        low, high = sensor.range
        reading = b'{"value": %d, "t": %d, "seq": %d}' % (low + (high - low) / 3, T_NS // 10**6 + 20 * place, place)
        frames.append(Frame(T_NS + place * 20_000_000, rig.topic(sensor), reading))
    return frames


@lru_cache(maxsize=1)
def _state() -> bytes:
    rig, rules = shipped("land")
    core = Core(rig, rules)
    for frame in some_frames(100):
        core.ingest(frame)
    core.advance(T_NS + 20_000_000_000)
    return json.dumps(core.state()).encode()


_STATE_VALUES: Final[tuple[Any, ...]] = (
    None, True, False, 0, 1, -1, 2**53, 2**63, 10**30, 1e308, -1e308, 5e-324, float("nan"), float("inf"), "", "x", [], {},
    [1, 2, 3], [None], ["a", 1.5], {"a": 1}, "normal", "unacknowledged", "shelved", 1e18, -1e18, 1e-9, 0.5, 100.0, T_NS,
)  # fmt: skip


def carried(draws: Draws) -> bytes:
    """What a run before left, changed in a few places, or edited as bytes."""
    if draws.flag(4):
        return edited(draws, _state(), TOKENS)
    state = json.loads(_state())
    for _ in range(1 + draws.below(4)):
        place = state
        for _ in range(8):
            keys = list(place) if isinstance(place, dict) else list(range(len(place)))
            if not keys:
                break
            key = draws.pick(keys)
            inner = place[key]
            if isinstance(inner, dict | list) and inner and not draws.flag(4):
                place = inner
                continue
            place[key] = deepcopy(draws.pick(_STATE_VALUES))
            break
    return json.dumps(state).encode()


def restart(data: bytes) -> None:
    """A run that begins with what another left, changed; then readings and time."""
    draws = Draws(data)
    rig, rules = shipped("land")
    core = Core(rig, rules)
    t_ns = T_NS + draws.pick((0, 20_000_000_000, 3_600_000_000_000, 86_400_000_000_000 * 40, -(10**18)))
    for _ in range(1 + draws.below(2)):
        for finding in core.feed(Frame(t_ns, CARRIED_TOPIC, carried(draws))):
            sound_finding(finding)
        for frame in some_frames(24):
            for finding in core.feed(Frame(t_ns + frame.t_ns - T_NS, frame.topic, frame.payload)):
                sound_finding(finding)
        t_ns += 600_000_000
        if draws.flag(4):
            core.feed(Action(t_ns, draws.pick(tuple(ActionKind)), draws.pick(("", "ease-up", "holding")), 10.0))
        for finding in core.advance(t_ns):
            sound_finding(finding)
    sound_snapshot(core.snapshot())
    json.dumps(core.state(), allow_nan=False)
