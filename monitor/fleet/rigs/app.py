"""The overview on the terminal, and a rig's own screen opened from it. One is shown at a time; the rigs go on meanwhile."""

import asyncio
import time
from collections.abc import Callable
from typing import Final, Protocol

from textual import events
from textual.widgets import Input

from monitor.errors import UserError
from monitor.fleet.rigs.bell import RigsBell, ringing
from monitor.fleet.rigs.overview import Overview, Shown, draw_overview, shown_now, status_words
from monitor.fleet.rigs.supervisor import Supervisor
from monitor.language import msgid, tr
from monitor.model.alarm import Severity
from monitor.presentation.format import Units
from monitor.runtime.driver import Mode
from monitor.ui.app import StopmarkApp
from monitor.ui.canvas_app import CanvasApp
from monitor.ui.dialogs import WIDEST_HELP, Help
from monitor.ui.drawing.canvas import Canvas
from monitor.ui.drawing.theme import SHAPE, ThemeName
from monitor.ui.help_text import laid_out
from monitor.ui.keys.key import MOVES, Key
from monitor.ui.view import KeyRow
from monitor.web.viewer import GONE, RemoteDriver

HERTZ: Final = 4.0
AGAIN_S: Final = 8.0
"""How often a rig's own screen names the others that need somebody, s."""
_HINTS: Final[tuple[KeyRow, ...]] = (
    (
        ("enter", msgid("open the rig")), ("r", msgid("try again now")), ("s", msgid("silence here")), ("u", msgid("units")),
        ("t", msgid("theme")), ("q", msgid("quit")), ("?", msgid("help")),
    ),
    (
        ("enter", msgid("open")), ("r", msgid("again")), ("s", msgid("silence")), ("u", msgid("units")), ("q", msgid("quit")),
        ("?", msgid("help")),
    ),
)  # fmt: skip
_HELP: Final = msgid("""STOPMARK watches and warns. It never acts on a rig: ADVISORY ONLY.

A row a rig, worst on top; equals by name
  enter     open the rig's own screen (also a click on the chosen row); v there comes back
  arrows    move in the list
  r         start a rig that is not watched again, now
  s         silence the bell here until something new rings; acknowledges nothing
  u, t      next units, next theme
  q         {quit}

The columns
  WORST     the alarm in the rig's banner, or what is wrong with its data; ● waits to be acknowledged
  SPEED     ↑ hoisting  ↓ lowering  ■ still  ? not known
  ROOM      to the limit ahead; of a block at rest to the nearer one
  BRAKE     holding ratio: what the brake can hold over what hangs there; LOW or < below the site's least
  AGE       of the latest good reading that height, speed and room rest on
  ≈         an estimate whose bound has grown;  "unknown": there is no figure to trust

Alarms are acknowledged on the rig's own screen, where they can be read.""")


def _hints() -> tuple[KeyRow, ...]:
    return tuple(tuple((key, tr(words)) for key, words in row) for row in _HINTS)


class Rigs(Protocol):
    """What the screens know of all rigs, wherever they run."""

    @property
    def finished(self) -> bool:
        """Whether the time of all is up."""

    def shown(self) -> list[Shown]:
        """All rigs as they are now."""

    def again(self, name: str) -> None:
        """Start one again that waits for it."""

    async def open(self, name: str) -> RemoteDriver:
        """The driver of one rig's own screen.

        Raises:
            UserError: it is not watched, or does not answer.
        """


class OwnRigs:
    """Those of a supervisor in this process."""

    def __init__(self, supervisor: Supervisor) -> None:
        self._supervisor = supervisor
        self.open, self.again = supervisor.open, supervisor.again

    @property
    def finished(self) -> bool:
        """Whether the time of all is up."""
        return self._supervisor.finished

    def shown(self) -> list[Shown]:
        """All rigs as they are now."""
        return shown_now(self._supervisor)


