"""The training on the terminal: the monitor's real screen above, the trainee's levers below; before and after each situation a
page of words. Every key works over any terminal: a lever stays where a press has put it."""

import asyncio
import time
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Final, Literal

from textual import events
from textual.worker import Worker

from monitor.config.rig import Rig
from monitor.language import tr
from monitor.model.snapshot import Snapshot
from monitor.model.stream import Request
from monitor.presentation.format import SI
from monitor.runtime.driver import Mode
from monitor.runtime.facts import RunFacts
from monitor.ui.app import StopmarkApp
from monitor.ui.drawing.canvas import Canvas
from monitor.ui.drawing.theme import Depth, ThemeName
from monitor.ui.history import History
from monitor.ui.screens import SCREENS
from simulators.training import pages
from simulators.training.lesson import STEP, Hand, Lesson
from simulators.training.review import Review, review
from simulators.training.situations import SITUATIONS

Stage = Literal["task", "drive", "review", "end"]
"""Before a situation, in it, after it, and after the last one."""
STRIP_ROWS: Final = 3
LEVERS: Final[Mapping[str, Callable[[Hand], None]]] = MappingProxyType(
    {
        "right": lambda hand: hand.pull(STEP),
        "left": lambda hand: hand.pull(-STEP),
        "end": lambda hand: hand.pull(1.0),
        "home": lambda hand: hand.pull(-1.0),
        "space": Hand.stop,
        "full_stop": lambda hand: hand.auxiliary(STEP),
        "comma": lambda hand: hand.auxiliary(-STEP),
        "up": lambda hand: hand.drive(1),
        "down": lambda hand: hand.drive(-1),
    }
)
"""What each key does to the levers."""
_TURN_S: Final = 0.05
_BEHIND_S: Final = 0.5
"""A computer that is slower than the rig lets its time slip beyond this, instead of running after it."""


class LessonDriver:
    """Gives the screen the present lesson, and lets it pass at its own pace while it runs."""

    mode: Final[Mode] = "SIMULATED"
    replay = None

    def __init__(self, lesson: Lesson, now_s: Callable[[], float]) -> None:
        self.lesson = lesson
        self.running = False
        self._now_s = now_s
        self._last_s = 0.0

    @property
    def rig(self) -> Rig:
        """The rig of the lesson."""
        return self.lesson.rig

    def snapshot(self) -> Snapshot | None:
        """What the monitor knows."""
        return self.lesson.snapshot() if self.lesson.now_ns else None

    def facts(self) -> RunFacts:
        """Nothing is recorded."""
        return RunFacts()

    def act(self, request: Request) -> None:
        """Pass on what the trainee tells the monitor."""
        self.lesson.act(request.at(self.lesson.now_ns))

    def start(self) -> None:
        """Let time pass from here on."""
        self._last_s, self.running = self._now_s(), True

    def turn(self) -> None:
        """Let the lesson catch up with the clock."""
        now_s = self._now_s()
        passed_s, self._last_s = min(_BEHIND_S, now_s - self._last_s), now_s
        self.lesson.advance(self.lesson.now_ns + round(passed_s * 1e9))

    async def run(self) -> None:
        """Until the screen is left."""
        while True:
            await asyncio.sleep(_TURN_S)
            if self.running and not self.lesson.over:
                self.turn()


class TrainingApp(StopmarkApp):
    """The situations one after the other."""

    TITLE = "Stopmark training"

    def __init__(
        self,
        theme: ThemeName = "day",
        seed: int = 1,
        clock: Callable[[], float] = time.monotonic,
        depth: Depth | None = None,
    ) -> None:
        self._seed = seed
        self.place = 0
        self.stage: Stage = "task"
        self.reviews: dict[int, Review] = {}
        """The latest of each situation."""
        self.lessons = LessonDriver(Lesson(SITUATIONS[0], seed), clock)
        self._lead_in: Worker[None] | None = None
        super().__init__(self.lessons, theme, clock, depth)
        self.units = SI  # as the tasks are told

    @property
    def lesson(self) -> Lesson:
        """The present attempt."""
        return self.lessons.lesson

    def on_mount(self) -> None:
        """Lead in to the first situation while its task is read."""
        self._prepare()

    def canvas(self, width: int, height: int) -> Canvas:
        """The page of this moment."""
        if self.stage == "drive" and self.lesson.over:
            self._look_back()
        if self.stage == "drive":
            return self._driving(width, height)
        canvas = Canvas(width, height)
        message = self._message if self.clock() < self._message_until_s else ""
        if self.stage == "task":
            pages.task(canvas.area, self.place, self.lesson.situation, message)
        elif self.stage == "review":
            pages.looked_back(canvas.area, self.place, self.lesson, self.reviews[self.place], self.units, message)
        else:
            pages.end(canvas.area, self.reviews, self.units, message)
        return canvas

    def _driving(self, width: int, height: int) -> Canvas:
        """The monitor's screen, with the levers below it."""
        page = super().canvas(width, height - STRIP_ROWS)
        whole = Canvas(width, height)
        whole.chars[: page.height], whole.roles[: page.height] = page.chars, page.roles
        whole.places, whole.texts, whole.spots, whole.cut = page.places, page.texts, page.spots, page.cut
        whole.figures, whole.figures_at = page.figures, page.figures_at
        pages.levers(whole.area.part(0, page.height, width, STRIP_ROWS), self.lesson, self.units)
        return whole

    def on_key(self, event: events.Key) -> None:
        """A lever's key moves the lever; before and after a situation a few keys go on; all others are the monitor's own."""
        if len(self.screen_stack) > 1:
            return
        if self.stage == "drive":
            move = LEVERS.get(event.key)
            if move is None:
                super().on_key(event)
                return
            move(self.lesson.hand)
        elif event.key in ("enter", "r"):
            self._go_on(again=event.key == "r")
        elif event.key == "q":
            self.leave()
        elif event.key == "t":
            self.next_theme()
        else:
            return
        event.stop()
        self.tick()

    def _go_on(self, again: bool) -> None:
        if self.stage == "task":
            if not again:
                self._begin()
        elif again:
            self._show_task(self.place if self.stage == "review" else 0)
        elif self.stage == "review" and self.place + 1 < len(SITUATIONS):
            self._show_task(self.place + 1)
        elif self.stage == "review":
            self.stage = "end"

    def _show_task(self, place: int) -> None:
        self.place, self.stage = place, "task"
        self.lessons.running = False
        self.lessons.lesson = Lesson(SITUATIONS[place], self._seed)
        self._prepare()

    def _prepare(self) -> None:
        lesson = self.lesson
        self._lead_in = self.run_worker(lambda: lesson.begin(), thread=True, name="lead-in")

    def _begin(self) -> None:
        """Hand the levers over, once the lead-in is played."""
        if self._lead_in is not None and not self._lead_in.is_finished:
            self.say(tr("One moment: the hand before you is not done yet."))
            return
        self.spec, self.history, self.stage = SCREENS[0], History(), "drive"
        self.lessons.start()
        self.say(tr("The levers are yours."))

    def _look_back(self) -> None:
        self.lessons.running = False
        self.reviews[self.place] = review(self.lesson)
        self.stage = "review"


def run_training(theme: ThemeName = "day", seed: int = 1) -> int:
    """Run the training until it is left; the exit code."""
    app = TrainingApp(theme, seed)
    app.run()
    return app.return_code or 0
