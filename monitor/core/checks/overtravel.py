"""The overtravel function test: does the device act at its height, both halves, and does the hoist then stop?

Theory of operation. The trip is an edge: a half that is seen tripped right after it was seen not tripped acted in
between, at the block's height now. The height's 99 % bound and the way the block makes between two readings of the
switch are the doubt of it, and a verdict needs the tolerance to be met, or missed, by more than that. A half whose
reading was missing when it acted gives no height, so the check ends as not judged.

Tripping is not stopping: in a published safety alert of the drilling contractors' association (99-03) the device was set
and acted, and the slow release of the clutch's air still let the block reach the crown. So the way and the time from
the trip to standstill count too, and a brake lever pulled meanwhile spoils them: then it is not known who stopped the
block. The same association names devices not reset after cut and slip as the most frequent failure: hence due after each.

The test takes the block past the upper limit, on purpose and slowly. `_EXPECTED` is the table of the rules that this brings
about. They are suppressed while the block does what the test does (`_as_tested`): an empty hook, near the device's height
and not beyond it by more than the tolerance, upward no faster than the test may be. The test ends when the block is back
below and the device stands ready again.
"""

import math
from collections.abc import Callable
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
    fitted,
    height,
    height_corrected,
    known,
    load,
    seconds,
    speed,
    verdict_at_most,
)
from monitor.core.signals.grid_point import GridPoint
from monitor.model.check import CheckVerdict
from monitor.model.snapshot import HoistState
from monitor.model.stream import GRID_NS, SECOND_NS

_NEVER_NS: Final = -SECOND_NS * 3600
"""Long before any stream."""
HALVES: Final = ("overtravel_electric", "overtravel_air")
_AT_REST_M_S: Final = 0.03
_STILL_S: Final = 0.5
_LATELY_S: Final = 1.0
_OTHER_HALF_S: Final = 3.0
_NEAR_M: Final = 3.0
"""So far below the upper limit the slow part of the test begins."""
_AGAIN_S: Final = 1.0
"""So long the block must have done what the test does before that is believed, the first time or once more."""
_CLEAR_M: Final = 0.1
"""The block is back below the device's height by so much: where the rule on that height is over, too."""
_EMPTY_SHARE: Final = 1.2
"""Hook load up to this share of the block's own weight counts as an empty hook."""


_TRIPPED: Final = frozenset({"overtravel-electric", "overtravel-air", "overtravel-disagree", "overtravel-height"})
_TOWARD_LIMIT: Final = frozenset({"ease-up", "brake-now-up", "brake-fully-up", "will-cross-up", "over-allowed-speed"})
_EXPECTED: Final = {
    "raise": _TOWARD_LIMIT | _TRIPPED,
    "stop": _TOWARD_LIMIT | _TRIPPED,
    "verdict": _TOWARD_LIMIT | _TRIPPED,
    "clear": _TRIPPED,
}
"""Ids of the rules that each step brings about: the block goes past the upper limit, and the device acts."""


def _half_name(half: str) -> str:
    return half.removeprefix("overtravel_")


def _needed(rig: Rig) -> tuple[str, ...]:
    """Halves that must act."""
    halves = rig.checks.overtravel_halves
    return fitted(rig, HALVES if halves == "both" else (f"overtravel_{halves}",))


def unfit(rig: Rig) -> str:
    """Why the device cannot be watched."""
    if _needed(rig):
        return "" if rig.has("overtravel") else "not fitted: the rig's file has no limits.overtravel_m"
    wanted = rig.checks.overtravel_halves
    return f"no sensor reads the overtravel device ({'electric or air' if wanted == 'both' else wanted})"


def _prepare(run: Run, now: GridPoint) -> Outcome:
    for half in _needed(now.rig):
        tripped = known(now, half)
        if math.isnan(tripped):
            return run.wait(f"the reading of the {_half_name(half)} half is missing")
        if tripped >= 0.5:
            return run.wait(f"the {_half_name(half)} half stands tripped: it has to be reset first")
    hook = load(now)
    if not hook <= _EMPTY_SHARE * now.numbers.block_n:
        return run.wait("the hook load is not known" if math.isnan(hook) else "a load hangs on the hook")
    if math.isnan(height(now)):
        return run.wait("the block's height is not known")
    run.hint = ""
    return True


