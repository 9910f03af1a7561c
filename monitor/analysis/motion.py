"""What the brakes did: every stop and every descent, found in the rows of a recording.

A *stop* is a motion that the friction brake ended. It begins where the brake was called for: at the lever's first
movement, or at the first pressure where the rig measures no lever. Two predictions stand beside the distance observed
from there: that of a full application (with the configured lag and ramp, no reaction time), which is what the stop mark
counts on, and that of the pressure really applied. A gentle stop is longer than the first and should match the second.

A *descent* is a downward motion of three metres or more, to rest or reversal.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from monitor.analysis.known import known_of, mean_of, most, runs
from monitor.analysis.recording import Numbers, Recording
from monitor.config.brakes import EddyAux
from monitor.config.optional_tables import STOPPING
from monitor.config.rig import Rig
from monitor.core.brakes.health import HEAVY_SHARE
from monitor.core.brakes.model import BrakeModel
from monitor.core.hoist.state import MOVING_M_S
from monitor.model.stream import GRID_NS
from monitor.physics.brakes import EddyBrake
from monitor.physics.drum import DrumGeometry
from monitor.physics.motion import Hoist, reach_hoisting, reach_lowering
from monitor.units import STANDARD_GRAVITY_M_S2 as GRAVITY

GRID_S: Final = GRID_NS * 1e-9
"""Stops are timed on the full grid: slow data show none."""
STOP_FROM_M_S: Final = 0.2
"""Slower than this when the brake came on, it held a block that had stopped already."""
PRESSED: Final = 0.04
"""Share of full pressure that counts as braking."""
LEVER: Final = 0.03
FULL: Final = 0.85
"""Share of full pressure from which a stop counts as one with the full brake."""
DRAG_S: Final = 6.0
"""A brake on for longer than this before rest was holding a descent back, not stopping it."""
REST_AFTER_S: Final = 1.5
SWING_M: Final = 0.25
"""A block that is this near after `REST_AFTER_S` has come to rest, swinging or not."""
LEAST_DESCENT_M: Final = 3.0
COOL_S: Final = 60.0
_NAN: Final = math.nan


@dataclass(frozen=True, slots=True)
class Stop:
    """One stop by the friction brake. SI; NaN where not known."""

    t_ns: int
    """When the brake was called for."""
    direction: int
    speed_m_s: float
    speed_bound_m_s: float
    load_n: float
    layer: float
    pressure_pa: float
    """Mean of both circuits in the upper quarter of the stop."""
    deceleration_m_s2: float
    """Mean, from the highest speed to rest."""
    effectiveness: float
    effectiveness_sigma: float
    full: bool
    dragged: bool
    """The brake had been on for long: the distance says nothing about the reach."""
    driven: bool
    """The drive was engaged meanwhile: it may have pulled against the brake, or helped it."""
    reach_full_m: float
    """Predicted for a full application."""
    reach_applied_m: float
    """Predicted for the pressure applied."""
    reach_m: float
    """Observed."""
    reach_bound_m: float
    """Half a grid step at both ends, at the speed of then."""

    @property
    def comparable(self) -> bool:
        """Whether the reach seen can be held against the one predicted for the pressure applied."""
        return not (self.dragged or self.driven) and 0.0 < self.reach_applied_m < math.inf


@dataclass(frozen=True, slots=True)
class Descent:
    """One lowering."""

    t_ns: int
    seconds: float
    distance_m: float
    top_speed_m_s: float
    load_n: float
    energy_j: float
    """Load times distance: what the brakes and the tackle's friction had to take."""
    friction_j: float
    """What went into the discs or rims."""
    aux_share: float
    """NaN with a light load, which says nothing of the auxiliary brake."""
    heat_from_c: float
    heat_to_c: float
    """Hottest within a minute of its end."""
    measured: bool
    """Whether the temperatures were measured, not modelled."""


def stops(rec: Recording) -> list[Stop]:
    """Every stop by the friction brake, in order; none on a rig whose file does not describe what brakes."""
    if not rec.rig.has(*STOPPING):
        return []
    return sorted(_Stops(rec).find(), key=lambda stop: stop.t_ns)


