"""Ten tasks of a driller or a mechanic, each with the keys that do it and what must then be seen; driven in the real app.

Initials are typed once a tour; they count only where the task is to give them. A press of a letter of a search counts as one.
"""

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

from monitor.adapters.ledger.trend import BrakeTrend
from monitor.core.checks.guided_checks import Checks
from monitor.model.snapshot import Snapshot
from monitor.model.stream import ActionKind
from monitor.runtime.facts import RunFacts
from monitor.ui.app import StopmarkApp
from monitor.ui.dialogs import Ask
from tests.ui import sample
from tests.ui.drivers import FakeDriver, FakeReplay
from tests.ui.walk import Clock, shown

MOST_KEYS: Final = 6
SIZES: Final = ((80, 24), (120, 40))
DAY_NS: Final = 86_400 * sample.SECOND
TRENDS: Final = (BrakeTrend("effectiveness", 9, None, sample.T0_NS - DAY_NS, None, None),)
Done = Callable[[StopmarkApp, FakeDriver], bool]


@dataclass(frozen=True, slots=True)
class Task:
    """What is to be done, with which keys, in which state, and how one sees that it is done."""

    words: str
    keys: tuple[str, ...]
    done: Done
    state: str = "warning"
    replay: bool = False


def sees(*words: str) -> Done:
    """All of the words are on the screen."""
    return lambda app, driver: all(word in shown(app) for word in words)


def did(kind: ActionKind, target: str = "") -> Done:
    """The driver got that action."""
    return lambda app, driver: any(act.kind is kind and act.target == target for act in driver.acts)


TASKS: Final = (
    Task("find why the worst alarm fired", ("3",), sees("BRAKE NOW", "margin down")),
    Task("acknowledge the alarm in the banner", ("a",), did(ActionKind.ACKNOWLEDGE, "lower-limit-brake-now")),
    Task("silence the bell", ("s",), did(ActionKind.SILENCE)),
    Task(
        "shelve a lesser alarm for 9 minutes", ("3", "down", "h", "9", "enter"), did(ActionKind.SHELVE, "aux-share-low")
    ),
    Task("find the state of the sensor of the drum", ("4", "slash", "d", "r", "u", "enter"), sees("drum", "shown")),
    Task(
        "see causes and first look of the worst brake row, and open its check",
        ("2", "enter", "g"),
        sees("Auxiliary brake"),
    ),
    Task(
        "see how the brakes did over the last days",
        ("9", "slash", "e", "f", "f", "enter"),
        sees("effectiveness", "shown"),
    ),
    Task("read height and stop mark of two minutes ago", ("5", "e", "left"), sees("stop mark", "ago")),
    Task("see what was raised in this tour, in order", ("3", "l"), sees("Auxiliary brake takes only 41 %")),
    Task(
        "in a replay, go to the alarm before",
        ("left_square_bracket",),
        lambda app, driver: _moved(driver),
        "calm",
        True,
    ),
    Task("sign the hand-over as oncoming driller", ("9", "i", "k", "r", "enter"), did(ActionKind.HAND_OVER)),
    Task("copy the worst alarm as text", ("3", "y"), lambda app, driver: "BRAKE NOW" in app.clipboard),
)


def _moved(driver: FakeDriver) -> bool:
    return driver.replay is not None and driver.replay.position_ns == sample.T0_NS - 30 * sample.SECOND


def snapshot_of(state: str) -> Snapshot:
    """A state with the rig's real guided checks."""
    return replace(sample.SAMPLES[state](), checks=Checks(sample.rig()).views())


async def carried_out(task: Task, size: tuple[int, int]) -> tuple[bool, int]:
    """Whether the keys do the task, and how many they are."""
    driver = FakeDriver(snapshot_of(task.state), run_facts=RunFacts(brake_trends=TRENDS))
    if task.replay:
        driver.mode, driver.replay = "REPLAY", FakeReplay()
    clock = Clock()
    app = StopmarkApp(driver, clock=clock)
    app.history = sample.history()
    app.who, app.who_since_ns = "AB", sample.T0_NS - 3600 * sample.SECOND
    async with app.run_test(size=size) as pilot:
        # What came up this moment cannot be acknowledged yet.
        clock.now_s += 2.0
        app.tick()
        for key in task.keys:
            await pilot.press(key)
            await pilot.pause()
        app.tick()
        return not isinstance(app.screen, Ask) and task.done(app, driver), len(task.keys)


def all_carried_out(size: tuple[int, int]) -> list[tuple[Task, bool, int]]:
    """Every task at a size."""
    return [(task, *asyncio.run(carried_out(task, size))) for task in TASKS]
