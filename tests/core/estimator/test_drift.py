"""Four causes of drift, each made by a true machine that has it, and named by its signature."""

import random
from collections.abc import Callable

import pytest

from monitor.config.rig_file import find_rig
from monitor.core.estimator.drift import NO_DRIFT, Diagnosis, DriftWatch, Record, explain
from monitor.core.estimator.height_map import HeightMap
from monitor.physics.drum import DrumGeometry
from tests.core.estimator.motion_bench import line_m, turns_at

RIG = find_rig("land")
LAYERS = HeightMap(
    DrumGeometry(
        RIG.drum.core_diameter_m,
        RIG.line.rope_diameter_m,
        RIG.drum.wraps_per_layer,
        RIG.drum.nesting,
        RIG.drum.max_layers,
    ),
    RIG.reference.turns,
    RIG.reference.height_m,
    RIG.line.lines,
)
HEIGHTS = (4.0, 12.0, 20.0, 28.0, 36.0, 24.0, 16.0, 8.0, 30.0, 18.0, 6.0, 34.0)


def records(
    turns: Callable[[int, float], float], sigma_m: float = 0.02, seed: int = 1, stretch: float = 0.0
) -> list[Record]:
    """One record per height: `turns(k, height)` is what the encoder says there; `stretch` adds to the drop under load."""
    draw = random.Random(seed)
    kept = []
    for k, height in enumerate(HEIGHTS):
        drop = (0.0, 0.06, 0.11)[k % 3]
        counted = turns(k, height + stretch * drop)
        outside = height + draw.gauss(0.0, sigma_m)
        kept.append(Record(k * 10**9, counted, drop, outside - LAYERS.height(counted), sigma_m))
    return kept


def exact(height: float) -> float:
    """Turns of the configured drum."""
    return turns_at(RIG, height)


def test_no_drift_no_words() -> None:
    for seed in range(20):
        assert explain(records(lambda k, h: exact(h), seed=seed), LAYERS).cause == ""


@pytest.mark.parametrize("event", [2, 5, 8])
@pytest.mark.parametrize("lost", [-2.0, 1.0])
def test_lost_counts(event: int, lost: float) -> None:
    """The same number of turns is missing everywhere after one moment (the height error differs by layer a little)."""
    found = explain(records(lambda k, h: exact(h) + (lost if k >= event else 0.0)), LAYERS)
    assert found.cause == "counts"
    assert found.amount == pytest.approx(-lost * 0.22, abs=0.06)
    assert "counts lost" in found.text


@pytest.mark.parametrize("thinner", [-0.03, -0.02, 0.02])
def test_rope_diameter(thinner: float) -> None:
    found = explain(records(lambda k, h: turns_at(RIG, h, thinner)), LAYERS)
    assert found.cause == "rope"
    assert found.amount == pytest.approx(thinner, abs=0.005)


@pytest.mark.parametrize("more", [-6.0, 6.0, 10.0])
def test_start_wrap_after_cut_and_slip(more: float) -> None:
    """So many wraps more lie on the drum at the reference height; the encoder was set as if nothing had happened."""
    start = RIG.reference.turns + more
    found = explain(records(lambda k, h: turns_at(RIG, h, start_turns=start) - more), LAYERS)
    assert found.cause == "wraps"
    assert found.amount == pytest.approx(more, abs=1.5)


def test_stretch_with_the_load() -> None:
    found = explain(records(lambda k, h: exact(h), sigma_m=0.01, stretch=0.8), LAYERS)
    assert found.cause == "stretch"
    assert found.amount == pytest.approx(0.8, abs=0.2)


def test_a_large_difference_without_a_pattern_is_said_to_be_unclear() -> None:
    draw = random.Random(4)
    odd = [Record(k * 10**9, exact(h), 0.0, draw.choice((-0.7, 0.7)), 0.02) for k, h in enumerate(HEIGHTS)]
    assert explain(odd, LAYERS).cause == "unclear"


def test_two_records_are_no_evidence() -> None:
    assert explain(records(lambda k, h: turns_at(RIG, h, -0.03))[:2], LAYERS) == Diagnosis("", 0.0, "")


def test_the_watch_keeps_records_until_the_datum_is_renewed() -> None:
    watch = DriftWatch(LAYERS)
    for k, height in enumerate(HEIGHTS):
        watch.add(k, turns_at(RIG, height, -0.03), height, 0.0, 0.02)
    assert watch.diagnosis.cause == "rope"
    watch.restart(LAYERS)
    assert watch.diagnosis.cause == ""
    assert watch.add(99, exact(5.0), 5.0, 0.0, 0.02).cause == ""


def test_numbers_of_the_worked_example() -> None:
    """150 turns on a 0.7112 m drum, 36 wraps a layer, 12 lines, from the first wrap: a rope 2 % thinner gives 0.108 m
    less travel, six wraps more at the datum 0.380 m more (derived here from the layer radii)."""
    rig = RIG.model_copy(update={"drum": RIG.drum.model_copy(update={"wraps_per_layer": 36})})

    def travel(start: float, rope: float = 0.0) -> float:
        return (line_m(rig, start + 150.0, rope) - line_m(rig, start, rope)) / 12

    plain = travel(4.0)
    assert plain == pytest.approx(33.354, abs=2e-3)
    assert travel(10.0) - plain == pytest.approx(0.380, abs=2e-3)
    assert travel(4.0, -0.02) - plain == pytest.approx(-0.108, abs=2e-3)


def test_a_height_beyond_any_mast_says_nothing_about_the_drum() -> None:
    """Found by random input: a wild count made a difference whose square no float holds."""
    watch = DriftWatch(LAYERS)
    for n in range(5):
        assert watch.add(n, 80.0, 1e300 if n % 2 else -1e200, 0.0, 0.02) == NO_DRIFT


def test_set_downs_of_other_work_are_no_drift() -> None:
    draw, watch = random.Random(3), DriftWatch(LAYERS)
    for level in (29.0, 2.0, 29.0):  # out of the hole, into it, and out again
        for _ in range(12):
            assert watch.set_down(level + draw.gauss(0.0, 0.1)) == ""
    words = [watch.set_down(29.8 + draw.gauss(0.0, 0.1)) for _ in range(3)]
    assert "lie +0.8" in words[-1]
