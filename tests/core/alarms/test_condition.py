"""Conditions: the table, the delays, what lost data does, and agreement with a model that has no states at all."""

import math
from dataclasses import dataclass

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.alarms.condition import TRANSITIONS, Condition, ConditionState, Reading, condition_diagram
from monitor.model.reading import NOT_FITTED, UNKNOWN, Validity, Value
from monitor.model.stream import GRID_NS

START_NS = 1_700_000_000_000_000_000


def valid(number: float) -> Value:
    return Value(number, Validity.VALID)


def run(condition: Condition, values: list[Value], start: int = 0) -> list[bool]:
    """`true` after each grid point."""
    reported = []
    for place, value in enumerate(values, start):
        before = condition.true
        changed = condition.step(START_NS + place * GRID_NS, value)
        assert changed is (condition.true is not before)
        reported.append(condition.true)
    return reported


def test_the_table_is_complete() -> None:
    assert set(TRANSITIONS) == {(state, reading) for state in ConditionState for reading in Reading}


def test_a_delay_of_zero_acts_at_once() -> None:
    condition = Condition("above", 10.0, 8.0, 0.0, 0.0)
    assert run(condition, [valid(10.0), valid(10.1), valid(9.0), valid(8.0)]) == [False, True, True, False]


@pytest.mark.parametrize(
    ("number", "reading"),
    [
        (10.0, Reading.BETWEEN),
        (math.nextafter(10.0, 11.0), Reading.BEYOND),
        (8.0, Reading.SAFE),
        (math.nextafter(8.0, 9.0), Reading.BETWEEN),
        (math.inf, Reading.BEYOND),
        (-math.inf, Reading.SAFE),
        (math.nan, Reading.UNKNOWN),
    ],
)
def test_levels_belong_to_the_safe_side(number: float, reading: Reading) -> None:
    assert Condition("above", 10.0, 8.0, 0.0, 0.0).read(number, Validity.VALID) is reading
    assert Condition("below", -10.0, -8.0, 0.0, 0.0).read(-number, Validity.DEGRADED) is reading


def test_the_on_delay_is_stream_time_beyond_the_level() -> None:
    condition = Condition("above", 1.0, 0.5, 0.1, 0.0)
    assert run(condition, [valid(2.0)] * 3) == [False, False, True]


def test_noise_inside_the_band_breaks_a_pending_off() -> None:
    condition = Condition("above", 1.0, 0.5, 0.1, 0.0)
    assert run(condition, [valid(2.0), valid(2.0), valid(0.9), valid(2.0), valid(2.0), valid(2.0)]) == [False] * 5 + [
        True
    ]


def test_noise_inside_the_band_breaks_a_clearing_off() -> None:
    condition = Condition("above", 1.0, 0.5, 0.0, 0.1)
    values = [valid(2.0), valid(0.1), valid(0.1), valid(0.9), valid(0.1), valid(0.1), valid(0.1)]
    assert run(condition, values) == [True] * 6 + [False]


@pytest.mark.parametrize("bad", [UNKNOWN, valid(math.nan)], ids=["invalid", "not a number"])
def test_lost_data_neither_clears_nor_confirms(bad: Value) -> None:
    condition = Condition("above", 1.0, 0.5, 0.1, 0.1)
    run(condition, [valid(2.0)])
    assert condition.state is ConditionState.PENDING
    assert run(condition, [bad] * 100, 1) == [False] * 100
    assert condition.state is ConditionState.PENDING
    assert condition.blind
    # The time without data does not count: two known intervals are still needed.
    assert run(condition, [valid(2.0)] * 3, 101) == [False, False, True]
    assert not condition.blind
    run(condition, [valid(0.0)], 104)
    assert condition.state is ConditionState.CLEARING
    assert run(condition, [bad] * 10_000, 105) == [True] * 10_000
    assert run(condition, [valid(0.0)] * 3, 10_105) == [True, True, False]


def test_a_false_condition_without_data_is_blind() -> None:
    condition = Condition("below", 1.0, 2.0, 0.0, 0.0)
    run(condition, [UNKNOWN])
    assert (condition.state, condition.blind) == (ConditionState.FALSE, True)


def test_equipment_that_is_not_there_has_no_condition() -> None:
    condition = Condition("below", 1.0, 2.0, 0.0, 60.0)
    assert run(condition, [valid(0.0), NOT_FITTED]) == [True, False]
    assert not condition.blind


def test_clear_on_the_wrong_side_is_refused() -> None:
    with pytest.raises(ValueError, match="must not be beyond trip"):
        Condition("above", 1.0, 1.1, 0.0, 0.0)
    with pytest.raises(ValueError, match="must not be beyond trip"):
        Condition("below", 1.0, 0.9, 0.0, 0.0)
    with pytest.raises(ValueError, match="negative"):
        Condition("below", 1.0, 1.0, -0.1, 0.0)


