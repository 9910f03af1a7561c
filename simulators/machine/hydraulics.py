"""Oil that works the brake: pump, accumulator, two service circuits, the release circuit of the spring calipers.

The lever's movement reaches the pads after a dead time (valve, pipes) and then at a limited rate. Every application
takes oil from the accumulator; with the pump lost the gas has only so many strokes left. Pressures are gauge, Pa.
"""

from collections import deque
from typing import Final, Literal

from monitor.config.brakes import Hydraulics

ATMOSPHERE_PA: Final = 101_325.0
"""Standard atmosphere. The machine keeps its own constants: it shares nothing with the monitor but the rig's file."""


class Accumulator:
    """Gas over oil. Oil leaving fast cools the gas (adiabatic, exponent 1.4); it warms again with `gas_tau_s`.

    Slow use follows P V = P0 V0, fast use P V^1.4 = constant (ideal gas), absolute pressures.
    """

    __slots__ = ("exponent", "gas_m3", "gas_tau_s", "precharge_pa", "pressure_pa", "volume_m3")

    def __init__(
        self, volume_m3: float, precharge_pa: float, pressure_pa: float, gas_tau_s: float = 30.0, exponent: float = 1.4
    ) -> None:
        self.volume_m3 = volume_m3
        self.precharge_pa = precharge_pa
        self.gas_tau_s = gas_tau_s
        self.exponent = exponent
        self.pressure_pa = pressure_pa
        self.gas_m3 = volume_m3 * (precharge_pa + ATMOSPHERE_PA) / (pressure_pa + ATMOSPHERE_PA)

    def move(self, oil_m3: float, dt_s: float) -> None:
        """`oil_m3` goes in (above zero) or out during `dt_s`; out only as long as there is oil."""
        gas = self.gas_m3
        after = gas - oil_m3
        if after > self.volume_m3:
            after = self.volume_m3
        pressure = self.pressure_pa + ATMOSPHERE_PA
        if after != gas:
            pressure *= (gas / after) ** self.exponent
            self.gas_m3 = after
        # Heat comes back through the shell: the product P V returns to what it was at the charge.
        cold = (self.precharge_pa + ATMOSPHERE_PA) * self.volume_m3 / after
        if dt_s > 0:
            pressure += (cold - pressure) * (dt_s / (self.gas_tau_s + dt_s))
        if after >= self.volume_m3:  # no oil left: the gas can no longer press on any
            self.pressure_pa = 0.0 if oil_m3 < 0 else self.pressure_pa
            return
        self.pressure_pa = pressure - ATMOSPHERE_PA

    def clone(self) -> "Accumulator":
        """The same accumulator, to go on separately."""
        twin = Accumulator(self.volume_m3, self.precharge_pa, self.pressure_pa, self.gas_tau_s, self.exponent)
        twin.gas_m3 = self.gas_m3
        return twin

    def lose_precharge(self, share: float) -> None:
        """Gas escapes: `share` of the precharge (0 to 1) is gone, the oil stays where it is."""
        self.precharge_pa *= 1 - share
        self.pressure_pa = (self.precharge_pa + ATMOSPHERE_PA) * self.volume_m3 / self.gas_m3 - ATMOSPHERE_PA


