"""The one widget: shows a canvas line by line and repaints only the lines that changed."""

import os

from rich.segment import Segment
from rich.style import Style
from textual.geometry import Region
from textual.strip import Strip
from textual.widget import Widget

from monitor.ui.drawing.canvas import Canvas
from monitor.ui.drawing.glyphs import for_console
from monitor.ui.drawing.theme import Palette, Role

FULL = "█"
_REVERSED = Style(reverse=True)
_UPRIGHT = Style(reverse=False)
_NOT_UNDERLINED = Style(underline=False)
"""A line under words tells a severity without colour; under blanks and parts of glyphs it would only cross them."""


class CanvasWidget(Widget):
    """Fills the screen. `show` gives it what to paint."""

    DEFAULT_CSS = "CanvasWidget { width: 100%; height: 100%; }"

    def __init__(self) -> None:
        super().__init__()
        self._canvas: Canvas | None = None
        self._palette: Palette | None = None
        self._strips: list[Strip] = []
        self._plain_font = os.environ.get("TERM") == "linux"
        """A font of 256 characters; see `monitor.ui.drawing.glyphs`."""

    @property
    def shown(self) -> Canvas | None:
        """What is on the screen now."""
        return self._canvas

    def show(self, canvas: Canvas, palette: Palette) -> None:
        """Paint `canvas`; cheap when little of it changed."""
        before = self._canvas
        whole = (
            before is None
            or palette is not self._palette
            or (before.width, before.height) != (canvas.width, canvas.height)
        )
        self._canvas, self._palette = canvas, palette
        if whole or before is None:
            self._strips = [strip(canvas, y, palette, self._plain_font) for y in range(canvas.height)]
            self.refresh()
            return
        changed = [
            y for y in range(canvas.height) if canvas.chars[y] != before.chars[y] or canvas.roles[y] != before.roles[y]
        ]
        for y in changed:
            self._strips[y] = strip(canvas, y, palette, self._plain_font)
        if changed:
            self.refresh(*(Region(0, y, canvas.width, 1) for y in changed))

    def render_line(self, y: int) -> Strip:
        """One line, as Textual asks for it."""
        if y < len(self._strips):
            return self._strips[y]
        return Strip.blank(self.size.width, self._palette["base"] if self._palette else None)


def strip(canvas: Canvas, y: int, palette: Palette, console: bool = False) -> Strip:
    """Row `y` of a canvas, neighbours of one look joined; in the characters of a `console` where it is one.

    Full blocks become spaces in reversed colours: those tile without seams whatever the font and the line height.
    """
    text = "".join(canvas.chars[y])
    if console:
        text = for_console(text)
    roles = canvas.roles[y]
    if len(text) != canvas.width:
        return _wide_strip(canvas, y, palette)
    segments: list[Segment] = []
    start, current, solid = 0, roles[0], text[0] == FULL
    for x in range(1, canvas.width):
        if roles[x] != current or (text[x] == FULL) != solid:
            segments.append(_segment(text[start:x], current, solid, palette))
            start, current, solid = x, roles[x], text[x] == FULL
    segments.append(_segment(text[start:], current, solid, palette))
    return Strip(segments, canvas.width)


def _segment(text: str, role: Role, solid: bool, palette: Palette) -> Segment:
    style = palette[role]
    if solid:
        # Of a look that is reversed itself, which is all there is without colour, a block is what is not.
        style += _UPRIGHT if style.reverse else _REVERSED
    if style.underline and (solid or not any(map(str.isalnum, text))):
        style += _NOT_UNDERLINED
    return Segment(" " * len(text) if solid else text, style)


def _wide_strip(canvas: Canvas, y: int, palette: Palette) -> Strip:
    """A row with characters two cells wide: one segment per cell."""
    pairs = zip(canvas.chars[y], canvas.roles[y], strict=True)
    return Strip([Segment(char, palette[role]) for char, role in pairs if char], canvas.width)
