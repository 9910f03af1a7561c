"""Every screen in every state at five sizes: no figure without room, none drawn over another, no words cut off."""

import pytest

from monitor.ui.drawing.canvas import Canvas
from monitor.ui.history import History
from monitor.ui.screens import SCREENS, ScreenSpec
from tests.ui import sample
from tests.ui.pages import page

SIZES = ((60, 20), (80, 24), (120, 40), (160, 45), (200, 60))
STATES = tuple(sample.SAMPLES)


def covered(canvas: Canvas) -> list[str]:
    """Figures of one row of which cells were drawn over by something else."""
    spoilt = []
    for figure, (x, y) in zip(canvas.figures, canvas.figures_at, strict=True):
        there = "".join(canvas.chars[y][x : x + len(figure)])
        large = any(char in "█▀▄" for char in there) or not there.strip()
        if there != figure and not large:
            spoilt.append(f"{figure!r} reads {there!r}")
    return spoilt


def touching(canvas: Canvas) -> list[str]:
    """Figures of one row right behind which something else begins."""
    joined = []
    for figure, (x, y) in zip(canvas.figures, canvas.figures_at, strict=True):
        row, end = canvas.chars[y], x + len(figure)
        if "".join(row[x:end]) == figure and end < canvas.width and row[end].isalnum():
            joined.append("".join(row[x : end + 8]))
    return joined


@pytest.mark.parametrize("size", SIZES, ids=str)
@pytest.mark.parametrize("spec", SCREENS, ids=lambda spec: spec.name)
def test_figures_have_room_and_stand_apart(spec: ScreenSpec, size: tuple[int, int]) -> None:
    for state in STATES:
        history = sample.history() if state == "warning" else History()
        canvas = page(sample.SAMPLES[state](), spec, size, history=history)
        assert not canvas.cut, (state, canvas.cut)
        assert not covered(canvas), state
        assert not touching(canvas), state


@pytest.mark.parametrize("size", SIZES[2:], ids=str)
@pytest.mark.parametrize("spec", SCREENS, ids=lambda spec: spec.name)
def test_no_words_are_cut_off_where_there_is_room(spec: ScreenSpec, size: tuple[int, int]) -> None:
    for state in STATES:
        if state != "flood":  # its texts are longer than any that the shipped rules have
            text = page(sample.SAMPLES[state](), spec, size).text()
            assert "…" not in text, (state, [row for row in text.splitlines() if "…" in row])
