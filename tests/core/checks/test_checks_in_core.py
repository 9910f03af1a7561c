"""The guided checks inside the core, on a simulated rig: actions in, findings and snapshot out, and the same when replayed."""

import random
from functools import cache

import pytest

from monitor.config.rig import Rig
from monitor.config.rules_file import default_rules_path, load_rules
from monitor.core.engine import Core
from monitor.core.signals.table import SIGNAL_NAMES
from monitor.model.alarm import Finding
from monitor.model.check import CheckVerdict
from monitor.model.reading import Validity
from monitor.model.snapshot import Snapshot
from monitor.model.stream import Action, ActionKind, Frame
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.scenario import CrewAction, find_scenario
from tests.core.checks.check_bench import HOUR_NS, rig_with

SECOND = 1_000_000_000


def core_of(rig: Rig) -> Core:
    return Core(rig, load_rules(default_rules_path(), rig, SIGNAL_NAMES))


def feed(core: Core, item: Frame | Action) -> list[Finding]:
    return core.ingest(item) if isinstance(item, Frame) else core.act(item)


@cache
def session_of(scenario: str) -> tuple[list[Frame | Action], list[Finding], Snapshot]:
    """The shipped scenario, live: what was recorded, what was found with a timer running, and the last snapshot."""
    draw = random.Random(7)
    rig = rig_with()
    core = core_of(rig)
    crew = (
        CrewAction(at_s=1.0, kind="check start", target="overtravel-function"),
        CrewAction(at_s=2.0, kind="check step", target="overtravel-function"),
    )
    source = PlantSource(rig, find_scenario(scenario).model_copy(update={"actions": crew}), 3, duration_s=100.0)
    record: list[Frame | Action] = []
    said: list[Finding] = []
    for item in source.items():
        if draw.random() < 0.05:
            said += core.advance(item.t_ns - draw.randrange(20_000_000))
        if isinstance(item, Frame):
            record.append(frame := core.admit(item))
            said += core.ingest(frame)
        else:
            record.append(action := core.admit(item))
            said += core.act(action)
    return record, said, core.snapshot()


@pytest.mark.parametrize(
    ("scenario", "verdict"), [("overtravel-test", CheckVerdict.PASS), ("overtravel-half", CheckVerdict.FAIL)]
)
def test_the_overtravel_test_on_the_simulated_rig(scenario: str, verdict: CheckVerdict) -> None:
    _, said, snapshot = session_of(scenario)
    reported = [finding for finding in said if finding.kind == "check"]
    assert reported[0].after == "step 1 of 5"
    assert reported[-1].after == verdict
    view = snapshot.checks[0]
    assert view.result is not None
    assert (view.result.verdict, view.result.t_ns, view.running) == (verdict, reported[-1].t_ns, False)


@pytest.mark.parametrize("scenario", ["overtravel-test", "overtravel-half"])
def test_a_replay_finds_the_same_to_the_nanosecond(scenario: str) -> None:
    record, said, snapshot = session_of(scenario)
    core = core_of(rig_with())
    again = [finding for item in record for finding in feed(core, item)]
    assert again == said
    assert core.snapshot().checks == snapshot.checks


def signal(core: Core, name: str) -> tuple[float, int]:
    return core.values[SIGNAL_NAMES.index(name)]


def quiet(core: Core, start_ns: int, seconds: float) -> list[Finding]:
    """Nothing but the hook load comes for so long."""
    said = []
    for tenth in range(round(10 * seconds)):
        t = start_ns + tenth * SECOND // 10
        said += core.feed(Frame(t, "rig/land/hoist/hook-load", b'{"value": 216, "t": %d}' % (t // 1_000_000)))
    return said


def test_a_cut_and_slip_makes_the_device_due_and_says_so() -> None:
    core = core_of(rig_with())
    start = 1_700_000_000 * SECOND
    quiet(core, start, 1.0)
    assert signal(core, "overtravel_untested") == (0.0, Validity.VALID)
    core.feed(Action(start + SECOND, ActionKind.SLIP_AND_CUT, number=15.0, who="ab"))
    said = quiet(core, start + SECOND, 1.0)
    assert signal(core, "overtravel_untested") == (1.0, Validity.VALID)
    assert [finding.key for finding in said if finding.key == "overtravel-untested"] == ["overtravel-untested"]
    assert {view.id for view in core.snapshot().checks if view.due} == {"overtravel-function", "height-reference"}


def test_the_first_hour_of_a_new_record_is_quiet_about_it() -> None:
    core = core_of(rig_with())
    start = 1_700_000_000 * SECOND
    quiet(core, start, 1.0)
    # A gap of most of an hour, without the grid points in between.
    core.now_ns = core._next_grid = start + HOUR_NS - SECOND
    quiet(core, start + HOUR_NS - SECOND, 0.5)
    assert signal(core, "overtravel_untested")[0] == 0.0
    quiet(core, start + HOUR_NS, 1.0)
    assert signal(core, "overtravel_untested")[0] == 1.0


def test_a_rig_without_sensors_on_the_device_has_no_such_signal() -> None:
    core = core_of(rig_with(without=("overtravel_electric", "overtravel_air")))
    start = 1_700_000_000 * SECOND
    quiet(core, start, 1.0)
    assert signal(core, "overtravel_untested")[1] == Validity.NOT_FITTED


def test_two_references_given_to_the_core_are_compared() -> None:
    core = core_of(rig_with())
    start = 1_700_000_000 * SECOND
    said: list[Finding] = []
    turns, rate, step = 12.0, 0.0, 0

    def drive(seconds: float, turns_a_second: float) -> None:
        nonlocal turns, rate, step
        for _ in range(round(20 * seconds)):
            t = start + step * SECOND // 20
            step += 1
            rate += max(-0.05, min(0.05, turns_a_second - rate))
            turns += rate / 20
            counts = 1_000_000 + round(4096 * (turns - 12.0))
            for name, value in (("drum", counts), ("hook-load", 216)):
                payload = b'{"value": %d, "t": %d, "seq": %d}' % (value, t // 1_000_000, step)
                said.extend(core.feed(Frame(t, f"rig/land/hoist/{name}", payload)))

    def act(kind: ActionKind, number: float | None = None) -> None:
        said.extend(core.feed(Action(core.now_ns, kind, "height-reference", number, who="ab")))

    drive(1.0, 0.0)
    act(ActionKind.CHECK_START)
    act(ActionKind.REFERENCE_HEIGHT, 1.0)
    drive(30.0, 2.0)
    drive(2.0, 0.0)
    height = core.snapshot().value("height").number
    assert height > 11.0
    act(ActionKind.REFERENCE_HEIGHT, round(height + 0.05, 2))
    drive(1.0, 0.0)
    (reported,) = [
        finding for finding in said if finding.kind == "check" and finding.after in ("pass", "fail", "not judged")
    ]
    assert reported.after == "pass"
    assert reported.threshold == core.rig.checks.reference_tolerance_m
