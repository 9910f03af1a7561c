"""No screen shows a word that is not in the catalogue, and none overflows in another language."""

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.config.rig_file import find_rig
from monitor.language import catalogue
from monitor.model.alarm import Severity
from monitor.presentation.format import Units
from monitor.runtime.facts import Mark, Replayed, RunFacts
from monitor.ui import key_hints
from monitor.ui.drawing.canvas import Canvas
from monitor.ui.help_text import help_text
from monitor.ui.history import History
from monitor.ui.page import draw_page, draw_waiting
from monitor.ui.plain import spoken, state_words
from monitor.ui.screens import SCREENS, ScreenSpec
from monitor.ui.view import ReplayView, ScreenState, View
from tests.language.catalogues import language, veiled
from tests.ui import sample
from tests.ui.pages import RIG, page, unconnected
from tests.ui.test_matrix import covered, touching
from tests.ui.test_places import SCENARIOS, walked

SIZES = ((60, 20), (80, 24), (120, 40))
LAND = find_rig("land")
WORD = re.compile(r"[^\W\d_ñ]{3,}")


def walks(step: int = 9) -> Iterator[View]:
    for name in SCENARIOS:
        history = History()
        for place, snap in enumerate(walked(name)):
            history.feed(snap)
            if place % step == 0:
                yield View(snap, LAND, "LIVE", history=history)


def names() -> set[str]:
    """Words that are nobody's to translate: of the rig's file, its topics, units, and the product's name."""
    known = {"STOPMARK", LAND.title, RIG.title, LAND.name, "UTC", "min", "days", LAND.line.grade, "counts", "crew"}
    for rig in (LAND, RIG):
        for sensor in rig.sensors:
            known |= {sensor.id, rig.topic(sensor), str(getattr(sensor, "unit", "") or "")}
    known |= {
        Units(system).label(dimension) for system in ("si",) for dimension in ("force", "pressure", "torque", "energy")
    }  # type: ignore[arg-type]
    return {word for name in known for word in WORD.findall(name)}


def foreign(text: str, known: set[str]) -> set[str]:
    return {word for word in WORD.findall(text) if word not in known}


@pytest.mark.parametrize("size", [(80, 24), (200, 60)], ids=str)
@pytest.mark.parametrize("spec", SCREENS, ids=lambda spec: spec.name)
def test_every_word_of_a_screen_comes_from_the_catalogue(
    tmp_path: Path, spec: ScreenSpec, size: tuple[int, int]
) -> None:
    known = names()
    with language("en", veiled(tmp_path)):
        for shown in range(3):
            state = ScreenState(page=shown, least=1, column=2, search="ñ")
            for view in walks(20):
                for now in (replace(view, screen_state=state), replace(view, frozen_s=9.0)):
                    assert not foreign(draw_page(now, spec, *size).text(), known), view.snap.t_ns


def test_a_replayed_night_is_told_in_the_language_and_its_marks_begin_behind_its_names() -> None:
    marks = tuple(Mark(sample.T0_NS, "x", level, "Slack line", True) for level in Severity)
    facts = RunFacts(replayed=Replayed("night.stopmark", 0, "live", 5, "", marks=marks))
    replay = ReplayView(sample.T0_NS, sample.T0_NS + 600 * sample.SECOND, sample.T0_NS, 1.0, True)
    with language("es"):
        text = page(sample.still(), SCREENS[7], (120, 40), mode="REPLAY", replay=replay, facts=facts).text()
    assert re.search("PELIGRO +◆", text)
    assert re.search("ADVERTENCIA +▲", text)
    assert "PELIGRO Cable flojo" in text


def test_every_word_of_help_footer_and_plain_lines_comes_from_the_catalogue(tmp_path: Path) -> None:
    known = names() | {"esc", "ctrl", "enter", "space", "SVG", "HH", "MM"}
    with language("en", veiled(tmp_path)):
        for spec in SCREENS:
            for replay in (False, True):
                assert not foreign(help_text(SCREENS, spec, replay=replay), known)
                rows = key_hints.rows(key_hints.keys_of(spec, replay), replay)
                assert not foreign(" ".join(label for row in rows for _, label in row), known)
        for view in walks(20):
            assert not foreign(spoken(state_words(view.snap, view.units, "LIVE")), known)
        assert not foreign(draw_waiting(LAND, "LIVE", 80, 24).text(), known)


def sound(canvas: Canvas, where: object) -> None:
    assert not canvas.cut, (where, canvas.cut)
    assert not covered(canvas), where
    assert not touching(canvas), where


@pytest.mark.parametrize("code", catalogue.shipped())
@pytest.mark.parametrize("size", SIZES, ids=str)
@pytest.mark.parametrize("spec", SCREENS, ids=lambda spec: spec.name)
def test_words_are_whole_on_every_page_of_a_walk(spec: ScreenSpec, size: tuple[int, int], code: str) -> None:
    with language(code):
        for view in walks():
            for place in ("", "1", "2", "3"):
                chosen = replace(view, screen_state=ScreenState(chosen=place))
                text = draw_page(chosen, spec, *size).text()
                assert "…" not in text, [row for row in text.splitlines() if "…" in row]


@pytest.mark.parametrize("size", SIZES, ids=str)
@pytest.mark.parametrize("spec", SCREENS, ids=lambda spec: spec.name)
def test_in_spanish_figures_have_room(spec: ScreenSpec, size: tuple[int, int]) -> None:
    with language("es"):
        for name, make in sample.SAMPLES.items():
            sound(page(make(), spec, size, history=sample.history() if name == "warning" else History()), name)
        sound(page(unconnected(), spec, size), "unconnected")
        for view in walks():
            sound(draw_page(view, spec, *size), view.snap.t_ns)


@pytest.mark.parametrize("size", SIZES, ids=str)
def test_in_spanish_the_footer_names_help_and_the_other_screens(size: tuple[int, int]) -> None:
    with language("es"):
        for spec in SCREENS:
            rows = key_hints.rows(key_hints.keys_of(spec, False), False)
            text = draw_page(View(sample.still(), RIG, "LIVE", keys=rows), spec, *size).text().splitlines()[-1]
            assert "ayuda" in text
            assert ("Turno" in text) or ("1-" in text)
