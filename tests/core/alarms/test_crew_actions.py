"""What the crew can do to alarms, how they are listed, and how they come back after a restart."""

import pytest

from monitor.core.alarms.bank import AlarmBank
from monitor.core.alarms.crew_actions import ASIDE, ASIDE_NOW, WORDS
from monitor.model.alarm import AlarmState, AlarmView, Finding, Severity
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


def test_an_alarm_called_false_stays_as_it_is() -> None:
    bench = Bench(rule("one"))
    bench.step(a=2.0)
    before = bench.view("one")
    (finding,) = bench.act(ActionKind.FALSE_ALARM, "one")
    assert (finding.kind, finding.key, finding.after) == ("action", "false alarm", "done")
    assert bench.view("one") == before
    (finding,) = bench.act(ActionKind.FALSE_ALARM, "none such")
    assert finding.after == "refused"


@pytest.mark.parametrize("seconds", [0.0, -1.0, 8 * 3600.0 + 1, float("nan"), float("inf")])
def test_shelving_for_ever_or_for_nothing_is_refused(seconds: float) -> None:
    bench = Bench(rule("one"))
    (finding,) = bench.act(ActionKind.SHELVE, "one", seconds)
    assert finding.after == "refused"
    assert "at most 8 hours" in finding.message
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
        rule("shelved", "e", severity="WARNING"),
    )
    bench.step(a=2.0, c=2.0, d=2.0, e=2.0)
    bench.step(b=2.0)
    bench.act(ActionKind.ACKNOWLEDGE, "seen")
    bench.act(ActionKind.SHELVE, "shelved", who="KL", text="valve being changed")
    assert [view.key for view in bench.bank.views()] == ["new", "old", "seen", "mild", "shelved"]


def test_what_changes_the_hands_next_move_is_read_first_while_it_is_so() -> None:
    """The newer of two of one severity comes first, unless the older takes precedence; what is over never does."""
    bench = Bench(
        rule("ordinary", "a"), rule("lost", "b", precedence=2, latched=True), rule("cross", "c", precedence=3)
    )
    bench.step(b=2.0)
    bench.step(a=2.0)
    assert [view.key for view in bench.bank.views()] == ["lost", "ordinary"]
    bench.step(c=2.0)
    assert [view.key for view in bench.bank.views()] == ["cross", "lost", "ordinary"]
    bench.step(b=0.0, c=0.0)
    assert next(view.key for view in bench.bank.views()) == "ordinary"


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


# ---- how far an alarm may be set aside -------------------------------------------------------------------------------


@pytest.mark.parametrize("true", [False, True])
@pytest.mark.parametrize("number", [None, 1.0, 600.0])
def test_a_danger_is_never_shelved(true: bool, number: float | None) -> None:
    """Nor before it comes true: it would then be out of sight while it stands."""
    bench = Bench(rule("one", severity="DANGER"))
    bench.step(a=2.0 if true else 0.0)
    before = bench.state("one")
    (finding,) = bench.act(ActionKind.SHELVE, "one", number, "KL", "nuisance")
    assert (finding.after, finding.message) == ("refused", "Not shelved by KL: one is wrong: a DANGER is never shelved")
    assert bench.state("one") == before


@pytest.mark.parametrize("kind", [ActionKind.SHELVE, ActionKind.OUT_OF_SERVICE])
@pytest.mark.parametrize(("who", "text"), [("", ""), ("KL", ""), ("", "valve being changed"), (" ", " ")])
def test_a_warning_is_set_aside_with_a_name_and_a_reason_only(kind: ActionKind, who: str, text: str) -> None:
    bench = Bench(rule("one", severity="WARNING"))
    bench.step(a=2.0)
    (finding,) = bench.act(kind, "one", None, who, text)
    assert finding.after == "refused"
    assert "a WARNING is set aside with a name and a reason only" in finding.message
    assert bench.state("one") == U
    assert bench.act(kind, "one", None, "KL", "valve being changed")[0].after == "done"


