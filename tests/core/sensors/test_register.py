"""The sensor register: staleness, repeats, order, loss, and what a missing sensor is."""

import pytest

from monitor.config.rig_file import find_rig
from monitor.core.sensors.register import SensorRegister
from monitor.model.reading import Reject, RejectReason, Sample, Validity

RIG = find_rig("land")
T = 1_700_000_000_000_000_000
MS = 1_000_000
LOAD = next(i for i, sensor in enumerate(RIG.sensors) if sensor.id == "hook-load")
AUX = next(i for i, sensor in enumerate(RIG.sensors) if sensor.id == "aux-current")
DRUM = next(i for i, sensor in enumerate(RIG.sensors) if sensor.id == "drum")


def register() -> SensorRegister:
    made = SensorRegister(RIG)
    made.start(T)
    return made


def test_a_reading_goes_stale_and_is_then_unknown_not_zero() -> None:
    sensors = register()
    sensors.records[LOAD].accept(Sample(T, LOAD, 5.0))
    assert sensors.number("hook_load", T + 1000 * MS) == (5.0, Validity.VALID)
    number, validity = sensors.number("hook_load", T + 1001 * MS)
    assert number != number
    assert validity == Validity.INVALID
    sensors.update(T + 1001 * MS)
    assert sensors.records[LOAD].stale


def test_a_sensor_that_never_speaks_is_stale_after_its_time_not_at_once() -> None:
    sensors = register()
    sensors.update(T + 999 * MS)
    assert not sensors.records[LOAD].stale
    sensors.update(T + 1001 * MS)
    assert sensors.records[LOAD].stale


def test_what_the_rig_has_not_is_not_fitted() -> None:
    assert register().number("dead_line_tension", T)[1] == Validity.NOT_FITTED


def test_repeats_and_late_readings_are_refused_a_stepped_clock_is_not() -> None:
    record = register().records[LOAD]
    assert record.accept(Sample(T, LOAD, 1.0, source_t_ns=T)) is None
    assert record.accept(Sample(T + MS, LOAD, 1.0, source_t_ns=T)) is RejectReason.DUPLICATE
    assert record.accept(Sample(T + MS, LOAD, 1.0, source_t_ns=T - 50 * MS)) is RejectReason.TOO_OLD
    assert record.accept(Sample(T + MS, LOAD, 1.0, source_t_ns=T - 3_600_000 * MS)) is None


def test_a_clock_that_stands_still_does_not_silence_its_sensors() -> None:
    """A copy of a reading comes once or twice; the third with the same time is a new one, however late it then seems."""
    record = register().records[LOAD]
    for k in range(20):
        assert record.accept(Sample(T + k * 100 * MS, LOAD, 1.0 + k, source_t_ns=T + k * 100 * MS)) is None
    stuck = [record.accept(Sample(T + k * 100 * MS, LOAD, 1.0 + k, source_t_ns=0)) for k in range(20, 60)]
    assert [reason for reason in stuck if reason is not None] == [RejectReason.DUPLICATE] * 2
    assert record.accept(Sample(T + 6000 * MS, LOAD, 1.0, source_t_ns=T + 6000 * MS)) is None


def test_sequence_numbers_show_what_was_lost() -> None:
    sensors = register()
    for i, sequence in enumerate((10, 11, 15, 15, 16, 3, 4)):
        sensors.records[DRUM].accept(Sample(T + i * MS, DRUM, float(i), T + i * MS, sequence))
    sensors.update(T)
    assert sensors.missing == 3


