"""The hand on the levers: moves as generators that are resumed every 50 ms. `simulators.crew.programs` strings them together.

An operator sees height, speed and weight, and has brake, throttle, clutch, auxiliary brake and slips; nothing else is
touched. Each move is a small speed controller with a profile that slows down before its target, which is what good
practice looks like from outside. A clumsy hand aims past the target, brakes late and hard, and feathers. Everything is
drawn from the seed.
"""

import math
import random
from collections.abc import Generator, Mapping
from dataclasses import dataclass
from typing import Final

from monitor.config.brakes import EddyAux, RegenAux
from monitor.config.rig import Rig
from simulators.machine.brake import full_torque_n_m
from simulators.machine.plant import Plant
from simulators.machine.truth import GRAVITY_M_S2

HAND_S = 0.05
HAND_TICKS = 5
"""Plant ticks between two looks of the operator."""

Moves = Generator[None, None, None]


@dataclass(frozen=True, slots=True)
class Hand:
    """How an operator drives."""

    hoist_m_s: float = 1.35
    lower_m_s: float = 1.0
    pick_up_m_s: float = 0.25
    slow_down_m_s2: float = 0.18
    """Deceleration that the profile plans with."""
    overshoot_m: float = 0.0
    """Standard deviation of where a move ends."""
    feather: float = 0.0
    """Amplitude of unneeded movements of the brake lever."""
    late_s: float = 0.0
    """How late the slowing down begins."""
    pause: float = 1.0
    """Factor on all waiting."""


CAREFUL: Final = Hand()
CLUMSY: Final = Hand(slow_down_m_s2=0.30, overshoot_m=0.25, feather=0.06, late_s=0.35)


