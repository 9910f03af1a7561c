"""The formulas against general numerics: the same question put to scipy as an integral, a differential equation, a root or
a system of equations, written from the law behind the formula and not from the formula.
"""

import math
import random
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp
from scipy.optimize import brentq, curve_fit, minimize_scalar

from monitor.physics import brakes, drum, hydraulics, line, motion, tackle
from monitor.physics.drum import DrumGeometry
from monitor.physics.hydraulics import Accumulator, diagnose_leak
from monitor.physics.motion import Hoist
from tests.physics.rigs import allowed_hoisting_m_s, allowed_lowering_m_s, fall_m_s2, leaking_pa, load_torque_n_m

G = 9.80665
TAU = 2 * math.pi
LAND = DrumGeometry(0.7112, 0.034925, 36)
RIG = Hoist(150e3, 1600.0, 12, 0.43, 1.04)

# --- drum -----------------------------------------------------------------------------------------------------------


def test_upper_rope_in_the_valley_of_two_lower_ones_rises_by_the_default_nesting() -> None:
    """Three circles that touch one another: the height at which the upper one is a diameter away from both (root)."""
    rise = brentq(lambda h: math.hypot(0.5, h) - 1.0, 0.1, 1.0)
    assert LAND.nesting == pytest.approx(rise, abs=1e-4)


@pytest.mark.parametrize("turns", [20.0, 36.0, 50.5, 108.0, 170.0])
def test_rope_on_the_drum_is_the_integral_of_the_radius_over_the_angle(turns: float) -> None:
    def radius(angle: float) -> float:
        layer = math.floor(angle / TAU / 36)
        return float(0.7112 / 2 + 0.034925 / 2 + layer * 0.866 * 0.034925)

    kinks = [k * 36 * TAU for k in range(1, 5) if k * 36 < turns]
    expected = quad(radius, 0.0, turns * TAU, points=kinks or None, limit=200)[0]
    assert LAND.line_m(turns) == pytest.approx(expected, rel=1e-9)
    assert LAND.turns(expected) == pytest.approx(brentq(lambda t: LAND.line_m(t) - expected, 0.0, 200.0), abs=1e-9)


def test_leaving_out_the_helix_costs_a_hundredth_of_a_per_cent() -> None:
    """Arc length of a helix of one rope diameter's pitch, by the integral of its speed."""
    r, pitch = LAND.radius_m(0), 0.034925
    arc = quad(lambda a: math.sqrt((r * math.sin(a)) ** 2 + (r * math.cos(a)) ** 2 + (pitch / TAU) ** 2), 0.0, TAU)[0]
    assert 0.5e-4 < arc / LAND.line_m(1.0) - 1 < 1.5e-4


@pytest.mark.parametrize("lines", [1, 8, 12])
def test_block_drop_is_the_derivative_of_the_strain_energy(lines: int) -> None:
    """Castigliano: the block goes down by dU/dW, with U = T^2 L / (2 E A) over all the rope and T = W/N in it."""
    ea, hang, fast, dead, load = drum.rope_ea_n(0.034925), 25.0, 48.0, 44.0, 1.5e6

    def energy(weight: float) -> float:
        return (weight / lines) ** 2 / (2 * ea) * (lines * hang + fast + dead)

    step = 1e3
    expected = (energy(load + step) - energy(load - step)) / (2 * step)
    assert drum.block_drop_m(load / lines, ea, hang, lines, fast, dead) == pytest.approx(expected, rel=1e-9)


# --- tackle ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("extra", [0, 2])
@pytest.mark.parametrize("lines", [1, 2, 6, 10, 14])
@pytest.mark.parametrize("way", [1, -1])
def test_tensions_solve_the_equations_of_all_sheaves_and_the_block(lines: int, way: int, extra: int) -> None:
    """Unknowns: drum's line, the line between lead sheaves, N lines. One equation per turning sheave, one for the block."""
    k = 1.04**way
    n = 1 + extra + lines
    a, b = np.zeros((n, n)), np.zeros(n)
    for i in range(n - 1):  # going away from the drum: hoisting each next one is K times slacker
        a[i, i], a[i, i + 1] = 1.0, -k
    a[n - 1, 1 + extra :] = 1.0
    b[n - 1] = 1e6
    tensions = np.linalg.solve(a, b)
    assert tackle.fast_line_n(1e6, 1.04, lines, way, lines + extra) == pytest.approx(tensions[0], rel=1e-9)
    assert tackle.dead_line_n(1e6, 1.04, lines, way) == pytest.approx(tensions[-1], rel=1e-9)


