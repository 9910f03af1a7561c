"""The machine of the guided checks: start, step, abort, due dates, state; and that it all follows from the inputs."""

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.config.rig_file import find_rig, shipped_rigs
from monitor.core.checks.guided_checks import PROCEDURES, Checks
from monitor.core.checks.procedure import LONGEST_S
from monitor.core.signals.table import SIGNAL_NAMES
from monitor.model.alarm import Finding, Severity
from monitor.model.check import CheckVerdict
from tests.core.checks.check_bench import HOUR_NS, START_NS, Bench, rig_with

IDS = [procedure.id for procedure in PROCEDURES]
HOLDING, OVERTRAVEL = "brake-holding", "overtravel-function"


def test_the_table_is_complete() -> None:
    assert len(set(IDS)) == len(IDS) >= 5
    for procedure in PROCEDURES:
        assert procedure.steps
        for step in procedure.steps:
            assert set(step.watch) <= set(SIGNAL_NAMES)
            assert step.words.endswith(".")
            assert len(step.words) <= 120, step.words
        assert not procedure.steps[-1].crew


@pytest.mark.parametrize("name", sorted(shipped_rigs()))
def test_every_shipped_rig_can_run_most_of_them(name: str) -> None:
    views = Checks(find_rig(name)).views()
    assert [view.id for view in views] == IDS
    assert sum(not view.unfit for view in views) >= 4


def test_a_start_tells_who_and_when_and_what_to_do() -> None:
    bench = Bench()
    (finding,) = bench.checks.start(bench.t_ns, HOLDING, "ab")
    assert (finding.kind, finding.key, finding.t_ns, finding.after) == ("check", HOLDING, bench.t_ns, "step 1 of 2")
    assert "by ab" in finding.message
    assert PROCEDURES[1].steps[0].words in finding.message
    view = bench.view(HOLDING)
    assert view.running
    assert (view.who, view.since_ns) == ("ab", bench.t_ns)
    assert [step.state for step in view.steps] == ["now", "open"]
    assert view.readings


def test_only_one_runs_and_only_one_that_exists_and_that_the_rig_can_run() -> None:
    bench = Bench(rig_with(without=("accumulator_pressure",)))
    assert bench.checks.start(bench.t_ns, "no-such", "ab")[0].after == "refused"
    refused = bench.checks.start(bench.t_ns, "pressure-leak-down", "ab")[0]
    assert refused.after == "refused"
    assert "no sensor reads the accumulator's pressure" in refused.message
    bench.start(HOLDING)
    assert bench.checks.start(bench.t_ns, OVERTRAVEL, "ab")[0].after == "refused"
    assert bench.view(HOLDING).running
    assert not bench.view(OVERTRAVEL).running


def test_steps_that_are_not_the_crews_and_checks_that_do_not_run_refuse_a_step() -> None:
    bench = Bench()
    assert bench.step(HOLDING).after == "refused"
    bench.start(HOLDING)
    assert bench.step(OVERTRAVEL).after == "refused"
    assert bench.step(HOLDING).after == "step 2 of 2"
    assert bench.step(HOLDING).after == "refused"
    assert [step.state for step in bench.view(HOLDING).steps] == ["done", "now"]


def test_an_abort_leaves_a_record_and_no_pass() -> None:
    bench = Bench()
    assert bench.checks.abort(bench.t_ns, HOLDING, "cd")[0].after == "refused"
    bench.start(HOLDING)
    (finding,) = bench.checks.abort(bench.t_ns, HOLDING, "cd")
    assert finding.after == "not judged"
    assert "ended by cd" in finding.message
    assert bench.verdict(HOLDING) is CheckVerdict.NOT_JUDGED
    assert bench.view(HOLDING).passed_ns is None
    bench.start(OVERTRAVEL)


@pytest.mark.parametrize("check", IDS)
def test_a_forgotten_check_ends_as_not_judged(check: str) -> None:
    bench = Bench()
    bench.start(check)
    bench.step(check)
    bench.skip(LONGEST_S + 1)
    assert bench.verdict(check) is CheckVerdict.NOT_JUDGED
    assert "30 min" in bench.result(check).reason


