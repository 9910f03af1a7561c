"""Hypothesis strategies for snapshots of any kind, however mad: what the core may never say, the screen must still survive."""

import math
from types import MappingProxyType

from hypothesis import strategies as st

from monitor.core.signals.table import SIGNALS
from monitor.model.alarm import AlarmState, AlarmView, Severity
from monitor.model.check import CheckReading, CheckResult, CheckStepView, CheckVerdict, CheckView
from monitor.model.reading import Validity, Value
from monitor.model.snapshot import HoistState, Limits, SensorView, Snapshot, StopMarks
from monitor.model.stream import Health
from tests.ui import sample

SENTINEL = 7_777_771_234.0
"""The number inside every INVALID value: it must never be seen, in any unit."""

numbers = st.one_of(
    st.floats(-100, 100),
    st.sampled_from([0.0, -0.0, math.inf, -math.inf, math.nan, 1e308, -1e308, 5e-324, 99_999.5, -9_999.995, 1e6, -1e6]),
    st.floats(-9999, 9999),
)


def _value(number: float, validity: Validity) -> Value:
    return Value(SENTINEL if validity >= Validity.INVALID else number, validity)


values = st.builds(_value, numbers, st.sampled_from(list(Validity)))
words = st.text(max_size=60)
names = st.sampled_from([signal.name for signal in SIGNALS])
times = st.integers(0, 4 * sample.T0_NS)

alarms = st.builds(
    AlarmView,
    key=st.text(min_size=1, max_size=12),
    severity=st.sampled_from(list(Severity)),
    state=st.sampled_from(list(AlarmState)),
    message=words,
    guidance=words,
    signal=st.one_of(names, words),
    since_ns=times,
    number=st.one_of(st.none(), numbers),
    threshold=st.one_of(st.none(), numbers),
    active=st.booleans(),
    blind=st.booleans(),
    shelved_until_ns=st.one_of(st.none(), times),
)
sensors = st.builds(
    SensorView,
    id=st.text(min_size=1, max_size=40),
    quantity=st.sampled_from(["drum_counts", "hook_load", "clutch_engaged", "disc_temperature_left", "what is this"]),
    unit=st.sampled_from(["counts", "kN", "", "furlong"]),
    value=values,
    age_s=numbers,
    rate_hz=numbers,
    latency_s=st.one_of(st.none(), numbers),
    innovation=st.one_of(st.none(), numbers),
    test_ratio=st.one_of(st.none(), numbers),
    fused=st.integers(0, 10**8),
    rejected=st.integers(0, 10**8),
    last_reason=words,
    stale=st.booleans(),
    rejecting=st.booleans(),
    out_of_range=st.booleans(),
    diagnosis=words,
)
readings = st.builds(
    CheckReading,
    label=words,
    value=values,
    dimension=st.sampled_from(["length", "pressure", "time", "force", "speed", "ratio"]),
    relation=st.sampled_from(["", "at most", "at least", "near"]),
    limit=st.one_of(st.none(), numbers),
)
steps = st.builds(CheckStepView, words, st.sampled_from(["open", "now", "done"]), st.booleans())
checks = st.builds(
    CheckView,
    id=st.text(min_size=1, max_size=12),
    title=words,
    about=words,
    unfit=st.one_of(st.just(""), words),
    due=st.booleans(),
    due_ns=st.one_of(st.none(), times),
    due_words=words,
    running=st.booleans(),
    steps=st.lists(steps, max_size=4).map(tuple),
    since_ns=st.one_of(st.none(), times),
    who=words,
    hint=words,
    progress=numbers,
    readings=st.lists(readings, max_size=3).map(tuple),
    result=st.one_of(
        st.none(),
        st.builds(
            CheckResult,
            times,
            words,
            st.sampled_from(list(CheckVerdict)),
            words,
            st.lists(readings, max_size=3).map(tuple),
        ),
    ),
    passed_ns=st.one_of(st.none(), times),
)
snapshots = st.builds(
    Snapshot,
    t_ns=times,
    rig=words,
    hoist=st.sampled_from(list(HoistState)),
    values=st.dictionaries(names, values, max_size=80).map(MappingProxyType),
    marks=st.builds(StopMarks, numbers, numbers, numbers, st.booleans()),
    limits=st.one_of(st.just(sample.LIMITS), st.builds(Limits, numbers, numbers, numbers, numbers)),
    alarms=st.lists(alarms, max_size=12).map(tuple),
    blind_rules=st.integers(0, 300),
    sensors=st.lists(sensors, max_size=20).map(tuple),
    rejects=st.dictionaries(words, st.integers(0, 10**9), max_size=5).map(MappingProxyType),
    health=st.builds(
        Health,
        recording=st.sampled_from(["on", "off", "failed"]),
        connected=st.sampled_from([None, True, False]),
        dropped=st.integers(0, 10**8),
        lag_s=numbers,
        note=words,
    ),
    silenced=st.booleans(),
    checks=st.lists(checks, max_size=4).map(tuple),
)
