"""Every fault does what it says, and nothing before it comes or, where it can go, after it has gone."""

import itertools
import json
from collections.abc import Callable
from typing import Any

import pytest

from monitor.config.rig_file import find_rig
from monitor.config.toml_file import validate
from simulators.faults.base import Fault, OnSensor
from simulators.faults.table import FAULTS, kind_of
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.scenario import Scenario

START, LENGTH = 4.0, 4.0
Row = tuple[float, float, bool, int | None]


def source_of(rig: str = "land", program: str = "trip-out", start_m: float = 10.0, **fault: Any) -> PlantSource:
    """A source with one fault from 4 s to 8 s on a rig that moves from 0.6 s on."""
    settings = {
        "wait_s": 0.3,
        "hoist_m_s": 1.0,
        "lower_m_s": 0.8,
        "brake_at_m": 3.0 if program == "run-to-floor" else 22.0,
    }
    table: dict[str, Any] = {
        "name": "fault", "description": "one fault", "rig": rig, "duration_s": 14.0, "truth_spread": 0.0,
        "work": {"program": program, "start_m": start_m, "settings": settings},
        "faults": [{"start_s": START, "length_s": LENGTH} | fault],
    }  # fmt: skip
    return PlantSource(find_rig(rig), validate(Scenario, table, "test"), 1)


def readings(source: PlantSource, sensor: str) -> list[Row]:
    """(arrival s, value, retained, sequence) of one sensor."""
    rig = source.rig
    topic = rig.topic(next(s for s in rig.sensors if s.id == sensor))
    rows = []
    for frame in source:
        if frame.topic == topic:
            message = json.loads(frame.payload)
            rows.append(((frame.t_ns - source.origin_ns) * 1e-9, message["value"], frame.retained, message.get("seq")))
    return rows


def between(rows: list[Row], low: float, high: float) -> list[float]:
    """Values that arrived between two times."""
    return [value for t, value, _, _ in rows if low < t < high]


def hoisting(**fault: Any) -> PlantSource:
    return source_of(program="run-to-crown", **fault)


def test_table_is_complete_and_its_kinds_are_unique() -> None:
    kinds = [kind_of(fault) for fault in FAULTS]
    written = [
        fault
        for base in (Fault, OnSensor)
        for fault in base.__subclasses__()
        if fault.__module__.startswith("simulators.")
    ]
    assert set(FAULTS) == set(written) - {OnSensor}, "a fault is missing in the table of its file"
    assert len(set(kinds)) == len(kinds) >= 28
    assert all(fault.__doc__ for fault in FAULTS)


def test_freeze() -> None:
    rows = readings(hoisting(kind="freeze", sensor="drum"), "drum")
    assert len(set(between(rows, 4.2, 7.9))) == 1
    assert len(set(between(rows, 2.0, 4.0))) > 20
    assert len(set(between(rows, 8.2, 10.0))) > 20


def test_bias_and_wrong_unit_and_drift() -> None:
    plain = readings(source_of(program="wait", kind="dropout", sensor="drum"), "hook-load")
    level = between(plain, 0.0, 3.9)[-1]
    bias = readings(source_of(program="wait", kind="bias", sensor="hook-load", amount=500.0), "hook-load")
    assert between(bias, 4.2, 7.9)[0] - level == pytest.approx(500.0, abs=40)
    assert between(bias, 8.3, 14.0)[0] == pytest.approx(level, abs=40)
    unit = readings(source_of(program="wait", kind="wrong-unit", sensor="hook-load", factor=10.0), "hook-load")
    assert between(unit, 4.2, 7.9)[0] == pytest.approx(10 * level, rel=0.15)
    drift = readings(source_of(program="wait", kind="drift", sensor="hook-load", per_s=100.0), "hook-load")
    assert between(drift, 7.0, 7.9)[-1] - level == pytest.approx(390, abs=40)


def test_dropout_whole_and_partial() -> None:
    assert between(readings(hoisting(kind="dropout", sensor="drum"), "drum"), 4.1, 8.0) == []
    part = between(readings(hoisting(kind="dropout", sensor="drum", share=0.5), "drum"), 4.1, 8.0)
    assert 20 < len(part) < 60


def test_spikes() -> None:
    rows = readings(source_of(program="wait", kind="spikes", sensor="drum", amount=50_000.0, share=0.1), "drum")
    level = between(rows, 0.0, 3.9)[0]
    far = [value for value in between(rows, 4.1, 8.0) if abs(value - level) > 40_000]
    assert 3 <= len(far) <= 16
    assert all(abs(value - level) < 10 for value in between(rows, 8.2, 14.0))


def test_missed_counts_leave_an_offset() -> None:
    good = readings(hoisting(kind="bias", sensor="hook-load", amount=0.0), "drum")
    bad = readings(hoisting(kind="missed-counts", sensor="drum", share=0.2), "drum")
    offset = [b - g for (_, b, _, _), (_, g, _, _) in zip(bad, good, strict=True)]
    assert offset[:60] == [0.0] * 60
    assert offset[-1] < -1000
    assert offset[-1] == pytest.approx(offset[-40], abs=2)