class Circuits:
    """The hydraulics of one rig. `tick` moves time on; the rest are plain numbers to read and, for faults, to set."""

    def __init__(
        self,
        config: Hydraulics,
        full_pressure_pa: float,
        release_pressure_pa: float,
        delay_s: float,
        ramp_s: float,
        pump_flow_m3_s: float,
        seep_m3_s_pa: float,
        gas_tau_s: float,
        tick_s: float,
    ) -> None:
        self._given = (
            config, full_pressure_pa, release_pressure_pa, delay_s, ramp_s, pump_flow_m3_s, seep_m3_s_pa, gas_tau_s, tick_s
        )  # fmt: skip
        self.full_pa = full_pressure_pa
        self.release_target_pa = min(1.15 * release_pressure_pa, config.max_pressure_pa) if release_pressure_pa else 0.0
        self.ramp_pa_s = full_pressure_pa / ramp_s
        self.stroke_m3 = config.stroke_volume_m3
        self.cut_out_pa = config.max_pressure_pa
        self.cut_in_pa = max(0.93 * config.max_pressure_pa, min(full_pressure_pa * 1.01, 0.97 * config.max_pressure_pa))
        self.pump_flow_m3_s = pump_flow_m3_s
        self.seep_m3_s_pa = seep_m3_s_pa
        self.accumulator = Accumulator(
            config.accumulator_volume_m3, config.precharge_pa, 0.99 * config.max_pressure_pa, gas_tau_s
        )
        self.tick_s = tick_s
        self.levers: deque[float] = deque([1.0] * max(1, round(delay_s / tick_s)))
        start = min(full_pressure_pa, self.accumulator.pressure_pa)
        self.service_1_pa = start
        self.service_2_pa = start
        self.release_pa = min(self.release_target_pa, self.accumulator.pressure_pa)
        self.pump_running = False
        # set by faults
        self.pump_lost = False
        self.leak_1 = 0.0
        self.leak_2 = 0.0
        """Share of the pressure that circuit 1 or 2 does not reach, and which leaks away meanwhile (0 to 1)."""
        self.release_stuck = False
        self.slow = 1.0
        """Factor on the rate at which pressure builds (below 1: throttled, slack to take up)."""

    def tick(self, lever: float, emergency: bool) -> None:
        """One tick with the lever at 0 to 1, or the emergency stop pressed."""
        dt = self.tick_s
        levers = self.levers
        levers.append(lever)
        supply = self.accumulator.pressure_pa
        demand = levers.popleft() * self.full_pa
        if demand > supply:
            demand = supply
        leak_1, leak_2 = self.leak_1, self.leak_2
        used = oil = 0.0
        target = demand * (1 - leak_1) if leak_1 else demand
        if self.service_1_pa != target:
            used = self._follow(1, target)
        target = demand * (1 - leak_2) if leak_2 else demand
        if self.service_2_pa != target:
            used += self._follow(2, target)
        if used:
            oil = -self.stroke_m3 * used / (2 * self.full_pa)
        if leak_1 or leak_2:
            # A leaking circuit spends a stroke's oil every few seconds while it is pressed.
            leaking = (leak_1 * self.service_1_pa + leak_2 * self.service_2_pa) / self.full_pa
            oil -= self.stroke_m3 / 2 * leaking * dt
        if self.release_target_pa and not self.release_stuck:
            self._release(emergency, supply)
        oil -= self.seep_m3_s_pa * supply * dt
        if self.pump_running:
            self.pump_running = supply < self.cut_out_pa and not self.pump_lost
            if self.pump_running:
                oil += self.pump_flow_m3_s * dt
        elif supply < self.cut_in_pa and not self.pump_lost:
            self.pump_running = True
        self.accumulator.move(oil, dt)

    def _follow(self, circuit: Literal[1, 2], target_pa: float) -> float:
        """A service circuit goes towards its target at its rate. Answers how far it rose, Pa."""
        now = self.service_1_pa if circuit == 1 else self.service_2_pa
        step = self.ramp_pa_s * self.tick_s
        if target_pa > now:
            change = min(step * self.slow, target_pa - now)
        else:
            change = max(-step, target_pa - now)
        if circuit == 1:
            self.service_1_pa = now + change
        else:
            self.service_2_pa = now + change
        return max(change, 0.0)

    def _release(self, emergency: bool, supply_pa: float) -> None:
        """The release circuit follows its target: it fills in a second and empties five times as fast."""
        full, now = self.release_target_pa, self.release_pa
        target = 0.0 if emergency else full if full < supply_pa else supply_pa
        if target > now:
            self.release_pa = min(target, now + full * self.tick_s)
        elif target < now:
            self.release_pa = max(target, now - 5 * full * self.tick_s)

    def clone(self) -> "Circuits":
        """The same circuits, to go on separately."""
        twin = Circuits(*self._given)
        twin.accumulator, twin.levers = self.accumulator.clone(), self.levers.copy()
        twin.service_1_pa, twin.service_2_pa, twin.release_pa = self.service_1_pa, self.service_2_pa, self.release_pa
        twin.pump_running, twin.pump_lost, twin.release_stuck = self.pump_running, self.pump_lost, self.release_stuck
        twin.leak_1, twin.leak_2, twin.slow, twin.seep_m3_s_pa = self.leak_1, self.leak_2, self.slow, self.seep_m3_s_pa
        return twin
