"""The terminal app: pulls a snapshot ten times a second, draws the current screen, runs the actions behind keys.

It keeps no state of the hoist: only which screen is shown, the units, the theme, the crew's initials and the trends. The
monitor's loop runs beside it on the same asyncio loop, as a worker; when that ends with an error the app ends, and prints its
sentence.
"""

import sys
import time
from collections.abc import Callable, Iterable
from dataclasses import replace
from io import StringIO

from textual import events
from textual.app import SystemCommand
from textual.command import CommandPalette
from textual.screen import Screen

from monitor.adapters.host.line_writer import last_words
from monitor.errors import sentence_of
from monitor.language import msgid, tr
from monitor.model.alarm import Severity
from monitor.model.snapshot import Snapshot
from monitor.presentation.format import Units
from monitor.runtime.driver import Driver
from monitor.text import harmless
from monitor.ui import key_hints
from monitor.ui.bell import Bell
from monitor.ui.canvas_app import CanvasApp
from monitor.ui.dialogs import WIDEST_HELP, Help
from monitor.ui.drawing import screen_file
from monitor.ui.drawing.canvas import Canvas, Spot
from monitor.ui.drawing.theme import Depth, ThemeName
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


class StopmarkApp(CanvasApp):
    """The screen of one monitor. `clock`: seconds that only go forward; `sound`: whether the bell rings (None: when live)."""

    def __init__(
        self,
        driver: Driver,
        theme: ThemeName = "day",
        clock: Callable[[], float] = time.monotonic,
        depth: Depth | None = None,
        sound: bool | None = None,
    ) -> None:
        super().__init__(Units(driver.rig.units), theme, clock, depth)
        self.driver = driver
        self.spec: ScreenSpec = SCREENS[0]
        self.history = History()
        self._past = PastReader(lambda: self.history)
        self.who, self.who_since_ns = "", 0
        self.crew: tuple[str, ...] = ()
        self.alarms_on_view = OnView()
        self.error = ""
        self._screen_states: dict[str, ScreenState] = {}
        self._moved_s, self._moved_ns = clock(), -1
        self._bell = Bell()
        self.sound = driver.mode != "REPLAY" if sound is None else sound
        self._time_mouse = TimeMouse(self)
        if driver.replay is not None:
            self.leave_words = msgid("Press q again to leave the replay.")

    # Life

    def on_mount(self) -> None:
        """Start the monitor's loop, once the screen stands: what the loop needs takes time to load."""
        self.call_after_refresh(self._start_monitor)

    def _start_monitor(self) -> None:
        self.run_worker(self._monitor(), name="monitor", exit_on_error=False)

    async def on_unmount(self) -> None:
        """Ask the record nothing any more."""
        await self._past.stop()

    async def _monitor(self) -> None:
        try:
            await self.driver.run()
        except Exception as error:  # the person gets its sentence, never a traceback
            self.error = sentence_of(error)
            self.exit(1, return_code=1)
            return
        self.exit(0)

    # Drawing

    def canvas(self, width: int, height: int) -> Canvas:
        """The page of this moment."""
        snap = self.driver.snapshot()
        if snap is None:
            return draw_waiting(self.driver.rig, self.driver.mode, width, height, self.message)
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
            message=self.message,
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
        spot = self._spot(event)
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
        spot = self._spot(event)
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


def run_app(driver: Driver, theme: ThemeName = "day", sound: bool | None = None) -> int:
    """Run the screen until it is left. Returns the exit code; an error's sentence goes to stderr."""
    app = StopmarkApp(driver, theme, sound=sound)
    app.run()
    if app.error:
        last_words(harmless(app.error), sys.stderr)
        return 1
    recording = driver.facts().recording
    if recording is not None:
        last_words(harmless(f"recorded {file_words(recording)}, in {folder_words(recording) or '.'}"), sys.stdout)
    return app.return_code or 0