class OverviewApp(CanvasApp):
    """All rigs. Ends with `opened` set when one is to be opened, else when the person leaves."""

    leave_words = msgid("Press q again to stop watching and recording of all rigs.")
    quit_words = msgid("stop watching and recording of all rigs (press twice)")

    def __init__(
        self, rigs: Rigs, mode: Mode, units: Units, theme: ThemeName = "day", sound: bool = True,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:  # fmt: skip
        super().__init__(units, theme, clock, hertz=HERTZ)
        self.opened = ""
        self.chosen = ""
        self.sound = sound
        self._rigs, self._mode = rigs, mode
        self._bell = RigsBell()

    def rigs(self) -> list[Shown]:
        """All rigs as they are now."""
        return self._rigs.shown()

    def canvas(self, width: int, height: int) -> Canvas:
        """The overview of this moment."""
        if self._rigs.finished:
            self.exit(0)
        rigs = self.rigs()
        if self._bell.due(ringing(rigs), self.clock()) and self.sound and not self._terminal_lags():
            self.bell()
        view = Overview(
            rigs, self._mode, self.units, time.time_ns(), self.chosen, self.message, _hints(), self._bell.silenced
        )  # fmt: skip
        canvas = draw_overview(view, width, height)
        if self.chosen not in canvas.places and canvas.places:
            self.chosen = canvas.places[0]
        return canvas

    def on_key(self, event: events.Key) -> None:
        """Move, or run the key's action."""
        if len(self.screen_stack) > 1:
            return
        event.stop()
        shown_now = self._canvas_widget.shown
        places = shown_now.places if shown_now else ()
        if event.key in MOVES and places:
            here = places.index(self.chosen) if self.chosen in places else 0
            self.chosen = places[max(0, min(len(places) - 1, here + MOVES[event.key]))]
            self.tick()
        else:
            self._press(event.key)

    def _press(self, key: str) -> None:
        if key == "enter":
            self._open()
        elif key == "r":
            self._try_again()
        elif key == "s":
            self._bell.silenced = True
            self.say(tr("Bell silenced here until something new rings; nothing acknowledged."))
        elif key == "u":
            self.next_units()
        elif key == "t":
            self.next_theme()
        elif key == "q":
            self.leave()
        elif key in ("question_mark", "?"):
            room = min(self.size.width, WIDEST_HELP) - 9
            self.push_screen(Help(laid_out(tr(_HELP, quit=tr(self.quit_words)), room)))

    def on_click(self, event: events.Click) -> None:
        """A click on a hint is its key; on a row it chooses, on the chosen one it opens."""
        spot = self._spot(event)
        if spot is None:
            return
        event.stop()
        if spot.kind == "key":
            self._press(spot.id)
        elif spot.id == self.chosen:
            self._open()
        else:
            self.chosen = spot.id
            self.tick()

    def _try_again(self) -> None:
        rig = next((one for one in self.rigs() if one.name == self.chosen), None)
        if rig is not None and rig.again:
            self._rigs.again(rig.name)
            self.say(tr("{name} is started again.", name=rig.name))
        else:
            self.say(tr("Only a rig that is not watched is started again."))

    def _open(self) -> None:
        rig = next((one for one in self.rigs() if one.name == self.chosen), None)
        if rig is None or rig.row is None:
            self.say(tr("There is nothing to open: {why}", why=status_words(rig)[0] if rig else tr("no rig")))
            return
        self.opened = rig.name
        self.exit(0)


class RigApp(StopmarkApp):
    """One rig's own screen. `v` leads back to the overview, whose bell goes on ringing for the other rigs."""

    leave_words = msgid("Press q again for the overview (all rigs go on being watched and recorded).")

    def __init__(self, driver: RemoteDriver, name: str, overview: OverviewApp, theme: ThemeName) -> None:
        super().__init__(driver, theme, sound=overview.sound)
        self._name, self._overview = name, overview
        self._others_bell, self._named_s = RigsBell(), float("-inf")

    def keys(self) -> list[Key]:
        """The keys of this moment, and the way back."""
        back = Key("v", lambda _: self._back(), msgid("overview"), msgid("back to the overview of all rigs"))
        return [back, *super().keys()]

    def _back(self) -> None:
        self.exit(0)

    def canvas(self, width: int, height: int) -> Canvas:
        """The rig's page; in its footer, now and then, the others that need somebody."""
        others = [rig for rig in self._overview.rigs() if rig.name != self._name]
        found = ringing(others)
        if self._others_bell.due(found, self.clock()) and self.sound and not self._terminal_lags():
            self.bell()
        grave = [rig for rig in sorted(others, key=lambda rig: rig.order) if rig.problem or _grave(rig)]
        fresh = self._others_bell.fresh >= Severity.WARNING
        if grave and (fresh or self.clock() - self._named_s > AGAIN_S) and not isinstance(self.focused, Input):
            self._named_s = self.clock()
            words, severity = status_words(grave[0])
            more = tr(" (and {count} more)", count=len(grave) - 1) if len(grave) > 1 else ""
            self._message = tr(
                "{mark} {name}: {words}{more} · v: overview",
                mark=SHAPE[severity or Severity.NOTICE],
                name=grave[0].name,
                words=words,
                more=more,
            )
            self._message_until_s = self.clock() + AGAIN_S / 2
        return super().canvas(width, height)


def _grave(rig: Shown) -> bool:
    return any(severity >= Severity.WARNING for severity in ringing([rig]).values())


class Screens:
    """Overview and rigs' screens, one after another, until the person leaves or `stop` is called."""

    def __init__(
        self, rigs: Rigs, mode: Mode, units: Units, theme: ThemeName, sound: bool,
        overview: Callable[[Rigs, Mode, Units, ThemeName, bool], OverviewApp] = OverviewApp,
        own: Callable[[RemoteDriver, str, OverviewApp, ThemeName], RigApp] = RigApp,
    ) -> None:  # fmt: skip
        """`overview` and `own` are what all rigs and one rig are shown by."""
        self._rigs, self._mode, self._overview, self._own = rigs, mode, overview, own
        self._units, self._theme, self._sound = units, theme, sound
        self._app: CanvasApp | None = None
        self._stopped = False

    def stop(self) -> None:
        """End, from the event loop's thread."""
        self._stopped = True
        if self._app is not None:
            self._app.exit(0)

    async def run(self) -> int:
        """Show them; the exit code."""
        chosen, words = "", ""
        while not self._stopped:
            overview = self._overview(self._rigs, self._mode, self._units, self._theme, self._sound)
            overview.chosen = chosen
            if words:
                overview.call_later(overview.say, words)
            self._app = overview
            await overview.run_async()
            self._units, self._theme = overview.units, overview.screen_theme
            if not overview.opened or self._stopped:
                return overview.return_code or 0
            chosen, words = overview.opened, ""
            try:
                driver = await self._rigs.open(chosen)
            except UserError as error:
                words = str(error)
                continue
            app = self._app = self._own(driver, chosen, overview, self._theme)
            app.units = self._units
            await app.run_async()
            driver.close()
            await asyncio.sleep(0)
            self._units, self._theme = app.units, app.screen_theme
            words = tr("{chosen}: its process has ended", chosen=chosen) if app.error == GONE else app.error
        return 0
