"""Trials: drawn by seed alone, the same for any number of processes, resumable, and scored by exact statistics."""

import json
import math
from pathlib import Path
from typing import Any

import pytest

from monitor.cli import main
from monitor.config.rig_file import find_rig
from simulators.machine.plant import Plant
from simulators.machine.truth import Truth
from simulators.trial.cases import SETS, case_of
from simulators.trial.danger import stays_inside
from simulators.trial.pool import fingerprint, keep_sessions, run_set
from simulators.trial.report import page
from simulators.trial.runs import run_case
from simulators.trial.score import is_miss, quantile, rate, score, share


def test_cases_depend_on_set_seed_and_index_alone() -> None:
    for name in SETS:
        assert case_of(name, 1, 3) == case_of(name, 1, 3)
        assert case_of(name, 1, 3).scenario != case_of(name, 1, 4).scenario
        assert case_of(name, 1, 3).scenario != case_of(name, 2, 3).scenario
    drawn = [case_of("danger", 1, index) for index in range(60)]
    assert {case.rig.name for case in drawn} == {"land", "light", "deep"}
    assert {case.facts["brake"] for case in drawn} == {"sound", "hot", "leak", "glazed", "fresh"}
    assert {case.facts["hand"] for case in drawn} == {"none", "late", "partial", "feather"}
    assert {case.facts["down"] for case in drawn} == {True, False}


def test_danger_runs_are_dangerous_and_the_last_moment_is_the_last() -> None:
    """The truth passes the limit when nobody brakes; at the last useful moment a full brake still kept it."""
    cases = [case_of("danger", 5, index) for index in range(12)]
    for case in [case for case in cases if case.facts["hand"] == "none"][:4]:
        result = run_case(case)
        assert result["outcome"] != "no danger"
        if result["lead_s"] is not None:
            assert result["lead_s"] == pytest.approx(result["spare_s"] + case.rig.limits.reaction_s)
            # Braking is over before the limit, so "too late" lies before the crossing, and so does the warning.
            assert result["warned_s"] > result["lead_s"]


def test_stays_inside_agrees_with_driving_on() -> None:
    rig = find_rig("land")
    plant = Plant(rig, Truth.nominal(rig), 20.0, string_weight_n=1.0e6)
    plant.levers.brake, plant.levers.aux = 0.0, 0.55
    answers = []
    while plant.height_m > rig.limits.lower_m:
        for _ in range(20):
            plant.tick()
        answers.append(stays_inside(plant.clone(), down=True))
    assert answers[0]
    assert not answers[-1]
    assert answers == sorted(answers, reverse=True)


def test_a_clone_goes_its_own_way() -> None:
    rig = find_rig("land")
    plant = Plant(rig, Truth.nominal(rig), 20.0, string_weight_n=1.0e6)
    twin = plant.clone()
    twin.levers.brake = 0.0
    for _ in range(200):
        twin.tick()
    assert plant.height_m == 20.0
    assert plant.ticks == 0
    assert twin.height_m < 19.9
    assert plant.oil.service_1_pa > 0
    assert plant.levers.brake == 1.0


def test_same_results_whatever_the_number_of_processes_and_resumed(tmp_path: Path) -> None:
    alone, _ = run_set("danger", 9, 3, 1, tmp_path / "one")
    many, _ = run_set("danger", 9, 3, 2, tmp_path / "two")
    assert alone == many
    # Interrupted after one run and in the middle of writing the second, then taken up again.
    kept = tmp_path / "three"
    kept.mkdir()
    lines = (tmp_path / "one" / "danger-9.jsonl").read_text(encoding="utf-8").splitlines()
    (kept / "danger-9.jsonl").write_text("\n".join(lines[:2]) + "\n" + lines[2][:30], encoding="utf-8")
    seen: list[int] = []
    again, fresh = run_set("danger", 9, 3, 1, kept, lambda done, total: seen.append(done))
    assert again == alone
    assert fresh == {1, 2}
    assert seen == [1, 2, 3]


