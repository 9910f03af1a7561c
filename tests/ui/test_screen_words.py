"""The words with which a screen begins."""

from pathlib import Path

import pytest

from monitor.cli import main
from monitor.commands.common.screen import THEMES
from monitor.config.rig_file import find_rig
from monitor.ui import app
from monitor.ui.drawing import theme
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.record import record
from simulators.scenario.scenario import find_scenario


def test_the_themes_to_choose_from_are_those_of_the_screen() -> None:
    assert THEMES == theme.THEMES


@pytest.mark.parametrize(("words", "begun"), [([], "day"), (["--theme", "night"], "night")])
def test_a_replay_begins_in_the_theme_that_was_asked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: list[str], begun: str
) -> None:
    path = tmp_path / "short.stopmark"
    record(PlantSource(find_rig("land"), find_scenario("calm-trip"), 1, duration_s=2.0), path)
    seen: list[str] = []
    monkeypatch.setattr(app.StopmarkApp, "run", lambda self: seen.append(self.screen_theme))
    assert main(["replay", str(path), *words]) == 0
    assert seen == [begun]
