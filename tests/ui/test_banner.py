"""What the banner and the list of alarms say: the worst and its reason, never more than is known, one word for one thing."""

from dataclasses import replace

import pytest

from monitor.config.rules_file import default_rules_path, load_rules
from monitor.core.signals.table import SIGNAL_NAMES
from monitor.model.alarm import AlarmState, AlarmView, Severity
from monitor.model.snapshot import Snapshot
from monitor.model.stream import Health
from monitor.runtime.facts import RunFacts
from monitor.ui.history import History
from monitor.ui.queries import aside_words
from monitor.ui.screens import SCREENS
from monitor.ui.view import ScreenState
from tests.ui import sample
from tests.ui.pages import DRIVE, RIG, SIZES, never_seen_moving, page, unconnected


def test_the_next_alarms_are_named_at_80_by_24() -> None:
    rows = page(sample.warning()).text().splitlines()
    assert "Auxiliary brake takes only 41 %" in rows[6]


@pytest.mark.parametrize("size", SIZES, ids=str)
def test_troubles_of_the_data_are_named_whole(size: tuple[int, int]) -> None:
    snap = replace(never_seen_moving(), blind_rules=35, health=Health(recording="on", connected=False))
    canvas = page(replace(snap, sensors=sample.sensors(RIG, ("drum", "lever", "coolant"))), size=size)
    text = "".join(canvas.chars[-2])
    assert "BROKER NOT CONNECTED" in text
    assert "…" not in text.partition("drum")[0]
    assert "SILENT" in text or size[0] < 80


@pytest.mark.parametrize("size", SIZES, ids=str)
def test_a_start_without_a_broker_says_why_and_what_to_look_at(size: tuple[int, int]) -> None:
    """At once, and after the alarms have come, whichever of them is the worst."""
    gone = sample.alarm("disconnected", Severity.CAUTION, "No connection to the broker", "Check the network.",
                        signal="disconnected")  # fmt: skip
    blind = sample.alarm("height-unknown", Severity.WARNING, "Block height not known", "Watch the block itself.")
    for alarms in ((), (gone,), (blind, gone), (blind, sample.alarm("x", Severity.WARNING, "Other"), gone)):
        text = " ".join(page(replace(unconnected(), alarms=alarms), size=size).text().split())
        assert "nothing answers at rig-broker.site:1883" in text, alarms


def test_alarms_and_banner_say_the_same_of_rules_not_judged() -> None:
    snap = replace(sample.calm(), blind_rules=5)
    text = page(snap, SCREENS[2]).text()
    assert text.count("5 rules not judged yet") == 3
    blind = replace(snap, sensors=sample.sensors(RIG, ("lever",)))
    assert page(blind, SCREENS[2]).text().count("5 rules cannot be judged") == 2


def test_why_an_alarm_of_a_switch_fired_is_told_in_words() -> None:
    silent = sample.alarm("sensor-silent:lever", Severity.CAUTION, "Silent: lever", "Check its cable.",
                          signal="sensor_stale", number=1.0, threshold=0.5)  # fmt: skip
    slack = sample.alarm("slack", Severity.WARNING, "Slack line", "Look up.", signal="slack", number=1.0, threshold=0.5)
    for size in SIZES:
        for alarm in (silent, slack):
            text = page(replace(sample.calm(), alarms=(alarm,)), SCREENS[2], size).text()
            assert "0.50" not in text
            assert "1.00" not in text
    assert "slack line: now no" in page(replace(sample.calm(), alarms=(slack,)), SCREENS[2], (120, 40)).text()
    assert "sensor silent: now yes" in page(replace(sample.calm(), alarms=(silent,)), SCREENS[2], (120, 40)).text()


@pytest.mark.parametrize("size", SIZES, ids=str)
def test_history_tells_what_became_of_an_alarm_at_every_size(size: tuple[int, int]) -> None:
    text = page(sample.warning(), SCREENS[2], size, screen_state=ScreenState(page=1), history=sample.history()).text()
    assert "not acknowledged: BRAKE NOW" in text
    assert "acknowledged: Auxiliary brake" in text


