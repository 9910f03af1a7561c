"""The screens as pictures (SVG), compared with those that were looked at and accepted. Accept new ones with --snapshot-update."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from monitor.model.snapshot import Snapshot
from monitor.ui.app import StopmarkApp
from monitor.ui.drawing.theme import THEMES, ThemeName
from tests.ui import sample
from tests.ui.drivers import FakeDriver, FakeReplay

SIZES = ((60, 20), (80, 24), (120, 40), (200, 50))
Compare = Callable[..., bool]


def app_of(snap: Snapshot, theme: ThemeName = "day", **driver: Any) -> StopmarkApp:
    """An app whose clock stands still, with five minutes behind it."""
    app = StopmarkApp(FakeDriver(snap, **driver), theme=theme, clock=lambda: 100.0, depth="full")
    app.history = sample.history()
    return app


def name_of(size: tuple[int, int]) -> str:
    return f"{size[0]}x{size[1]}"


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("size", SIZES, ids=name_of)
@pytest.mark.parametrize("state", ["calm", "warning"])
def test_drive(snap_compare: Compare, state: str, size: tuple[int, int], theme: ThemeName) -> None:
    assert snap_compare(app_of(sample.SAMPLES[state](), theme), terminal_size=size)


@pytest.mark.parametrize("state", ["danger", "unknown", "degraded", "still", "hoisting", "bare", "flood"])
def test_drive_in_every_state(snap_compare: Compare, state: str) -> None:
    assert snap_compare(app_of(sample.SAMPLES[state]()), terminal_size=(80, 24))


@pytest.mark.parametrize("size", SIZES, ids=name_of)
@pytest.mark.parametrize("key", ["2", "3", "4", "5", "6", "7", "8"])
def test_other_screens(snap_compare: Compare, key: str, size: tuple[int, int]) -> None:
    assert snap_compare(app_of(sample.warning()), press=[key], terminal_size=size)


@pytest.mark.parametrize("theme", ["night", "contrast"])
def test_alarm_list_in_a_flood(snap_compare: Compare, theme: ThemeName) -> None:
    assert snap_compare(app_of(sample.flood(), theme), press=["3", "down", "down"], terminal_size=(120, 40))


def test_replay(snap_compare: Compare) -> None:
    app = app_of(sample.calm(), mode="REPLAY", replay=FakeReplay(speed=4.0))
    assert snap_compare(app, press=["8"], terminal_size=(80, 24))


def test_help(snap_compare: Compare) -> None:
    assert snap_compare(app_of(sample.calm()), press=["question_mark"], terminal_size=(80, 24))


def test_initials(snap_compare: Compare) -> None:
    app = app_of(replace(sample.still(), alarms=()))
    assert snap_compare(app, press=["w"], terminal_size=(80, 24))
