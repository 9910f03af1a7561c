"""The table of believable ranges: a row for every signal, thresholds inside it, words outside it."""

import math
from pathlib import Path

import pytest

from monitor.config.rig_file import find_rig, shipped_rigs
from monitor.config.rules_file import default_rules_path, load_rules
from monitor.core.signals.believable import BELIEVABLE, BEYOND, NO_LOAD, NO_STOP
from monitor.core.signals.table import SIGNAL_NAMES


def test_every_signal_has_a_range_and_nothing_else_has() -> None:
    assert sorted(BELIEVABLE) == sorted(SIGNAL_NAMES)
    for name, row in BELIEVABLE.items():
        assert row.low < row.high, name
        assert math.isfinite(row.high - row.low), name
        assert all((row.why, row.above, row.below)), name


@pytest.mark.parametrize("rig", sorted(shipped_rigs()))
def test_every_threshold_can_be_shown(rig: str) -> None:
    """Words instead of a threshold would leave nobody able to say what an alarm is about."""
    rules = load_rules(Path(default_rules_path()), find_rig(rig), SIGNAL_NAMES)
    for rule in rules.rules:
        if rule.signal in BELIEVABLE:
            assert BELIEVABLE[rule.signal].words(rule.trip) == "", rule.key


def test_words_stand_where_a_figure_says_nothing() -> None:
    holding, reach, height = BELIEVABLE["holding_ratio"], BELIEVABLE["reach_assured"], BELIEVABLE["height"]
    assert holding.words(5.84) == holding.words(0.0) == ""
    assert holding.words(6_520_085.0) == NO_LOAD
    assert BELIEVABLE["design_factor"].words(854_000.0) == NO_LOAD
    assert reach.words(3.2) == ""
    assert reach.words(5123.0) == BEYOND
    assert reach.words(math.inf) == NO_STOP
    assert height.words(-400.0) == height.words(1e9) == height.words(math.inf) == BEYOND


def test_a_slack_line_leaves_ratios_over_the_load_without_meaning_and_nothing_else() -> None:
    assert BELIEVABLE["holding_ratio"].words(40.0, slack=True) == NO_LOAD
    assert BELIEVABLE["design_factor"].words(40.0, slack=True) == NO_LOAD
    assert BELIEVABLE["load_over_rating"].words(0.0, slack=True) == ""


def test_what_is_not_known_has_no_words_of_its_own() -> None:
    for row in BELIEVABLE.values():
        assert row.words(math.nan) == row.words(math.nan, slack=True) == ""