def test_saved_and_resumed_goes_on_without_counting_the_gap() -> None:
    first = Condition("above", 1.0, 0.5, 0.2, 0.0)
    run(first, [valid(2.0)] * 3)
    second = Condition("above", 1.0, 0.5, 0.2, 0.0)
    second.restore(*first.saved_state())
    assert run(second, [valid(2.0)] * 3, 5000) == [False, False, True]
    with pytest.raises(ValueError, match="negative"):
        second.restore(1, -1)
    with pytest.raises(ValueError, match="9 is not a valid"):
        second.restore(9, 0)


def test_the_diagram_shows_every_change_and_nothing_else() -> None:
    arrows = {line.strip() for line in condition_diagram().splitlines() if "-->" in line and "[*]" not in line}
    drawn = set()
    for arrow in arrows:
        ends, _, why = arrow.partition(": ")
        before, after = ends.split(" --> ")
        drawn |= {(before, reading, after) for reading in why.split(", ")}
    changes = {(b.name, r.name.lower(), a.name) for (b, r), a in TRANSITIONS.items() if a is not b}
    assert drawn == changes


# ---- against a model without states ---------------------------------------------------------------------------------

LEVELS = [0.0, 1.0, 1.5, 2.0, 2.5, 3.0]
VALUES = st.one_of(
    st.sampled_from(LEVELS).map(valid),
    st.sampled_from(LEVELS).map(lambda number: Value(number, Validity.DEGRADED)),
    st.just(UNKNOWN),
    st.just(NOT_FITTED),
    st.just(valid(math.nan)),
)
RUNS = st.lists(st.tuples(VALUES, st.integers(1, 6)), max_size=16).map(
    lambda runs: [value for value, times in runs for _ in range(times)]
)
"""Values in runs, so that delays do run out."""


@dataclass(frozen=True)
class Point:
    t_ns: int
    value: Value


def expected(points: list[Point], compare: str, trip: float, clear: float, on_ns: int, off_ns: int) -> list[bool]:
    """Straight from the words: look back from each point over the unbroken run of what would change the condition."""

    def kind(value: Value) -> str:
        if value.validity is Validity.NOT_FITTED:
            return "absent"
        if value.validity is Validity.INVALID or math.isnan(value.number):
            return "unknown"
        sign = 1 if compare == "above" else -1
        if sign * value.number > sign * trip:
            return "beyond"
        return "safe" if sign * value.number <= sign * clear else "between"

    kinds = [kind(point.value) for point in points]
    reported: list[bool] = []
    true = False
    for here, what in enumerate(kinds):
        wanted, delay = ("safe", off_ns) if true else ("beyond", on_ns)
        if what == "absent":
            true = False
        elif what == wanted:
            first = here
            while first > 0 and kinds[first - 1] in (wanted, "unknown"):
                first -= 1
            while kinds[first] == "unknown":
                first += 1
            known = sum(
                points[i + 1].t_ns - points[i].t_ns for i in range(first, here) if kinds[i] == kinds[i + 1] == wanted
            )
            if known >= delay:
                true = not true
        reported.append(true)
    return reported


@given(
    values=RUNS,
    gaps=st.lists(st.integers(1, 3), min_size=96, max_size=96),
    compare=st.sampled_from(["above", "below"]),
    band=st.sampled_from([0.0, 0.5, 1.0]),
    on_steps=st.integers(0, 4),
    off_steps=st.integers(0, 4),
)
def test_agrees_with_the_model(
    values: list[Value], gaps: list[int], compare: str, band: float, on_steps: int, off_steps: int
) -> None:
    trip = 2.0
    clear = trip - band if compare == "above" else trip + band
    condition = Condition(compare, trip, clear, on_steps * 0.05, off_steps * 0.05)  # type: ignore[arg-type]
    points, t_ns = [], START_NS
    for value, gap in zip(values, gaps, strict=False):
        t_ns += gap * GRID_NS
        points.append(Point(t_ns, value))
    reported = []
    for point in points:
        before = condition.true
        assert condition.step(point.t_ns, point.value) is (condition.true is not before)
        reported.append(condition.true)
        assert condition.blind is (
            point.value.validity is Validity.INVALID or (point.value.known and math.isnan(point.value.number))
        )
    assert reported == expected(points, compare, trip, clear, on_steps * GRID_NS, off_steps * GRID_NS)


@given(values=st.lists(VALUES.filter(lambda value: value is not NOT_FITTED), max_size=40))
def test_an_invalid_input_never_changes_anything(values: list[Value]) -> None:
    condition = Condition("above", 2.0, 1.0, 0.1, 0.1)
    for place, value in enumerate(values):
        before = condition.saved_state()
        condition.step(START_NS + place * GRID_NS, value)
        if condition.blind:
            assert condition.saved_state() == before


def test_what_nobody_was_told_is_held_neither_by_hysteresis_nor_by_the_off_delay() -> None:
    condition = Condition("below", 0.0, 0.1, 0.0, 60.0)
    assert condition.step_raw(0, -0.01, int(Validity.VALID))
    condition.step_raw(50_000_000, 0.04, int(Validity.VALID))
    assert condition.true
    condition.step_raw(100_000_000, 0.04, int(Validity.VALID), unreported=True)
    assert not condition.true