def test_reversed() -> None:
    rows = readings(hoisting(kind="reversed", sensor="drum"), "drum")
    before, during = between(rows, 2.0, 4.0), between(rows, 4.2, 7.9)
    assert before == sorted(before)
    assert during == sorted(during, reverse=True)


def test_duplicate_and_out_of_order() -> None:
    twice = [seq for _, _, _, seq in readings(hoisting(kind="duplicate", sensor="drum", share=1.0), "drum")]
    assert any(a == b for a, b in itertools.pairwise(twice))
    mixed = [seq for _, _, _, seq in readings(hoisting(kind="out-of-order", sensor="drum", share=0.3), "drum")]
    assert mixed != sorted(mixed, key=lambda seq: seq or 0)
    assert sorted(seq or 0 for seq in mixed) == list(range(1, len(mixed) + 1))


def test_late() -> None:
    rows = readings(hoisting(kind="late", sensor="drum", delay_s=0.8), "drum")
    assert between(rows, 4.2, 4.7) == []
    assert len(between(rows, 5.0, 8.0)) > 50


def test_clock_step() -> None:
    source = hoisting(kind="clock-step", step_s=3600.0)
    times = [json.loads(frame.payload)["t"] / 1e3 for frame in source if frame.topic.endswith("/drum")]
    steps = [b - a for a, b in itertools.pairwise(times) if abs(b - a) > 100]
    assert steps == pytest.approx([3600.0, -3600.0], abs=1.0)


def test_a_clock_set_and_stopped_on_one_topic() -> None:
    source = hoisting(kind="clock-step", sensor="drum", set_to_s=978307200.0, stands_still=True)
    frames = [(frame.topic, json.loads(frame.payload)["t"] / 1e3) for frame in source]
    drum = [t for topic, t in frames if topic.endswith("/drum")]
    assert {t for t in drum if t < 1e9} == {978307200.0}
    assert drum.count(978307200.0) == pytest.approx(80, abs=2)
    assert all(t > 1e9 for topic, t in frames if not topic.endswith("/drum"))
    assert drum[-1] - drum[0] == pytest.approx(14.0, abs=0.2)


def test_gateway_restart_hands_out_what_was_retained() -> None:
    rows = readings(hoisting(kind="gateway-restart"), "drum")
    assert between(rows, 4.1, 7.95) == []
    kept = [(t, value) for t, value, retained, _ in rows if retained]
    assert len(kept) == 1
    assert kept[0][0] == pytest.approx(8.0, abs=0.1)
    assert kept[0][1] == between(rows, 3.0, 4.05)[-1]
    assert next(seq for t, _, retained, seq in rows if t > 7.99 and not retained) == 1


def test_broker_outage_lost_and_buffered() -> None:
    lost = readings(hoisting(kind="broker-outage"), "drum")
    assert between(lost, 4.1, 7.99) == []
    kept = readings(hoisting(kind="broker-outage", buffered=True), "drum")
    assert between(kept, 4.1, 7.99) == []
    assert len(between(kept, 7.99, 8.03)) > 70


def test_bad_quality() -> None:
    rig = find_rig("land")
    drum = rig.sensors[0].model_copy(update={"quality": "/q"})
    rig = rig.model_copy(update={"sensors": (drum, *rig.sensors[1:])})
    table = hoisting(kind="bad-quality", sensor="drum").scenario
    marks = [
        ((frame.t_ns - 1_767_225_600_000_000_000) * 1e-9, json.loads(frame.payload)["q"])
        for frame in PlantSource(rig, table, 1)
        if frame.topic.endswith("/drum")
    ]
    assert {mark for t, mark in marks if 4.2 < t < 7.9} == {"bad"}
    assert {mark for t, mark in marks if t < 4.0} == {"good"}


def watch(source: PlantSource, look: Callable[[PlantSource], float]) -> list[tuple[float, float]]:
    """A truth by time."""
    return [((now - source.origin_ns) * 1e-9, look(source)) for now, _ in source.ticks()]


def at(rows: list[tuple[float, float]], t_s: float) -> float:
    """The value at a time."""
    return next(value for t, value in rows if t >= t_s)


def test_circuit_leak() -> None:
    source = source_of(program="wait", kind="circuit-leak", circuit=2, share=0.4)
    rows = watch(source, lambda s: s.plant.oil.service_2_pa / s.plant.oil.service_1_pa)
    assert at(rows, 3.9) == pytest.approx(1.0)
    assert at(rows, 6.0) == pytest.approx(0.6, abs=0.02)
    assert at(rows, 10.0) == pytest.approx(1.0, abs=0.02)


def test_pump_lost() -> None:
    source = source_of(program="wait", kind="pump-lost", seep=3000.0, length_s=6.0)
    rows = watch(source, lambda s: s.plant.oil.accumulator.pressure_pa)
    assert at(rows, 9.9) < at(rows, 3.9) - 10e5
    assert rows[-1][1] > at(rows, 9.9)


