"""Random hoists and stops for the physics tests: wide enough to hold every rig from workover to deep water."""

from dataclasses import dataclass

from hypothesis import strategies as st

from monitor.physics.drum import DrumGeometry
from monitor.physics.motion import Hoist, load_torque_n_m


@dataclass(frozen=True, slots=True)
class Stop:
    """One braking: hoist, speed and what the brake does."""

    hoist: Hoist
    speed_m_s: float
    torque_n_m: float
    reaction_s: float
    lag_s: float
    ramp_s: float


def spans(low: float, high: float) -> st.SearchStrategy[float]:
    """Finite floats in a range."""
    return st.floats(low, high, allow_nan=False, allow_infinity=False)


HOISTS = st.builds(
    Hoist,
    mass_kg=spans(5e3, 500e3),
    drum_inertia_kg_m2=spans(300, 12e3),
    lines=st.sampled_from([2, 4, 6, 8, 10, 12, 14, 16]),
    radius_m=spans(0.22, 0.9),
    sheave_factor=st.one_of(st.just(1.0), spans(1.001, 1.09)),
)

WAITS = st.one_of(st.just(0.0), spans(0.01, 2.0))


@st.composite
def stops(draw: st.DrawFn, least: float = 0.3, most: float = 6.0) -> Stop:
    """A stop whose brake torque is `least` to `most` times what the load demands."""
    hoist = draw(HOISTS)
    torque = load_torque_n_m(hoist) * draw(spans(least, most))
    return Stop(hoist, draw(spans(0.01, 2.5)), torque, draw(WAITS), draw(WAITS), draw(WAITS))


DRUMS = st.builds(
    DrumGeometry,
    core_diameter_m=spans(0.3, 1.5),
    rope_diameter_m=spans(0.012, 0.06),
    wraps_per_layer=spans(8, 60),
    nesting=spans(0.8, 1.0),
    max_layers=st.integers(1, 8),
    dead_wraps=spans(0, 5),
)