def test_control_characters_in_initials_and_targets_do_not_reach_the_record() -> None:
    bench = Bench()
    (refused,) = bench.checks.start(bench.t_ns, "\x1b[2J" * 30, "ab")
    (started,) = bench.checks.start(bench.t_ns, HOLDING, "\x1b[31m" + "z" * 50)
    for finding in (refused, started):
        assert finding.message.isprintable()
        assert finding.key.isprintable()
    assert len(bench.view(HOLDING).who) <= 12


# --- due ------------------------------------------------------------------------------------------------------------


def pass_it(bench: Bench, check: str, at_ns: int) -> None:
    """Put a pass on the record, as a restart would."""
    saved = bench.checks.state()
    saved["passed_ns"][check] = at_ns
    bench.checks.restore(saved)


def test_a_new_record_gives_the_crew_its_grace_before_the_overtravel_test_is_due() -> None:
    bench = Bench(rig_with(first_grace_h=1.0))
    view = bench.view(OVERTRAVEL)
    assert (view.due, view.due_words, view.due_ns) == (False, "never passed in this record", START_NS + HOUR_NS)
    assert not bench.checks.overtravel_due(START_NS + HOUR_NS - 1)
    assert bench.checks.overtravel_due(START_NS + HOUR_NS)


def test_with_no_grace_it_is_due_at_once() -> None:
    assert Bench(rig_with(first_grace_h=0.0)).checks.overtravel_due(START_NS)


def test_a_pass_is_good_for_the_tour() -> None:
    bench = Bench()
    pass_it(bench, OVERTRAVEL, START_NS)
    assert not bench.checks.overtravel_due(START_NS + 12 * HOUR_NS - 1)
    assert bench.checks.overtravel_due(START_NS + 12 * HOUR_NS)
    assert bench.view(OVERTRAVEL).due_words == "every 12 h and after each cut and slip"


def test_a_cut_makes_the_device_and_the_height_due_and_nothing_else() -> None:
    bench = Bench()
    for check in IDS:
        pass_it(bench, check, START_NS)
    bench.run(1.0)
    assert not any(view.due for view in bench.checks.views())
    bench.checks.slip_and_cut(bench.t_ns)
    assert bench.checks.overtravel_due(bench.t_ns)
    due = {view.id: view.due_words for view in bench.checks.views() if view.due}
    assert due == dict.fromkeys((OVERTRAVEL, "height-reference"), "not passed since the cut and slip")
    pass_it(bench, OVERTRAVEL, bench.t_ns + 1)
    assert not bench.checks.overtravel_due(bench.t_ns + 2)


def test_a_device_without_a_sensor_is_never_due() -> None:
    bench = Bench(rig_with(without=("overtravel_electric", "overtravel_air"), first_grace_h=0.0))
    bench.checks.slip_and_cut(bench.t_ns)
    assert not bench.checks.overtravel_due(bench.t_ns + 100 * HOUR_NS)
    assert bench.view(OVERTRAVEL).unfit


# --- state ----------------------------------------------------------------------------------------------------------


def test_a_restart_keeps_results_passes_and_the_cut_and_ends_what_ran() -> None:
    bench = Bench()
    pass_it(bench, OVERTRAVEL, START_NS)
    bench.start(HOLDING)
    bench.checks.abort(bench.t_ns, HOLDING, "ab")
    bench.run(1.0)
    bench.checks.slip_and_cut(bench.t_ns)
    bench.start("height-reference")
    saved = json.loads(json.dumps(bench.checks.state()))
    again = Checks(bench.rig)
    again.restore(saved)
    assert again.overtravel_due(bench.t_ns)
    views = {view.id: view for view in again.views()}
    assert views[OVERTRAVEL].passed_ns == START_NS
    assert views[HOLDING].result is not None
    result = views["height-reference"].result
    assert result is not None
    assert (result.verdict, result.who) == (CheckVerdict.NOT_JUDGED, "ab")
    assert "restarted" in result.reason
    assert not any(view.running for view in views.values())


