"""While nothing new comes: the doubt grows and is told, but what warns of a limit goes by the motion that is to be expected."""

from dataclasses import replace
from typing import Any

import pytest

from monitor.config.rig_file import find_rig
from monitor.config.toml_file import validate
from monitor.model.alarm import AlarmState, Finding
from monitor.model.reading import Validity
from simulators.scenario.direct_feed import findings_of
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.scenario import Scenario
from tests.core.estimator.motion_bench import Bench, profile, rig_with

STROKE = [(1.0, 2.0), (25.0, 25.0), (25.0, 3.0), (3.0, 20.0), (3.0, 3.0)]
PAUSE_S = 14.0


def paused(at_s: float) -> Bench:
    """A stroke of which nothing more is heard from `at_s` on."""
    bench = Bench(
        rig_with("land"),
        profile(STROKE, 1.0)[0],
        faults={"drum": lambda t, v: None if t > at_s else v},
        braking=lambda t: False,
    )
    return bench.run(at_s + 1.9)


def test_the_doubt_that_only_silence_adds_is_told_but_not_expected() -> None:
    looks = [(t, e) for t, _, e in paused(PAUSE_S).track]
    assert all(e.expected is None for t, e in looks if t < PAUSE_S + 0.1)
    silent = [e for t, e in looks if t > PAUSE_S + 0.2 and e.validity is not Validity.INVALID]
    assert silent
    heard = max((e for t, e in looks if t < PAUSE_S), key=lambda e: e.t_ns)
    bounds = [e.height_bound_m for e in silent]
    assert bounds == sorted(bounds)
    assert bounds[-1] > 0.5
    for e in silent:
        assert e.expected is not None
        assert e.expected.height_bound_m < heard.height_bound_m + 0.06
        assert e.expected.speed_bound_m_s < 0.3
        assert e.expected.speed_m_s == pytest.approx(e.speed_m_s, abs=0.05)


def test_a_block_that_slows_down_is_expected_to_go_on_slowing_down_and_to_stay_at_rest() -> None:
    bench = paused(25.2)  # two seconds before it rests
    silent = [(h, e.expected) for t, h, e in bench.track if e.expected is not None]
    assert len(silent) > 5
    speeds = [e.speed_m_s for _, e in silent if e is not None]
    assert speeds == sorted(speeds, reverse=True)
    assert min(speeds) >= -1e-9


def run_to_floor(*pauses: tuple[float, float]) -> list[Finding]:
    """What is found where the block runs at the lower limit and nobody brakes, with nothing heard in `pauses` (start, length)."""
    table: dict[str, Any] = {
        "name": "pause", "description": "a run at the floor", "rig": "land", "duration_s": 30.0, "truth_spread": 0.0,
        "work": {
            "program": "run-to-floor", "start_m": 20.0,
            "settings": {"string_n": 600000.0, "lower_m_s": 1.0, "brake_at_m": 0.5, "wait_s": 1.0},
        },
        "faults": [{"kind": "broker-outage", "start_s": start, "length_s": length} for start, length in pauses],
    }  # fmt: skip
    source = PlantSource(find_rig("land"), validate(Scenario, table, "test"), 1)
    found = [finding for finding in findings_of(source) if finding.key == "brake-now-down"]
    return [replace(finding, t_ns=finding.t_ns - source.origin_ns) for finding in found]


def test_a_block_last_seen_running_at_the_limit_is_still_warned_of() -> None:
    warned_s = run_to_floor()[0].t_ns * 1e-9
    in_pause = run_to_floor((warned_s - 0.7, 1.6))
    assert in_pause[0].t_ns * 1e-9 == pytest.approx(warned_s, abs=0.35)


def test_a_warning_that_was_raised_stays_while_nothing_new_comes() -> None:
    warned_s = run_to_floor()[0].t_ns * 1e-9
    start_s = warned_s + 0.15
    found = [f for f in run_to_floor((start_s, 1.5)) if f.t_ns * 1e-9 < start_s + 1.5]
    assert not [f for f in found if f.after in (AlarmState.NORMAL, AlarmState.RETURNED)]
