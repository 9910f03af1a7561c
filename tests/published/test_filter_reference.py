"""The kinematic filter against outside references: filterpy step for step, scipy's Riccati solution, and consistency.

Sources: filterpy 1.4 (R. Labbe), `KalmanFilter` and `Q_continuous_white_noise`; scipy.linalg.solve_discrete_are; the
consistency test by normalised errors squared of Bar-Shalom, Li and Kirubarajan, Estimation with Applications to
Tracking and Navigation, chapter 5 (the band is chi-square's own, from scipy.stats).
"""

import math
import random

import numpy as np
import pytest
from filterpy.common import Q_continuous_white_noise
from filterpy.kalman import KalmanFilter
from scipy.linalg import solve_discrete_are
from scipy.optimize import minimize
from scipy.stats import chi2

from monitor.core.estimator.kinematic_filter import KinematicFilter

UPPER = np.triu_indices(3)


def transition(dt: float) -> np.ndarray:
    """F of the white-jerk model."""
    return np.array([[1.0, dt, dt * dt / 2], [0.0, 1.0, dt], [0.0, 0.0, 1.0]])


def reference(jerk_psd: float) -> KalmanFilter:
    """filterpy's filter in the state in which ours starts."""
    kf = KalmanFilter(dim_x=3, dim_z=1)
    kf.x = np.zeros((3, 1))
    kf.P = np.diag([1.0, 1.0, 1.0])
    return kf


@pytest.mark.parametrize("jerk_psd", [0.005, 0.5, 5.0])
def test_step_for_step_with_filterpy(jerk_psd: float) -> None:
    """Irregular steps, readings on time and readings up to 0.3 s old (H = [1, -tau, tau^2/2], R + q tau^5/20)."""
    draw = random.Random(11)
    ours, theirs = KinematicFilter(jerk_psd), reference(jerk_psd)
    for k in range(400):
        dt = draw.uniform(0.005, 0.45)
        theirs.F = transition(dt)
        theirs.Q = Q_continuous_white_noise(3, dt, jerk_psd)
        theirs.predict()
        ours.predict(dt)
        age = draw.uniform(0.0, 0.3) if k % 3 == 0 else 0.0
        variance = draw.uniform(1e-8, 1e-2)
        z = math.sin(0.05 * k) * 10.0 + draw.gauss(0.0, 0.05)
        theirs.H = np.array([[1.0, -age, age * age / 2]])
        theirs.update(np.array([[z]]), R=np.array([[variance + jerk_psd * age**5 / 20]]))
        innovation, spread = ours.innovation(z, variance, age)
        assert innovation == pytest.approx(theirs.y.item(), rel=1e-9, abs=1e-9)
        assert spread == pytest.approx(theirs.S.item(), rel=1e-9)
        ours.update(innovation, spread, age)
        assert (ours.x, ours.v, ours.a) == pytest.approx(theirs.x.ravel().tolist(), rel=1e-7, abs=1e-9)
        assert ours.p == pytest.approx(theirs.P[UPPER].tolist(), rel=1e-6, abs=1e-12)


@pytest.mark.parametrize("dt", [0.02, 0.05, 0.2])
@pytest.mark.parametrize("sigma", [1e-4, 1e-2])
def test_steady_state_is_the_riccati_solution(dt: float, sigma: float) -> None:
    """After many equal steps the predicted covariance solves the discrete algebraic Riccati equation."""
    jerk_psd = 0.5
    kin = KinematicFilter(jerk_psd)
    predicted = kin.p
    for _ in range(4000):
        kin.predict(dt)
        predicted = kin.p
        innovation, spread = kin.innovation(0.0, sigma**2)
        kin.update(innovation, spread)
    h = np.array([[1.0, 0.0, 0.0]])
    q = np.asarray(Q_continuous_white_noise(3, dt, jerk_psd))
    expected = solve_discrete_are(transition(dt).T, h.T, q, np.array([[sigma**2]]))
    assert predicted == pytest.approx(expected[UPPER].tolist(), rel=1e-5)


def test_errors_are_as_large_as_the_filter_says() -> None:
    """Mean of the normalised error squared over 1000 seeded runs lies inside its 95 % band, after 1 s and after 4 s."""
    runs, jerk_psd, dt, sigma = 1000, 0.5, 0.05, 2e-3
    rng = np.random.default_rng(20)
    root = np.linalg.cholesky(np.asarray(Q_continuous_white_noise(3, dt, jerk_psd)) + 1e-18 * np.eye(3))
    f = transition(dt)
    looks = (20, 80)
    nees: dict[int, list[float]] = {look: [] for look in looks}
    inside = 0
    for _ in range(runs):
        truth = rng.normal(size=3)  # drawn from the filter's own start
        kin = KinematicFilter(jerk_psd)
        for k in range(1, looks[-1] + 1):
            truth = f @ truth + root @ rng.normal(size=3)
            kin.predict(dt)
            innovation, spread = kin.innovation(float(truth[0] + rng.normal(0.0, sigma)), sigma**2)
            kin.update(innovation, spread)
            if k in nees:
                xx, xv, xa, vv, va, aa = kin.p
                error = truth - np.array([kin.x, kin.v, kin.a])
                p = np.array([[xx, xv, xa], [xv, vv, va], [xa, va, aa]])
                nees[k].append(float(error @ np.linalg.solve(p, error)))
        inside += abs(truth[1] - kin.v) < 2.5758 * math.sqrt(kin.p[3])
    low, high = (float(chi2.ppf(share, 3 * runs)) / runs for share in (0.025, 0.975))
    for look in looks:
        assert low < sum(nees[look]) / runs < high, (look, low, sum(nees[look]) / runs, high)
    assert 0.98 < inside / runs < 1.0


