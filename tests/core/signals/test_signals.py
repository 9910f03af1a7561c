"""The rows of SIGNALS read all at once are the rows read one by one."""

import math
from collections.abc import Sequence

import pytest

from monitor.config.rig_file import find_rig
from monitor.core.signals.reader import SignalReader
from monitor.core.signals.table import SIGNAL_NAMES, SIGNALS
from monitor.model.alarm import Finding
from monitor.model.reading import Validity
from monitor.model.snapshot import HoistState
from monitor.model.stream import Frame
from simulators.scenario.direct_feed import shipped_core
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.scenario import find_scenario


@pytest.mark.parametrize(
    ("scenario", "seconds"), [("calm-trip", 40.0), ("sensor-silent", 60.0), ("regen-trip", 20.0), ("band-slack", 20.0)]
)
def test_all_at_once_is_one_by_one(scenario: str, seconds: float) -> None:
    chosen = find_scenario(scenario)
    rig = find_rig(chosen.rig)
    core = shipped_core(rig)
    reader, seen = SignalReader(rig), set()
    assert sorted(reader.names) == sorted(SIGNAL_NAMES)

    def compare(_g: int, _hoist: HoistState, numbers: Sequence[float], validities: Sequence[int]) -> None:
        point = core._point
        assert point is not None
        for place, number, validity in zip(reader.places, *reader.read(point), strict=True):
            signal = SIGNALS[place]
            alone, given = signal.flag(point), (numbers[place], validities[place])
            assert repr(alone) == repr((number, validity)) == repr(given), signal.name
            assert type(number) is float, signal.name
            assert math.isfinite(number) or validity > Validity.DEGRADED or signal.name in MAY_BE_INFINITE, signal.name
            seen.add(validity)

    core.observer = compare
    for item in PlantSource(rig, chosen, 1, duration_s=seconds):
        assert isinstance(item, Frame)
        core.feed(item)
    assert {Validity.VALID, Validity.INVALID} <= seen


@pytest.mark.parametrize("lacking", [{"brake_lever"}, {"service_pressure_2", "disc_temperature_left"}, None])
def test_a_signal_whose_sensors_are_lacking_is_not_fitted_by_itself_too(lacking: set[str] | None) -> None:
    """What the reader leaves out unasked (`Signal.sensors`) would itself say that it is not fitted; None: two sensors alone."""
    chosen = find_scenario("calm-trip")
    whole = find_rig(chosen.rig)
    two = {"drum_counts", "hook_load"}
    sensors = [s for s in whole.sensors if (s.quantity in two if lacking is None else s.quantity not in lacking)]
    rig = whole.model_copy(update={"sensors": tuple(sensors)})
    core, reader, absent = shipped_core(rig), SignalReader(rig), set()
    for item in PlantSource(whole, chosen, 1, duration_s=5.0):
        assert isinstance(item, Frame)
        core.feed(item)
    point = core._point
    assert point is not None
    for place, number, validity in zip(reader.places, *reader.read(point), strict=True):
        signal = SIGNALS[place]
        assert repr(signal.flag(point)) == repr((number, validity)), signal.name
        if validity == Validity.NOT_FITTED:
            absent.add(signal.name)
    fitted = {sensor.quantity for sensor in sensors}
    compared = {signal.name for signal in SIGNALS if not fitted.issuperset(signal.sensors)}
    assert compared <= absent
    assert compared


MAY_BE_INFINITE = {"reach_assured", "reach_expected", "emergency_reach", "allowed_speed", "height_bound", "speed_bound"}
"""A brake that never stops the load, and what is not known at all yet."""


def test_an_observer_of_some_signals_is_told_what_one_of_all_is() -> None:
    chosen = find_scenario("calm-trip")
    rig = find_rig(chosen.rig)
    wanted = ("hook_load", "height", "brake_lever", "margin_up", "effectiveness")
    rows: list[list[tuple[object, ...]]] = [[], []]
    whole, some = shipped_core(rig), shipped_core(rig)
    names = some.observe(lambda g, hoist, *reported: rows[1].append((g, hoist, *map(tuple, reported))), wanted)
    assert sorted(names) == sorted(wanted)
    places = [SIGNAL_NAMES.index(name) for name in names]

    def all_of_them(g: int, hoist: HoistState, numbers: Sequence[float], validities: Sequence[int]) -> None:
        rows[0].append((g, hoist, tuple(numbers[i] for i in places), tuple(validities[i] for i in places)))

    whole.observer = all_of_them
    findings: list[list[Finding]] = [[], []]
    for item in PlantSource(rig, chosen, 1, duration_s=20.0):
        assert isinstance(item, Frame)
        for core, said in zip((whole, some), findings, strict=True):
            said += core.feed(item)
    assert len(rows[0]) > 300
    assert list(map(repr, rows[0])) == list(map(repr, rows[1]))
    assert findings[0] == findings[1]
    assert repr(whole.snapshot()) == repr(some.snapshot())
