"""The life of an alarm: the table, each transition of ISA-18.2 on the real bank, hiding, lost data."""

import pytest

from monitor.core.alarms.lifecycle import BY_CONDITION, LIFE, Event, life_diagram
from monitor.model.alarm import AlarmState, Severity
from monitor.model.snapshot import HoistState
from monitor.model.stream import ActionKind
from tests.core.alarms.alarm_bench import NOT_FITTED, RIG, SIGNALS, VALID, Bench, into, rule

N, U, A = AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED
R, LU, LA = AlarmState.RETURNED, AlarmState.LATCHED_UNACKNOWLEDGED, AlarmState.LATCHED_ACKNOWLEDGED
SH, SU, OS = AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE

# What ISA-18.2 asks for, row by row (restated from its state diagram).
REQUIRED = [
    (N, Event.TRIP, U),
    (U, Event.ACKNOWLEDGE, A),
    (U, Event.CLEAR, R),
    (A, Event.CLEAR, N),
    (R, Event.ACKNOWLEDGE, N),
    (R, Event.TRIP, U),
    (U, Event.CLEAR_LATCHED, LU),
    (A, Event.CLEAR_LATCHED, LA),
    (LU, Event.ACKNOWLEDGE, LA),
    (LA, Event.RESET, N),
    (LU, Event.TRIP, U),
    (LA, Event.TRIP, U),
    (U, Event.RESET, U),
    (A, Event.RESET, A),
    *[(state, Event.SHELVE, SH) for state in AlarmState if state is not OS],
    *[(state, Event.SUPPRESS, SU) for state in AlarmState if state not in (SH, OS)],
    *[(state, Event.REMOVE, OS) for state in AlarmState],
    (SH, Event.UNSHELVE, BY_CONDITION),
    (SU, Event.RELEASE, BY_CONDITION),
    (OS, Event.RESTORE, BY_CONDITION),
]


def test_the_table_is_complete() -> None:
    assert set(LIFE) == {(state, event) for state in AlarmState for event in Event}


@pytest.mark.parametrize(("before", "event", "after"), REQUIRED)
def test_the_table_says_what_the_standard_asks(before: AlarmState, event: Event, after: AlarmState | None) -> None:
    assert LIFE[before, event] is after


def test_set_aside_alarms_react_to_nothing_of_the_condition_or_an_acknowledgement() -> None:
    for state in (SH, SU, OS):
        for event in (Event.TRIP, Event.CLEAR, Event.CLEAR_LATCHED, Event.ACKNOWLEDGE, Event.RESET):
            assert LIFE[state, event] is state


def test_the_diagram_shows_every_change() -> None:
    lines = life_diagram().splitlines()
    drawn = {line.strip().partition(": ")[0] for line in lines if "-->" in line}
    name = {state: state.name.title().replace("_", "") for state in AlarmState}
    for (before, _), after in LIFE.items():
        if after is not before:
            target = "ByCondition" if after is BY_CONDITION else name[after]
            assert f"{name[before]} --> {target}" in drawn
    assert lines[0] == "stateDiagram-v2"


# ---- each way through life, on the bank -----------------------------------------------------------------------------


def test_normal_life_with_acknowledgement() -> None:
    bench = Bench(rule("one"))
    assert bench.step(a=1.0) == []
    (finding,) = bench.step(a=2.0)
    assert (finding.kind, finding.key, finding.before, finding.after) == ("alarm", "one", N, U)
    assert (finding.t_ns, finding.number, finding.threshold) == (bench.t_ns, 2.0, 1.0)
    assert (finding.message, finding.guidance, finding.severity) == ("one is wrong", "Look at one.", Severity.CAUTION)
    action, change = bench.act(ActionKind.ACKNOWLEDGE, "one", who="KL")
    assert (action.kind, action.after, action.message) == ("action", "done", "Acknowledged by KL: one is wrong")
    assert (change.before, change.after) == (U, A)
    (finding,) = bench.step(a=0.0)
    assert (finding.before, finding.after) == (A, N)
    assert bench.bank.views() == ()


def test_only_a_prompt_is_shown_as_one() -> None:
    """Both stand acknowledged, but only the prompt came up so."""
    bench = Bench(rule("notice", severity="NOTICE"), rule("cue", severity="NOTICE", prompt=True))
    bench.step(a=2.0)
    bench.act(ActionKind.ACKNOWLEDGE, "notice")
    assert {view.key: (view.state, view.prompt) for view in bench.bank.views()} == {
        "notice": (A, False),
        "cue": (A, True),
    }


