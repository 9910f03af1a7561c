"""The overtravel function test on made readings: passes, each way to fail, and what must not be judged."""

import pytest

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
    assert bench.step(CHECK).after == "step 2 of 4", bench.findings[-1].message
    bench.run(1.0, 0.15)
    return bench


def trip(bench: Bench, at_m: float = SET_M, **halves: float | None) -> None:
    """Go on to `at_m`, where these halves act."""
    bench.run((at_m - bench.height_m) / 0.15, 0.15)
    bench.run(0.05, **(halves or {"overtravel_electric": 1.0, "overtravel_air": 1.0}))


def stop(bench: Bench, after_s: float = 0.4) -> None:
    """The block goes on so long, and then rests until the check is over."""
    bench.run(after_s)
    bench.run(8.0, 0.0)


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
        "step 1 of 4", "step 2 of 4", "step 3 of 4", "step 4 of 4", "pass",
    ]  # fmt: skip


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
    bench.run(8.0)
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
    assert bench.step(CHECK).after == "step 2 of 4"


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