def test_worst_leg_stands_under_the_dead_line() -> None:
    """A square derrick as a table: hook, fast line (between two legs) and dead line (at one leg) by their places. The
    fast line's two legs carry less than the dead line's as long as the tackle's efficiency is above one half."""
    load, lines, efficiency = 1e6, 8, 0.841
    legs = {"dead": load / 4 + load / lines, "fast": load / 4 + load / lines / efficiency / 2, "bare": load / 4}
    assert legs["dead"] + 2 * legs["fast"] + legs["bare"] == pytest.approx(
        tackle.derrick_load_n(load, lines, efficiency)
    )
    assert tackle.equivalent_derrick_load_n(load, lines) == pytest.approx(4 * max(legs.values()))


# --- motion ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("ramp", [0.0, 0.3])
@pytest.mark.parametrize("room", [0.1, 2.0, 15.0])
def test_allowed_speed_is_the_root_of_the_reach(room: float, ramp: float) -> None:
    """Brent's method on the distance; 0.1 m is too little even for a block at rest that the lag lets fall."""

    def over(speed: float) -> float:
        return motion.reach_lowering(speed, RIG, 240e3, 1.0, 0.5, ramp).distance_m - room

    expected = brentq(over, 0.0, 20.0, xtol=1e-12) if over(0.0) < 0 else 0.0
    assert allowed_lowering_m_s(room, RIG, 240e3, 1.0, 0.5, ramp) == pytest.approx(expected, abs=1e-9)
    up = brentq(lambda v: motion.reach_hoisting(v, RIG, 240e3, 1.0, 0.5, ramp).distance_m - room, 0.0, 50.0, xtol=1e-12)
    assert allowed_hoisting_m_s(room, RIG, 240e3, 1.0, 0.5, ramp) == pytest.approx(up, abs=1e-9)


def test_a_constant_auxiliary_torque_makes_too_little_of_the_reach_of_an_eddy_brake() -> None:
    """Steady descent on the eddy brake, then the friction brake. The true eddy torque fades with speed (2 u / (1 + u^2)
    below its peak), so the stop takes longer than with that torque held, and less than without any."""
    wanted = load_torque_n_m(RIG, tackle_friction=True)
    eddy = brakes.EddyBrake(95e3, 12.0, 75.0)
    omega = brentq(lambda w: eddy.torque_n_m(w, 75.0) - wanted, 0.1, 12.0)
    speed = omega * 0.43 / 12
    lag, ramp, brake = 0.3, 0.3, 90e3

    def fall(t: float, y: Any) -> list[float]:
        share = min(1.0, max(0.0, (t - lag) / ramp))
        aux = eddy.torque_n_m(max(y[1], 0.0) * 12 / 0.43, 75.0)
        return [y[1], fall_m_s2(RIG, aux + share * brake)]

    def rest(_: float, y: Any) -> float:
        return float(y[1])

    rest.terminal, rest.direction = True, -1  # type: ignore[attr-defined]
    truth = solve_ivp(fall, (0.0, 20.0), [0.0, speed], events=rest, rtol=1e-9, atol=1e-10, max_step=0.02).y[0][-1]
    held = motion.reach_lowering(speed, RIG, brake, 0.0, lag, ramp, wanted).distance_m
    alone = motion.reach_lowering(speed, RIG, brake, 0.0, lag, ramp).distance_m
    assert held < truth < alone


def test_a_block_on_its_line_swings_past_the_drums_stop_by_at_most_twice_the_share_of_g() -> None:
    """Drum slowed at once by dec and at once at rest; the block on a spring of static stretch s: z'' = -(g/s) z - a_drum.
    Whichever part of a swing the stop ends in, it passes by no more than 2 s dec/g, and in the worst one by that."""
    stretch, slow = 0.10, 3.0

    def past(seconds: float) -> float:
        def swing(t: float, y: Any) -> list[float]:
            return [y[1], -G / stretch * y[0] + (slow if t < seconds else 0.0)]

        # z below the drum's own way, at rest with it before; after the drum's stop all of z is past it.
        run = solve_ivp(swing, (0.0, seconds + 1.0), [0.0, 0.0], max_step=0.004, rtol=1e-8, atol=1e-10)
        return float(max(z for t, z in zip(run.t, run.y[0], strict=True) if t >= seconds))

    passed = [past(0.10 * i) for i in range(1, 8)] + [past(math.pi * math.sqrt(stretch / G))]
    assert max(passed) == pytest.approx(2 * stretch * slow / G, rel=1e-3)
    assert min(passed) < 0.5 * max(passed)


# --- brakes ---------------------------------------------------------------------------------------------------------


