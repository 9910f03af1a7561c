"""The rows of SIGNALS read all at once are the rows read one by one."""

import math
from collections.abc import Sequence

import pytest

from monitor.config import find_rig
from monitor.core.signals import SIGNAL_NAMES, SIGNALS, SignalReader
from monitor.core.types import Frame, HoistState, Validity
from simulators.feed import shipped_core
from simulators.scenario import find_scenario
from simulators.session import PlantSource


@pytest.mark.parametrize(
    ("scenario", "seconds"), [("calm-trip", 40.0), ("sensor-silent", 60.0), ("regen-trip", 20.0), ("band-slack", 20.0)]
)
def test_all_at_once_is_one_by_one(scenario: str, seconds: float) -> None:
    chosen = find_scenario(scenario)
    rig = find_rig(chosen.rig)
    core = shipped_core(rig)
    reader, seen = SignalReader(), set()
    assert sorted(reader.names) == sorted(SIGNAL_NAMES)

    def compare(_g: int, _hoist: HoistState, numbers: Sequence[float], validities: Sequence[int]) -> None:
        now = core._now
        for place, number, validity in zip(reader.places, *reader.read(now), strict=True):
            signal = SIGNALS[place]
            alone, given = signal.read(now), (numbers[place], validities[place])
            assert repr(alone) == repr((number, validity)) == repr(given), signal.name
            assert type(number) is float, signal.name
            assert math.isfinite(number) or validity > Validity.DEGRADED or signal.name in MAY_BE_INFINITE, signal.name
            seen.add(validity)

    core.observer = compare
    for item in PlantSource(rig, chosen, 1, duration_s=seconds):
        assert isinstance(item, Frame)
        core.ingest(core.admit(item))
    assert {Validity.VALID, Validity.INVALID} <= seen


MAY_BE_INFINITE = {"reach_assured", "reach_expected", "emergency_reach", "allowed_speed", "height_bound", "speed_bound"}
"""A brake that never stops the load, and what is not known at all yet."""
