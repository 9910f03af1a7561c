"""Random hoists and stops for the physics tests, wide enough to hold every rig from workover to deep water; and the laws that
the tests hold the formulas against, written out apart from them."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from hypothesis import strategies as st

from monitor.physics.drum import DrumGeometry
from monitor.physics.hydraulics import Accumulator
from monitor.physics.motion import Hoist, hoisting_phases, lowering_phases

G = 9.80665


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


def load_torque_n_m(hoist: Hoist, tackle_friction: bool = False) -> float:
    """Torque of the hanging load at the drum, N m: m g r / N, and the tackle's friction holds its share if it is to help."""
    return hoist.mass_kg * G * hoist.radius_m / hoist.lines * (hoist.lowering if tackle_friction else 1.0)


def fall_m_s2(hoist: Hoist, torque_n_m: float = 0.0) -> float:
    """Downward acceleration of a lowering block, m/s2, by Newton's law: (m_J + el m) a = el m g - T N / r."""
    load = hoist.lowering * hoist.mass_kg
    drum = hoist.drum_inertia_kg_m2 * (hoist.lines / hoist.radius_m) ** 2
    return (load * G - torque_n_m * hoist.lines / hoist.radius_m) / (drum + load)


def allowed_lowering_m_s(
    room_m: float,
    hoist: Hoist,
    torque_n_m: float,
    reaction_s: float,
    lag_s: float,
    ramp_s: float = 0.0,
    aux_n_m: float = 0.0,
    aux_holds: bool = False,
) -> float:
    """Highest lowering speed that stops within `room_m`, as the stop mark asks for it."""
    phases = lowering_phases(hoist, hoist.mass_kg, torque_n_m, ramp_s, aux_n_m, aux_holds)
    return phases.allowed_m_s(room_m, reaction_s, lag_s)


def allowed_hoisting_m_s(
    room_m: float,
    hoist: Hoist,
    torque_n_m: float,
    reaction_s: float,
    lag_s: float,
    ramp_s: float = 0.0,
    drive: bool = True,
) -> float:
    """Highest hoisting speed that stops within `room_m`, as the stop mark asks for it; without `drive` the reaction coasts."""
    phases = hoisting_phases(hoist, hoist.mass_kg, torque_n_m, ramp_s)
    return (
        phases.allowed_m_s(room_m, reaction_s, lag_s) if drive else phases.allowed_m_s(room_m, 0.0, reaction_s + lag_s)
    )


def leaking_pa(bottle: Accumulator, pressure_pa: float, leak_m3_s: float, time_s: float) -> float:
    """Pressure after a constant leak, Pa, by Boyle: 1/p grows by q t / (P0 V0); 0 once the oil is gone."""
    after = 1 / (1 / pressure_pa + leak_m3_s * time_s / (bottle.precharge_pa * bottle.volume_m3))
    return after if after >= bottle.precharge_pa else 0.0


def drawn_pa(bottle: Accumulator, pressure_pa: float, drawn_m3: float, exponent: float = 1.4) -> float:
    """Pressure right after oil was drawn, Pa: p V^n constant; 0 where there was not so much."""
    gas = bottle.gas_m3(pressure_pa)
    return 0.0 if gas + drawn_m3 > bottle.volume_m3 else float(pressure_pa * (gas / (gas + drawn_m3)) ** exponent)


def strokes_j(loads_n: Sequence[float], travels_m: Sequence[float]) -> float:
    """Line work of strokes, J: the sum of load times travel either way, each load constant over its stroke."""
    return math.fsum(load * abs(travel) for load, travel in zip(loads_n, travels_m, strict=True))


def casing_strokes_j(joints: int, joint_m: float, casing_n_m: float, block_n: float) -> float:
    """Setting casing joint by joint, J: down with j joints and the block, up with the block, each over one joint."""
    return math.fsum(
        strokes_j((casing_n_m * joint_m * j + block_n, block_n), (-joint_m, joint_m)) for j in range(1, joints + 1)
    )
