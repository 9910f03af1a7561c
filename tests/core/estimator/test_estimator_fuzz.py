"""Whatever arrives, the estimator answers: no exception, no NaN but the height's, bounds that are bounds."""

import math

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from monitor.core.estimator.estimator import Estimator
from monitor.core.hoist.state import HoistTracker
from monitor.model.reading import Sample, Validity
from monitor.model.snapshot import HoistState
from tests.core.estimator.motion_bench import START_NS, rig_with, say, turns_at

RIGS = {name: rig_with(name) for name in ("light", "land", "deep")}

reading = st.one_of(
    st.floats(-1e60, 1e60),  # far beyond any range in a rig's file; squares of products still are numbers
    st.floats(-60.0, 60.0),
    st.integers(0, 2**32 - 1).map(float),
    st.floats(999_000.0, 1_400_000.0),
    st.sampled_from([0.0, 1.0]),
)
step = st.tuples(
    st.integers(0, 4_000_000_000),  # time since the last, ns
    st.integers(0, 3),  # which sensor
    reading,
    st.one_of(st.none(), st.integers(-(10**19), 10**19), st.integers(-3_000_000_000, 0)),  # source time, from now
    st.sampled_from(["", "", "", "", "reference", "cut", "load", "brake", "clutch", "set-down"]),
    st.floats(-10.0, 60.0),
)


@pytest.mark.parametrize("name", list(RIGS))
@settings(max_examples=150, deadline=None)
@given(steps=st.lists(step, max_size=60))
@example(steps=[(0, 0, 0.0, None, "", 0.0)] * 4 + [(0, 0, 4e153, None, "load", 0.0), (1, 0, 0.0, None, "load", 0.0)])
@example(steps=[(0, 0, 1513.0, 0, "", 0.0), (0, 0, 0.0, -32_656_524, "", 0.0)])  # an older reading that does not fit
def test_no_input_breaks_it(name: str, steps: list[tuple[int, int, float, int | None, str, float]]) -> None:
    rig = RIGS[name]
    estimator, tracker, t = Estimator(rig), HoistTracker(rig), START_NS
    for wait, sensor, value, source, action, number in steps:
        t += wait
        match action:
            case "reference":
                estimator.reference(t, number)
            case "cut":
                estimator.slip_and_cut(t, abs(number))
            case "load":
                say(estimator, rig, t, "hook_load", value)
            case "brake":
                say(estimator, rig, t, "brake_lever", float(sensor % 2))
            case "clutch":
                say(estimator, rig, t, "clutch_engaged", float(sensor % 2))
            case "set-down":
                estimator.set_down(t)
            case _:
                estimator.ingest(Sample(t, sensor, value, None if source is None else t + source))
        for later in (0, 70_000_000, 9_000_000_000):
            e = estimator.estimate(t + later)
            assert math.isnan(e.height_m) == (e.validity is Validity.INVALID)
            numbers = (e.speed_m_s, e.acceleration_m_s2, e.turns, e.radius_m)
            assert not any(math.isnan(n) for n in numbers)
            spreads = (
                e.height_sigma_m,
                e.speed_sigma_m_s,
                e.acceleration_sigma_m_s2,
                e.height_bound_m,
                e.speed_bound_m_s,
            )
            assert all(s >= 0.0 for s in spreads)
            assert 1 <= e.layer <= rig.drum.max_layers
        state = tracker.update(t, estimator.estimate(t), (value, int(Validity.VALID)))
        assert state in HoistState
        for k in range(len(rig.sensors)):
            fusion = estimator.fusion(k)
            assert fusion.fused >= 0
            assert fusion.innovation is None or not math.isnan(fusion.innovation)


@settings(max_examples=60, deadline=None)
@given(
    speed=st.floats(-1.5, 1.5),
    start=st.floats(10.0, 27.0),
    jitter=st.lists(st.integers(0, 40_000_000), min_size=120, max_size=120),
)
def test_any_steady_stroke_is_inside_its_bound(speed: float, start: float, jitter: list[int]) -> None:
    """The configured drum, any speed and layer, uneven delays: the truth lies inside the bound, the speed too."""
    rig = RIGS["land"]
    estimator, arrival = Estimator(rig), 0
    for k, late in enumerate(jitter):
        t_s = 0.05 * k
        height = start + speed * t_s
        if not 1.0 < height < 36.0:
            break  # a block that stands within a reading is no steady stroke
        counts = rig.reference.counts["drum"] + (turns_at(rig, height) - rig.reference.turns) * 4096
        taken = START_NS + round(t_s * 1e9)
        arrival = max(arrival, taken + late)
        estimator.ingest(Sample(arrival, 0, float(round(counts)), taken - 77_000_000_000))
        if k > 20:
            truth = start + speed * (arrival - START_NS) * 1e-9
            e = estimator.estimate(arrival)
            if e.validity is Validity.VALID:
                assert abs(e.height_m - truth) <= e.height_bound_m
