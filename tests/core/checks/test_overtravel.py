"""The overtravel function test on made readings: passes, each way to fail, and what must not be judged."""

import pytest

from monitor.config.rig_file import find_rig
from monitor.config.rules_file import default_rules_path, load_rules
from monitor.core.checks.guided_checks import PROCEDURES
from monitor.core.signals.table import SIGNAL_NAMES
from monitor.model.check import CheckVerdict
from monitor.model.reading import Validity
from tests.core.checks.check_bench import Bench, rig_with

CHECK = "overtravel-function"
PASS, FAIL, NOT_JUDGED = CheckVerdict
SET_M = 38.5


def raising(bench: Bench | None = None) -> Bench:
    """A bench in the second step, the empty block going up slowly 1 m below the device's height."""
    bench = bench or Bench()
    bench.height_m = SET_M - 1.0
    bench.start(CHECK)
    assert bench.step(CHECK).after == "step 2 of 5", bench.findings[-1].message
    bench.run(1.0, 0.15)
    return bench


def trip(bench: Bench, at_m: float = SET_M, **halves: float | None) -> None:
    """Go on to `at_m`, where these halves act."""
    bench.run((at_m - bench.height_m) / 0.15, 0.15)
    bench.run(0.05, **(halves or {"overtravel_electric": 1.0, "overtravel_air": 1.0}))


def stop(bench: Bench, after_s: float = 0.4) -> None:
    """The block goes on so long, rests while the halves are looked at, and comes back down, where the device is reset."""
    bench.run(after_s)
    bench.run(8.0, 0.0)
    bench.run(5.0, -0.3)
    bench.run(1.0, 0.0, overtravel_electric=0.0, overtravel_air=0.0)


def test_both_halves_act_at_the_height_and_the_block_stops() -> None:
    bench = raising()
    trip(bench)
    stop(bench)
    result = bench.result(CHECK)
    assert result.verdict is PASS, result.reason
    assert result.who == "ab"
    numbers = {reading.label: reading.value.number for reading in result.readings}
    assert numbers["electric half acted at"] == pytest.approx(SET_M, abs=0.02)
    assert numbers["air half acted at"] == pytest.approx(SET_M, abs=0.02)
    assert numbers["way after it acted"] == pytest.approx(0.06, abs=0.01)
    assert numbers["time to rest"] == pytest.approx(0.45, abs=0.06)
    assert bench.view(CHECK).passed_ns == result.t_ns
    assert [finding.after for finding in bench.findings] == [
        "step 1 of 5", "step 2 of 5", "step 3 of 5", "step 4 of 5", "step 5 of 5", "pass",
    ]  # fmt: skip


def test_it_is_over_when_the_block_is_back_below_and_the_device_is_reset() -> None:
    bench = raising()
    trip(bench)
    bench.run(0.4)
    bench.run(8.0, 0.0)
    assert bench.view(CHECK).hint == "6.5 in to go down"
    bench.run(2.0, -0.3)
    assert "the electric half still stands tripped" in bench.view(CHECK).hint
    bench.run(0.1, 0.0, overtravel_electric=0.0)
    assert "the air half still stands tripped" in bench.view(CHECK).hint
    bench.run(0.1, 0.0, overtravel_air=0.0)
    assert bench.verdict(CHECK) is PASS


# --- alarms that the test brings about ----------------------------------------------------------------------------------


def expected(bench: Bench) -> set[str]:
    return set(bench.checks.expected)


def test_what_the_test_brings_about_is_expected_step_by_step() -> None:
    bench = raising()
    assert expected(bench) == set()
    bench.run(0.1)  # a second of slow motion near the device
    assert {"ease-up", "brake-now-up", "brake-fully-up", "will-cross-up", "overtravel-height"} <= expected(bench)
    trip(bench)
    assert {"overtravel-electric", "overtravel-air", "will-cross-up"} <= expected(bench)
    bench.run(0.4)
    bench.run(8.0, 0.0)
    assert bench.view(CHECK).steps[4].state == "now"
    assert "overtravel-height" in expected(bench)
    assert "will-cross-up" not in expected(bench), "going up again after the test is no test"
    bench.run(2.0, -0.3, overtravel_electric=0.0, overtravel_air=0.0)
    assert bench.verdict(CHECK) is PASS
    assert expected(bench) == set()


