"""Hydraulics: how many times can the brake still be applied, and is the oil going somewhere?

An accumulator is a bottle of nitrogen behind a piston or bladder. Its gas obeys p V^n = const: n = 1 when it moves
slowly and keeps the room's temperature, n = 1.4 when it moves fast and cools itself. The difference is no detail. A
bottle that gives fifteen applications over a shift gives ten when they come in one minute, because the cooling gas
loses pressure without losing oil. What counts for an emergency is the smaller number.

With the pump off and no one braking, pressure should stay. It falls for two reasons that look alike for a minute. A
*leak* takes oil at a rate, and dp/dt = -p^2 q / (P0 V0): the fall slows down as p^2 does, but never ends; plotted as
1/p it is a straight line. *Thermal settling* after a quick charge is the warm gas cooling down to the room: an
exponential that ends by itself. `diagnose_leak` fits both and says which one the trace is, or that it cannot tell yet.

A lost precharge hides while nobody brakes, for the gauge shows the same pressure. It shows in the step: the less
gas, the further pressure drops for the same stroke of oil (`precharge_seen_pa`).

Response is what the stop mark calls lag: the valve moves, the pads cross their clearance, the hoses swell, and only
then does the disc feel force. Every part of it grows as the brake ages, so it is worth a trend of its own.

Symbols: p pressure, P0 precharge, V0 volume of the bottle, V volume of gas in it, n exponent of the gas, q rate of a leak,
t time, tau time constant of settling, B bulk modulus of the oil.

Pressures here are absolute, in Pa, unless a docstring says gauge; volumes in m3.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

from monitor.physics.given import above_zero

ISOTHERMAL = 1.0
ADIABATIC = 1.4


@dataclass(frozen=True, slots=True)
class Accumulator:
    """A gas bottle of `volume_m3` filled to `precharge_pa` before any oil came in.

    Raises:
        ValueError: volume or precharge not above zero.
    """

    volume_m3: float
    precharge_pa: float

    def __post_init__(self) -> None:
        """Check."""
        if not (self.volume_m3 > 0 and self.precharge_pa > 0):
            raise ValueError(f"volume {self.volume_m3} m3 and precharge {self.precharge_pa} Pa must be above zero")

    def gas_m3(self, pressure_pa: float) -> float:
        """Volume of gas at a pressure at room temperature, m3 (Boyle: P0 V0 / p); the whole bottle below precharge."""
        if pressure_pa <= self.precharge_pa:
            return self.volume_m3
        return self.precharge_pa * self.volume_m3 / pressure_pa

    def usable_m3(self, pressure_pa: float, minimum_pa: float, exponent: float = ISOTHERMAL) -> float:
        """Oil that can still be drawn from `pressure_pa` down to `minimum_pa`, m3; 0 when it is already below.

        Charged slowly, drawn with p V^n constant: (P0 V0/p) [(p/p_min)^(1/n) - 1]. n = 1 gives the handbooks'
        V0 P0 (1/p_min - 1/p); n = 1.4 is a fast discharge (public well-control handbooks; the second derived here). A form in
        use takes the charging as fast, too, V0 [(P0/p_min)^(1/n) - (P0/p)^(1/n)]: it promises about a quarter more than a
        bottle gives that has stood charged and cooled down.
        Below precharge the bottle is empty of oil, so a minimum below it counts as the precharge.
        """
        floor = max(minimum_pa, self.precharge_pa)
        if pressure_pa <= floor:
            return 0.0
        return self.gas_m3(pressure_pa) * (math.pow(pressure_pa / floor, 1 / exponent) - 1)

    def applications_left(
        self, pressure_pa: float, minimum_pa: float, stroke_m3: float, exponent: float = ADIABATIC
    ) -> int:
        """Full applications of `stroke_m3` left with the pump lost: floor of usable oil over stroke.

        Raises:
            ValueError: stroke not above zero.
        """
        if stroke_m3 <= 0:
            raise ValueError(f"stroke volume is {stroke_m3} m3: must be above zero")
        return math.floor(self.usable_m3(pressure_pa, minimum_pa, exponent) / stroke_m3 + 1e-9)

    def pressure_after_pa(self, pressure_pa: float, drawn_m3: float, exponent: float = ADIABATIC) -> float:
        """Pressure right after oil was drawn, Pa: p (V/(V + dV))^n, not below zero oil (then 0)."""
        gas = self.gas_m3(pressure_pa)
        if gas + drawn_m3 > self.volume_m3:
            return 0.0
        return pressure_pa * math.pow(gas / (gas + drawn_m3), exponent)

    def leak_slope_pa_s(self, pressure_pa: float, leak_m3_s: float) -> float:
        """Rate of pressure under a leak, Pa/s (negative): dp/dt = -p^2 q / (P0 V0), from Boyle (derived here)."""
        return -pressure_pa * pressure_pa * leak_m3_s / (self.precharge_pa * self.volume_m3)

    def leak_from_slope_m3_s(self, pressure_pa: float, slope_pa_s: float) -> float:
        """Leak that a slope of pressure means, m3/s: the inverse of `leak_slope_pa_s`."""
        return -slope_pa_s * self.precharge_pa * self.volume_m3 / (pressure_pa * pressure_pa)

    def pressure_leaking_pa(self, pressure_pa: float, leak_m3_s: float, time_s: float) -> float:
        """Pressure after leaking at a constant rate for a time, Pa: 1/p grows by q t / (P0 V0); 0 once the oil is gone.

        Isothermal, as a leak is slow. Below the precharge no oil is left for the gas to press on.
        """
        after = 1 / (1 / pressure_pa + leak_m3_s * time_s / (self.precharge_pa * self.volume_m3))
        return after if after >= self.precharge_pa else 0.0

    def pump_cycle_s(self, high_pa: float, low_pa: float, leak_m3_s: float) -> float:
        """Time between pump starts, s, when only a leak draws oil from `high_pa` to `low_pa`; infinite without leak.

        A pump that starts more and more often with nobody braking is the first sign most crews get.
        """
        if leak_m3_s <= 0:
            return math.inf
        return self.usable_m3(high_pa, low_pa) / leak_m3_s


def precharge_seen_pa(
    before_pa: float, after_pa: float, drawn_m3: float, volume_m3: float, exponent: float = ADIABATIC
) -> float:
    """Precharge that a drop of pressure in one application points to, Pa.

    From p V^n = const over the stroke: gas volume before is dV / [(p1/p2)^(1/n) - 1], and precharge is p1 times that
    over the bottle's volume (derived here). A steeper drop is less gas.

    Raises:
        ValueError: no drop, or no stroke.
    """
    above_zero(volume_m3=volume_m3, exponent=exponent)
    if not (before_pa > after_pa > 0 and drawn_m3 > 0):
        raise ValueError(f"from {before_pa} to {after_pa} Pa with {drawn_m3} m3 drawn: needs a drop and oil drawn")
    gas = drawn_m3 / (math.pow(before_pa / after_pa, 1 / exponent) - 1)
    return before_pa * gas / volume_m3


def discharge_volume_m3(
    efficiency: float, precharge_pa: float, volume_m3: float, low_pa: float, high_pa: float
) -> float:
    """Oil from `high_pa` to `low_pa`, m3, by the form e P0 V0 (1/p_low - 1/p_high) (public fluid-power page).

    `efficiency` e is what that page takes off for a gas that is not quite isothermal (0.95).

    Raises:
        ValueError: a pressure not above zero.
    """
    above_zero(low_pa=low_pa, high_pa=high_pa)
    return efficiency * precharge_pa * volume_m3 * (1 / low_pa - 1 / high_pa)


class Decay(StrEnum):
    """What a falling pressure is."""

    STEADY = "steady"
    LEAK = "leak"
    THERMAL = "thermal"
    UNCLEAR = "unclear"


@dataclass(frozen=True, slots=True)
class DecayVerdict:
    """What a pressure trace shows, with both fits' scatter.

    `leak_per_pv_1_s` is q / (P0 V0) in 1/(Pa s), the slope of 1/p: times P0 V0 it is the leak in m3/s. `settles_at_pa`
    and `time_constant_s` belong to thermal settling. Values of the model not chosen are NaN.
    """

    decay: Decay
    leak_per_pv_1_s: float
    settles_at_pa: float
    time_constant_s: float
    rms_leak_pa: float
    rms_thermal_pa: float

    def leak_m3_s(self, accumulator: Accumulator) -> float:
        """The leak in m3/s for a bottle; NaN when the trace is not a leak."""
        return self.leak_per_pv_1_s * accumulator.precharge_pa * accumulator.volume_m3


def _line_fit(x: Sequence[float], y: Sequence[float]) -> tuple[float, float]:
    """Least-squares straight line through points: (value at x = 0, slope)."""
    n = len(x)
    mx, my = math.fsum(x) / n, math.fsum(y) / n
    sxx = math.fsum((a - mx) ** 2 for a in x)
    slope = math.fsum((a - mx) * (b - my) for a, b in zip(x, y, strict=True)) / sxx if sxx > 0 else 0.0
    return my - slope * mx, slope


def _rms(errors: Sequence[float]) -> float:
    return math.sqrt(math.fsum(e * e for e in errors) / len(errors))


def diagnose_leak(
    times_s: Sequence[float], pressures_pa: Sequence[float], noise_pa: float, evidence: float = 20.0
) -> DecayVerdict:
    """Tell a leak from thermal settling in a trace with the pump off and no application.

    Leak: 1/p straight in time. Thermal: p = p_end + dp exp(-t/tau), tau searched from a twentieth of the trace to twenty
    times its length, and dp at most 30 % of the pressure (gas compressed at once from 60 to 140 bar and cooled again loses
    21 %). STEADY when the fall is below three times `noise_pa`. Otherwise the fit whose squared errors, in units of the
    noise, are smaller by `evidence` (20: odds of e^10 to one), if it explains the trace within three times the noise; else
    UNCLEAR: a short trace is nearly straight and both explain it; wait for a longer one. Derived here. Takes some
    milliseconds: for a trace that has ended, not for every reading.

    Raises:
        ValueError: fewer than six readings, unequal lengths, time not rising, or a pressure not above zero.
    """
    n = len(times_s)
    if n != len(pressures_pa) or n < 6:
        raise ValueError(f"{n} times and {len(pressures_pa)} pressures: give at least six of each")
    if any(b <= a for a, b in pairwise(times_s)) or min(pressures_pa) <= 0 or noise_pa <= 0:
        raise ValueError("times must rise, and pressures and noise must be above zero (absolute pressure)")
    t = [x - times_s[0] for x in times_s]
    span = t[-1]
    at_zero, slope = _line_fit(t, pressures_pa)
    if -slope * span < 3 * noise_pa and pressures_pa[0] - pressures_pa[-1] < 3 * noise_pa:
        return DecayVerdict(Decay.STEADY, math.nan, math.nan, math.nan, math.nan, math.nan)

    inverse, rate = _line_fit(t, [1 / p for p in pressures_pa])
    rms_leak = _rms([p - 1 / (inverse + rate * x) for x, p in zip(t, pressures_pa, strict=True)])

    rms_thermal, end, tau = math.inf, math.nan, math.nan
    for i in range(41):
        trial = span / 20 * 400 ** (i / 40)
        decay = [math.exp(-x / trial) for x in t]
        at_end, rise = _line_fit(decay, pressures_pa)
        if not 0 < rise <= 0.3 * at_zero:
            continue
        rms = _rms([p - at_end - rise * e for e, p in zip(decay, pressures_pa, strict=True)])
        if rms < rms_thermal:
            rms_thermal, end, tau = rms, at_end, trial

    scale = max(noise_pa, min(rms_leak, rms_thermal)) ** 2
    for_leak = n * (rms_thermal**2 - rms_leak**2) / scale
    if for_leak >= evidence and rms_leak <= 3 * noise_pa:
        return DecayVerdict(Decay.LEAK, rate, math.nan, math.nan, rms_leak, rms_thermal)
    if -for_leak >= evidence and rms_thermal <= 3 * noise_pa:
        return DecayVerdict(Decay.THERMAL, math.nan, end, tau, rms_leak, rms_thermal)
    return DecayVerdict(Decay.UNCLEAR, math.nan, math.nan, math.nan, rms_leak, rms_thermal)


def response_time_s(
    valve_delay_s: float,
    stroke_m3: float,
    flow_m3_s: float,
    pipe_m3: float = 0.0,
    pressure_step_pa: float = 0.0,
    bulk_modulus_pa: float = 1.4e9,
) -> float:
    """Time from the command to the full clamp force, s: valve delay + (stroke + compression of the pipe) / flow.

    The oil column and its hose take in V dp / B (B = 1.4 GPa for mineral oil, less with hoses: common practice without
    source). 0.2 to 0.5 s is usual on drilling hoists (common practice without source).

    Raises:
        ValueError: flow not above zero.
    """
    if flow_m3_s <= 0:
        raise ValueError(f"flow is {flow_m3_s} m3/s: must be above zero")
    return valve_delay_s + (stroke_m3 + pipe_m3 * pressure_step_pa / bulk_modulus_pa) / flow_m3_s


def imbalance_ratio(first_pa: float, second_pa: float) -> float:
    """Higher over lower pressure of two circuits at equal command, at least 1; infinite when one has none, 1 when both.

    A ratio and not a difference, so that the same threshold serves light and hard braking (common practice, no source).
    Gauge pressures.
    """
    low, high = sorted((max(0.0, first_pa), max(0.0, second_pa)))
    if high == 0.0:
        return 1.0
    return high / low if low > 0.0 else math.inf
