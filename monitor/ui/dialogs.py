"""Questions and help over the screen. They answer to the keyboard alone, Escape leaves, and they stay low: the banner
and the large figures remain in sight."""

from typing import ClassVar, Final

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical, VerticalScroll
from textual.content import Content
from textual.events import Click, Key
from textual.screen import ModalScreen
from textual.widgets import Input, Static

from monitor.language import tr


class Ask(ModalScreen[str | None]):
    """One line of text. Dismisses with the text, or None."""

    DEFAULT_CSS = """
    Ask { align: center bottom; background: transparent; }
    Ask > Vertical {
        width: 58; height: auto; margin: 0 0 2 0; padding: 0 2;
        border: round $foreground; background: $background;
    }
    Ask Static { width: 100%; height: auto; color: $foreground; background: $background; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "leave", "leave")]

    def __init__(self, title: str, explain: str, restrict: str, longest: int) -> None:
        super().__init__()
        self._title, self.explain = title, explain
        self._restrict, self._longest = restrict, longest

    def compose(self) -> ComposeResult:
        """Question, explanation, input."""
        with Vertical() as box:
            # Content and not a string: a string would be read as markup.
            box.border_title = Content(self._title)
            box.border_subtitle = Content(tr("Enter confirms, Escape leaves"))
            yield Static(Content(self.explain))
            yield Input(restrict=self._restrict, max_length=self._longest, compact=True)

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Enter: answer, unless nothing was typed."""
        if event.value.strip():
            self.dismiss(event.value.strip())

    def action_leave(self) -> None:
        """Escape: no answer."""
        self.dismiss(None)


WIDEST_HELP: Final = 88
COMMANDS_CSS: Final = """
    CommandPalette { background: transparent; }
    CommandPalette > Vertical { margin-top: 7; }
    CommandPalette #--results { max-height: 50vh; }
"""
"""The list of commands must not wash out what it lies over, nor cover the banner."""


class Help(ModalScreen[tuple[str, int] | None]):
    """All keys and words. Any key or click closes it; arrow keys and the wheel scroll. Dismisses with the line that was
    clicked and the column in it."""

    DEFAULT_CSS = f"""
    Help {{ align: center bottom; background: transparent; }}
    Help > VerticalScroll {{
        width: 100%; max-width: {WIDEST_HELP}; height: auto; max-height: 83%;
        border: round $foreground; background: $background; padding: 0 2;
    }}
    Help Static {{ width: 100%; height: auto; color: $foreground; background: $background; }}
    """

    def __init__(self, text: str) -> None:
        super().__init__()
        self._text = text

    def compose(self) -> ComposeResult:
        """The text."""
        with VerticalScroll() as box:
            box.border_subtitle = Content(tr("↑↓ scroll, click a key, any other closes"))
            yield Static(Content(self._text))

    def on_mount(self) -> None:
        """Take the keys."""
        self.query_one(VerticalScroll).focus()

    def on_key(self, event: Key) -> None:
        """Anything but scrolling closes, and does nothing else: the screen below is not to be seen."""
        if event.key not in ("up", "down", "pageup", "pagedown", "home", "end"):
            event.stop()
            self.dismiss(None)

    def on_click(self, event: Click) -> None:
        """A click closes, too, and tells on which line it was."""
        text = self.query_one(Static)
        place = event.screen_y - text.region.y
        lines = self._text.splitlines()
        inside = text.region.contains(event.screen_x, event.screen_y) and 0 <= place < len(lines)
        self.dismiss((lines[place], event.screen_x - text.region.x) if inside else None)
