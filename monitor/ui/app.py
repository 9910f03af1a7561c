"""The terminal app: pulls a snapshot ten times a second, draws the current screen, runs the actions behind keys.

It keeps no state of the hoist: only which screen is shown, the units, the theme, the crew's initials and the trends. The
monitor's loop runs beside it on the same asyncio loop, as a worker; when that ends with an error the app ends, and prints its
sentence.
"""

import os
import sys
import time
from collections.abc import Callable, Iterable
from dataclasses import replace
from io import StringIO
from queue import Queue
from typing import ClassVar, Final

from textual import events
from textual.app import App, ComposeResult, SystemCommand
from textual.binding import BindingType
from textual.command import CommandPalette
from textual.screen import Screen

from monitor.errors import sentence_of
from monitor.language import tr
from monitor.model.alarm import Severity
from monitor.model.snapshot import Snapshot
from monitor.presentation.format import SYSTEM_LABEL, SYSTEMS, Units
from monitor.runtime.driver import Driver
from monitor.text import harmless
from monitor.ui import key_hints
from monitor.ui.bell import Bell
from monitor.ui.dialogs import COMMANDS_CSS, WIDEST_HELP, Ask, Help
from monitor.ui.drawing import screen_file
from monitor.ui.drawing.canvas import Canvas, Spot
from monitor.ui.drawing.canvas_widget import CanvasWidget
from monitor.ui.drawing.theme import THEMES, Depth, Palette, ThemeName, palette, textual_theme
from monitor.ui.help_text import COMMANDS_KEY, help_text, key_in
from monitor.ui.history import History
from monitor.ui.keys import time_window
from monitor.ui.keys.key import MOVES, Key
from monitor.ui.keys.on_view import OnView
from monitor.ui.keys.time_mouse import TimeMouse
from monitor.ui.page import draw_page, draw_waiting
from monitor.ui.past_reader import PastReader
from monitor.ui.screens import SCREENS, ScreenSpec, trends
from monitor.ui.screens.session import file_words, folder_words
from monitor.ui.view import KeyRow, ReplayView, ScreenState, View, without_unknown_motion

HERTZ: Final = 10
LOOK_S: Final = 1.0
"""Time between two checks whether the terminal is still there, s."""
MOST_UNWRITTEN: Final = 4
"""Writes that may wait for the terminal before painting pauses."""
MESSAGE_S: Final = 4.0