def test_return_before_acknowledgement_and_alarm_again() -> None:
    bench = Bench(rule("one"))
    bench.step(a=2.0)
    assert [f.after for f in bench.step(a=0.0)] == [R]
    assert [f.after for f in bench.step(a=2.0)] == [U]
    bench.step(a=0.0)
    assert [f.after for f in bench.act(ActionKind.ACKNOWLEDGE, "one")] == ["done", N]


def test_latched_life_needs_a_reset() -> None:
    bench = Bench(rule("one", latched=True))
    bench.step(a=2.0)
    assert bench.act(ActionKind.RESET, "one")[0].after == "refused"
    assert [f.after for f in bench.step(a=0.0)] == [LU]
    assert [f.after for f in bench.act(ActionKind.ACKNOWLEDGE, "one")] == ["done", LA]
    assert [f.after for f in bench.step(a=2.0)] == [U]
    bench.act(ActionKind.ACKNOWLEDGE, "one")
    assert bench.act(ActionKind.RESET, "one")[0].after == "refused"
    assert [f.after for f in bench.step(a=0.0)] == [LA]
    assert [f.after for f in bench.act(ActionKind.RESET, "one")] == ["done", N]


def test_reset_before_acknowledgement_leaves_it_returned() -> None:
    bench = Bench(rule("one", latched=True))
    bench.step(a=2.0)
    bench.step(a=0.0)
    assert [f.after for f in bench.act(ActionKind.RESET, "one")] == ["done", R]
    assert [f.after for f in bench.act(ActionKind.ACKNOWLEDGE, "one")] == ["done", N]


@pytest.mark.parametrize("state", [N, U, A, R, LU, LA, SU])
@pytest.mark.parametrize("true", [True, False])
def test_shelving_from_any_state_and_back_to_what_the_condition_dictates(state: AlarmState, true: bool) -> None:
    bench = into(state)
    assert [f.after for f in bench.act(ActionKind.SHELVE, "one", 60.0)] == ["done", SH]
    bench.hoist = HoistState.STILL
    assert bench.step(a=2.0 if true else 0.0) == []
    assert bench.view("one").shelved_until_ns is not None  # type: ignore[union-attr]
    bench.act(ActionKind.UNSHELVE, "one")
    latched = state in (LU, LA)
    assert bench.state("one") == (U if true else LU if latched else N)


@pytest.mark.parametrize("state", [N, U, A, R, LU, LA, SU, SH])
@pytest.mark.parametrize("true", [True, False])
def test_out_of_service_from_any_state_and_back(state: AlarmState, true: bool) -> None:
    bench = into(state)
    assert [f.after for f in bench.act(ActionKind.OUT_OF_SERVICE, "one")] == ["done", OS]
    bench.hoist = HoistState.STILL
    assert bench.step(a=2.0 if true else 0.0) == []
    assert bench.act(ActionKind.SHELVE, "one")[0].after == "refused"
    bench.act(ActionKind.IN_SERVICE, "one")
    assert bench.state("one") == (U if true else LU if state in (LU, LA) else N)


@pytest.mark.parametrize("state", [U, A, R])
@pytest.mark.parametrize("true", [True, False])
def test_suppression_by_design_and_back(state: AlarmState, true: bool) -> None:
    bench = into(state)
    bench.hoist = HoistState.LOWERING
    assert [f.after for f in bench.step()] == [SU]
    bench.step(a=2.0 if true else 0.0)
    assert bench.state("one") == (SU if true else "normal")  # shown only while the condition is true
    bench.hoist = HoistState.HOISTING
    assert [f.after for f in bench.step()] == [U if true else N]


def test_suppression_of_a_normal_alarm_tells_nothing() -> None:
    bench = Bench(rule("one", when=["lowering"]))
    for hoist in (HoistState.STILL, HoistState.LOWERING, HoistState.HOISTING):
        bench.hoist = hoist
        assert bench.step() == []
    bench.step(a=2.0)
    assert bench.view("one").state is SU  # type: ignore[union-attr]
    assert bench.story == []
    bench.hoist = HoistState.LOWERING
    (finding,) = bench.step()
    assert (finding.before, finding.after) == (N, U)


