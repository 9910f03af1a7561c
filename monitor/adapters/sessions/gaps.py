"""What a gap is: the one notion of it for lists, reports, imports and the ledger.

A silence of a live recording is a gap from `LEAST_NS` on. Where readings come seconds apart, so many of the quickest sensor
must be missing first.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

LEAST_NS: Final = 2_000_000_000
READINGS: Final = 5.0
"""So many readings of the quickest sensor in a row must be missing."""


@dataclass(frozen=True, slots=True)
class Gap:
    """A time without frames. `lost` counts frames that came but could not be kept; 0 where nothing came."""

    from_ns: int
    to_ns: int
    lost: int


def longest_silence_ns(rates_hz: Iterable[float]) -> int:
    """The longest silence that is no gap, by how often each sensor gives a reading; 2 s where that is not known."""
    fastest_hz = max((rate_hz for rate_hz in rates_hz if rate_hz > 0.0), default=0.0)
    return max(LEAST_NS, round(READINGS * 1e9 / fastest_hz)) if fastest_hz else LEAST_NS


def silence_of(config: Any) -> int:
    """The longest silence that is no gap, ns, by a session header's rig."""
    return longest_silence_ns(_rates_hz(config))


def _rates_hz(config: Any) -> list[float]:
    """How often the sensors of a header's rig give readings; those that say so in numbers."""
    sensors = config.get("sensors") if isinstance(config, Mapping) else None
    rates = (
        [sensor.get("rate_hz") for sensor in sensors if isinstance(sensor, Mapping)]
        if isinstance(sensors, list)
        else []
    )
    return [float(rate) for rate in rates if isinstance(rate, int | float) and 0.0 < rate < math.inf]