@pytest.mark.parametrize(
    "wrong",
    ["faster", "load", "load unknown", "height unknown", "beyond", "below", "no check", "aborted"],
)
def test_what_the_test_does_not_do_brings_the_words_back_at_once(wrong: str) -> None:
    bench = Bench() if wrong == "no check" else raising()
    bench.height_m = max(bench.height_m, SET_M - 1.0)
    bench.run(1.2, 0.15)
    assert bool(expected(bench)) is (wrong != "no check")
    readings: dict[str, float | None] = {}
    if wrong == "faster":
        bench.speed_m_s = 0.4
    elif wrong == "beyond":
        bench.height_m = SET_M + 0.51
    elif wrong == "below":
        bench.height_m = 34.4
    elif wrong == "height unknown":
        bench.validity = Validity.INVALID
    elif wrong == "aborted":
        bench.findings += bench.checks.abort(bench.t_ns, CHECK, "ab")
    elif wrong == "load":
        readings["hook_load"] = 400_000.0
    elif wrong == "load unknown":
        readings["hook_load"] = None
        bench.run(1.0, **readings)
    bench.run(0.05, **readings)
    assert expected(bench) == set()


def test_what_came_back_stays_until_the_block_has_done_what_the_test_does_for_a_second() -> None:
    bench = raising()
    bench.run(0.2)
    bench.run(0.05, 0.4)
    bench.run(0.9, 0.15)
    assert expected(bench) == set()
    bench.run(0.2)
    assert expected(bench)


def test_every_rule_that_a_check_expects_is_in_the_catalogue() -> None:
    rules = load_rules(default_rules_path(), find_rig("land"), SIGNAL_NAMES)
    ids = {rule.id for rule in rules.rules}
    named = {id for procedure in PROCEDURES for step in procedure.steps for id in step.expects}
    assert named
    assert named <= ids


def test_the_record_speaks_the_rigs_own_units() -> None:
    bench = raising()
    trip(bench)
    stop(bench)
    assert "126.3 ft" in bench.result(CHECK).reason


def test_the_second_half_may_act_while_the_block_comes_to_rest() -> None:
    bench = raising()
    trip(bench, overtravel_air=1.0)
    bench.run(0.3)
    bench.run(0.2, 0.0, overtravel_electric=1.0)
    stop(bench, 0.0)
    assert bench.verdict(CHECK) is PASS


@pytest.mark.parametrize(("half", "other"), [("electric", "air"), ("air", "electric")])
def test_a_half_that_does_not_act_fails(half: str, other: str) -> None:
    bench = raising()
    trip(bench, **{f"overtravel_{other}": 1.0})
    stop(bench)
    assert bench.verdict(CHECK) is FAIL
    assert f"the {half} half did not act" in bench.result(CHECK).reason


def test_a_backup_half_set_higher_need_not_act() -> None:
    bench = raising(Bench(rig_with(overtravel_halves="electric")))
    trip(bench, overtravel_electric=1.0)
    stop(bench)
    assert bench.verdict(CHECK) is PASS


def test_the_backup_acting_before_the_half_under_test_fails() -> None:
    bench = raising(Bench(rig_with(overtravel_halves="electric")))
    trip(bench, overtravel_air=1.0)
    assert bench.verdict(CHECK) is FAIL
    assert "before the electric half" in bench.result(CHECK).reason


def test_a_device_that_never_acts_fails_once_the_block_is_surely_past_it() -> None:
    bench = raising()
    bench.run(10.0)
    result = bench.result(CHECK)
    assert result.verdict is FAIL
    # Set height, tolerance and the height's own doubt.
    assert bench.findings[-1].number == pytest.approx(SET_M + 0.5 + 0.05, abs=0.02)


@pytest.mark.parametrize(
    ("at_m", "verdict"),
    [
        (SET_M - 0.4, PASS),
        (SET_M - 0.5, NOT_JUDGED),
        (SET_M - 0.65, FAIL),
        (SET_M + 0.4, PASS),
        (SET_M + 0.5, NOT_JUDGED),
    ],
)
def test_the_height_it_acts_at_is_held_against_the_tolerance_and_its_doubt(at_m: float, verdict: CheckVerdict) -> None:
    bench = raising()
    trip(bench, at_m)
    stop(bench)
    assert bench.verdict(CHECK) is verdict, bench.result(CHECK).reason


