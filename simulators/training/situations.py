"""The situations of the training, in their order. To add one: a function that leads in to it, and its row in SITUATIONS.

The lead-in is what the hand before the trainee's did; where it ends, the levers are the trainee's, as they stand.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

from monitor.language import msgid
from simulators.crew.operator import Moves, Operator
from simulators.scenario.scenario import Scenario

RIG: Final = "land"
LONGEST_S: Final = 120.0
"""Of one situation, lead-in included."""
_FREEZE_S: Final = 16.0
"""When the drum's sensor stands still, since the start: a moment after the trainee has the levers."""


@dataclass(frozen=True, slots=True)
class Situation:
    """One situation."""

    title: str
    task: str
    """What the trainee is told before."""
    lesson: str
    """What it shows, told afterwards."""
    down: bool
    """Which limit it is about."""
    scenario: Scenario
    lead_in: Callable[[Operator], Moves]
    blind: bool = False
    """Whether the height is lost on the way: then it is about stopping at once."""


def _scenario(start_m: float, faults: tuple[dict[str, Any], ...] = (), title: str = "") -> Scenario:
    work = {"program": "wait", "start_m": start_m}
    return Scenario.model_validate(
        {
            "name": f"training: {title}",
            "description": title,
            "rig": RIG,
            "duration_s": LONGEST_S,
            "work": work,
            "faults": faults,
        }
    )


def _until(moves: Moves, reached: Callable[[], bool]) -> Moves:
    """`moves`, left where they are once `reached` says so."""
    for _ in moves:
        if reached():
            return
        yield


def _hanging(op: Operator) -> Moves:
    """A string in the elevator, the brake set, some auxiliary brake given."""
    op.plant.hang_string(0.6e6)
    yield from op.wait(4.0)
    op.plant.levers.aux = 0.3
    yield


def _running_in(op: Operator) -> Moves:
    """A stand runs in at a good speed; then the auxiliary brake is eased off."""
    op.plant.hang_string(0.9e6)
    yield from op.wait(4.0)
    yield from _until(op.run_down(-50.0, 1.2, 50.0), lambda: op.plant.height_m < 12.0)
    op.plant.levers.aux = 0.5


def _hoisting(op: Operator) -> Moves:
    """The empty block goes up at full speed."""
    yield from op.wait(4.0)
    yield from _until(op.up(60.0, 1.45), lambda: op.plant.height_m > 27.0)


def _glazed(op: Operator) -> Moves:
    """A few stops, by which the monitor learns what the brake still does; then a stand runs in."""
    op.plant.hang_string(1.1e6)
    yield from op.wait(4.0)
    for _ in range(4):
        yield from op.run_down(op.plant.height_m - 1.5, 0.5, 5.0)
        yield from op.settle()
        yield from op.wait(3.0)
    yield from _until(op.run_down(-50.0, 1.1, 50.0), lambda: op.plant.height_m < 14.0)
    op.plant.levers.aux = 0.5


def _losing_height(op: Operator) -> Moves:
    """A stand runs in; the drum's sensor will stand still."""
    op.plant.hang_string(0.9e6)
    yield from op.wait(4.0)
    yield from _until(op.run_down(-50.0, 1.2, 50.0), lambda: op.plant.t_s >= _FREEZE_S - 2.0)
    op.plant.levers.aux = 0.65


SITUATIONS: Final = (
    Situation(
        msgid("Set it down where you want it"),
        msgid(
            "A string of 600 kN hangs still, 8 m above the floor. Ease the brake off, let the block down, and stop it "
            "within a metre above the lower limit (1.5 m). Watch the stop mark ◀ on the mast: it shows where you would "
            "stop if you braked now."
        ),
        msgid(
            "Brake when the stop mark is where you want the block, not when the block is. The mark runs ahead by the "
            "reaction of the hand, the lag of the brake and the way of braking; it grows with the square of the speed."
        ),
        True,
        _scenario(8.0, title="set down"),
        _hanging,
    ),
    Situation(
        msgid("Too late, too fast"),
        msgid(
            "A stand runs in at 1.2 m/s and the hand before you has just eased the auxiliary brake off. The levers are "
            "yours, as they stand. Keep the block above the lower limit. Try it once with the first word, and once as "
            "late as you dare."
        ),
        msgid(
            "'Brake now' leaves time for a hand that does not trust every figure; 'brake fully now' is the last moment at"
            " which a full brake, after the hand's reaction, still stops short. Between them lies less than a second."
        ),
        True,
        _scenario(24.0, title="running in"),
        _running_in,
    ),
    Situation(
        msgid("Up is a limit, too"),
        msgid(
            "The empty block goes up at 1.45 m/s with the clutch in. Keep it below the upper limit (37.5 m): let go of "
            "the drive (down arrow, or space for all at once) and brake. Above waits the overtravel device; do not count "
            "on it."
        ),
        msgid(
            "Going up the drive has to be let go of before the brake can stop anything, and an empty block stops short by"
            " itself: the room is used up by the reaction. The overtravel device is the last safeguard, never a way to "
            "stop."
        ),
        False,
        _scenario(10.0, title="hoisting"),
        _hoisting,
    ),
    Situation(
        msgid("The brake is not what it was"),
        msgid(
            "The pads have glazed. The hand before you made a few stops, so that the monitor has learned what they still "
            "do. A stand runs in. Keep the block above the lower limit, and look how early the words come now."
        ),
        msgid(
            "The words come earlier, because the monitor takes the brake as it is measured, not as it is in the papers: "
            "look at 'effectiveness' on Brakes (2). Half a brake needs twice the way. Report it; pads are looked at "
            "before the next stand."
        ),
        True,
        _scenario(34.0, ({"kind": "pads-glazed", "factor": 0.5, "start_s": 0.0},), "glazed pads"),
        _glazed,
    ),
    Situation(
        msgid("The height is gone"),
        msgid("A stand runs in, everything is as it should be. Keep the hand on the brake and an eye on the height."),
        msgid(
            "HEIGHT UNKNOWN means that no word can be relied on any more, also that none comes. No figure is shown where "
            "none can be trusted. Stop at once, then find out; go on only with eyes on the block, by the site's "
            "procedure."
        ),
        True,
        _scenario(24.0, ({"kind": "freeze", "sensor": "drum", "start_s": _FREEZE_S},), "height lost"),
        _losing_height,
        blind=True,
    ),
)