def test_a_warning_comes_back_sooner_than_a_caution_may() -> None:
    bench = Bench(rule("one", severity="WARNING"), rule("two", "b"))
    assert [f.after for f in bench.act(ActionKind.SHELVE, "one", 1801.0, "KL", "valve")] == ["refused"]
    assert [f.after for f in bench.act(ActionKind.SHELVE, "one", 1800.0, "KL", "valve")] == ["done", SH]
    assert [f.after for f in bench.act(ActionKind.SHELVE, "two", 1801.0)] == ["done", SH]


def test_a_danger_stays_in_service_while_it_stands() -> None:
    bench = Bench(rule("one", severity="DANGER"))
    bench.step(a=2.0)
    (finding,) = bench.act(ActionKind.OUT_OF_SERVICE, "one", None, "KL", "sensor exchanged")
    assert "a DANGER stays in service while it stands" in finding.message
    bench.step(a=0.0)
    assert bench.act(ActionKind.OUT_OF_SERVICE, "one", None, "KL", "sensor exchanged")[0].after == "done"


@pytest.mark.parametrize("severity", list(Severity))
def test_an_older_record_is_decided_as_it_was(severity: Severity) -> None:
    """Twelve hours for everything, no name, no reason."""
    bench = Bench(rule("one", severity=severity.name), aside=1)
    bench.step(a=2.0)
    assert [f.after for f in bench.act(ActionKind.SHELVE, "one", 12 * 3600.0)] == ["done", SH]
    assert [f.after for f in bench.act(ActionKind.OUT_OF_SERVICE, "one")] == ["done", OS]


def test_a_danger_that_an_older_version_shelved_comes_back_at_once() -> None:
    bench = Bench(rule("one", severity="DANGER"), rule("two", "b", severity="WARNING"), aside=1)
    bench.step(a=2.0, b=2.0)
    bench.act(ActionKind.SHELVE, "one", 7200.0)
    bench.act(ActionKind.SHELVE, "two", 1200.0)
    bench.restart()
    assert bench.state("one") == SH, "the same version goes on as it was"
    bench.restart(ASIDE_NOW)
    assert [(f.key, f.before, f.after) for f in bench.step()] == [("one", SH, U)]
    assert bench.state("two") == SH


def test_every_version_says_how_far_each_severity_may_be_set_aside() -> None:
    assert all(set(table) == set(Severity) for table in ASIDE.values())


# ---- every field of what is shown and answered -----------------------------------------------------------------------


def test_a_view_says_all_that_there_is_to_say() -> None:
    bench = Bench(rule("one", "b", severity="WARNING", trip=1.5))
    bench.step(2, b=2.0)
    assert bench.bank.views() == (
        AlarmView(
            key="one",
            severity=Severity.WARNING,
            state=U,
            message="one is wrong",
            guidance="Look at one.",
            signal="b",
            since_ns=bench.t_ns - GRID_NS,
            number=2.0,
            threshold=1.5,
            active=True,
            blind=False,
            shelved_until_ns=None,
            prompt=False,
            expected=False,
        ),
    )


@pytest.mark.parametrize(
    ("kind", "target", "key", "after", "message"),
    [
        (ActionKind.SILENCE, "", "silence", "done", "Silenced by KL"),
        (ActionKind.NOTE, "", "note", "refused", "Not done by KL: 'note' is nothing that the alarms can do"),
        (ActionKind.ACKNOWLEDGE, "", "all", "refused", "Not acknowledged by KL: no alarm is waiting for it"),
        (ActionKind.FALSE_ALARM, "one", "false alarm", "done", "Called false by KL: one is wrong"),
        (ActionKind.FALSE_ALARM, "two", "false alarm", "refused", "Not called false by KL: there is no alarm 'two'"),
        (ActionKind.UNSHELVE, "one", "one", "refused", "Not unshelved by KL: one is wrong: it is not shelved"),
    ],
)
def test_an_answer_says_all_that_there_is_to_say(
    kind: ActionKind, target: str, key: str, after: str, message: str
) -> None:
    bench = Bench(rule("one"))
    bench.step()
    (found,) = bench.act(kind, target, 3.0, "KL", "x" * 500)
    severity = Severity.NOTICE if after == "done" else Severity.CAUTION
    text = found.guidance
    assert found == Finding(bench.t_ns, "action", key, severity, "", after, message, text, 3.0)
    assert len(text) == 400
    assert text.startswith("xxx")