def test_what_has_passed_when_suppression_ends_is_not_told() -> None:
    """Beyond the trip level for a moment while it did not count, and right again: the off delay keeps nothing alive that
    nobody was told of. What is still beyond is told at once."""
    bench = Bench(rule("one", when=["lowering"], off_delay_s=0.5), rule("two", "b", when=["lowering"], off_delay_s=0.5))
    bench.step(a=2.0, b=2.0)
    assert bench.step(2, a=0.0) == []
    bench.hoist = HoistState.LOWERING
    assert [(f.key, f.after) for f in bench.step()] == [("two", U)]
    assert bench.step(20, b=0.0)[0].key == "two"
    assert [(f.key, f.after) for f in bench.step(a=2.0)] == [("one", U)]


def test_an_unknown_hoist_leaves_suppression_as_it_was() -> None:
    bench = Bench(rule("one", when=["lowering"]))
    bench.hoist = HoistState.LOWERING
    bench.step(a=2.0)
    bench.hoist = HoistState.UNKNOWN
    assert bench.step(100, a=None) == []
    assert bench.state("one") == U
    bench.hoist = HoistState.STILL
    assert [f.after for f in bench.step()] == [SU]
    bench.hoist = HoistState.UNKNOWN
    assert bench.step(100) == []
    assert bench.state("one") == SU


def test_before_any_hoist_state_is_known_nothing_is_suppressed() -> None:
    bench = Bench(rule("one", when=["lowering"]))
    bench.hoist = HoistState.UNKNOWN
    assert [f.after for f in bench.step(a=2.0)] == [U]


def test_a_latched_alarm_is_not_suppressed_until_it_is_reset() -> None:
    bench = Bench(rule("one", latched=True, when=["lowering"]))
    bench.hoist = HoistState.LOWERING
    bench.step(a=2.0)
    bench.hoist = HoistState.STILL
    assert bench.step() == []
    assert [f.after for f in bench.step(a=0.0)] == [LU]
    bench.act(ActionKind.ACKNOWLEDGE, "one")
    bench.act(ActionKind.RESET, "one")
    bench.step(a=2.0)
    assert bench.state("one") == SU


# ---- hiding ---------------------------------------------------------------------------------------------------------

CHAIN = (rule("ease", "a"), rule("now", "b", hides=["ease"]), rule("late", "c", hides=["now"]))


def test_a_worse_rule_hides_a_milder_one_also_at_the_same_moment() -> None:
    bench = Bench(*CHAIN)
    assert [(f.key, f.after) for f in bench.step(a=2.0)] == [("ease", U)]
    assert [(f.key, f.after) for f in bench.step(b=2.0)] == [("ease", SU), ("now", U)]
    # The worst hides "now", and "now" goes on hiding "ease".
    assert [(f.key, f.after) for f in bench.step(c=2.0)] == [("now", SU), ("late", U)]
    other = Bench(*CHAIN)
    assert [(f.key, f.after) for f in other.step(a=2.0, b=2.0, c=2.0)] == [("late", U)]


def test_when_the_worse_is_over_the_milder_speaks_up_again() -> None:
    bench = Bench(*CHAIN)
    bench.step(a=2.0)
    bench.act(ActionKind.ACKNOWLEDGE, "ease")
    bench.step(b=2.0)
    assert [(f.key, f.after) for f in bench.step(b=0.0)] == [("ease", U), ("now", R)]


def test_what_the_crew_set_aside_hides_nothing() -> None:
    bench = Bench(*CHAIN)
    bench.step(a=2.0, b=2.0)
    bench.act(ActionKind.SHELVE, "now", 1.0)
    assert [(f.key, f.after) for f in bench.step()] == [("ease", U)]
    assert [(f.key, f.after) for f in bench.step(20)] == [("ease", SU), ("now", U)]


def test_a_rule_that_does_not_count_hides_nothing() -> None:
    bench = Bench(rule("ease"), rule("now", "b", hides=["ease"], when=["lowering"]))
    assert [(f.key, f.after) for f in bench.step(a=2.0, b=2.0)] == [("ease", U)]