def test_tripping_without_stopping_fails() -> None:
    bench = raising()
    trip(bench)
    bench.run(2.5)
    assert bench.verdict(CHECK) is FAIL
    assert "still moving" in bench.result(CHECK).reason


def test_a_stop_by_the_crews_hand_says_nothing_about_the_device() -> None:
    bench = raising()
    trip(bench)
    bench.run(0.2, brake_lever=0.9)
    assert bench.verdict(CHECK) is NOT_JUDGED
    assert "lever" in bench.result(CHECK).reason


def test_raised_too_fast() -> None:
    bench = raising()
    bench.run(1.0, 0.6)
    bench.run(0.05, overtravel_electric=1.0, overtravel_air=1.0)
    assert bench.verdict(CHECK) is NOT_JUDGED
    assert "raised at" in bench.result(CHECK).reason


def test_a_device_worked_by_hand_at_rest_is_no_test() -> None:
    bench = raising()
    bench.run(2.0, 0.0)
    bench.run(0.1, overtravel_electric=1.0, overtravel_air=1.0)
    assert bench.verdict(CHECK) is NOT_JUDGED
    assert "not being raised" in bench.result(CHECK).reason


def test_a_height_corrected_on_the_way_to_rest_spoils_it() -> None:
    bench = raising()
    trip(bench)
    bench.run(0.1)
    bench.height_m += 0.2
    bench.run(0.1)
    assert bench.verdict(CHECK) is NOT_JUDGED


# --- the first step objects -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("readings", "words"),
    [
        ({"overtravel_electric": 1.0}, "stands tripped"),
        ({"overtravel_air": 1.0}, "stands tripped"),
        ({"overtravel_air": None}, "missing"),
        ({"hook_load": 600_000.0}, "a load hangs"),
        ({"hook_load": None}, "not known"),
    ],
)
def test_it_does_not_begin_before_all_is_right(readings: dict[str, float | None], words: str) -> None:
    bench = Bench()
    bench.start(CHECK)
    bench.run(0.1, **readings)
    refused = bench.step(CHECK)
    assert refused.after == "refused"
    assert words in refused.message
    assert words in bench.view(CHECK).hint
    bench.run(0.1, overtravel_electric=0.0, overtravel_air=0.0, hook_load=216_000.0)
    assert bench.step(CHECK).after == "step 2 of 5"


# --- what is not known never passes -----------------------------------------------------------------------------------


@pytest.mark.parametrize("when", ["before", "after"])
@pytest.mark.parametrize(
    "lost", ["overtravel_electric", "overtravel_air", "brake_lever", "hook_load", "height"],
)  # fmt: skip
def test_a_reading_lost_at_the_trip_never_passes(lost: str, when: str) -> None:
    bench = raising()
    acted: dict[str, float | None] = {"overtravel_electric": 1.0, "overtravel_air": 1.0}
    bench.run((SET_M - bench.height_m) / 0.15)
    if when == "after":
        trip(bench)
        acted = {}
    if lost == "height":
        bench.validity = Validity.INVALID
    else:
        acted[lost] = None
    bench.run(0.1, **acted)
    bench.run(0.2)
    bench.run(8.0, 0.0)
    reset = {half: 0.0 for half in ("overtravel_electric", "overtravel_air") if half != lost}
    bench.run(4.0, -0.3, **reset)
    harmless = when == "after" and lost in ("overtravel_electric", "overtravel_air", "hook_load")
    # After it has acted, a half's reading has told all it had to tell.
    assert bench.verdict(CHECK) is (PASS if harmless else NOT_JUDGED), bench.result(CHECK).reason


def test_a_half_whose_reading_comes_back_tripped_gives_no_height() -> None:
    bench = raising()
    bench.run(1.0, overtravel_electric=None)
    bench.run(0.1, overtravel_electric=1.0)
    assert bench.verdict(CHECK) is NOT_JUDGED
    assert "was missing when it acted" in bench.result(CHECK).reason


def test_a_height_known_only_roughly_is_not_judged() -> None:
    bench = raising()
    bench.bound_m, bench.validity = 0.6, Validity.DEGRADED
    trip(bench)
    stop(bench)
    assert bench.verdict(CHECK) is NOT_JUDGED
    assert "known to ±" in bench.result(CHECK).reason