class Operator:
    """Drives `plant` by a program. `step()` every 50 ms; `done` when the program has ended (the brake stays set)."""

    def __init__(
        self, plant: Plant, rig: Rig, program: str, seed: int | str, settings: Mapping[str, float] | None = None
    ) -> None:
        self.plant, self.rig = plant, rig
        self.settings = dict(settings or {})
        self.draw = random.Random(f"operator:{rig.name}:{program}:{seed}")
        base = CLUMSY if self.get("clumsy", 0.0) else CAREFUL
        top = rig.limits.max_speed_m_s
        self.hand = Hand(
            hoist_m_s=self.get("hoist_m_s", min(base.hoist_m_s, 0.85 * top)),
            lower_m_s=self.get("lower_m_s", min(base.lower_m_s, 0.65 * top)),
            pick_up_m_s=base.pick_up_m_s,
            slow_down_m_s2=self.get("slow_down_m_s2", base.slow_down_m_s2),
            overshoot_m=self.get("overshoot_m", base.overshoot_m),
            feather=self.get("feather", base.feather),
            late_s=self.get("late_s", base.late_s),
            pause=self.get("pause", base.pause),
        )
        limits = rig.limits
        self.low_m = self.get("low_m", limits.lower_m + 1.5)
        span = limits.upper_m - limits.lower_m
        self.stand_m = self.get("stand_m", round(0.76 * span, 1))
        self.top_m = min(self.low_m + self.stand_m, limits.upper_m - 2.5)
        self.stand_kg = self.get("stand_kg", 26.0 * self.stand_m)
        self.brake_torque_n_m = full_torque_n_m(rig, plant.truth)
        self._feather_now = 0.0
        self.done = False
        self._moves: Moves = self.wait(1e9)

    def get(self, name: str, default: float) -> float:
        """A setting of the scenario (a name in `simulators.crew.settings`), or its default."""
        return float(self.settings.get(name, default))

    def follow(self, moves: Moves) -> None:
        """What to do from now on."""
        self._moves = moves

    def step(self) -> None:
        """Look and act once."""
        try:
            next(self._moves)
        except StopIteration:
            self.done = True

    # --- moves ------------------------------------------------------------------------------------------------------

    def wait(self, seconds: float) -> Moves:
        """Stand still with the brake set."""
        levers = self.plant.levers
        levers.brake, levers.aux, levers.speed_m_s, levers.clutch = 1.0, 0.0, 0.0, False
        for _ in range(max(1, round(seconds * self.hand.pause / HAND_S))):
            yield

    def pause(self, mean_s: float) -> Moves:
        """Wait about `mean_s`."""
        yield from self.wait(mean_s * self.draw.uniform(0.7, 1.4))

    def settle(self) -> Moves:
        """Brake until the drum stands."""
        levers = self.plant.levers
        levers.brake, levers.speed_m_s, levers.clutch = 1.0, 0.0, False
        yield
        while abs(self.plant.omega) > 1e-3:
            yield
        levers.aux = 0.0
        for _ in range(6):
            yield

    def hold_brake(self, share: float, until_m: float) -> Moves:
        """Pull the brake to `share` of a full application and keep it there, as far as the hand is steady, until the block stands
        or has come past `until_m`; the drive is let go of, the auxiliary brake stays as it is."""
        p, levers = self.plant, self.plant.levers
        levers.speed_m_s, levers.clutch = 0.0, False
        up = p.speed_m_s > 0.0
        while True:
            levers.brake = min(1.0, max(0.0, share + self._feather_offset()))
            yield
            if abs(p.omega) < 1e-3 or (p.height_m >= until_m if up else p.height_m <= until_m):
                return

    def _aim(self, target_m: float) -> float:
        spread = self.hand.overshoot_m
        return target_m + self.draw.gauss(0.0, spread) if spread else target_m

    def _feather_offset(self) -> float:
        """A hand that wanders about where it should be, slowly: it takes half a second to another place."""
        if not self.hand.feather:
            return 0.0
        self._feather_now += 0.1 * (self.draw.uniform(-3.0, 3.0) * self.hand.feather - self._feather_now)
        return self._feather_now

    def up(self, target_m: float, speed_m_s: float, exact: bool = False, hands_off_s: float = 0.0) -> Moves:
        """Hoist to `target_m` with at most `speed_m_s`, then set the brake; where the overtravel device acts, only after
        `hands_off_s`."""
        p, levers, hand = self.plant, self.plant.levers, self.hand
        target = target_m if exact else self._aim(target_m)
        if target - p.height_m < 0.03:
            return
        levers.aux = 0.0
        levers.clutch = True
        levers.speed_m_s = 0.1
        for _ in range(12):  # let the drive take the load before the brake goes
            yield
        levers.brake = 0.0
        wanted, creep = 0.1, 0.06
        stalled = 0
        while True:
            v = p.speed_m_s if p.omega else 0.0
            room = target - p.height_m - v * (0.45 - hand.late_s)
            if room < 0.03:
                break
            allowed = math.sqrt(2 * hand.slow_down_m_s2 * room)
            wanted = min(wanted + 0.4 * HAND_S, speed_m_s, max(allowed, creep))
            levers.speed_m_s = wanted
            over = v - wanted
            levers.brake = min(0.7, max(0.0, 0.05 + 0.3 * (over - 0.06))) if over > 0.06 else 0.0
            if levers.brake:
                levers.brake = max(0.0, levers.brake + self._feather_offset())
            stalled = stalled + 1 if abs(p.omega) < 1e-3 else 0
            if p.overtravel.electric or p.overtravel.air:
                for _ in range(round(hands_off_s / HAND_S)):
                    yield
                break
            if stalled > 200:
                break
            yield
        yield from self.settle()

    def down(self, target_m: float, speed_m_s: float, exact: bool = False) -> Moves:
        """Lower to `target_m` with at most `speed_m_s`, then set the brake."""
        p = self.plant
        target = target_m if exact else self._aim(target_m)
        if p.height_m - target < 0.03:
            return
        yield from self.run_down(target, speed_m_s, self.hand.slow_down_m_s2)
        yield from self.settle()

    def run_down(self, target_m: float, speed_m_s: float, slow_down_m_s2: float) -> Moves:
        """The lowering itself, with auxiliary and friction brake, until the target is next."""
        p, levers, hand, t = self.plant, self.plant.levers, self.hand, self.plant.truth
        n = t.lines
        wanted, memory = 0.05, 0.0
        pushing = isinstance(self.rig.aux, RegenAux)
        levers.clutch = False
        levers.speed_m_s = 0.0
        still = 0
        while True:
            v = -p.speed_m_s if p.omega else 0.0
            room = p.height_m - target_m - v * (0.4 - hand.late_s)
            if room < 0.02:
                return
            allowed = math.sqrt(2 * slow_down_m_s2 * room)
            radius = p.spool.radius_m(p.turns - p.slip_turns)
            weight = p.load_weight_n
            inertia = t.inertia_kg_m2 * n / radius + weight / GRAVITY_M_S2 * radius / n
            # A heavy load is let down gently, well below how it would fall by itself.
            falling = weight * radius / n * t.lowering / inertia
            before = wanted
            ramp = max(0.10, min(0.22, 0.5 * falling))
            wanted = min(wanted + ramp * HAND_S, speed_m_s, max(allowed, min(0.06, speed_m_s)))
            error = v - wanted
            if abs(error) < 0.2:
                memory = min(0.15, max(-0.15, memory + error * HAND_S * 0.3))
            # Brake by feel: hold the load less what shall speed it up, and correct by what is seen.
            speeding = min(0.3, max(-0.6, (wanted - before) / HAND_S))
            demand = weight * radius / n * t.lowering + inertia * (error / 0.9 + memory - speeding)
            if pushing and falling < 0.12:
                levers.clutch = error < -0.1 and demand < 0.0
                levers.speed_m_s = -wanted if levers.clutch else 0.0
            share, left = self._share_aux(demand, abs(p.omega))
            levers.aux = share
            friction = left / self.brake_torque_n_m
            if friction > 0.004:
                friction = friction * (1 - t.touch_share) + t.touch_share
                levers.brake = min(1.0, max(0.0, friction + self._feather_offset()))
            else:
                levers.brake = 0.0
            still = still + 1 if abs(p.omega) < 1e-3 else 0
            if still > 400 or (p.force_n <= 0.0 and still > 20):
                return
            yield

    def _share_aux(self, demand_n_m: float, omega: float) -> tuple[float, float]:
        """Auxiliary command for a torque, and the torque left for the friction brake."""
        aux = self.rig.aux
        if demand_n_m <= 0:
            return 0.0, 0.0
        if isinstance(aux, EddyAux):
            u = omega / aux.critical_speed_rad_s
            can = 2 * aux.peak_torque_n_m * u / (1 + u * u)
            if can < 0.03 * aux.peak_torque_n_m:
                return 0.0, demand_n_m
            share = min(1.0, math.sqrt(demand_n_m / can))
            return share, max(0.0, demand_n_m - can)
        if isinstance(aux, RegenAux):
            can = min(aux.max_torque_n_m, aux.max_power_w / max(omega, 0.01)) * min(1.0, omega / 0.5)
            if can < 0.03 * aux.max_torque_n_m:
                return 0.0, demand_n_m
            return min(1.0, demand_n_m / can), max(0.0, demand_n_m - can)
        return 0.0, demand_n_m

    # --- work with pipe ---------------------------------------------------------------------------------------------

    def take_weight(self) -> Moves:
        """Lift the string out of the slips and pull them."""
        p = self.plant
        if not p.string.latched:
            p.latch()
        goal = p.string.top_m + p.string.pick_up_m + 0.25
        yield from self.up(max(goal, p.height_m + 0.1), self.hand.pick_up_m_s, exact=True)
        if p.string.force_n > 0.9 * p.string.weight_n:
            p.levers.slips = False

    def set_slips(self, slack: bool = True) -> Moves:
        """Slips in, and the weight onto them (`slack`), or only most of it."""
        p = self.plant
        p.levers.slips = True
        yield from self.wait(1.5)
        if slack:
            yield from self.down(p.height_m - p.string.pick_up_m - 0.12, 0.15, exact=True)

    def stand_in(self) -> Moves:
        """From the string in the slips and the empty block low: one stand into the hole."""
        p, hand = self.plant, self.hand
        yield from self.up(self.top_m, hand.hoist_m_s)
        p.hang_pipe(self.stand_kg)
        yield from self.pause(12.0)
        p.make_up()
        yield from self.pause(14.0)
        yield from self.take_weight()
        yield from self.wait(1.0)
        yield from self.down(self.low_m + 0.5, hand.lower_m_s)
        yield from self.set_slips()
        p.unlatch()
        yield from self.pause(8.0)

    def stand_out(self) -> Moves:
        """From the string in the slips and the empty block low: one stand out of the hole."""
        p, hand = self.plant, self.hand
        p.latch()
        yield from self.pause(4.0)
        yield from self.take_weight()
        yield from self.up(self.top_m + 0.3, hand.hoist_m_s)
        yield from self.set_slips(slack=False)
        yield from self.down(p.height_m - p.string.pick_up_m * 0.98, 0.15, exact=True)
        p.break_out(self.stand_kg)
        yield from self.pause(14.0)
        p.hang_pipe(0.0)
        yield from self.pause(4.0)
        yield from self.down(self.low_m, hand.lower_m_s)

    def single_in(self, length_m: float, mass_kg: float) -> Moves:
        """Pick up one joint from beside the well and run it."""
        p, hand = self.plant, self.hand
        p.hang_pipe(mass_kg)
        yield from self.pause(6.0)
        yield from self.up(min(self.low_m + length_m, self.top_m), min(hand.hoist_m_s, 0.8))
        p.make_up()
        yield from self.pause(15.0)
        yield from self.take_weight()
        yield from self.down(self.low_m + 0.5, hand.lower_m_s)
        yield from self.set_slips()
        p.unlatch()
        yield from self.pause(10.0)
