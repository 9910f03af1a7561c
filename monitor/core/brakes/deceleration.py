"""What the brakes' own readings tell of the motion before the block's position shows it.

Theory of operation. A hand that brakes is seen in pressure or current at once, in a position read to a centimetre half a
second later. Torque that has come on since then slows the block by

    d = dT (N / r) / (J (N / r)^2 + m)

(Newton's law as in `monitor.physics.motion`; only changes count, as what was there before shows in the motion). Two uses:

* `known_m_s2`, the acceleration that all known braking makes, goes to the filter, which takes a share of each change for
  true and is in so much doubt of it that a brake that does not bite stays inside its bounds
  (`PositionFilter.apply_known_acceleration`).
* `confident_m_s2` is what the block slows down by with confidence. The mean slowing over the last moments, from the speed, is
  completed by what torque has changed since, both against their means with the same smoothing: a change counts as torque at first
  and, as the means catch up, as what the position has confirmed of it, and no longer. So does torque that the lever has just
  asked for and that is on its way: the hand is at it, though nothing shows yet but the lever. Where one reading of a coarse
  position makes the speed jump, the moments are too short to be sure of anything; so a longer mean is looked at, too, in which
  torque that has gone counts and torque that has come on does not, and the surer of the two is taken. A third answer is for
  lowering by the brakes alone where the position is a ready-made one, which cannot confirm torque for a second: what the torque
  there is holds beyond the fastest fall, each at its unfavourable end, as far as the speed does not deny it.

Nothing that the stop mark assures rests on it: the filter's bounds hold either way, and of the margin it takes at most the
notice away (`monitor.core.hoist.stopping`).
"""

import math
from typing import Final

from monitor.config.rig import Rig
from monitor.core.estimator.estimate import Estimate
from monitor.physics.tackle import efficiency_hoisting
from monitor.units import STANDARD_GRAVITY_M_S2 as _G

MEMORY_S: Final = 0.4
"""Smoothing: within about twice that the position must have confirmed what torque promised."""
LONG_MEMORY_S: Final = 1.0
"""Smoothing of the longer mean: less than half of the speed's noise is left, and a stop from speed takes longer."""
DOUBT: Final = 0.1
"""Standard doubt of a change of torque beyond its own, as a share: when it comes (common practice, no source). Friction,
auxiliary brake, inertia and load are at their unfavourable ends already."""
CONFIDENCE_Z: Final = 2.0
"""Sigmas by which it must slow down."""
AT_SPEED_M_S: Final = 0.2
"""At speed. Below this a stopping block bounces on its line, and nothing is said; nor is an auxiliary brake missed."""
MAX_KNOWN_M_S2: Final = 1.0
"""A gauge that jumps tells the filter no more than this."""


class DecelerationMonitor:
    """One rig's block under its brakes; `step` or `pause` at every grid point."""

    __slots__ = (
        "_coarse",
        "_fall_inertia",
        "_fall_load",
        "_inertia",
        "_lines",
        "_load",
        "_load_up",
        "_long_speed",
        "_long_torque",
        "_speed",
        "_torque",
        "_way",
        "confident_m_s2",
        "known_m_s2",
    )  # fmt: skip

    def __init__(self, rig: Rig) -> None:
        self._lines = rig.line.lines
        doubt = rig.uncertainty
        self._inertia = rig.drum.inertia_kg_m2 * (1.0 + doubt.inertia)
        self._coarse = rig.sensor_of("drum_counts") is None
        self._fall_inertia, self._fall_load = rig.drum.inertia_kg_m2 * (1.0 - doubt.inertia), 1.0 + doubt.load
        self._load = 1.0 + doubt.load
        self._load_up = self._load / efficiency_hoisting(rig.line.sheave_factor, rig.line.lines)
        self._way = 0
        self._speed = self._torque = self._long_speed = self._long_torque = 0.0
        self.known_m_s2 = math.nan
        """Acceleration that the known braking torque makes at the least, upwards positive; NaN where it is not known."""
        self.confident_m_s2 = 0.0
        """Deceleration that the block has with confidence (`CONFIDENCE_Z` sigmas), m/s2; 0 where there is none."""

    def pause(self) -> None:
        """Nothing can be said at this grid point: the block is slow, or not seen."""
        self._way = 0
        self.known_m_s2, self.confident_m_s2 = math.nan, 0.0

    def step(
        self, dt: float, estimate: Estimate, mass_kg: float, torque_n_m: float, driven: bool, coming_n_m: float = 0.0
    ) -> None:
        """One grid point, `dt` seconds after the last, of a block faster than `AT_SPEED_M_S`: hanging mass and braking torque
        at the drum as the readings tell them, NaN for not known, and the torque beyond it that the lever asks for and that is on
        its way. A drive that may be pulling (`driven`) may pull against the brake: then torque is no surety."""
        v = estimate.speed_m_s
        way, size = (1, v) if v > 0.0 else (-1, -v)
        pull = self._lines / estimate.radius_m
        per_torque = pull / (self._inertia * pull * pull + mass_kg * (self._load_up if way > 0 else self._load))
        slows = torque_n_m * per_torque
        if slows != slows:
            self.pause()
            return
        self.known_m_s2 = -way * (slows if slows < MAX_KNOWN_M_S2 else MAX_KNOWN_M_S2)
        if way != self._way:
            self._way, self._speed, self._torque = way, size, torque_n_m
            self._long_speed, self._long_torque = size, torque_n_m
        gain = dt / (MEMORY_S + dt)
        self._speed += gain * (size - self._speed)
        self._torque += gain * (torque_n_m - self._torque)
        slowing = (self._speed - size) / MEMORY_S
        more = (torque_n_m + coming_n_m - self._torque) * per_torque
        if driven and more > 0.0:
            more = 0.0
        noise = estimate.speed_sigma_m_s / MEMORY_S
        sure = _sure(slowing, more, noise)
        if self._coarse and way < 0 and not driven:
            weight = mass_kg * self._fall_load
            held = slows - weight * _G / (self._fall_inertia * pull * pull + weight)
            undenied = slowing + CONFIDENCE_Z * noise
            sure = max(sure, held if held < undenied else undenied)
        gain = dt / (LONG_MEMORY_S + dt)
        self._long_speed += gain * (size - self._long_speed)
        self._long_torque += gain * (torque_n_m - self._long_torque)
        gone = (torque_n_m - self._long_torque) * per_torque
        slowing = (self._long_speed - size) / LONG_MEMORY_S
        lasting = _sure(slowing, gone if gone < 0.0 else 0.0, estimate.speed_sigma_m_s / LONG_MEMORY_S)
        if lasting > sure:
            sure = lasting
        self.confident_m_s2 = sure if sure > 0.0 else 0.0


def _sure(slowing: float, more: float, noise: float) -> float:
    """What a block slows down by at the least, m/s2, that has been `slowing` as its speed shows, with a standard doubt of
    `noise`, and is braked by `more` than meanwhile."""
    doubt = DOUBT * more
    return slowing + more - CONFIDENCE_Z * math.sqrt(noise * noise + doubt * doubt)