class _Stops:
    """Finds the stops by the friction brake in one recording."""

    def __init__(self, rec: Recording) -> None:
        self.rec = rec
        rig = self.rig = rec.rig
        self.speed, self.height = rec["speed"], rec["height"]
        p1, p2 = rec["service_pressure_1"], rec["service_pressure_2"]
        self.pressure = np.where(np.isnan(p2), p1, np.where(np.isnan(p1), p2, (p1 + p2) / 2))
        self.lever = rec["brake_lever"] if rig.sensor_of("brake_lever") else None
        self.full_pa = rig.brake.full_pressure_pa
        self.brake = BrakeModel(rig)
        self.drum = drum_of(rig)

    def find(self) -> Iterator[Stop]:
        """Motions of either direction that end at rest with the brake on."""
        speed = self.speed
        pressed = self.pressure > PRESSED * self.full_pa
        for direction in (1, -1):
            for first, after in runs(direction * speed > MOVING_M_S):
                if not self._rests(after):
                    continue  # it reversed, or its end is not known
                if not pressed[after - 1]:
                    continue
                off = np.flatnonzero(~pressed[first:after])
                onset = first + int(off[-1]) + 1 if len(off) else first
                stop = self._stop(direction, first, onset, after)
                if stop is not None:
                    yield stop

    def _rests(self, after: int) -> bool:
        """Whether the block stays where the motion ended. A hard stop leaves it swinging on its line for a while."""
        later = self.rec.later(after, REST_AFTER_S)
        if later >= len(self.speed):
            return self.rec.later(after, 5 * GRID_S) < len(self.speed) and abs(float(self.speed[-1])) < MOVING_M_S
        moved = abs(float(self.height[later]) - float(self.height[after]))
        if math.isnan(moved):
            moved = abs(self.rec.way_m(after, later))
        return moved < SWING_M

    def _stop(self, direction: int, first: int, onset: int, after: int) -> Stop | None:
        """The stop of a motion from grid point `first` to before `after`, the brake on from `onset`.

        None where it was too slow, or its speed too uncertain, when the brake was called for.
        """
        speed = np.abs(self.speed[first:after])
        call = onset
        if self.lever is not None:
            while call > first and self.rec.seconds_of(call, onset) < 40 * GRID_S and self.lever[call - 1] > LEVER:
                call -= 1
        dragged = self.rec.seconds_of(onset, after) > DRAG_S
        from_call = speed[call - first :]
        peak = int(np.argmax(from_call))
        if dragged:
            call += int(np.flatnonzero(from_call >= 0.95 * from_call[peak])[-1])
            from_call, peak = speed[call - first :], 0
        v0 = float(speed[call - first])
        bound = float(self.rec["speed_bound"][call])
        if not (v0 >= STOP_FROM_M_S and bound < v0):
            return None
        # To the furthest place: a hard stop springs back on its line.
        way = direction * (self.height[call : self.rec.later(after, REST_AFTER_S)] - self.height[call])
        reach = most(way)
        if math.isnan(reach):
            reach = abs(self.rec.way_m(call, after))
        rec = self.rec
        load, layer = float(rec["hook_load"][call]), float(rec["layer"][call])
        pressures = np.sort(known_of(self.pressure[call : after + 1]))
        applied = float(pressures[-max(1, len(pressures) // 4) :].mean()) if len(pressures) else _NAN
        if direction > 0:
            full = float(rec["room_up"][call]) - float(rec["late_margin_up"][call])
        else:
            full = float(rec["room_down"][call]) - float(rec["late_margin_down"][call])
        falling_s = self.rec.seconds_of(after - len(from_call) + peak, after)
        effect, sigma = self._effect(min(self.rec.later(after, 40 * GRID_S), len(self.height) - 1))
        return Stop(
            t_ns=int(rec.t_ns[call]),
            direction=direction,
            speed_m_s=v0,
            speed_bound_m_s=bound,
            load_n=load,
            layer=layer,
            pressure_pa=applied,
            deceleration_m_s2=float(from_call[peak]) / falling_s if falling_s > 0 else _NAN,
            effectiveness=effect,
            effectiveness_sigma=sigma,
            full=applied >= FULL * self.full_pa,
            dragged=dragged,
            driven=bool((rec["clutch_engaged"][rec.later(call, rig_lag(self.rig)) : after] >= 0.5).any()),
            reach_full_m=full,
            reach_applied_m=self._predict(direction, v0, load, call, after, applied),
            reach_m=reach,
            reach_bound_m=v0 * GRID_S,
        )

    def _effect(self, at: int) -> tuple[float, float]:
        place = int(np.searchsorted(self.rec.sigma_at, at, side="right")) - 1
        sigma = float(self.rec.effectiveness_sigma[place]) if place >= 0 else _NAN
        return float(self.rec["effectiveness"][at]), sigma

    def _predict(self, direction: int, speed: float, load: float, call: int, after: int, applied: float) -> float:
        """Reach for the pressure applied, with the effectiveness known before and what the auxiliary brake gave."""
        turns = float(self.rec["turns"][call])
        if not (load > 0.0 and math.isfinite(turns + applied)):
            return _NAN
        rig = self.rig
        radius = self.drum.radius_m(turns)
        hoist = Hoist(load / GRAVITY, rig.drum.inertia_kg_m2, rig.line.lines, radius, rig.line.sheave_factor)
        effect = float(self.rec["effectiveness"][call])
        effect = effect if math.isfinite(effect) else 1.0
        torque = self.brake.circuit_torque_n_m(self.brake.clamping_pressure_pa(2.0 * applied), 1.0, direction) * effect
        lag, ramp = rig.braking.lag_s, rig.braking.ramp_s
        if direction > 0:
            return reach_hoisting(speed, hoist, torque, 0.0, lag, ramp, drive_during_reaction=False).distance_m
        aux = self._aux(slice(call, after), radius)
        return reach_lowering(speed, hoist, torque, 0.0, lag, ramp, aux).distance_m

    def _aux(self, part: slice, radius: float) -> float:
        rec, aux = self.rec, self.rig.aux
        torque = rec["aux_torque"][part]
        if np.isfinite(torque).any():
            return max(0.0, float(np.nanmean(torque)))
        current = rec["aux_current"][part]
        if isinstance(aux, EddyAux) and np.isfinite(current).any():
            eddy = EddyBrake(aux.peak_torque_n_m, aux.critical_speed_rad_s, aux.rated_current_a)
            omega = float(np.nanmean(np.abs(self.speed[part]))) * self.rig.line.lines / radius
            return eddy.torque_n_m(omega, float(np.nanmean(current)))
        return 0.0


def rig_lag(rig: Rig) -> float:
    """From the lever to full torque, s: the drive may go on for that long without touching the comparison."""
    return rig.braking.lag_s + rig.braking.ramp_s


def drum_of(rig: Rig) -> DrumGeometry:
    """The rig's drum with its rope."""
    drum = rig.drum
    return DrumGeometry(
        drum.core_diameter_m, rig.line.rope_diameter_m, drum.wraps_per_layer, drum.nesting, drum.max_layers,
        drum.dead_wraps,
    )  # fmt: skip


def descents(rec: Recording) -> list[Descent]:
    """Every descent, in order."""
    speed, height, load = rec["speed"], rec["height"], rec["hook_load"]
    block_n = rec.rig.block.mass_kg * GRAVITY
    heavy_n = block_n + HEAVY_SHARE * (rec.rig.block.rated_load_kg * GRAVITY - block_n)
    left, right = rec["disc_temperature_left"], rec["disc_temperature_right"]
    measured = bool(np.isfinite(left).any() or np.isfinite(right).any())
    heat = _smooth(np.fmax(left, right) if measured else rec["disc_modelled"], rec.elapsed_ns)
    found = []
    for first, after in runs(speed < -MOVING_M_S, 0.5, rec.elapsed_ns):
        distance = float(height[first]) - float(height[after - 1])
        if math.isnan(distance):
            distance = -rec.way_m(first, after)
        if distance < LEAST_DESCENT_M:
            continue
        mean = mean_of(load[first:after])
        ended = rec.later(after, 20 * GRID_S) < len(speed)  # else the record ended in the middle of it
        at = min(rec.later(after, 20 * GRID_S), len(speed) - 1)
        place = min(int(np.searchsorted(rec.sigma_at, rec.later(after, 12 * GRID_S))), len(rec.sigma_at) - 1)
        cool = rec.later(after, COOL_S)
        found.append(
            Descent(
                t_ns=int(rec.t_ns[first]),
                seconds=rec.seconds_of(first, after),
                distance_m=distance,
                top_speed_m_s=float(np.nanmax(-speed[first:after])),
                load_n=mean,
                energy_j=mean * distance,
                friction_j=float(rec.disc_energy_j[place]) if ended else _NAN,
                aux_share=float(rec["aux_share"][at]) if ended and mean > heavy_n else _NAN,
                heat_from_c=float(heat[first]),
                heat_to_c=most(heat[first:cool]),
                measured=measured,
            )
        )
    return found


def _smooth(numbers: Numbers, elapsed_ns: npt.NDArray[np.int64]) -> Numbers:
    """Running mean over ten seconds, what is not known left out: a maximum must not pick noise."""
    known = np.isfinite(numbers)
    rows = len(numbers)
    sums, counts = np.zeros(rows + 1), np.zeros(rows + 1, np.int32)
    np.cumsum(np.where(known, numbers, 0.0), dtype=np.float64, out=sums[1:])
    np.cumsum(known, out=counts[1:])
    before = np.searchsorted(elapsed_ns[:rows], elapsed_ns[:rows] - 10_000_000_000, side="right")
    within, count = sums[1:] - sums[before], counts[1:] - counts[before]
    with np.errstate(invalid="ignore", divide="ignore"):
        smooth: Numbers = np.where(count > 0, within / count, np.nan).astype(np.float32)
    return smooth