def test_a_restart_does_not_renew_the_grace() -> None:
    bench = Bench()
    again = Bench()
    again.checks.restore(bench.checks.state())
    again.t_ns += 2 * HOUR_NS
    again.look()
    assert again.checks.overtravel_due(START_NS + HOUR_NS)


@pytest.mark.parametrize(
    "damage",
    [
        {"format": 2}, {"t_ns": -1}, {"t_ns": "x"}, {"passed_ns": None}, {"passed_ns": {OVERTRAVEL: 1.5}}, {"cut_ns": []},
        {"running": {"id": HOLDING}}, {"results": {HOLDING: {"t_ns": 1, "who": "a", "verdict": "fine", "reason": ""}}},
    ],
)  # fmt: skip
def test_a_damaged_state_is_refused_whole(damage: dict[str, Any]) -> None:
    bench = Bench()
    pass_it(bench, OVERTRAVEL, START_NS)
    before = bench.checks.state()
    with pytest.raises(ValueError, match="cannot be restored"):
        bench.checks.restore(before | damage)
    assert bench.checks.state() == before


# --- laws -----------------------------------------------------------------------------------------------------------

MOVES = st.lists(
    st.tuples(
        st.sampled_from(["start", "step", "abort", "reference", "cut", "pass time"]),
        st.sampled_from([*IDS, "", "no-such"]),
        st.dictionaries(
            st.sampled_from(["hook_load", "brake_lever", "service_pressure_1", "accumulator_pressure",
                             "overtravel_electric", "overtravel_air", "aux_current"]),
            st.one_of(st.none(), st.floats(-1e7, 2e7), st.sampled_from([0.0, 1.0])), max_size=3,
        ),
        st.sampled_from([-1.5, -0.4, 0.0, 0.1, 1.0]),
    ),
    max_size=12,
)  # fmt: skip


def play(moves: list[tuple[str, str, dict[str, float | None], float]]) -> tuple[list[Finding], Bench]:
    bench = Bench()
    checks = bench.checks
    for what, target, readings, speed in moves:
        if what == "start":
            bench.findings += checks.start(bench.t_ns, target, "ab")
        elif what == "step":
            bench.findings += checks.step(bench.t_ns, target, "ab")
        elif what == "abort":
            bench.findings += checks.abort(bench.t_ns, target, "ab")
        elif what == "reference":
            checks.reference(20.0, bench.height_m, bench.speed_m_s)
        elif what == "cut":
            checks.slip_and_cut(bench.t_ns)
        bench.run(0.3, speed, **readings)
        checks.views()
    return bench.findings, bench


@given(MOVES)
def test_whatever_comes_there_is_no_exception_no_pass_from_nowhere_and_the_same_again(
    moves: list[tuple[str, str, dict[str, float | None], float]],
) -> None:
    findings, bench = play(moves)
    assert findings == play(moves)[0]
    assert all(finding.kind == "check" and finding.t_ns >= START_NS for finding in findings)
    # A few tenths of a second are no measurement: only a pair of heights could pass so soon, and these are all one.
    assert not any(finding.after == "pass" for finding in findings)
    assert json.loads(json.dumps(bench.checks.state())) == bench.checks.state()


def test_a_failure_is_a_caution_with_something_to_look_at_and_its_numbers() -> None:
    bench = Bench()
    bench.start(OVERTRAVEL)
    bench.height_m = 37.0
    bench.step(OVERTRAVEL)
    bench.run(20.0, 0.15)
    finding = bench.findings[-1]
    assert (finding.after, finding.severity, finding.guidance) == ("fail", Severity.CAUTION, PROCEDURES[0].look_at)
    assert finding.threshold == pytest.approx(39.0)
    assert finding.number == pytest.approx(39.05, abs=0.02)
