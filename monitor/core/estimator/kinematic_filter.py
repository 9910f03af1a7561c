"""Position, speed and acceleration of one moving thing, from readings of its position, with how sure each of them is.

Theory of operation. The state is [x, v, a]. Between readings the acceleration wanders: its rate (the jerk) is white
noise of power `jerk_psd`, the continuous white-jerk model, so a step of dt seconds has

    F = [[1, dt, dt^2/2], [0, 1, dt], [0, 0, 1]]
    Q = q [[dt^5/20, dt^4/8, dt^3/6], [dt^4/8, dt^3/3, dt^2/2], [dt^3/6, dt^2/2, dt]]

(Bar-Shalom, Li and Kirubarajan, Estimation with Applications to Tracking and Navigation, chapter 6). A reading is one
number, so the update needs no matrix inverse. It may be a little older than the state: its row is then
H = [1, -tau, tau^2/2], and the process noise of the time between, q tau^5/20, is added to its variance (derived here).

Written out in plain floats: three states in small arrays cost ten times as much, and this runs for every reading.
"""

import math
from typing import Final

Covariance = tuple[float, float, float, float, float, float]
"""Upper triangle by rows: xx, xv, xa, vv, va, aa."""

LONG_STEP_S: Final = 0.5
"""Beyond this the acceleration is not believed to have lasted."""


REST_M_S: Final = 0.1
REST_M_S2: Final = 0.5
"""Standard doubts of speed and acceleration of what has just come to rest: a start, or a stop not quite made (derived here)."""
LEAST: Final = 1e-10
"""Least variance, where rounding leaves none."""


