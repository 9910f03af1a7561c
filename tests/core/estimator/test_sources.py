"""The table of transitions of a position source: whole, and no state without a way out."""

import random

import pytest

from monitor.config.rig_file import find_rig
from monitor.core.estimator.sources import TRANSITIONS, PositionSource, ReadingKind, SourceState, source_diagram

SINGLE = [kind for kind in ReadingKind if kind is not ReadingKind.AGREED]


def test_every_state_has_an_answer_to_every_kind_of_reading() -> None:
    """A reading that agrees with refused ones can only come where some were refused."""
    expected = {(state, kind) for state in SourceState for kind in SINGLE}
    assert set(TRANSITIONS) == expected | {(SourceState.REFUSING, ReadingKind.AGREED)}


def test_a_reading_that_fits_ends_whatever_was_wrong() -> None:
    for state in SourceState:
        assert TRANSITIONS[state, ReadingKind.FITS] is SourceState.TRACKING
        assert TRANSITIONS[state, ReadingKind.REPEAT] is SourceState.FROZEN
        assert TRANSITIONS[state, ReadingKind.TOO_OLD] is state


def test_nothing_leads_back_to_waiting() -> None:
    assert not [
        row for row, after in TRANSITIONS.items() if after is SourceState.WAITING and row[0] is not SourceState.WAITING
    ]


def test_the_diagram_shows_every_transition() -> None:
    arrows = {line.strip() for line in source_diagram().splitlines() if "-->" in line and "[*]" not in line}
    for (before, kind), after in TRANSITIONS.items():
        shown = any(f"{before.name} --> {after.name}:" in arrow and kind.value in arrow for arrow in arrows)
        assert shown == (before is not after), (before, kind)


def scatter_m(seed: int, sigma_m: float, spikes: float = 0.0, readings: int = 600) -> float:
    """What a source that reads with `sigma_m`, and at times 3 m off, takes its scatter to be after so many readings at 20 Hz."""
    draw = random.Random(seed)
    source = PositionSource(next(sensor for sensor in find_rig("light").sensors if sensor.role == "position"))
    for k in range(readings):
        off = draw.choice((-3.0, 3.0)) if draw.random() < spikes else 0.0
        source.watch_scatter(10.0 + 0.05 * k + draw.gauss(0.0, sigma_m) + off, 0.05, not off)
    return float(source.scatter_m2**0.5)


@pytest.mark.parametrize("sigma_m", [0.005, 0.02, 0.05])
def test_readings_that_scatter_more_than_configured_are_known_within_half_a_minute(sigma_m: float) -> None:
    found = [scatter_m(seed, sigma_m) for seed in range(20)]
    assert sum(found) / 20 == pytest.approx(sigma_m, rel=0.15)


@pytest.mark.parametrize("spikes", [0.05, 0.13, 0.2])
def test_spikes_are_not_taken_for_scatter(spikes: float) -> None:
    """They would be believed then, and the block would seem to run wherever they point."""
    assert max(scatter_m(seed, 0.001, spikes, 3000) for seed in range(5)) < 0.05