def _record_trips(run: Run, now: GridPoint) -> Conclusion | None:
    """Take note of each half that acts: height and doubt at that moment."""
    rig, store, times_ns = now.rig, run.store, run.times_ns
    for half in fitted(now.rig, HALVES):
        if half in store:
            continue
        tripped = known(now, half)
        if tripped < 0.5:
            times_ns[half + " clear"] = now.t_ns
        elif tripped >= 0.5:
            word = _half_name(half)
            at, v = height(now), speed(now)
            if now.t_ns - times_ns.get(half + " clear", _NEVER_NS) > GRID_NS:
                if half not in _needed(rig):
                    continue
                return Conclusion(NOT_JUDGED, f"the reading of the {word} half was missing when it acted")
            if math.isnan(at + v):
                return Conclusion(NOT_JUDGED, f"the block's height was not known when the {word} half acted")
            sensor = rig.sensor_of(half)
            period = 1.0 / sensor.rate_hz if sensor else 0.0
            store[half] = at
            store[half + " doubt"] = now.estimate.height_bound_m + abs(v) * period
            run.measure(f"{word} half acted at", at, "length", "near", rig.limits.device_m)
    return None


def _recording_trips(judge: Callable[[Run, GridPoint], Outcome]) -> Callable[[Run, GridPoint], Outcome]:
    """The judge, after note was taken of what acted; what spoils the test settles it."""

    def after_trips(run: Run, now: GridPoint) -> Outcome:
        return _record_trips(run, now) or judge(run, now)

    return after_trips


@_recording_trips
def _raise(run: Run, now: GridPoint) -> Outcome:
    rig, store = now.rig, run.store
    at, v = height(now), speed(now)
    if v > _AT_REST_M_S:
        run.times_ns["rising"] = now.t_ns
    acted = [half for half in HALVES if half in store]
    if not acted:
        passed = rig.limits.device_m + rig.checks.overtravel_tolerance_m
        if at - now.estimate.height_bound_m > passed:
            run.measure("block reached", at, "length", "at most", passed)
            return Conclusion(FAIL, f"the block was at {as_text(rig, at, 'length')} and the device had not acted")
        if math.isnan(at):
            return run.wait("the block's height is not known")
        return run.wait(f"{as_text(rig, max(0.0, rig.limits.device_m - at), 'length')} to the device's height")
    needed = _needed(rig)
    if not any(half in needed for half in acted):
        return Conclusion(FAIL, f"the {_half_name(acted[0])} half acted before the {_half_name(needed[0])} half")
    if v > rig.checks.overtravel_speed_m_s:
        fast, slow = as_text(rig, v, "speed"), as_text(rig, rig.checks.overtravel_speed_m_s, "speed")
        return Conclusion(NOT_JUDGED, f"raised at {fast}: the test needs at most {slow}")
    if seconds(now, run.times_ns.get("rising", _NEVER_NS)) > _LATELY_S:
        return Conclusion(NOT_JUDGED, "the block was not being raised when the device acted")
    hook = load(now)
    if not hook <= _EMPTY_SHARE * now.numbers.block_n:
        heavy = "the hook load was not known" if math.isnan(hook) else "a load hung on the hook"
        return Conclusion(NOT_JUDGED, f"{heavy} when the device acted")
    run.times_ns["trip"] = now.t_ns
    store["trip"] = store["top"] = at
    run.times_ns.pop("rest", None)
    run.measure("speed then", v, "speed", "at most", rig.checks.overtravel_speed_m_s)
    run.hint = ""
    return True


@_recording_trips
def _stop(run: Run, now: GridPoint) -> Outcome:
    rig, store, times_ns = now.rig, run.store, run.times_ns
    at, v = height(now), speed(now)
    since = seconds(now, times_ns["trip"])
    if math.isnan(at + v):
        return Conclusion(NOT_JUDGED, "height or speed was not known while the block came to rest")
    if height_corrected(run, now):
        return Conclusion(NOT_JUDGED, "the height was corrected while the block came to rest")
    store["top"] = max(store["top"], at)
    run.measure("way after it acted", store["top"] - store["trip"], "length")
    if abs(v) < _AT_REST_M_S:
        if "rest" not in times_ns:
            times_ns["rest"] = now.t_ns
            run.measure("time to rest", since, "time", "at most", rig.checks.overtravel_stop_s)
        # As long as the rules of motion see it hoisted, what they say is still of this test.
        if seconds(now, times_ns["rest"]) >= _STILL_S and now.hoist is not HoistState.HOISTING:
            run.hint = ""
            return True
        return run.wait("")
    times_ns.pop("rest", None)
    lever = known(now, "brake_lever")
    if math.isnan(lever) and fitted(now.rig, ("brake_lever",)):
        return Conclusion(NOT_JUDGED, "the brake lever's reading was missing: not known what stopped the block")
    if lever >= rig.braking.demand_lever:
        return Conclusion(
            NOT_JUDGED, "the brake lever was pulled before the block was at rest: not known what stopped it"
        )
    if since > rig.checks.overtravel_stop_s:
        run.measure("time to rest", math.nan, "time", "at most", rig.checks.overtravel_stop_s)
        return Conclusion(
            FAIL,
            f"the block was still moving {as_text(rig, since, 'time')} after the device acted, at {as_text(rig, v, 'speed')}",
        )
    return run.wait("the block is still moving")