def test_band_torque_is_the_friction_summed_around_the_rim() -> None:
    """dT/dphi = f T; pressure T / (b r); torque = integral of f p b r^2 dphi."""
    f, wrap, r, b, pull = 0.35, math.radians(270), 0.6, 0.2, 1000.0
    run = solve_ivp(lambda _, t: f * t, (0.0, wrap), [pull], rtol=1e-10, dense_output=True)
    tension: Any = run.sol
    torque = quad(lambda a: f * tension(a)[0] / (b * r) * b * r * r, 0.0, wrap)[0]
    assert pull * brakes.band_ratio(f, wrap) == pytest.approx(run.y[0][-1], rel=1e-7)
    assert brakes.band_torque_n_m(pull, f, wrap, r) == pytest.approx(torque, rel=1e-6)


def test_eddy_curve_has_its_peak_at_the_critical_speed() -> None:
    best = minimize_scalar(lambda u: -brakes.eddy_curve(u), bounds=(0.05, 5.0), method="bounded")
    assert best.x == pytest.approx(1.0, abs=1e-4)
    assert -best.fun == pytest.approx(1.0)


# --- hydraulics -----------------------------------------------------------------------------------------------------

BOTTLE = Accumulator(0.010, 6.1e6)


@pytest.mark.parametrize("exponent", [1.0, 1.4])
def test_drawing_oil_follows_the_gas_law(exponent: float) -> None:
    """p V^n constant as a differential equation in the oil drawn: dp/dV = -n p / V, from 141 down to 91 bar."""
    gas = 0.010 * 6.1e6 / 14.1e6

    def low(_: float, p: Any) -> float:
        return float(p[0] - 9.1e6)

    low.terminal = True  # type: ignore[attr-defined]
    run = solve_ivp(
        lambda drawn, p: -exponent * p / (gas + drawn), (0.0, 0.01), [14.1e6], events=low, rtol=1e-10, atol=1.0
    )
    assert BOTTLE.usable_m3(14.1e6, 9.1e6, exponent) == pytest.approx(run.t[-1], rel=1e-6)


def test_a_leak_follows_the_isothermal_gas() -> None:
    """Gas volume grows at the rate of the leak, p V constant: dp/dt = -p / V dV/dt, for an hour."""
    q = 4e-7
    run = solve_ivp(lambda _, p: -p * q / (0.010 * 6.1e6 / p), (0.0, 3600.0), [14e6], rtol=1e-10, atol=1.0)
    assert leaking_pa(BOTTLE, 14e6, q, 3600.0) == pytest.approx(run.y[0][-1], rel=1e-7)
    slope = (leaking_pa(BOTTLE, 14e6, q, 1e-3) - 14e6) / 1e-3
    assert BOTTLE.leak_from_slope_m3_s(14e6, slope) == pytest.approx(q, rel=1e-4)


def test_settling_is_fitted_like_a_general_fitter_does() -> None:
    """`diagnose_leak` searches the time constant on a grid; `curve_fit` has all three unknowns free. Same trace, same end."""
    rng = random.Random(5)
    times = [float(t) for t in range(600)]
    pressures = [12.8e6 + 1.2e6 * math.exp(-t / 90) + rng.gauss(0, 5e3) for t in times]
    (end, rise, tau), _ = curve_fit(
        lambda t, end, rise, tau: end + rise * np.exp(-t / tau), times, pressures, p0=(12e6, 2e6, 50.0)
    )
    verdict = diagnose_leak(times, pressures, 5e3)
    assert verdict.decay is hydraulics.Decay.THERMAL
    assert verdict.settles_at_pa == pytest.approx(end, rel=1e-3)
    assert verdict.time_constant_s == pytest.approx(tau, rel=0.08)
    assert 1.1e6 < rise < 1.3e6


def test_a_leak_is_fitted_like_a_general_fitter_does() -> None:
    rng = random.Random(6)
    times = [float(t) for t in range(600)]
    pressures = [leaking_pa(BOTTLE, 14e6, 4e-7, t) + rng.gauss(0, 5e3) for t in times]
    (_, rate), _ = curve_fit(
        lambda t, start, rate: 1 / (1 / (start * 1e6) + rate * 1e-12 * t), times, pressures, p0=(14.0, 5.0)
    )
    assert diagnose_leak(times, pressures, 5e3).leak_per_pv_1_s == pytest.approx(rate * 1e-12, rel=2e-3)


# --- line -----------------------------------------------------------------------------------------------------------


def test_line_work_of_a_varying_load_is_its_integral() -> None:
    """The trapezoid steps of `work_step_j` against adaptive quadrature of a load that changes along 28 m."""

    def load(x: float) -> float:
        return 8e5 + 3e5 * math.sin(x / 5) + 1e4 * x

    xs = [28 * i / 560 for i in range(561)]
    steps = math.fsum(line.work_step_j(load(a), load(b), b - a) for a, b in pairwise(xs))
    assert steps == pytest.approx(quad(load, 0.0, 28.0)[0], rel=1e-5)