def test_a_sensors_rule_hides_the_same_sensors_other_rule_only() -> None:
    silent = rule("silent", "sensor_stale", per="sensor", trip=0.5, hides=["refused"], message="Silent: {sensor}")
    refused = rule("refused", "sensor_rejecting", per="sensor", trip=0.5, message="Refused: {sensor}")
    bench = Bench(refused, silent)
    bench.flags[1] = [(1.0, VALID), (1.0, VALID), (0.0, VALID)]
    bench.flags[2] = [(0.0, VALID), (1.0, VALID), (0.0, VALID)]
    reported = [(finding.key, finding.after) for finding in bench.step()]
    assert reported == [(f"refused:{RIG.sensors[2].id}", U), (f"silent:{RIG.sensors[1].id}", U)]
    bench.flags[1] = [(0.0, VALID)] * 3
    assert [finding.after for finding in bench.step()] == [R]


# ---- what a guided check brings about --------------------------------------------------------------------------------


def test_what_is_expected_while_testing_is_told_as_such_and_asks_nobody() -> None:
    bench = Bench(rule("one"), rule("other"))
    bench.expected = frozenset({"one"})
    told = bench.step(a=2.0)
    assert [(f.key, f.before, f.after, f.guidance) for f in told] == [
        ("one", N, SU, "Expected while testing."),
        ("other", N, U, "Look at other."),
    ]
    view = bench.view("one")
    assert view is not None
    assert (view.expected, view.active, view.state) == (True, True, SU)
    assert bench.step(20) == []
    assert [(f.key, f.before, f.after) for f in bench.step(a=0.0)] == [("other", U, R)]
    bench.expected = frozenset()
    assert [(f.key, f.before, f.after) for f in bench.step()] == [("one", SU, N)]


@pytest.mark.parametrize("latched", [False, True])
def test_what_was_expected_is_back_at_the_grid_point_at_which_it_no_longer_is(latched: bool) -> None:
    bench = Bench(rule("one", latched=latched))
    bench.expected = frozenset({"one"})
    bench.step(a=2.0)
    bench.expected = frozenset()
    (finding,) = bench.step()
    assert (finding.before, finding.after, finding.guidance) == (SU, U, "Look at one.")
    bench.step(a=0.0)
    assert bench.state("one") == (LU if latched else R)


def test_an_alarm_that_stood_is_suppressed_with_the_words_and_its_latch_is_not_lost() -> None:
    bench = Bench(rule("one"), rule("held", latched=True))
    bench.step(a=2.0)
    bench.expected = frozenset({"one", "held"})
    assert [(f.key, f.after, f.guidance) for f in bench.step()] == [("one", SU, "Expected while testing.")]
    assert bench.state("held") == U


def test_what_is_expected_hides_nothing_that_is_not() -> None:
    bench = Bench(rule("worse", hides=["lesser"]), rule("lesser"))
    bench.expected = frozenset({"worse"})
    assert [(f.key, f.after) for f in bench.step(a=2.0)] == [("worse", SU), ("lesser", U)]


def test_a_restart_ends_the_test_and_the_alarm_is_back() -> None:
    bench = Bench(rule("one"))
    bench.expected = frozenset({"one"})
    bench.step(a=2.0)
    bench.restart()
    bench.expected = frozenset()
    assert [(f.before, f.after) for f in bench.step()] == [(SU, U)]


# ---- lost data ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("state", [U, A])
def test_an_invalid_input_clears_nothing_and_is_shown_as_blind(state: AlarmState) -> None:
    bench = into(state)
    assert bench.step(10_000, a=None) == []
    view = bench.view("one")
    assert view is not None
    assert (view.state, view.active, view.blind, view.number) == (state, True, True, None)
    assert bench.bank.blind_rules == 1


def test_blind_rules_are_counted_and_absent_equipment_is_not() -> None:
    bench = Bench(rule("one"), rule("two", "b"), rule("three", "c", compare="below", trip=-1.0))
    bench.step(b=None, c=None)
    assert bench.bank.blind_rules == 2
    bench.validities[SIGNALS.index("b")] = NOT_FITTED
    bench.step()
    assert bench.bank.blind_rules == 1
    bench.step(c=0.0)
    assert bench.bank.blind_rules == 0


def test_a_number_that_is_none_is_blind_although_it_claims_to_be_valid() -> None:
    bench = Bench(rule("one"), rule("two", "b", compare="below", trip=-1.0))
    bench.numbers[0] = bench.numbers[1] = float("nan")
    bench.step()
    assert bench.bank.blind_rules == 2
