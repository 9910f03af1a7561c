"""What the crew can do to alarms, how they are listed, and how they come back after a restart."""

import pytest

from monitor.core.alarms.bank import AlarmBank
from monitor.core.alarms.crew_actions import SHELVE_LONGEST_S, WORDS
from monitor.model.alarm import AlarmState, Severity
from monitor.model.stream import GRID_NS, Action, ActionKind
from tests.core.alarms.alarm_bench import SIGNALS, Bench, into, rule, rules

N, U, A = AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED
R, LU, LA = AlarmState.RETURNED, AlarmState.LATCHED_UNACKNOWLEDGED, AlarmState.LATCHED_ACKNOWLEDGED
SH, SU, OS = AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE


def test_shelving_ends_at_the_grid_point_of_its_time() -> None:
    bench = Bench(rule("one"))
    bench.step(a=2.0)
    bench.act(ActionKind.SHELVE, "one", 1.0)
    assert bench.step(19) == []
    (finding,) = bench.step()
    assert (finding.before, finding.after) == (SH, U)


def test_shelving_takes_half_an_hour_by_itself_and_can_be_renewed() -> None:
    bench = Bench(rule("one"))
    bench.act(ActionKind.SHELVE, "one")
    assert bench.view("one").shelved_until_ns == bench.t_ns + 1800 * 10**9  # type: ignore[union-attr]
    bench.step()
    (action,) = bench.act(ActionKind.SHELVE, "one", 60.0)
    assert action.after == "done"
    assert bench.view("one").shelved_until_ns == bench.t_ns + 60 * 10**9  # type: ignore[union-attr]


@pytest.mark.parametrize("seconds", [0.0, -1.0, SHELVE_LONGEST_S + 1, float("nan"), float("inf")])
def test_shelving_for_ever_or_for_nothing_is_refused(seconds: float) -> None:
    bench = Bench(rule("one"))
    (finding,) = bench.act(ActionKind.SHELVE, "one", seconds)
    assert finding.after == "refused"
    assert "at most 12 hours" in finding.message
    assert bench.state("one") == N


@pytest.mark.parametrize("kind", sorted(WORDS))
def test_an_unknown_alarm_is_refused_in_words(kind: ActionKind) -> None:
    (finding,) = Bench(rule("one")).act(kind, "two\x1b[31m", who="KL")
    assert (finding.kind, finding.after, finding.severity) == ("action", "refused", Severity.CAUTION)
    assert "there is no alarm 'two" in finding.message
    assert "by KL" in finding.message
    assert finding.message.isprintable()
    assert finding.key.isprintable()


@pytest.mark.parametrize("kind", sorted(WORDS.keys() - {ActionKind.SHELVE, ActionKind.OUT_OF_SERVICE}))
def test_what_makes_no_sense_is_refused_with_the_reason(kind: ActionKind) -> None:
    bench = Bench(rule("one"))
    (finding,) = bench.act(kind, "one")
    assert finding.after == "refused"
    assert finding.message.startswith("Not ")
    assert bench.state("one") == N


def test_a_foreign_action_is_refused_and_changes_nothing() -> None:
    bench = Bench(rule("one"))
    (finding,) = bench.act(ActionKind.NOTE, "one")
    assert finding.after == "refused"


def test_acknowledge_all() -> None:
    bench = Bench(rule("one"), rule("two", "b"), rule("three", "c"))
    bench.step(a=2.0, b=2.0)
    bench.step(b=0.0)
    findings = bench.act(ActionKind.ACKNOWLEDGE, who="KL")
    assert [(f.key, f.after) for f in findings] == [("all", "done"), ("one", A), ("two", N)]
    assert findings[0].message == "Acknowledged by KL: all 2"
    assert [f.after for f in bench.act(ActionKind.ACKNOWLEDGE)] == ["refused"]


