"""The mouse over a stretch of time: a click sets the cursor, a pull moves the window, the wheel makes it longer or shorter."""

from monitor.ui.drawing.canvas import Spot
from monitor.ui.keys import time_window
from monitor.ui.keys.key import ScreenContext


class TimeMouse:
    """Remembers what the mouse holds. The app gives it the spot under the pointer, where that is one of time, and its column."""

    def __init__(self, context: ScreenContext) -> None:
        self._context = context
        self._held: int | None = None
        """Column in which the window is held."""
        self._pulled = False

    def press(self, spot: Spot | None, x: int) -> None:
        """Take hold."""
        self._held, self._pulled = (None if spot is None else x), False

    def release(self) -> None:
        """Let go."""
        self._held = None

    def move(self, spot: Spot | None, x: int) -> None:
        """Pull, where something is held."""
        snap = self._context.snapshot()
        if self._held is None or spot is None or snap is None or x == self._held:
            return
        share = (self._held - x) / max(1, spot.right - spot.left)
        self._held, self._pulled = x, True
        self._context.set_screen_state(time_window.pan(self._context.screen_state(), snap.t_ns, share))

    def click(self, spot: Spot, x: int) -> None:
        """The cursor there; not where a pull ends."""
        snap = self._context.snapshot()
        if snap is not None and not self._pulled:
            state = time_window.cursor_to(self._context.screen_state(), snap.t_ns, moment(spot, x))
            self._context.set_screen_state(state)

    def wheel(self, spot: Spot, x: int, step: int) -> None:
        """Longer (1) or shorter (-1) about the moment under the pointer."""
        snap = self._context.snapshot()
        if snap is not None:
            state = time_window.zoom(self._context.screen_state(), snap.t_ns, step, moment(spot, x))
            self._context.set_screen_state(state)


def moment(spot: Spot, x: int) -> int:
    """The moment at column `x` of a spot whose id is the window's begin and end, ns."""
    since_ns, until_ns = (int(part) for part in spot.id.split())
    return since_ns + round((until_ns - since_ns) * min(1.0, (x - spot.left) / max(1, spot.right - spot.left - 1)))