class StopmarkApp(App[int]):
    """The screen of one monitor. `clock`: seconds that only go forward; `sound`: whether the bell rings (None: when live)."""

    CSS = "Screen { layout: vertical; overflow: hidden; }" + COMMANDS_CSS
    ENABLE_COMMAND_PALETTE = True
    BINDINGS: ClassVar[list[BindingType]] = []
    TITLE = "Stopmark"

    def __init__(
        self,
        driver: Driver,
        theme: ThemeName = "day",
        clock: Callable[[], float] = time.monotonic,
        depth: Depth | None = None,
        sound: bool | None = None,
    ) -> None:
        # Without colours Textual would otherwise turn the terminal's own into black, which is invisible on black.
        super().__init__(ansi_color=True if depth == "none" or "NO_COLOR" in os.environ else None)
        self.driver = driver
        self.clock = clock
        self.units = Units(driver.rig.units)
        self.spec: ScreenSpec = SCREENS[0]
        self.history = History()
        self._past = PastReader(lambda: self.history)
        self.who, self.who_since_ns = "", 0
        self.crew: tuple[str, ...] = ()
        self.alarms_on_view = OnView()
        self.error = ""
        self.screen_theme: ThemeName = theme
        self._depth: Depth = depth or self._terminal_depth()
        self._palettes: dict[ThemeName, Palette] = {name: palette(name, self._depth) for name in THEMES}
        self._canvas_widget = CanvasWidget()
        self._screen_states: dict[str, ScreenState] = {}
        self._message, self._message_until_s, self._quit_until_s = "", 0.0, float("-inf")
        self._moved_s, self._moved_ns = clock(), -1
        self._bell = Bell()
        self.sound = driver.mode != "REPLAY" if sound is None else sound
        self._terminal: int | None = None
        self._time_mouse = TimeMouse(self)
        for name in THEMES:
            self.register_theme(textual_theme(name, self._depth))
        self.theme = f"stopmark-{theme}"

    def _terminal_depth(self) -> Depth:
        if self.no_color:
            return "none"
        return "sixteen" if self.console.color_system in ("standard", "windows", None) else "full"

    # Life

    def compose(self) -> ComposeResult:
        """Make the one widget, which fills the terminal."""
        yield self._canvas_widget

    def on_mount(self) -> None:
        """Start the monitor's loop and the pull."""
        self.run_worker(self._monitor(), name="monitor", exit_on_error=False)
        self.set_interval(1 / HERTZ, self.tick)
        self._terminal = getattr(self._driver, "fileno", None)
        if isinstance(self._terminal, int) and os.isatty(self._terminal):
            self.set_interval(LOOK_S, self._look_for_terminal)
        self.tick()

    async def on_unmount(self) -> None:
        """Ask the record nothing any more."""
        await self._past.stop()

    def _look_for_terminal(self) -> None:
        """End when the terminal has gone without a signal: waiting for its keys would take all of a processor core."""
        if self._terminal is not None and not os.isatty(self._terminal):
            self.exit(0)

    async def _monitor(self) -> None:
        try:
            await self.driver.run()
        except Exception as error:  # the person gets its sentence, never a traceback
            self.error = sentence_of(error)
            self.exit(1, return_code=1)
            return
        self.exit(0)

    def on_resize(self, _event: events.Resize) -> None:
        """Draw again for the new size."""
        self.call_after_refresh(self.tick)

    # Drawing

    def tick(self) -> None:
        """Pull a snapshot and draw it."""
        width, height = self.size
        # While the app starts or ends there is nothing to paint on.
        if not width or not height or not self._canvas_widget.is_attached:
            return
        canvas = self.canvas(width, height)
        if not self._terminal_lags():
            self._canvas_widget.show(canvas, self._palettes[self.screen_theme])

    def _terminal_lags(self) -> bool:
        """Whether the terminal has not yet taken what was painted before.

        Textual writes from a thread behind a bounded queue, and a full queue stops the whole asyncio loop, the monitor's
        included. A terminal that stalls (a slow line, a stopped window) therefore gets no more paint until it has caught up.
        """
        queue = getattr(getattr(self._driver, "_writer_thread", None), "_queue", None)
        return isinstance(queue, Queue) and queue.qsize() > MOST_UNWRITTEN

    def canvas(self, width: int, height: int) -> Canvas:
        """The page of this moment."""
        snap = self.driver.snapshot()
        if snap is None:
            message = self._message if self.clock() < self._message_until_s else ""
            return draw_waiting(self.driver.rig, self.driver.mode, width, height, message)
        snap = without_unknown_motion(snap)
        self.history.feed(snap)
        if self.spec.id == "trends":
            shown = time_window.window(self.screen_state(), snap.t_ns)
            self._past.fill(self.driver.facts().record, trends.NAMES, shown.since_ns, shown.until_ns)
        view = self.view(snap)
        if self._bell.due(snap, self.clock()) and self.sound and not self._terminal_lags():
            self.bell()
        if self._bell.fresh >= Severity.WARNING and isinstance(self.screen, Help | CommandPalette):
            self.screen.dismiss(None)
        canvas = draw_page(view, self.spec, width, height)
        self._keep_choice(canvas.places)
        self.alarms_on_view.note(snap, canvas.places if self.spec.id == "alarms" else (), self.clock())
        return canvas

    def view(self, snap: Snapshot) -> View:
        """All that the current screen is drawn from."""
        now_s = self.clock()
        if snap.t_ns != self._moved_ns:
            self._moved_s, self._moved_ns = now_s, snap.t_ns
        replay = self.driver.replay
        shown = None
        if replay is not None:
            shown = ReplayView.of(replay)
            if shown.paused or shown.position_ns >= shown.end_ns:
                self._moved_s = now_s
        return View(
            snap=snap,
            rig=self.driver.rig,
            mode=self.driver.mode,
            units=self.units,
            keys=self._footer(),
            history=self.history,
            replay=shown,
            who=self.who,
            crew=self.crew,
            frozen_s=now_s - self._moved_s,
            message=self._message if now_s < self._message_until_s else "",
            screen_state=self.screen_state(),
            facts=self.driver.facts(),
        )

    def keys(self) -> list[Key]:
        """The keys of this moment."""
        return key_hints.keys_of(self.spec, self.driver.mode == "REPLAY")

    def _footer(self) -> tuple[KeyRow, ...]:
        return key_hints.rows(self.keys(), self.driver.mode == "REPLAY")

    def screen_state(self) -> ScreenState:
        """State of the screen shown."""
        return self._screen_states.get(self.spec.id, ScreenState())

    def set_screen_state(self, state: ScreenState) -> None:
        """Change it, and redraw."""
        self._screen_states[self.spec.id] = state
        self.tick()

    def snapshot(self) -> Snapshot | None:
        """The present state."""
        return self.driver.snapshot()

    def say(self, text: str) -> None:
        """Answer a key in the footer for a few seconds."""
        self._message, self._message_until_s = text, self.clock() + MESSAGE_S
        self.tick()

    # Keys

    def on_key(self, event: events.Key) -> None:
        """Run the action of a key: the screen's own keys first, then the global ones, then the screens' numbers."""
        if len(self.screen_stack) > 1:
            return
        pressed = event.character if event.character and event.character.isupper() else event.key
        if pressed in MOVES:
            self._move(MOVES[pressed])
            event.stop()
            return
        for key in self.keys():
            if pressed == key.key:
                event.stop()
                key.act(self)
                return
        for spec in SCREENS:
            if pressed == spec.key:
                event.stop()
                self.open_screen(spec)
                return

    def on_click(self, event: events.Click) -> None:
        """Handle a click: a hint runs its key, a row is chosen, the banner opens the list of alarms."""
        shown = self._canvas_widget.shown
        spot = shown.hit(event.screen_x, event.screen_y) if shown and len(self.screen_stack) == 1 else None
        if spot is None:
            return
        event.stop()
        if spot.kind == "row":
            self.set_screen_state(replace(self.screen_state(), chosen=spot.id))
        elif spot.kind == "banner":
            self.open_named("alarms")
        elif spot.kind == "time":
            self._time_mouse.click(spot, event.screen_x)
        else:
            self._press(spot.id, event.screen_x - spot.left)

    def _press(self, printed: str, along: int) -> None:
        """Press the key of a hint, `along` columns into it."""
        if printed == key_hints.ALL_SCREENS:
            self.open_screen(SCREENS[(SCREENS.index(self.spec) + 1) % len(SCREENS)])
            return
        key = key_hints.key_at(self.keys(), printed, along)
        if key is not None:
            key.act(self)
        else:
            self.open_screen(next((spec for spec in SCREENS if spec.key == printed), self.spec))

    def on_mouse_down(self, event: events.MouseDown) -> None:
        """Take hold of the trends, to pull them earlier or later."""
        self._time_mouse.press(self._time_at(event), event.screen_x)

    def on_mouse_move(self, event: events.MouseMove) -> None:
        """Pull them."""
        if event.button:
            self._time_mouse.move(self._time_at(event), event.screen_x)

    def on_mouse_up(self, _event: events.MouseUp) -> None:
        """Let go."""
        self._time_mouse.release()

    def on_mouse_scroll_down(self, event: events.MouseScrollDown) -> None:
        """Move the cursor of a list down with the wheel; over the trends look at a longer time."""
        self._wheel(event, 1)

    def on_mouse_scroll_up(self, event: events.MouseScrollUp) -> None:
        """Move the cursor of a list up with the wheel; over the trends look at a shorter time."""
        self._wheel(event, -1)

    def _wheel(self, event: events.MouseEvent, step: int) -> None:
        spot = self._time_at(event)
        if spot is not None:
            self._time_mouse.wheel(spot, event.screen_x, step)
        elif len(self.screen_stack) == 1:
            self._move(step)

    def _time_at(self, event: events.MouseEvent) -> Spot | None:
        """The stretch of time under the pointer."""
        shown = self._canvas_widget.shown
        spot = shown.hit(event.screen_x, event.screen_y) if shown and len(self.screen_stack) == 1 else None
        return spot if spot is not None and spot.kind == "time" else None

    def open_screen(self, spec: ScreenSpec) -> None:
        """Show another screen."""
        self.spec = spec
        self.tick()

    def open_named(self, name: str) -> None:
        """Show the screen of that name, where there is one."""
        self.open_screen(next((spec for spec in SCREENS if spec.id == name), self.spec))

    def _move(self, rows: int) -> None:
        shown = self._canvas_widget.shown
        places = shown.places if shown else ()
        if places:
            chosen = self.screen_state().chosen
            here = places.index(chosen) if chosen in places else 0
            chosen = places[max(0, min(len(places) - 1, here + rows))]
            self.set_screen_state(replace(self.screen_state(), chosen=chosen))

    def _keep_choice(self, places: tuple[str, ...]) -> None:
        """Move the cursor to the first row when the chosen one is gone, and note when, so that no key hits another row by
        mistake; nor one that no row shows."""
        chosen = self.screen_state().chosen
        if chosen in places or not (chosen or places):
            return
        if chosen:
            self.alarms_on_view.slipped_s = self.clock()
        self._screen_states[self.spec.id] = replace(self.screen_state(), chosen=places[0] if places else "")

    def get_system_commands(self, screen: Screen[object]) -> Iterable[SystemCommand]:
        """The command palette: every screen and every key."""
        for spec in SCREENS:
            yield SystemCommand(tr(spec.name), tr(spec.help), lambda spec=spec: self.open_screen(spec))
        for key in self.keys():
            if key.help:
                yield SystemCommand(tr(key.label).capitalize(), tr(key.help), lambda key=key: key.act(self))

    # What the functions behind keys may use (see `monitor.ui.keys.key.ScreenContext`)

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

    def copy_row(self) -> None:
        """Copy the chosen row as text, through the terminal (OSC 52); the whole screen where there is no list."""
        shown = self._canvas_widget.shown
        if shown is None:
            return
        text = shown.texts.get(self.screen_state().chosen)
        self.copy_to_clipboard(shown.text() if text is None else text)
        first = text.splitlines()[0] if text else tr("nothing")
        self.say(tr("Screen copied as text.") if text is None else tr("Copied: {row}", row=first))

    def save_screen(self) -> None:
        """Write what is on the screen to two files, a picture and plain text; in a browser it downloads them."""
        shown, snap = self._canvas_widget.shown, self.snapshot()
        if shown is None:
            return
        stem = screen_file.stem(self.spec.id, snap.t_ns if snap else 0)
        picture, text = self.export_screenshot(title=stem), shown.text() + "\n"
        if self.is_web:
            for content, kind in ((text, "txt"), (picture, "svg")):
                self.deliver_text(StringIO(content), save_filename=f"{stem}.{kind}")
            self.say(tr("Sent to the browser: {stem}.svg and .txt", stem=stem))
            return
        recording = self.driver.facts().recording
        self.say(screen_file.write(recording.folder if recording else ".", stem, picture, text))

    def show_help(self) -> None:
        """Show the help page."""
        room = min(self.size.width, WIDEST_HELP) - 9
        self.push_screen(Help(help_text(SCREENS, self.spec, room, self.driver.mode == "REPLAY")), self._from_help)

    def _from_help(self, clicked: tuple[str, int] | None) -> None:
        """Press the key whose line was clicked on the help page."""
        printed, along = key_in(*clicked) if clicked is not None else ("", 0)
        if printed == COMMANDS_KEY:
            self.action_command_palette()
        elif printed:
            self._press(printed, along)

    def leave(self) -> None:
        """Stop the monitor, on the second press."""
        if self.clock() < self._quit_until_s:
            self.exit(0)
            return
        self._quit_until_s = self.clock() + MESSAGE_S
        self.say(
            tr("Press q again to leave the replay.") if self.driver.replay is not None
            else tr("Press q again to stop the monitor (watching and recording end).")
        )  # fmt: skip

    async def action_quit(self) -> None:
        """Handle Textual's own key for quitting as `q`."""
        self.leave()

    def action_help_quit(self) -> None:
        """Handle Ctrl+C as `q`."""
        self.leave()

    def ask(self, title: str, explain: str, restrict: str, longest: int, then: Callable[[str], None]) -> None:
        """Ask for one line over the screen."""

        def answer(text: str | None) -> None:
            if text is not None:
                then(text)

        self.push_screen(Ask(title, explain, restrict, longest), answer)


def run_app(driver: Driver, theme: ThemeName = "day", sound: bool | None = None) -> int:
    """Run the screen until it is left. Returns the exit code; an error's sentence goes to stderr."""
    app = StopmarkApp(driver, theme, sound=sound)
    app.run()
    if app.error:
        print(f"stopmark: {harmless(app.error)}", file=sys.stderr)
        return 1
    recording = driver.facts().recording
    if recording is not None:
        try:
            where = folder_words(recording) or "."
            print(harmless(f"stopmark: recorded {file_words(recording)}, in {where}"), flush=True)
        except OSError:  # the terminal has gone; what it did not take must not be tried again at the very end
            sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115
    return app.return_code or 0
