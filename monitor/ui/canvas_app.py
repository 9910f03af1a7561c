"""What every screen of the terminal rests on: one widget that a page is drawn on, colours, a message, a question, leaving.

A page is pulled several times a second. A terminal that stalls is not written to, and one that has gone ends the app.
"""

import os
import select
import stat
import time
from collections.abc import Callable
from queue import Queue
from typing import TYPE_CHECKING, ClassVar, Final, cast

from textual import events
from textual.app import App, ComposeResult
from textual.binding import BindingType
from textual.driver import Driver

from monitor.language import msgid, tr
from monitor.presentation.format import SYSTEM_LABEL, SYSTEMS, Units, span
from monitor.ui.dialogs import COMMANDS_CSS, Ask
from monitor.ui.drawing.canvas import Canvas, Spot, first_that_fits
from monitor.ui.drawing.canvas_widget import CanvasWidget
from monitor.ui.drawing.theme import THEMES, Depth, Palette, ThemeName, palette, textual_theme

if TYPE_CHECKING:
    from monitor.ui.terminal import TerminalDriver

LOOK_S: Final = 1.0
"""Time between two checks whether the terminal is still there, s."""
MOST_UNWRITTEN: Final = 4
"""Writes that may wait for the terminal before painting pauses."""
MESSAGE_S: Final = 4.0