def test_whiteness_of_the_innovations() -> None:
    """Innovations of a matched filter are uncorrelated: the sample correlation lies inside 1.96 / sqrt(n)."""
    jerk_psd, dt, sigma, n = 0.5, 0.05, 2e-3, 4000
    rng = np.random.default_rng(4)
    root = np.linalg.cholesky(np.asarray(Q_continuous_white_noise(3, dt, jerk_psd)) + 1e-18 * np.eye(3))
    truth, kin, seen = rng.normal(size=3), KinematicFilter(jerk_psd), []
    for _ in range(n):
        truth = transition(dt) @ truth + root @ rng.normal(size=3)
        kin.predict(dt)
        innovation, spread = kin.innovation(float(truth[0] + rng.normal(0.0, sigma)), sigma**2)
        kin.update(innovation, spread)
        seen.append(innovation / math.sqrt(spread))
    tail = np.array(seen[50:])
    correlation = float(np.mean(tail[1:] * tail[:-1]) / np.mean(tail**2))
    assert abs(correlation) < 1.96 / math.sqrt(len(tail))
    assert np.mean(tail**2) == pytest.approx(1.0, abs=0.06)


def test_prediction_leaves_the_filter_alone_and_stirring_adds_the_noise_of_the_step() -> None:
    kin = KinematicFilter(0.5)
    kin.predict(0.2)
    before = (kin.x, kin.v, kin.a, kin.p)
    ahead = kin.predicted(0.3)
    assert (kin.x, kin.v, kin.a, kin.p) == before
    kin.predict(0.3)
    assert (kin.x, kin.v, kin.a, kin.p) == ahead
    calm, lively = KinematicFilter(0.01), KinematicFilter(5.0)
    calm.predict(0.05)
    calm.add_process_noise(0.05, 4.99)
    lively.predict(0.05)
    assert calm.p == pytest.approx(lively.p, rel=1e-12)


def test_a_long_silence_stays_within_what_a_hoist_can_do() -> None:
    """Beyond half a second the speed is held to the machine's, and the spread of the height grows no faster than it."""
    kin = KinematicFilter(5.0, max_speed=2.0, max_acceleration=5.0)
    kin.reset(10.0, 1.5, 3.0, 1e-6, 1e-4, 1.0)
    last = 0.0
    for dt in (0.4, 0.6, 1.0, 2.0, 5.0, 10.0):
        x, v, _, p = kin.predicted(dt)
        assert abs(v) <= (1.5 + 3.0 * 0.5 if dt <= 0.5 else 2.0)
        assert abs(x - 10.0) <= 3.0 * dt
        assert math.sqrt(p[0]) <= 0.5 + 2.0 * dt
        assert p[0] > last
        last = p[0]
        matrix = np.array([[p[0], p[1], p[2]], [p[1], p[3], p[4]], [p[2], p[4], p[5]]])
        assert np.linalg.eigvalsh(matrix).min() >= -1e-12


def test_a_state_is_held_to_what_can_be_by_the_likeliest_one() -> None:
    """Projection on a = limit: x + P e (limit - a) / P_aa, which minimises (y - x)' P^-1 (y - x) there (scipy's minimiser
    agrees). The speed alike."""
    rng = np.random.default_rng(5)
    for _ in range(20):
        root = rng.normal(size=(3, 3))
        p = root @ root.T + 0.05 * np.eye(3)
        state = rng.normal(size=3) * 6.0
        for hold, at, limit in (("hold_acceleration", 2, 2.0), ("hold_speed", 1, 1.5)):
            kin = KinematicFilter(0.5, 1.5, 2.0)
            kin.x, kin.v, kin.a = map(float, state)
            kin.p = tuple(float(number) for number in p[np.triu_indices(3)])  # type: ignore[assignment]
            before = kin.p
            getattr(kin, hold)()
            held = float(np.clip(state[at], -limit, limit))
            others = [i for i in range(3) if i != at]
            inverse = np.linalg.inv(p)

            def far(free: np.ndarray, at: int, held: float, inverse: np.ndarray, state: np.ndarray) -> float:
                y = np.insert(free, at, held) - state
                return float(y @ inverse @ y)

            best = minimize(far, state[others], (at, held, inverse, state)).x
            assert [kin.x, kin.v, kin.a] == pytest.approx(np.insert(best, at, held).tolist(), abs=1e-3)
            assert kin.p == before