@_recording_trips
def _verdict(run: Run, now: GridPoint) -> Outcome:
    rig, store = now.rig, run.store
    needed = _needed(rig)
    missing = [half for half in needed if half not in store]
    if missing and seconds(now, run.step_ns) < _OTHER_HALF_S:
        return run.wait(f"the {_half_name(missing[0])} half has not acted", seconds(now, run.step_ns) / _OTHER_HALF_S)
    set_at, tolerance = rig.limits.device_m, rig.checks.overtravel_tolerance_m
    found: dict[CheckVerdict, list[str]] = {FAIL: [], NOT_JUDGED: [], PASS: []}
    for half in needed:
        word = _half_name(half)
        if half in store:
            verdict = verdict_at_most(abs(store[half] - set_at), store[half + " doubt"], tolerance)
            tail = f", known to ±{as_text(rig, store[half + ' doubt'], 'length')}" if verdict is NOT_JUDGED else ""
            found[verdict].append(f"{_acted_at(run, rig, half)}{tail}")
        elif math.isnan(known(now, half)):
            found[NOT_JUDGED].append(f"the reading of the {word} half is missing")
        else:
            found[FAIL].append(f"the {word} half did not act")
    for verdict in (FAIL, NOT_JUDGED):
        if found[verdict]:
            return Conclusion(verdict, f"{'; '.join(found[verdict])} (set height {as_text(rig, set_at, 'length')})")
    run.hint = ""
    return True


def _acted_at(run: Run, rig: Rig, half: str) -> str:
    return f"{_half_name(half)} half acted at {as_text(rig, run.store[half], 'length')}"


def _passed(run: Run, rig: Rig) -> Conclusion:
    """What was found, in words, where nothing was wrong."""
    store, times_ns = run.store, run.times_ns
    way, took = store["top"] - store["trip"], (times_ns["rest"] - times_ns["trip"]) * 1e-9
    acted = "; ".join(_acted_at(run, rig, half) for half in _needed(rig))
    set_at = as_text(rig, rig.limits.device_m, "length")
    rest = f"at rest {as_text(rig, way, 'length')} further, after {as_text(rig, took, 'time')}"
    return Conclusion(PASS, f"{acted} (set height {set_at}); {rest}")


def _clear(run: Run, now: GridPoint) -> Outcome:
    at = height(now)
    if math.isnan(at):
        return run.wait("the block's height is not known")
    below = now.rig.limits.device_m - _CLEAR_M
    if at > below:
        return run.wait(f"{as_text(now.rig, at - below, 'length')} to go down")
    for half in fitted(now.rig, HALVES):
        if known(now, half) >= 0.5:
            return run.wait(f"the {_half_name(half)} half still stands tripped")
    return _passed(run, now.rig)


def _as_tested(run: Run, now: GridPoint) -> bool:
    """Whether the block does what the test does, and has for `_AGAIN_S`; a height, speed or load not known is no test."""
    limits, checks = now.rig.limits, now.rig.checks
    near = limits.upper_m - _NEAR_M <= height(now) <= limits.device_m + checks.overtravel_tolerance_m
    slow = speed(now) <= checks.overtravel_speed_m_s
    if not (near and slow and load(now) <= _EMPTY_SHARE * now.numbers.block_n):
        run.times_ns.pop("as tested", None)
        return False
    return seconds(now, run.times_ns.setdefault("as tested", now.t_ns)) >= _AGAIN_S


OVERTRAVEL: Final = Procedure(
    id="overtravel-function",
    title="Overtravel function test",
    about="The device acts at its set height, and the hoist then stops.",
    look_at="Check the device's setting and both its halves, the clutch's release, and the height reference.",
    every_h=lambda site: site.overtravel_every_h,
    after_cut=True,
    unfit=unfit,
    steps=(
        Step(
            "Hook empty, mast and floor clear, everybody told, by the site's procedure. Confirm when ready.",
            ("hook_load", "height", "overtravel_electric", "overtravel_air"), _prepare, crew=True,
        ),
        Step(
            "The empty block is raised slowly to the device's set height until the device acts.",
            ("height", "speed", "overtravel_room", "overtravel_electric", "overtravel_air"), _raise,
            expects=_EXPECTED["raise"],
        ),
        Step(
            "Hands off brake and drive: the device alone stops the block.",
            ("height", "speed", "brake_lever"), _stop, expects=_EXPECTED["stop"],
        ),
        Step(
            "The block stays where it is while the other half of the device is looked at.",
            ("height", "overtravel_electric", "overtravel_air"), _verdict, expects=_EXPECTED["verdict"],
        ),
        Step(
            "The block goes back below the device's height, and the device is reset, by the site's procedure.",
            ("height", "speed", "overtravel_room", "overtravel_electric", "overtravel_air"), _clear,
            expects=_EXPECTED["clear"],
        ),
    ),
    as_tested=_as_tested,
)  # fmt: skip
"""The test itself, as a row of the table."""