class CanvasApp(App[int]):
    """An app that is one canvas. `clock`: seconds that only go forward; `hertz`: how often it is drawn."""

    CSS = "Screen { layout: vertical; overflow: hidden; }" + COMMANDS_CSS
    ENABLE_COMMAND_PALETTE = True
    BINDINGS: ClassVar[list[BindingType]] = []
    TITLE = "Stopmark"

    def __init__(
        self, units: Units, theme: ThemeName, clock: Callable[[], float] = time.monotonic, depth: Depth | None = None,
        hertz: float = 10.0,
    ) -> None:  # fmt: skip
        # Without colours Textual would otherwise turn the terminal's own into black, which is invisible on black.
        super().__init__(ansi_color=True if depth == "none" or "NO_COLOR" in os.environ else None)
        self.clock = clock
        self.units = units
        self.screen_theme: ThemeName = theme
        self._hertz = hertz
        self._depth: Depth = depth or self._terminal_depth()
        self._palettes: dict[ThemeName, Palette] = {name: palette(name, self._depth) for name in THEMES}
        self._canvas_widget = CanvasWidget()
        self._message, self._message_until_s, self._quit_until_s = "", 0.0, float("-inf")
        self._terminal: int | None = None
        for name in THEMES:
            self.register_theme(textual_theme(name, self._depth))
        self.theme = f"stopmark-{theme}"

    def _terminal_depth(self) -> Depth:
        if self.no_color:
            return "none"
        return "sixteen" if self.console.color_system in ("standard", "windows", None) else "full"

    def get_driver_class(self) -> type[Driver]:
        """Textual's own choice; for a terminal of this kind one that ends whatever the terminal does."""
        chosen = super().get_driver_class()
        if chosen.__module__ != "textual.drivers.linux_driver":
            return chosen
        from monitor.ui.terminal import TerminalDriver

        return TerminalDriver

    def compose(self) -> ComposeResult:
        """Make the one widget, which fills the terminal."""
        yield self._canvas_widget

    def on_mount(self) -> None:
        """Start the pull."""
        self.set_interval(1 / self._hertz, self.tick)
        self._terminal = getattr(self._driver, "fileno", None)
        if isinstance(self._terminal, int) and (os.isatty(self._terminal) or _hung_up(self._terminal)):
            self.set_interval(LOOK_S, self._look_for_terminal)
        self.tick()

    def _look_for_terminal(self) -> None:
        """End when the terminal has gone without a signal: waiting for its keys would take all of a processor core."""
        if self._terminal is not None and not os.isatty(self._terminal):
            self.exit(0)

    def on_resize(self, _event: events.Resize) -> None:
        """Draw again for the new size."""
        self.call_after_refresh(self.tick)

    def canvas(self, width: int, height: int) -> Canvas:
        """The page of this moment."""
        raise NotImplementedError

    def tick(self) -> None:
        """Draw the page of this moment."""
        width, height = self.size
        # While the app starts or ends there is nothing to paint on.
        if not width or not height or not self._canvas_widget.is_attached:
            return
        canvas = self.canvas(width, height)
        terminal = self._own_driver
        now_s = time.monotonic()
        if self._terminal_lags() or (terminal is not None and not terminal.may_paint(now_s)):
            return
        if terminal is not None and terminal.torn:
            terminal.torn = False
            self.screen.refresh()
        late_s = terminal.pace.late_s(now_s) if terminal is not None else 0.0
        if late_s:
            draw_late(canvas, late_s)
        self._canvas_widget.show(canvas, self._palettes[self.screen_theme])

    def _terminal_lags(self) -> bool:
        """Whether the terminal has not yet taken what was painted before.

        A terminal that stalls (a slow line, a stopped window) gets no more paint until it has caught up: what waits grows old.
        """
        queue = self._unwritten
        return queue is not None and queue.qsize() > MOST_UNWRITTEN

    @property
    def _own_driver(self) -> "TerminalDriver | None":
        return cast("TerminalDriver", self._driver) if hasattr(self._driver, "pace") else None

    @property
    def _unwritten(self) -> "Queue[str | None] | None":
        """What waits for the terminal."""
        queue = getattr(getattr(self._driver, "_writer_thread", None), "_queue", None)
        return queue if isinstance(queue, Queue) else None

    def _spot(self, event: events.MouseEvent) -> Spot | None:
        """What answers to the mouse where it is; nothing while something lies over the page."""
        shown = self._canvas_widget.shown
        return shown.hit(event.screen_x, event.screen_y) if shown and len(self.screen_stack) == 1 else None

    @property
    def message(self) -> str:
        """The answer to the last key, while it is to be read; else empty."""
        return self._message if self.clock() < self._message_until_s else ""

    def say(self, text: str) -> None:
        """Answer a key in the footer for a few seconds."""
        self._message, self._message_until_s = text, self.clock() + MESSAGE_S
        self.tick()

    def next_units(self) -> None:
        """Change to the next unit system."""
        system = SYSTEMS[(SYSTEMS.index(self.units.system) + 1) % len(SYSTEMS)]
        self.units = Units(system)
        self.say(tr("Units: {system}", system=tr(SYSTEM_LABEL[system])))

    def next_theme(self) -> None:
        """Change to the next theme."""
        self.screen_theme = THEMES[(THEMES.index(self.screen_theme) + 1) % len(THEMES)]
        self.theme = f"stopmark-{self.screen_theme}"
        self.say(tr("Theme: {theme}", theme=tr(self.screen_theme)))

    def ask(self, title: str, explain: str, restrict: str, longest: int, then: Callable[[str], None]) -> None:
        """Ask for one line over the screen."""

        def answer(text: str | None) -> None:
            if text is not None:
                then(text)

        self.push_screen(Ask(title, explain, restrict, longest), answer)

    leave_words = msgid("Press q again to stop the monitor (watching and recording end).")
    """What leaving would do, said after the first press."""

    def leave(self) -> None:
        """End the app, on the second press."""
        if self.clock() < self._quit_until_s:
            self.exit(0)
            return
        self._quit_until_s = self.clock() + MESSAGE_S
        self.say(tr(self.leave_words))

    async def action_quit(self) -> None:
        """Handle Textual's own key for quitting as `q`."""
        self.leave()

    def action_help_quit(self) -> None:
        """Handle Ctrl+C as `q`."""
        self.leave()


def draw_late(canvas: Canvas, late_s: float) -> None:
    """Say in the first row that the picture is old by the time it is seen."""
    row = canvas.area.part(0, 0, canvas.width, 1)
    row.fill("fill_danger")
    late = span(late_s)
    words = (
        tr("◆ SLOW TERMINAL: this picture may be {late} old. Do not rely on it; watch the block.", late=late),
        tr("◆ SLOW TERMINAL: this picture may be {late} old. Watch the block.", late=late),
    )
    row.say(2, 0, first_that_fits(words, canvas.width - 3), "fill_danger")


def _hung_up(terminal: int) -> bool:
    """Whether this was a terminal that is gone: an end of input of another kind, such as /dev/null, is none."""
    if not hasattr(select, "poll"):
        return False
    look = select.poll()
    look.register(terminal, select.POLLIN)
    gone = any(state & (select.POLLHUP | select.POLLERR) for _, state in look.poll(0))
    return gone and stat.S_ISCHR(os.fstat(terminal).st_mode)
