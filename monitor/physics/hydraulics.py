"""Hydraulics: how many times can the brake still be applied, and is the oil going somewhere?

An accumulator is a bottle of nitrogen behind a piston or bladder. Its gas obeys p V^n = const: n = 1 when it moves
slowly and keeps the room's temperature, n = 1.4 when it moves fast and cools itself. The difference is no detail. A
bottle that gives fifteen applications over a shift gives ten when they come in one minute, because the cooling gas
loses pressure without losing oil. What counts for an emergency is the smaller number.

With the pump off and no one braking, pressure should stay. It falls for two reasons that look alike for a minute. A
*leak* takes oil at a rate, and dp/dt = -p^2 q / (P0 V0): the fall slows down as p^2 does, but never ends; plotted as
1/p it is a straight line. *Thermal settling* after a quick charge is the warm gas cooling down to the room: an
exponential that ends by itself. `diagnose_leak` fits both and says which one the trace is, or that it cannot tell yet.

Symbols: p pressure, P0 precharge, V0 volume of the bottle, V volume of gas in it, n exponent of the gas, q rate of a leak,
t time, tau time constant of settling.

Pressures here are absolute, in Pa, unless a docstring says gauge; volumes in m3.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

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

    def leak_from_slope_m3_s(self, pressure_pa: float, slope_pa_s: float) -> float:
        """Leak that a slope of pressure means, m3/s: q = -P0 V0 / p^2 dp/dt, from Boyle (derived here)."""
        return -slope_pa_s * self.precharge_pa * self.volume_m3 / (pressure_pa * pressure_pa)


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