@pytest.mark.parametrize("timed", [True, False])
def test_a_reading_that_was_only_overtaken_is_refused_and_not_lost(timed: bool) -> None:
    record = register().records[DRUM]
    late = [
        sequence
        for i, sequence in enumerate((10, 11, 13, 12, 14, 17, 16, 18))
        if record.accept(Sample(T + i * MS, DRUM, float(i), T + sequence * MS if timed else None, sequence)) is not None
    ]
    assert late == [12, 16]
    assert record.missing == 1  # 15
    if timed:  # it comes once more, and then much later than any that is waited for
        for sequence, old in ((16, 16), (15, 4000), (15, 15), (15, 15)):
            reading = Sample(T + 20 * MS, DRUM, 0.0, T + (sequence - old // 1000) * MS, sequence)
            assert record.accept(reading) is RejectReason.TOO_OLD
        assert record.missing == 0


def test_of_a_long_gap_only_the_end_can_still_come() -> None:
    record = register().records[DRUM]
    for sequence in (1, 1002, *range(1001, 1, -1)):
        record.accept(Sample(T + sequence * MS, DRUM, 0.0, T + sequence * MS, sequence))
    assert record.missing == 1000 - 64


def test_persistent_refusals_are_told_and_a_good_reading_ends_them() -> None:
    sensors = register()
    record = sensors.records[LOAD]
    for _ in range(3):
        sensors.refuse(Reject(T, LOAD, RejectReason.OUT_OF_RANGE, "9999"))
    assert record.rejecting
    assert record.out_of_range
    record.accept(Sample(T, LOAD, 1.0))
    assert not record.rejecting
    assert not record.out_of_range
    assert sensors.reasons == {RejectReason.OUT_OF_RANGE: 3}


def test_retained_messages_do_not_count_against_the_sensor() -> None:
    sensors = register()
    for _ in range(10):
        sensors.refuse(Reject(T, LOAD, RejectReason.RETAINED))
    assert not sensors.records[LOAD].rejecting
    assert sensors.records[LOAD].rejected == 10


def feed(values: list[float], period_ms: int = 50, late_from: int | None = None, sensor: int = LOAD) -> SensorRegister:
    """A sensor that gives these values; from reading `late_from` on each comes two seconds late."""
    sensors = register()
    for i, value in enumerate(values):
        source = T + i * period_ms * MS
        late = 2000 * MS if late_from is not None and i >= late_from else 0
        reason = sensors.records[sensor].accept(Sample(source + 20 * MS + late, sensor, value, source))
        if reason is not None:
            sensors.refuse(Reject(source, sensor, reason))
    sensors.update(T + len(values) * period_ms * MS)
    return sensors


NOISY = [500_000.0 + 4_000.0 * ((i * 7919) % 13 - 6) / 6 for i in range(400)]


def test_a_noisy_reading_that_repeats_exactly_is_frozen_and_no_longer_fully_trusted() -> None:
    assert feed(NOISY).records[LOAD].diagnosis == ""
    frozen = feed(NOISY + [NOISY[-1]] * 80)
    assert "repeat" in frozen.records[LOAD].diagnosis
    assert frozen.number("hook_load", T + 480 * 50 * MS)[1] == Validity.DEGRADED


def test_a_quiet_reading_may_stand_still() -> None:
    assert feed([500_000.0] * 400).records[LOAD].diagnosis == ""


def test_spikes_are_told_and_a_load_set_down_is_none() -> None:
    spiky = list(NOISY)
    for i in (310, 340, 370):
        spiky[i] += 600_000.0
    assert "jump" in feed(spiky).records[LOAD].diagnosis
    # A hand that feathers an auxiliary brake: its current falls by a fifth of the range, and rises two thirds of that.
    feathered = [60.0 + 25.0 * (-1.0 if i % 3 == 1 else -0.33 if i % 3 == 2 else 0.0) for i in range(400)]
    assert feed(feathered, sensor=AUX).records[AUX].diagnosis == ""
    set_down = [value - 30_000.0 * min(i % 100, 10, max(0, 60 - i % 100)) for i, value in enumerate(NOISY)]
    assert feed(set_down).records[LOAD].diagnosis == ""


def test_late_readings_are_too_old_to_use_however_long_they_come_so() -> None:
    late = feed(NOISY * 4, late_from=300)
    assert late.reasons[RejectReason.TOO_OLD] == 1300
    assert "2.0 s late" in late.records[LOAD].diagnosis


def test_a_clock_set_back_a_little_is_believed_at_the_third_reading_an_overtaken_one_never() -> None:
    for back_ms in (300, 2000, 4900):
        record = register().records[DRUM]
        for i in range(40):
            t_ns = T + i * 50 * MS
            assert record.accept(Sample(t_ns, DRUM, float(i), t_ns, i)) is None
        refused = [
            record.accept(Sample(T + i * 50 * MS, DRUM, float(i), T + (i * 50 - back_ms) * MS, i))
            for i in range(40, 60)
        ]
        assert refused == [RejectReason.TOO_OLD] * 2 + [None] * 18
        assert record.missing == 0
    record = register().records[LOAD]
    for i in range(60):
        t_ns = T + i * 50 * MS
        assert record.accept(Sample(t_ns, LOAD, 1.0 + i, t_ns)) is None
        assert record.accept(Sample(t_ns + MS, LOAD, 1.0 + i, t_ns - 200 * MS)) is RejectReason.TOO_OLD


def test_a_slow_sensor_whose_clock_is_set_back_by_less_than_its_period_is_not_late() -> None:
    index = next(i for i, sensor in enumerate(RIG.sensors) if sensor.id == "coolant")
    record = register().records[index]
    for i in range(20):
        assert record.accept(Sample(T + i * 1000 * MS, index, float(i), T + i * 1000 * MS)) is None
    refused = [
        record.accept(Sample(T + i * 1000 * MS, index, float(i), T + (i * 1000 - 800) * MS)) for i in range(20, 30)
    ]
    assert refused == [None] * 10
    assert record.lateness.late_s == 0.0
