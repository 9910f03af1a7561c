"""The height check after cut and slip: two known heights, far apart, must both read right.

Theory of operation. A cut and slip changes how many wraps are on the drum, and one reference sets one height right
whatever the wraps are: only a second one, some metres away, shows whether the curve in between fits. So the crew gives
the block's height at two known places. The first is taken as it is; at the second, what the monitor read just before
it took the reference is compared with what the crew measured. A drum whose start wrap or rope diameter is off shows
here as a difference that grows with the way between the two.
"""

import math
from typing import Final

from monitor.config.rig import Rig
from monitor.core.checks.procedure import (
    FAIL,
    NOT_JUDGED,
    PASS,
    Conclusion,
    Outcome,
    Procedure,
    Run,
    Step,
    as_text,
    height,
)
from monitor.core.signals.grid_point import GridPoint

REST_M_S: Final = 0.05
"""A reference given while the block moves faster is worth nothing."""


def record_reference(run: Run, height_m: float, before_m: float, speed_m_s: float) -> None:
    """The crew has given a reference height; `before_m` and `speed_m_s` are what was read just before (NaN: unknown)."""
    store = run.store
    store["count"] = store.get("count", 0.0) + 1.0
    store["given"], store["before"], store["speed"] = height_m, before_m, speed_m_s


def record_cut(run: Run) -> None:
    """The crew has told of a cut and slip: what came before it says nothing about what comes after."""
    if run.step:
        run.store["cut"] = 1.0


def _moved(run: Run) -> str:
    v = run.store["speed"]
    if math.isnan(v):
        return "the block's speed was not known"
    return "the block was moving" if abs(v) > REST_M_S else ""


def _first(run: Run, _: GridPoint) -> Outcome:
    store = run.store
    if not store.pop("count", 0.0):
        return run.wait("no height given yet")
    # Before the first reference after a cut the height is not known, so there is nothing to compare; the speed is read
    # all the same where there is one.
    if abs(store["speed"]) > REST_M_S:
        return run.wait("the block was moving when the height was given: once more, at rest")
    store["first"] = store["given"]
    run.hint = ""
    return True


def _second(run: Run, now: GridPoint) -> Outcome:
    rig, store = now.rig, run.store
    if "cut" in store:
        return Conclusion(NOT_JUDGED, "the line was cut during the check")
    least = rig.checks.reference_travel_m
    at = height(now)
    away = abs(at - store["first"])
    if not store.pop("count", 0.0):
        if math.isnan(at):
            return run.wait("the block's height is not known")
        if away < least:
            return run.wait(f"{as_text(rig, least - away, 'length')} more to go", away / least)
        return run.wait("the second height, with the block at rest", 1.0)
    why = _moved(run)
    if why:
        return run.wait(f"{why} when the height was given: once more, at rest")
    if abs(store["given"] - store["first"]) < least:
        store["first"] = store["given"]
        return run.wait("too near the first height: it counts as the first now")
    if math.isnan(store["before"]):
        return Conclusion(NOT_JUDGED, "the monitor did not know the height when the second one was given")
    difference, limit = abs(store["given"] - store["before"]), rig.checks.reference_tolerance_m
    run.measure("difference", difference, "length", "at most", limit)
    run.measure("second height as measured", store["given"], "length")
    run.measure("second height as read before", store["before"], "length")
    between = as_text(rig, abs(store["given"] - store["first"]), "length")
    text = f"the second height differed by {as_text(rig, difference, 'length')} over {between}"
    return Conclusion(PASS if difference <= limit else FAIL, text)


def _unfit(_: Rig) -> str:
    return ""


REFERENCE: Final = Procedure(
    id="height-reference",
    title="Height reference check",
    about="After a cut and slip, two heights far apart both read right.",
    look_at="Check the wraps given for the cut, the rope's diameter and the measured heights.",
    every_h=lambda _: None,
    after_cut=True,
    unfit=_unfit,
    steps=(
        Step("The block rests at a known height, and that height is given as the reference.", ("height", "speed"), _first),
        Step(
            "The block is moved to a second known height, far from the first; at rest, that height is given too.",
            ("height", "speed", "height_bound"), _second,
        ),
    ),
)  # fmt: skip
"""The check itself, as a row of the table."""