class KinematicFilter:
    """The filter. Metres and seconds; `jerk_psd` in m^2/s^5. Speed and acceleration are the greatest of the thing that moves: for
    long silences, and for `hold_acceleration` and `hold_speed`."""

    __slots__ = ("a", "jerk_psd", "max_acceleration", "max_speed", "p", "v", "x")

    def __init__(self, jerk_psd: float, max_speed: float = math.inf, max_acceleration: float = math.inf) -> None:
        self.jerk_psd = jerk_psd
        self.max_speed = max_speed
        self.max_acceleration = max_acceleration
        self.reset(0.0, 0.0, 0.0, 1.0, 1.0, 1.0)

    def reset(
        self, x: float, v: float = 0.0, a: float = 0.0, var_x: float = 1.0, var_v: float = 1.0, var_a: float = 1.0
    ) -> None:
        """Start again from what is given, with no correlations."""
        self.x = x
        self.v = v
        self.a = a
        self.p: Covariance = (var_x, 0.0, 0.0, var_v, 0.0, var_a)

    def predicted(self, dt: float) -> tuple[float, float, float, Covariance]:
        """(x, v, a, covariance) `dt` seconds later; the filter itself stays as it is."""
        if dt <= 0.0:
            return self.x, self.v, self.a, self.p
        if dt > LONG_STEP_S:
            return self._long(dt)
        return self._step(dt) if dt <= LONG_STEP_S else self._long(dt)

    def _step(self, dt: float) -> tuple[float, float, float, Covariance]:
        """One step of the white-jerk model: F P F' + Q written out."""
        xx, xv, xa, vv, va, aa = self.p
        h = 0.5 * dt * dt
        q1 = self.jerk_psd * dt
        q3 = q1 * dt * dt
        x0 = xx + dt * xv + h * xa  # first row of F P
        x1 = xv + dt * vv + h * va
        x2 = xa + dt * va + h * aa
        v2 = va + dt * aa  # end of its second row
        return (
            self.x + dt * self.v + h * self.a,
            self.v + dt * self.a,
            self.a,
            (
                x0 + dt * x1 + h * x2 + q3 * dt * dt * 0.05,
                x1 + dt * x2 + q3 * dt * 0.125,
                x2 + q3 / 6.0,
                vv + dt * (va + v2) + q3 / 3.0,
                v2 + 0.5 * q1 * dt,
                aa + q1,
            ),
        )

    def _long(self, dt: float) -> tuple[float, float, float, Covariance]:
        """A long silence: white jerk for half a second, then a speed that wanders but stays one the machine can have.

        White jerk over seconds promises speeds no hoist reaches. After the first half second the acceleration is taken
        as forgotten and the speed as uncertain by what half the greatest acceleration can do, at most the greatest
        speed (derived here).
        """
        top, push = self.max_speed, self.max_acceleration
        if math.isinf(top) or math.isinf(push):
            return self._step(dt)
        x, v, _, (xx, xv, _, vv, _, _) = self._step(LONG_STEP_S)
        rest = dt - LONG_STEP_S
        v = min(top, max(-top, v))
        vv = min(vv + 0.25 * push * push * rest, top * top)
        xx += 2.0 * rest * abs(xv) + rest * rest * vv
        return x + rest * v, v, 0.0, (xx, 0.9 * rest * vv, 0.0, vv, 0.0, 0.25 * push * push)

    def predict(self, dt: float) -> None:
        """Advance the filter by `dt` seconds; nothing happens for dt of zero or less."""
        if dt > 0.0:
            self.x, self.v, self.a, self.p = self._step(dt) if dt <= LONG_STEP_S else self._long(dt)

    def add_process_noise(self, dt: float, jerk_psd: float) -> None:
        """Add the process noise of `dt` seconds of a livelier jerk, after the fact."""
        xx, xv, xa, vv, va, aa = self.p
        q1 = jerk_psd * dt
        q2, q3 = q1 * dt, q1 * dt * dt
        self.p = (
            xx + 0.05 * q3 * dt * dt,
            xv + 0.125 * q3 * dt,
            xa + q3 / 6.0,
            vv + q3 / 3.0,
            va + 0.5 * q2,
            aa + q1,
        )

    def rescale(self, edge: float, factor: float, doubt: float) -> None:
        """From the position `edge` on, each metre is `factor` metres. All three states are stretched alike, their covariance
        by the square; the share `doubt` of it (one sigma) may not have come."""
        doubt *= factor - 1.0
        dx, dv = doubt * (self.x - edge), doubt * self.v
        self.x = edge + factor * (self.x - edge)
        self.v *= factor
        self.a *= factor
        s = factor * factor
        xx, xv, xa, vv, va, aa = self.p
        self.p = (s * xx + dx * dx, s * xv + dx * dv, s * xa, s * vv + dv * dv, s * va, s * aa)

    def innovation(self, z: float, variance: float, age: float = 0.0) -> tuple[float, float]:
        """(reading minus expected, its variance) of a reading `z` with noise `variance`, taken `age` seconds ago."""
        if age <= 0.0:
            return z - self.x, self.p[0] + variance
        xx, xv, xa, vv, va, aa = self.p
        h = 0.5 * age * age
        s = xx - 2.0 * age * xv + 2.0 * h * xa + age * age * vv - 2.0 * age * h * va + h * h * aa
        return z - self.x + age * self.v - h * self.a, s + variance + self.jerk_psd * age**5 * 0.05

    def update(self, innovation: float, variance: float, age: float = 0.0) -> None:
        """Take in a reading by its `innovation` and that innovation's `variance` (both from `innovation`)."""
        xx, xv, xa, vv, va, aa = self.p
        if age <= 0.0:
            px, pv, pa = xx, xv, xa  # P H'
        else:
            h = 0.5 * age * age
            px = xx - age * xv + h * xa
            pv = xv - age * vv + h * va
            pa = xa - age * va + h * aa
        kx, kv, ka = px / variance, pv / variance, pa / variance
        self.x += kx * innovation
        self.v += kv * innovation
        self.a += ka * innovation
        xx -= kx * px
        vv -= kv * pv
        aa -= ka * pa
        if xx > 0.0 and vv > 0.0 and aa > 0.0:
            self.p = (xx, xv - kx * pv, xa - kx * pa, vv, va - kv * pa, aa)
        else:
            # Rounding ate a variance (a reading far better than the state): keep a little, and no correlations.
            self.p = (max(xx, LEAST), 0.0, 0.0, max(vv, LEAST), 0.0, max(aa, LEAST))

    def hold_acceleration(self) -> None:
        """Bring back an acceleration that the thing cannot have: the likeliest state whose acceleration is the greatest one
        (projection by the covariance; D. Simon, Kalman filtering with state constraints, IET Control Theory and Applications,
        2010). What is given up of position and speed goes with it. The covariance stays: nothing was measured."""
        top, a = self.max_acceleration, self.a
        if -top <= a <= top:
            return
        _, _, xa, _, va, aa = self.p
        over = a - math.copysign(top, a)
        self.x -= xa / aa * over
        self.v -= va / aa * over
        self.a -= over

    def hold_speed(self) -> None:
        """The same of the speed."""
        top, v = self.max_speed, self.v
        if -top <= v <= top:
            return
        _, xv, _, vv, va, _ = self.p
        over = v - math.copysign(top, v)
        self.x -= xv / vv * over
        self.v -= over
        self.a -= va / vv * over

    def stop_dead(self) -> None:
        """Bring the thing to rest where the readings have it: what slowed it down ends with the motion. It may have begun to move
        again since, as slowly as `REST_M_S` and `REST_M_S2` let it; what position, speed and acceleration had to do with one
        another is forgotten with the stop."""
        self.v = self.a = 0.0
        xx, _, _, vv, _, aa = self.p
        self.p = (xx, 0.0, 0.0, min(vv, REST_M_S * REST_M_S), 0.0, min(aa, REST_M_S2 * REST_M_S2))