def test_one_run_can_be_repeated_alone(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["trial", "--set", "danger", "--seed", "9", "--only", "2"]) == 0
    assert json.loads(capsys.readouterr().out) == json.loads(json.dumps(run_case(case_of("danger", 9, 2))))


@pytest.mark.parametrize("index", [28, 119])
def test_a_service_pressure_that_reads_too_much_raises_no_alarm_of_motion(index: int) -> None:
    """Half and a third of full pressure too much, on the land and the light rig, from 70 or 90 s on: said, not believed."""
    case = case_of("instrument", 7, index)
    drawn = case.facts["kind"], case.facts["quantity"][:16]
    assert drawn == ("bias", "service_pressure"), "the draws are others now: take runs with this fault"
    result = run_case(case)
    assert result["announced_s"] < 1.0
    assert result["false_motion"] == 0


@pytest.mark.parametrize("index", [224, 294, 517])
def test_an_empty_block_that_rings_after_a_stop_does_not_silence_the_words(index: int) -> None:
    """A false connection in the watch's first seconds made the height unknown: no word before the floor."""
    case = case_of("danger", 3, index)
    assert (case.facts["string_n"], case.facts["hand"]) == (0.0, "none"), "the draws are others now: take such runs"
    assert run_case(case)["outcome"] == "in time"


def test_a_light_block_that_swings_on_its_line_after_a_full_stop_is_not_said_to_cross() -> None:
    """It rests 0.69 m short; the swing, seen late and to a centimetre, looked like 3 m/s toward the floor."""
    case = case_of("danger", 3, 123)
    drawn = case.rig.name, case.facts["hand"], case.facts["brake"]
    assert drawn == ("light", "late", "sound"), "the draws are others now: take such a run"
    result = run_case(case)
    assert result["outcome"] == "no danger"
    assert [word["word"] for word in result["words"]] == ["brake-fully"]


def test_a_crossing_at_creep_is_not_without_brake_fully_before_it() -> None:
    """A hand that pulls a third brings the block almost to rest at the floor: both last words come late."""
    case = case_of("danger", 3, 545)
    drawn = case.rig.name, case.facts["hand"], case.facts["brake"]
    assert drawn == ("light", "partial", "glazed"), "the draws are others now: take such a run"
    words = [word for word in run_case(case)["words"] if word["before_s"] is not None and word["before_s"] < 5.0]
    assert [word["word"] for word in words] == ["brake-fully", "will-cross"]
    assert words[0]["before_s"] > words[1]["before_s"] > 0.0


def test_results_of_another_monitor_are_not_mixed_in(tmp_path: Path) -> None:
    path = tmp_path / "danger-9.jsonl"
    head = {"trial": "danger", "seed": 9, "monitor": "something else"}
    path.write_text(json.dumps(head) + '\n{"set": "danger", "index": 0, "outcome": "silent"}\n', encoding="utf-8")
    seen: list[int] = []
    run_set("danger", 9, 1, 1, tmp_path, lambda done, total: seen.append(done))
    assert seen[0] == 0
    assert json.loads(path.read_text(encoding="utf-8").splitlines()[0])["monitor"] == fingerprint()


def test_a_miss_leaves_a_session(tmp_path: Path) -> None:
    from monitor.adapters.sessions.reader import SessionReader

    case = case_of("danger", 9, 0)
    missed = {"set": "danger", "index": 0, "outcome": "silent", "facts": case.facts}
    assert is_miss(missed)
    (path,) = keep_sessions("danger", 9, [missed], tmp_path)
    with SessionReader(path) as session:
        assert session.frames > 1000


def test_intervals() -> None:
    """Clopper-Pearson 0 of 30: upper bound 1 - 0.025^(1/30); Garwood 0 events: upper bound -ln 0.025 (closed forms)."""
    assert share(0, 30)["high"] == pytest.approx(1 - 0.025 ** (1 / 30))
    assert share(30, 30)["low"] == pytest.approx(0.025 ** (1 / 30))
    assert share(0, 0)["share"] is None
    assert rate(0, 2.0)["high"] == pytest.approx(-math.log(0.025) / 2)
    assert rate(10, 2.0)["per"] == 5.0
    middle = quantile([float(i) for i in range(101)], 0.5)
    assert middle["value"] == 50.0
    assert 38 <= middle["low"] < 50 < middle["high"] <= 62