@pytest.mark.parametrize("size", [*SIZES, (50, 15)], ids=str)
def test_an_alarm_that_is_gone_is_not_told_as_if_it_stood(size: tuple[int, int]) -> None:
    gone = sample.alarm("height-unknown", Severity.WARNING, "Block height not known", "Watch it.",
                        state=AlarmState.RETURNED, active=False)  # fmt: skip
    past = sample.alarm("past", Severity.DANGER, "Will cross", "Look up.")
    for alarms in ((gone,), (past, gone)):
        canvas = page(replace(sample.calm(), alarms=alarms), size=size)
        rows = [y for y, line in enumerate(canvas.text().splitlines()) if "Block height not known" in line]
        if size != (50, 15) or alarms == (gone,):
            assert rows
        for y in rows:
            assert "gone" in "".join(canvas.chars[y])
            assert not {"warning", "fill_warning"} & set(canvas.roles[y])


def test_every_rule_leaves_room_for_the_next_alarm_at_80_by_24() -> None:
    next_one = sample.alarm("next", Severity.CAUTION, "The next alarm")
    for rule in load_rules(default_rules_path(), RIG, SIGNAL_NAMES).rules:
        first = sample.alarm(rule.id, Severity.WARNING, rule.message, rule.guidance)
        rows = page(replace(sample.calm(), alarms=(first, next_one))).text().splitlines()
        assert "The next alarm" in rows[6], (rule.id, rows[1:7])
        assert not any("…" in row for row in rows[1:7]), rule.id


def test_a_restart_says_what_it_took_up_until_it_is_old_news() -> None:
    facts = RunFacts(last_run="went on from the run that ended 12 min ago: look whether the height is right")
    early = page(sample.still(), facts=facts).text().splitlines()
    assert "Went on from the run that ended 12 min ago: look whether the height is right" in " ".join(
        " ".join(early[2:4]).split()
    )
    assert "Went on" not in page(sample.still(), facts=facts, history=sample.history()).text()
    told = " ".join(page(sample.still(), SCREENS[7], (120, 40), facts=facts).text().split())
    assert "last run" in told
    assert "No alarm" in early[1]


@pytest.mark.parametrize("size", SIZES, ids=str)
def test_a_silenced_bell_is_told_while_it_would_ring(size: tuple[int, int]) -> None:
    loud, quiet = sample.warning(), replace(sample.warning(), silenced=True)
    assert "bell silenced" not in page(loud, size=size).text()
    assert "bell silenced" in page(quiet, size=size).text()
    assert "bell silenced" not in page(replace(sample.calm(), silenced=True), size=size).text(), "nothing would ring"
    seen = replace(quiet, alarms=(replace(quiet.alarms[0], state=AlarmState.ACKNOWLEDGED),))
    assert "bell silenced" not in page(seen, size=size).text()


@pytest.mark.parametrize("size", SIZES, ids=str)
def test_a_cue_that_nobody_acknowledged_is_not_said_to_be(size: tuple[int, int]) -> None:
    cue = sample.alarm("ease", Severity.NOTICE, "Ease: lower limit ahead", "Look at the room down.",
                       state=AlarmState.ACKNOWLEDGED, prompt=True)  # fmt: skip
    for spec in (DRIVE, SCREENS[2]):
        text = page(replace(sample.calm(), alarms=(cue,)), spec, size).text()
        assert " acknowledged" not in text
        assert "Ease: lower limit ahead" in text
    history = History()
    history.feed(sample.calm())
    history.feed(replace(sample.calm(), t_ns=sample.T0_NS + sample.SECOND, alarms=(cue,)))
    assert (
        " acknowledged"
        not in page(sample.calm(), SCREENS[2], size, screen_state=ScreenState(page=1), history=history).text()
    )


def test_an_acknowledged_notice_is_no_cue() -> None:
    """Somebody acknowledged it: only a prompt comes up without anything to acknowledge."""
    notice = sample.alarm("check-due", Severity.NOTICE, "Brake test due", "Plan it.", state=AlarmState.ACKNOWLEDGED)
    for spec in (DRIVE, SCREENS[2]):
        text = page(replace(sample.calm(), alarms=(notice,)), spec, (120, 40)).text()
        assert "acknowledged" in text
        assert "cue" not in text


@pytest.mark.parametrize("size", SIZES, ids=str)
@pytest.mark.parametrize(
    ("state", "words"),
    [
        (AlarmState.LATCHED_ACKNOWLEDGED, "r resets it"),
        (AlarmState.SHELVED, "h brings it back"),
        (AlarmState.OUT_OF_SERVICE, "o brings it back"),
    ],
)
def test_an_alarm_put_aside_or_held_says_which_key_ends_that(
    size: tuple[int, int], state: AlarmState, words: str
) -> None:
    alarm = sample.alarm("leak", Severity.WARNING, "Oil leaks away", "Check hoses, accumulator and valve.", state=state,
                         signal="leak_rate")  # fmt: skip
    snap = replace(sample.calm(), alarms=(alarm,))
    assert words in page(snap, SCREENS[2], size).text()
    assert words not in page(snap, SCREENS[2], size, mode="REPLAY").text()