def test_precharge_lost() -> None:
    source = source_of(program="wait", kind="precharge-lost", share=0.5)
    rows = watch(source, lambda s: s.plant.oil.accumulator.pressure_pa)
    assert at(rows, 4.02) == pytest.approx(0.5 * at(rows, 3.9), rel=0.02)


def test_pads_glazed_and_hot_discs() -> None:
    rows = watch(source_of(program="wait", kind="pads-glazed", factor=0.6), lambda s: s.plant.brake.lowering_n_m)
    assert at(rows, 6.0) == pytest.approx(0.6 * at(rows, 3.9), rel=0.01)
    assert at(rows, 9.0) == pytest.approx(at(rows, 3.9), rel=0.01)
    hot = watch(source_of(program="wait", kind="hot-discs", temperature_c=320.0), lambda s: s.plant.brake.right_c)
    assert at(hot, 4.05) == pytest.approx(320.0, abs=1.0)


def test_caliper_dragging_heats_the_left_disc() -> None:
    source = source_of(program="run-to-floor", start_m=30.0, kind="caliper-dragging", torque_n_m=9000.0, length_s=9.0)
    rows = watch(source, lambda s: s.plant.brake.left_c - s.plant.brake.right_c)
    assert abs(at(rows, 3.9)) < 0.1
    assert at(rows, 12.0) > 1.0


def test_band_slack_weakens_and_slows() -> None:
    source = source_of(rig="light", program="wait", kind="band-slack", share=0.5)
    rows = watch(source, lambda s: s.plant.brake.lowering_n_m)
    assert at(rows, 6.0) < 0.8 * at(rows, 3.9)


def test_auxiliary_lost_and_drive_tripped_and_coolant_lost() -> None:
    level = watch(source_of(program="run-to-floor", start_m=30.0, kind="aux-lost"), lambda s: s.plant.aux.level)
    assert at(level, 6.5) < 0.02
    torque = watch(hoisting(kind="drive-tripped"), lambda s: s.plant.drive.torque_n_m)
    assert at(torque, 3.9) > 1000
    assert at(torque, 5.0) == 0.0
    regen = watch(
        source_of(rig="deep", program="run-to-floor", start_m=40.0, kind="drive-tripped"), lambda s: s.plant.aux.level
    )
    assert at(regen, 6.5) < 0.02
    cool = watch(
        source_of(program="run-to-floor", start_m=30.0, kind="coolant-lost", length_s=8.0),
        lambda s: s.plant.aux.coolant_c,
    )
    usual = watch(
        source_of(program="run-to-floor", start_m=30.0, kind="dropout", sensor="drum"), lambda s: s.plant.aux.coolant_c
    )
    assert at(cool, 11.9) > at(usual, 11.9) + 0.5


def test_emergency_not_releasing() -> None:
    source = source_of(program="wait", kind="emergency-not-releasing", share=0.5)
    rows = watch(source, lambda s: s.plant.brake.emergency_n_m)
    assert at(rows, 3.9) == 0.0
    assert at(rows, 6.0) > 10_000
    assert at(rows, 13.0) == 0.0


def test_overtravel_not_reset_and_electric_failed() -> None:
    late = source_of(
        program="run-to-crown", start_m=34.0, kind="overtravel-not-reset", shift_m=3.0, start_s=0.0, length_s=14.0
    )
    late.operator.settings["brake_at_m"] = 50.0
    rows = watch(late, lambda s: float(s.plant.overtravel.electric and s.plant.height_m < 41.0))
    assert not any(value for _, value in rows)
    assert late.plant.height_m > 39.5
    half = source_of(
        program="run-to-crown", start_m=34.0, kind="overtravel-electric-failed", start_s=0.0, length_s=14.0
    )
    half.operator.settings["brake_at_m"] = 50.0
    electric = watch(half, lambda s: float(s.plant.overtravel.electric) + 10 * float(s.plant.overtravel.air))
    assert max(value for _, value in electric) == 10.0


def test_rope_slip_sinks_the_block_without_a_count() -> None:
    source = source_of(program="wait", kind="rope-slip", turns_per_s=0.1)
    rows = watch(source, lambda s: s.plant.height_m)
    assert at(rows, 9.0) == pytest.approx(at(rows, 3.9) - 0.4 * 0.21, abs=0.02)
    assert source.plant.turns == pytest.approx(source.plant.slip_turns + source.plant.turns - 0.4, abs=0.01)


def test_line_parted_and_hung_up() -> None:
    source = hoisting(kind="line-parted")
    rows = watch(source, lambda s: s.plant.height_m)
    assert at(rows, 7.0) < 0.5
    assert [event.name for event in source.events if event.name == "parted"] == ["parted"]
    stuck = source_of(program="run-to-floor", start_m=30.0, kind="hung-up", length_s=2.0)
    stuck.operator.settings["string_n"] = 0.0
    hung = watch(stuck, lambda s: s.plant.force_n)
    assert at(hung, 5.5) == 0.0
    assert max(force for t, force in hung if 6.0 < t < 9.0) > 500_000
    assert at(hung, 13.0) > 100_000
