"""The closed forms of a stop against numerical integration of block and drum, over random rigs.

The reference is written from the two bodies and the rope between them, not from the formulas under test: the drum turns
under fast line and torque, the block hangs on the lines, and the rope can pull but not push.
"""

import math
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from monitor.physics import motion
from monitor.physics.motion import Hoist
from tests.physics.rigs import Stop, load_torque_n_m, spans, stops

G = 9.80665
LONG_S = 1e7
"""Longer than any stop drawn here takes: a brake a few per cent above the load stops a light block on a heavy drum only
after hours (net force 0.05 m g against a hundred thousand times the block's mass in the drum)."""


def chain_factor(hoist: Hoist, direction: int) -> float:
    """N times fast-line tension per unit of load on the lines, summed sheave by sheave."""
    k = hoist.sheave_factor ** (-direction)
    per_line = [k**i for i in range(1, hoist.lines + 1)]
    return hoist.lines / math.fsum(per_line)


def acceleration(hoist: Hoist, torque: float, direction: int) -> float:
    """Along the motion, m/s2: drum J w' = direction (torque - F r), block m x'' = lines - m g, joined by the rope."""
    factor = chain_factor(hoist, direction)
    n, r, m, j = hoist.lines, hoist.radius_m, hoist.mass_kg, hoist.drum_inertia_kg_m2
    # F = factor m (g + up) / N; drum: J N up / r = -direction torque - F r (torque brakes: against the motion).
    up = (-direction * torque - factor * m * G * r / n) / (j * n / r + factor * m * r / n)
    return direction * max(up, -G)


def integrate(accelerations: list[tuple[float, Callable[[float], float]]], speed: float) -> tuple[float, float, float]:
    """(distance, time, peak speed) until rest through phases (length s, acceleration at time since its start)."""
    x, v, t, peak = 0.0, speed, 0.0, speed
    for length, along in accelerations:
        if length <= 0.0:
            continue

        def motion_at(s: Any, y: Any, along: Callable[[float], float] = along) -> list[float]:
            return [y[1], along(s)]

        def at_rest(s: Any, y: Any) -> Any:
            return y[1]

        def at_peak(s: Any, y: Any, along: Callable[[float], float] = along) -> Any:
            return along(s)

        at_rest.terminal = True  # type: ignore[attr-defined]
        at_rest.direction = -1  # type: ignore[attr-defined]
        run = solve_ivp(motion_at, (0.0, length), [x, v], events=(at_rest, at_peak), rtol=1e-9, atol=1e-11)
        peaks: list[Any] = list(run.y_events[1]) if run.y_events else []
        peak = max([peak, *run.y[1], *(y[1] for y in peaks)])
        x, v = float(run.y[0][-1]), float(run.y[1][-1])
        t += float(run.t[-1])
        if run.status == 1:
            return x, t, float(peak)
    raise AssertionError(f"still moving at {v} m/s after {t} s")


def phases(
    s: Stop, direction: int, hold: bool = True, aux: float = 0.0
) -> list[tuple[float, Callable[[float], float]]]:
    """Phases of a stop with the driller's reaction first."""

    def torque(share: float) -> float:
        return acceleration(s.hoist, aux + share * s.torque_n_m, direction)

    return [
        (s.reaction_s, (lambda _: 0.0) if hold else (lambda _: torque(0.0))),
        (s.lag_s, lambda _: torque(0.0)),
        (s.ramp_s, lambda t: torque(t / s.ramp_s)),
        (LONG_S, lambda _: torque(1.0)),
    ]


@settings(max_examples=80, deadline=None)
@given(stops(1.05))
@example(Stop(Hoist(5000.0, 2967.0, 16, 0.22265625, 1.0), 2.0, 724.9941902160645, 0.0, 0.0, 0.0))
def test_lowering(s: Stop) -> None:
    reach = motion.reach_lowering(s.speed_m_s, s.hoist, s.torque_n_m, s.reaction_s, s.lag_s, s.ramp_s)
    distance, time, peak = integrate(phases(s, -1), s.speed_m_s)
    assert reach.stops
    assert reach.distance_m == pytest.approx(distance, rel=1e-5, abs=1e-6)
    assert reach.time_s == pytest.approx(time, rel=1e-5, abs=1e-6)
    assert reach.peak_speed_m_s == pytest.approx(peak, rel=2e-3)


@settings(max_examples=80, deadline=None)
@given(stops(0.2, 20.0), st.booleans())
def test_hoisting(s: Stop, drive: bool) -> None:
    reach = motion.reach_hoisting(s.speed_m_s, s.hoist, s.torque_n_m, s.reaction_s, s.lag_s, s.ramp_s, drive)
    distance, time, peak = integrate(phases(s, 1, hold=drive), s.speed_m_s)
    assert reach.distance_m == pytest.approx(distance, rel=1e-5, abs=1e-6)
    assert reach.time_s == pytest.approx(time, rel=1e-5, abs=1e-6)
    assert reach.peak_speed_m_s == peak == s.speed_m_s


@settings(max_examples=40, deadline=None)
@given(stops(1.05), spans(0.0, 1.5))
def test_lowering_with_a_drive_that_helps_and_holds(s: Stop, share: float) -> None:
    aux = share * load_torque_n_m(s.hoist)
    reach = motion.reach_lowering(
        s.speed_m_s, s.hoist, s.torque_n_m, s.reaction_s, s.lag_s, s.ramp_s, aux, aux_holds=True
    )
    distance, time, _ = integrate(phases(s, -1, aux=aux), s.speed_m_s)
    assert reach.distance_m == pytest.approx(distance, rel=1e-5, abs=1e-6)
    assert reach.time_s == pytest.approx(time, rel=1e-5, abs=1e-6)