@pytest.mark.parametrize(("size", "rows"), [((80, 24), 5), ((100, 30), 5), ((120, 40), 7), ((200, 50), 9)])
def test_danger_fills_the_banner_and_caution_does_not(size: tuple[int, int], rows: int) -> None:
    """A wide block of colour is seen from the far end of the floor; the next alarms keep their row."""

    def filled(severity: Severity) -> int:
        alarm = sample.alarm("x", severity, "Will cross: lower limit", "Look at the floor.")
        canvas = page(replace(sample.calm(), alarms=(alarm, sample.alarm("y", Severity.CAUTION, "Next"))), size=size)
        assert "Next" in canvas.text()
        return sum(f"fill_{severity.name.lower()}" in roles for roles in canvas.roles)

    assert filled(Severity.DANGER) == filled(Severity.WARNING) == rows
    assert filled(Severity.CAUTION) == 2


def set_aside(state: AlarmState, active: bool) -> Snapshot:
    aside = sample.alarm("past", Severity.DANGER, "Will cross: upper limit", "Look up.", state=state, active=active)
    return replace(sample.calm(), alarms=(aside,))


@pytest.mark.parametrize("size", SIZES, ids=str)
@pytest.mark.parametrize("state", [AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE])
def test_an_alarm_put_aside_is_still_told_while_its_cause_stands(size: tuple[int, int], state: AlarmState) -> None:
    """On every screen, also behind another alarm; and nothing claims that there is none."""
    for spec in SCREENS:
        text = page(set_aside(state, True), spec, size).text()
        assert "No other alarm" in text
        assert "◆ Will cross: upper limit" in text
        assert ("shelved 1" if state is AlarmState.SHELVED else "out of service 1") in text
    over = set_aside(state, False)
    assert "No other alarm" not in page(over, size=size).text()
    behind = replace(over, alarms=(sample.alarm("x", Severity.CAUTION, "Oil leaks away"), *over.alarms))
    assert f"{state} 1" in page(behind, size=size).text()


@pytest.mark.parametrize("size", SIZES, ids=str)
def test_what_is_set_aside_is_counted_on_every_screen(size: tuple[int, int]) -> None:
    """Shelved ones with when the next comes back, also while the data is bad."""

    def aside(key: str, state: AlarmState, minutes: float | None = None) -> AlarmView:
        until = None if minutes is None else sample.T0_NS + round(60 * minutes) * sample.SECOND
        return sample.alarm(key, Severity.WARNING, f"Alarm {key}", state=state, shelved_until_ns=until)

    shelved, out, design = AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE, AlarmState.SUPPRESSED
    all_kinds = (
        aside("a", shelved, 25.0),
        aside("b", shelved, 11.0),
        aside("c", out),
        aside("d", design),
        aside("e", design),
    )
    for spec in SCREENS:
        for base in (sample.calm(), sample.danger(), sample.height_unknown()):
            snap = replace(base, alarms=(*base.alarms, *all_kinds))
            row = "".join(page(snap, spec, size).chars[-2])
            assert "shelved 2, " in row
            assert "11 min" in row
            assert "out of service 1 · suppressed 2" in row or "out 1; suppr. 2" in row
            assert "HEIGHT UNKNOWN" in row or base is not sample.height_unknown()
    calm = page(replace(sample.calm(), alarms=all_kinds[:2]), size=size).text()
    assert "shelved 2, next back in 11 min" in calm
    assert not aside_words(sample.danger())


@pytest.mark.parametrize("size", SIZES, ids=str)
def test_what_a_running_check_brings_about_is_named_and_asks_nothing(size: tuple[int, int]) -> None:
    tested = sample.alarm("brake-now-up", Severity.WARNING, "Brake now: upper limit", "Look at the block.",
                          state=AlarmState.SUPPRESSED, expected=True)  # fmt: skip
    snap = replace(sample.calm(), alarms=(tested,))
    text = page(snap, size=size).text()
    assert "No alarm but those expected while testing" in text
    assert "WARNING" not in text
    assert "Brake now: upper limit: expected while testing" in text
    listed = page(snap, SCREENS[2], size).text()
    assert listed.count("expected while testing") >= 2
    assert "suppressed by design" not in listed