def test_scores_and_page() -> None:
    words = [
        {"word": "brake-fully", "before_s": 1.5, "spare_m": 0.2, "predicted_m": [0.0, 0.0]},
        {"word": "brake-fully", "before_s": None, "spare_m": 0.4, "predicted_m": [0.0, 0.0]},
        {"word": "will-cross", "before_s": 0.1, "spare_m": -0.5, "predicted_m": [0.2, 0.6]},
    ]
    rows: dict[str, list[dict[str, Any]]] = {
        "danger": [
            {"set": "danger", "index": i, "outcome": o, "lead_s": lead, "spare_s": lead and lead - 1.0, "warned_s": 2.0,
             "ease_s": 5.0, "words": words, "facts": {"rig": "land"}}
            for i, (o, lead) in enumerate([("in time", 2.0), ("in time", 3.0), ("late", 0.5), ("beyond the brake", None)])
        ],
        "calm": [
            {"set": "calm", "index": 0, "hours": 0.5, "alarms": [[1.0, "ease-up", "NOTICE", "false"],
             [2.0, "brake-now-up", "WARNING", "justified"], [3.0, "slack-line", "WARNING", "false"]],
             "windows": [3, 0, 0], "chattering": 0, "fleeting": 0, "stale": 0, "events": [], "facts": {}}
        ],
        "instrument": [
            {"set": "instrument", "index": 0, "announced_s": 1.0, "false_motion": 0, "looked": 9, "valid": 9, "wrong": 0,
             "worst_m": 0.0, "facts": {"kind": "freeze", "quantity": "hook_load"}}
        ],
        "height": [
            {"set": "height", "index": i, "looked": 10, "valid": valid, "wrong": wrong, "worst_m": 0.1, "told_s": told,
             "off_s": off, "facts": {"kind": kind}}
            for i, (kind, valid, wrong, told, off) in enumerate(
                [("drift", 8, 2, 3.0, 5.0), ("drift", 10, 0, None, None), ("rope slip", 10, 0, 6.0, 5.0)])
        ],
    }  # fmt: skip
    figures = {name: score(name, results) for name, results in rows.items()}
    assert figures["danger"]["in_time"]["share"] == pytest.approx(2 / 3)
    assert [miss["index"] for miss in figures["danger"]["misses"]] == [2]
    fared = figures["danger"]["words"]
    assert (fared["brake_fully"]["false"]["hits"], fared["brake_fully"]["false"]["of"]) == (4, 8)
    assert fared["brake_fully"]["stopped_short"]["hits"] == 8
    assert fared["will_cross"]["false"]["hits"] == fared["will_cross"]["crossed_without"]["hits"] == 0
    assert fared["overrun_as_said"]["hits"] == 4
    assert figures["calm"]["false_serious_per_100_h"]["count"] == 1
    assert figures["calm"]["alarms_per_10_min"]["per"] == pytest.approx(1.0)
    assert figures["instrument"]["announced"]["share"] == 1.0
    fared = figures["height"]
    assert fared["inside_while_valid"]["share"] == pytest.approx(26 / 28)
    assert (fared["told_before_off_by_a_metre"]["hits"], fared["told_before_off_by_a_metre"]["of"]) == (1, 2)
    assert fared["by_kind"]["drift"]["valid"]["share"] == pytest.approx(18 / 20)
    assert [miss["index"] for miss in fared["misses"]] == [0]
    text = page({"seed": 1, "monitor": "x", "sets": figures}, rows)
    assert text.count("<svg") == 4
    assert "http" not in text


def test_a_warning_that_stands_while_a_creep_pauses_came_when_it_came() -> None:
    """A hand that feathers lets the block stand for moments, warned of all the while: that warning came long before."""
    result = run_case(case_of("danger", 3, 1756))
    assert result["outcome"] == "in time"
    assert result["warned_s"] > 8.0
    assert result["lead_s"] > 1.5