def test_silence_lasts_until_the_next_new_alarm() -> None:
    bench = Bench(rule("one"), rule("two", "b"))
    bench.step(a=2.0)
    assert not bench.bank.silenced
    (finding,) = bench.act(ActionKind.SILENCE, who="KL")
    assert finding.message == "Silenced by KL"
    assert bench.bank.silenced
    bench.step(a=0.0)
    assert bench.bank.silenced
    bench.step(b=2.0)
    assert not bench.bank.silenced


# ---- views, restart, construction -----------------------------------------------------------------------------------


def test_views_are_worst_first_then_unacknowledged_then_newest_and_set_aside_last() -> None:
    bench = Bench(
        rule("old", "a", severity="WARNING"),
        rule("new", "b", severity="WARNING"),
        rule("seen", "c", severity="WARNING"),
        rule("mild", "d", severity="NOTICE"),
        rule("shelved", "e", severity="DANGER"),
    )
    bench.step(a=2.0, c=2.0, d=2.0, e=2.0)
    bench.step(b=2.0)
    bench.act(ActionKind.ACKNOWLEDGE, "seen")
    bench.act(ActionKind.SHELVE, "shelved")
    assert [view.key for view in bench.bank.views()] == ["new", "old", "seen", "mild", "shelved"]


def test_views_do_not_change_when_the_lists_are_used_again() -> None:
    bench = Bench(rule("one"))
    bench.step(a=2.0)
    bench.numbers[0] = 7.0
    assert bench.view("one").number == 2.0  # type: ignore[union-attr]


@pytest.mark.parametrize("state", [U, A, R, LU, LA, SH, OS, SU])
def test_a_restart_brings_every_state_back(state: AlarmState) -> None:
    bench = into(state)
    before = bench.bank.views()
    bench.act(ActionKind.SILENCE)
    bench.restart()
    assert bench.bank.silenced
    bench.t_ns -= GRID_NS  # the next grid point is the one whose views are compared
    bench.step()
    assert bench.bank.views() == before


def test_a_restart_does_not_clear_what_cannot_be_seen_yet() -> None:
    bench = into(U)
    bench.restart()
    assert bench.step(100, a=None) == []
    assert bench.state("one") == U
    assert [f.after for f in bench.step(a=0.0)] == [R]


def test_a_restart_forgets_rules_that_are_gone() -> None:
    bench = into(U)
    saved = bench.bank.state()
    fresh = AlarmBank(rules(rule("other", "b")), SIGNALS)
    fresh.restore(saved)
    assert fresh.views() == ()


@pytest.mark.parametrize(
    "damage",
    [
        lambda saved: saved.pop("hoist"),
        lambda saved: saved.update(alarms=[1]),
        lambda saved: saved["alarms"]["one"].update(state="sleeping"),
        lambda saved: saved["alarms"]["one"].pop("latch"),
        lambda saved: saved["alarms"]["one"].update(condition=7),
        lambda saved: saved["alarms"]["one"].update(state="shelved"),
        lambda saved: saved["alarms"]["one"].update(elapsed_ns=-5),
    ],
)
def test_a_damaged_state_is_refused_whole(damage) -> None:  # type: ignore[no-untyped-def]
    bench = into(U)
    saved = bench.bank.state()
    damage(saved)
    fresh = AlarmBank(bench.rules, SIGNALS)
    with pytest.raises(ValueError, match="saved alarms cannot be read"):
        fresh.restore(saved)
    assert fresh.views() == ()


def test_a_bank_refuses_rules_on_signals_that_nobody_computes() -> None:
    with pytest.raises(ValueError, match="signals that do not exist: b"):
        AlarmBank(rules(rule("one", "b")), ("a",))


def test_actions_carry_what_was_typed() -> None:
    bench = Bench(rule("one"))
    action = Action(bench.t_ns, ActionKind.SHELVE, "one", 600.0, text="valve being changed\x07", who="KL")
    done, change = bench.bank.act(action)
    assert (done.key, done.number, done.guidance) == ("one", 600.0, "valve being changed\ufffd")
    assert (change.kind, change.after) == ("alarm", SH)
