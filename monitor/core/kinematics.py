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


class Kinematics:
    """The filter. Units: metres, seconds; `jerk_psd` in m^2/s^5; speeds and accelerations are held to the limits given."""

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
        xx, xv, xa, vv, va, aa = self.p
        if dt <= 0.0:
            return self.x, self.v, self.a, self.p
        if dt > LONG_STEP_S:
            return self._long(dt)
        q, h = self.jerk_psd, 0.5 * dt * dt
        v, a = self.v, self.a
        q1 = q * dt
        q2 = q1 * dt
        q3 = q2 * dt
        xv_va = xv + dt * xa  # first row of F P, step by step
        xx1 = xx + dt * (xv + xv_va) + h * (2.0 * xa + dt * va * 2.0) + dt * dt * (vv - xa) + h * h * aa
        xv1 = xv + dt * (xa + vv) + (h + dt * dt) * va + h * dt * aa
        xa1 = xa + dt * va + h * aa
        return (
            self.x + dt * v + h * a,
            v + dt * a,
            a,
            (
                xx1 + q3 * dt * dt * 0.05,
                xv1 + q3 * dt * 0.125,
                xa1 + q3 / 6.0,
                vv + 2.0 * dt * va + dt * dt * aa + q3 / 3.0,
                va + dt * aa + 0.5 * q2,
                aa + q1,
            ),
        )
