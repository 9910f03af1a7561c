"""Streams for the recorder's tests: hypothesis strategies, and a plain rig-like stream."""

import json
import random
from collections.abc import Iterable, Iterator

from hypothesis import strategies as st

from monitor.adapters.sessions.recorder import Recorder
from monitor.model.alarm import Finding, Severity
from monitor.model.stream import Action, ActionKind, Frame

START_NS = 1_700_000_000_000_000_000
HEADER: dict[str, object] = {"rig": "test", "config": {"name": "test"}, "rules": "# none\n", "mode": "simulated"}

SENSORS = {"drum": 20, "hook-load": 20, "service-1": 20, "service-2": 20, "lever": 20, "release": 10, "current": 10}

_TOPICS = st.one_of(st.sampled_from(["rig/a/drum", "rig/a/load", "$stopmark/health"]), st.text(min_size=1, max_size=12))
_PAYLOADS = st.one_of(
    st.binary(max_size=60),
    st.integers(-(10**22), 10**22).map(lambda n: b"%d" % n),
    st.floats().map(lambda number: json.dumps({"value": number}).encode()),
    st.tuples(st.integers(0, 10**13), st.integers(0, 999), st.integers(0, 99)).map(
        lambda n: b'{"t": %d, "value": %d.%03d, "seq": %02d}' % (n[0], n[1] % 7, n[1], n[2])
    ),
    st.integers(-99, 99).map(lambda n: b"%d.%02d" % (n, abs(n))),
    st.datetimes().map(lambda moment: moment.isoformat().encode()),
    st.lists(st.integers(-5, 5), max_size=20).map(lambda numbers: json.dumps(numbers).encode()),
    st.sampled_from(
        [
            b"",
            b"007",
            b"0",
            b"%d",
            b"%%0%b",
            b"1.10",
            b"-0",
            b"000",
            b"-05",
            b"5",
            b"-5",
            b"05",
            b"12a\x00\xff34",
            b"x" * 3000 + b"1",
        ]
    ),
)
_TEXT = st.text(max_size=12)
_NUMBERS = st.one_of(st.none(), st.floats(allow_nan=False))


def give(recorder: Recorder, items: Iterable[Frame | Action | Finding]) -> None:
    """Record `items`, in their order."""
    for item in items:
        if isinstance(item, Frame):
            recorder.frame(item)
        elif isinstance(item, Action):
            recorder.action(item)
        else:
            recorder.finding(item)


@st.composite
def streams(draw: st.DrawFn) -> list[Frame | Action | Finding]:
    """Inputs and findings in order, times rising as the core makes them rise."""
    t_ns = draw(st.integers(0, 2 * START_NS))
    items: list[Frame | Action | Finding] = []
    for _ in range(draw(st.integers(1, 40))):
        t_ns += draw(st.sampled_from([0, 0, 1, 999, 1000, 50_000_000, 400_000_000, 10**9, 10**13]))
        match draw(st.integers(0, 5)):
            case 0:
                kind = draw(st.sampled_from(ActionKind))
                items.append(Action(t_ns, kind, draw(_TEXT), draw(_NUMBERS), draw(_TEXT), draw(_TEXT)))
            case 1:
                key, before, after, message, guidance = (draw(_TEXT) for _ in range(5))
                level, number, threshold = draw(st.sampled_from(Severity)), draw(_NUMBERS), draw(_NUMBERS)
                items.append(Finding(t_ns, "alarm", key, level, before, after, message, guidance, number, threshold))
            case _:
                items.append(Frame(t_ns, draw(_TOPICS), draw(_PAYLOADS), draw(st.booleans())))
    return items


def rig_stream(seconds: float, seed: int = 1) -> Iterator[Frame]:
    """What a small rig sends: readings that wander, source time in ms, sequence numbers, some jitter."""
    chance = random.Random(seed)
    readings = []
    for sensor, rate_hz in SENSORS.items():
        for count in range(int(seconds * rate_hz)):
            jitter_s = chance.random() * 0.003
            readings.append((int(((count / rate_hz) + jitter_s) * 1e6) * 1000, sensor, count))
    values = dict.fromkeys(SENSORS, 100.0)
    for after_ns, sensor, count in sorted(readings):
        values[sensor] += chance.gauss(0, 0.5)
        value = int(values[sensor] * 1000) if sensor == "drum" else round(values[sensor], 2)
        t_ns = START_NS + after_ns
        payload = json.dumps({"value": value, "t": t_ns // 1_000_000, "seq": count}).encode()
        yield Frame(t_ns, f"rig/test/hoist/{sensor}", payload)
