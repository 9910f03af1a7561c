"""Checks of the brakes at work: holding test, pressure leak-down, auxiliary brake.

Theory of operation. *Holding*: with a load of known size on the hook and the service brake alone set, the block may not
travel further in the set time than the creep limit allows; it has failed as soon as it has travelled that far. The
spring calipers, where there are any, and the drive must be clear, or they hold the load and not the service brake.

*Leak-down*: with the pump off and the brake left as it is, no oil moves, and the accumulator keeps its pressure. The
slope of a straight line through the set time is held against the limit, with its scatter. Where it is too steep,
`monitor.physics.hydraulics.diagnose_leak` says whether that is a leak, or warm gas that settles, or cannot be told yet. A
pump that comes on again ends the measurement: what was seen by then can fail the test, never pass it.

*Auxiliary brake*: lowering a load at a steady speed, the brakes take what the fast line pulls at the drum. The mean of
the auxiliary brake's torque, measured or from current and speed, over the mean of that pull is its share.
"""

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import Final

from monitor.config.brakes import CaliperBrake, EddyAux, NoAux
from monitor.config.optional_tables import ON_DRUM
from monitor.config.rig import Rig
from monitor.core.brakes.auxiliary import Auxiliary
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
    lacks,
    load,
    seconds,
    slope,
    speed,
    verdict_at_most,
)
from monitor.core.signals.grid_point import GridPoint
from monitor.model.reading import Z99
from monitor.model.snapshot import HoistState
from monitor.model.stream import SECOND_NS
from monitor.physics.hydraulics import Accumulator, Decay, diagnose_leak
from monitor.units import ATMOSPHERE_PA

CIRCUITS: Final = ("service_pressure_1", "service_pressure_2")
_SET_SHARE: Final = 0.4
"""Share of full pressure above which a circuit counts as set."""
_LOAD_CHANGE: Final = 0.1
_REST_M_S: Final = 0.01
_CHANGED_S: Final = 1.0
_SETTLE_NS: Final = 6 * SECOND_NS
_ENOUGH_S: Final = 15.0
_QUIET_SHARE: Final = 0.04
_STEADY_M_S2: Final = 0.3


# --- holding --------------------------------------------------------------------------------------------------------


def _holding_unfit(rig: Rig) -> str:
    if not fitted(rig, (*CIRCUITS, "brake_lever")):
        return "no sensor reads the brake's pressure or its lever"
    return lacks(rig, "brake", "braking")


def _not_held_by_service(now: GridPoint) -> str:
    """What else than the service brake may hold the load, or what is not known of it; empty when only it does."""
    clutch = known(now, "clutch_engaged")
    if fitted(now.rig, ("clutch_engaged",)) and not clutch < 0.5:
        return "the clutch's reading is missing" if math.isnan(clutch) else "the clutch is still engaged"
    brake = now.rig.brake
    if (
        isinstance(brake, CaliperBrake)
        and now.numbers.has_emergency
        and fitted(now.rig, ("emergency_release_pressure",))
    ):
        release = known(now, "emergency_release_pressure")
        if math.isnan(release):
            return "the spring calipers' release pressure is missing"
        if release < brake.lift_pressure_pa:
            return "the spring calipers are set: the test is of the service brake alone"
    return ""


def _not_set(now: GridPoint, begun: bool) -> str:
    """Why the service brake does not count as set. Once the test has begun the lever alone tells where there is one:
    a pressure that goes away with the lever still on is what the test is to find."""
    lever = known(now, "brake_lever")
    if fitted(now.rig, ("brake_lever",)):
        if math.isnan(lever):
            return "the brake lever's reading is missing"
        if lever < now.rig.braking.demand_lever:
            return "the service brake is not set"
        if begun:
            return ""
    for circuit in fitted(now.rig, CIRCUITS):
        pressure = known(now, circuit)
        if math.isnan(pressure):
            return "a brake pressure reading is missing"
        if pressure < _SET_SHARE * now.numbers.full_pressure_pa:
            return "the brake's pressure is not up"
    return ""


def too_light(now: GridPoint) -> str:
    """Why what hangs on the hook is no load to test with; empty when it is."""
    hook, least = load(now), now.rig.checks.load_share * now.numbers.rated_load_n
    if math.isnan(hook):
        return "the hook load is not known"
    if hook < least:
        return f"{as_text(now.rig, hook, 'force')} on the hook: the test needs {as_text(now.rig, least, 'force')}"
    return ""


def ready(_: Run, __: GridPoint) -> Outcome:
    """The crew's own word is enough; what can be measured of it is watched in the steps after."""
    return True


def _position_noise_m(rig: Rig) -> float:
    """Three sigma of a ready-made block position; 2 mm with a drum encoder (a few counts)."""
    if rig.sensor_of("drum_counts") is not None:
        return 0.002
    sensor = rig.sensor_of("block_position")
    return 3.0 * sensor.sigma * sensor.si.scale if sensor else 0.0


def _not_held(now: GridPoint, begun: bool) -> str:
    """Why it is not the set service brake alone that holds a block whose height is known; empty when it is."""
    if math.isnan(height(now)):
        return "the block's height is not known"
    return _not_set(now, begun) or _not_held_by_service(now)


def _begin_holding(run: Run, now: GridPoint) -> None:
    store, hook = run.store, load(now)
    run.times_ns["begun"] = run.times_ns["same"] = now.t_ns
    store["at"], store["load"] = height(now), hook
    store["noise"] = _position_noise_m(now.rig)
    run.measure("load held", hook, "force", "at least", now.rig.checks.load_share * now.numbers.rated_load_n)


def _load_changed(run: Run, now: GridPoint) -> bool:
    """Whether another load hangs on the hook. Only at rest, and not at once: a load that starts to fall weighs less, and is
    what the test is to find."""
    store = run.store
    if abs(load(now) - store["load"]) <= _LOAD_CHANGE * store["load"] or abs(now.estimate.speed_m_s) > _REST_M_S:
        run.times_ns["same"] = now.t_ns
    return seconds(now, run.times_ns["same"]) > _CHANGED_S


def _holding_spoilt(run: Run, now: GridPoint) -> str:
    """Why what was measured so far does not count; empty when it does."""
    why = _not_held(now, begun=True)
    if why:
        return why
    if height_corrected(run, now):
        return "the height was corrected"
    if math.isnan(load(now)):
        return "the hook load is not known"
    return "the load changed" if _load_changed(run, now) else ""


def _hold(run: Run, now: GridPoint) -> Outcome:
    if "begun" not in run.times_ns:
        why = _not_held(now, begun=False) or too_light(now)
        why = why or ("" if now.hoist is HoistState.STILL else "the block is not yet at rest")
        if why:
            return run.wait(why)
        _begin_holding(run, now)
    why = _holding_spoilt(run, now)
    return run.restart(f"begun again: {why}") if why else _judge_holding(run, now)


def _judge_holding(run: Run, now: GridPoint) -> Outcome:
    """Travel and time so far, against their limits: too far fails at once, the rest once the time is over."""
    rig, store = now.rig, run.store
    lasted, travel = seconds(now, run.times_ns["begun"]), store["at"] - height(now)
    allowed = rig.checks.holding_creep_m_s * rig.checks.holding_s
    verdict = verdict_at_most(abs(travel), store["noise"], allowed)
    over = verdict is FAIL
    if not over and run.times_ns["same"] != now.t_ns:
        return run.wait("the load is not what it was")
    run.measure("travel", abs(travel), "length", "at most", allowed)
    run.measure("time held", lasted, "time", "at least", rig.checks.holding_s)
    if not over and lasted < rig.checks.holding_s:
        return run.wait(f"{rig.checks.holding_s - lasted:.0f} s more", lasted / rig.checks.holding_s)
    moved, held = as_text(rig, abs(travel), "length"), as_text(rig, store["load"], "force")
    if over:
        way = "down" if travel > 0.0 else "up"
        return Conclusion(FAIL, f"the block moved {moved} {way} in {lasted:.0f} s with {held} on the hook")
    if verdict is PASS:
        return Conclusion(PASS, f"{held} held for {lasted:.0f} s; the block moved {moved}")
    return Conclusion(NOT_JUDGED, f"the block moved {moved}, too near the limit for this position sensor")


HOLDING: Final = Procedure(
    id="brake-holding",
    title="Brake holding test",
    about="The service brake alone holds a known load without creeping.",
    look_at="Check brake pressure, pads or bands for oil and wear, and the brake's adjustment.",
    every_h=lambda site: site.holding_every_h,
    after_cut=False,
    unfit=_holding_unfit,
    steps=(
        Step(
            "Load of the site's procedure on the hook, service brake set, drive off, spring brake released. Confirm.",
            ("hook_load", "holding_ratio", "brake_lever", "service_pressure_1", "service_pressure_2"), ready, crew=True,
        ),
        Step(
            "Nothing is touched while the time runs.",
            ("height", "hook_load", "brake_lever", "service_pressure_1", "service_pressure_2", "clutch_engaged"), _hold,
        ),
    ),
)  # fmt: skip
"""The test itself, as a row of the table."""


# --- leak-down ------------------------------------------------------------------------------------------------------


def _leak_unfit(rig: Rig) -> str:
    if not fitted(rig, ("accumulator_pressure",)):
        return "no sensor reads the accumulator's pressure"
    if not fitted(rig, CIRCUITS):
        return "no sensor reads the brake's pressure"
    return lacks(rig, "hydraulics", "brake")


def _noise_pa(rig: Rig) -> float:
    """Scatter of the accumulator's reading; not below a thousandth of its span."""
    sensor = rig.sensor_of("accumulator_pressure")
    span = rig.hydraulics.max_pressure_pa - rig.hydraulics.min_pressure_pa
    return max(sensor.sigma * sensor.si.scale if sensor else 0.0, 0.001 * span)


def _disturbed(run: Run, now: GridPoint) -> str:
    """Why this is no quiet pressure; takes the circuits' pressures as they are when it begins."""
    band = _QUIET_SHARE * now.numbers.full_pressure_pa
    for circuit in fitted(now.rig, CIRCUITS):
        pressure = known(now, circuit)
        if math.isnan(pressure):
            return "a brake pressure reading is missing"
        if abs(pressure - run.store.setdefault(circuit, pressure)) > band:
            return "the brake was used"
    return ""


def _leak(run: Run, now: GridPoint) -> Outcome:
    rig, store = now.rig, run.store
    pressure = known(now, "accumulator_pressure")
    why = "the accumulator's reading is missing" if math.isnan(pressure) else _disturbed(run, now)
    if why:
        return run.restart(f"begun again: {why}")
    if "begun" not in run.times_ns:
        if pressure < rig.hydraulics.min_pressure_pa:
            return run.restart("the accumulator is below its least pressure: not yet charged")
        run.times_ns["begun"] = now.t_ns + _SETTLE_NS
        store["next"], store["sum"], store["n"] = 1.0, 0.0, 0.0
    lasted, whole = seconds(now, run.times_ns["begun"]), rig.checks.leak_s
    if lasted < 0.0:
        return run.wait("the pressure settles first")
    store["sum"] += pressure
    store["n"] += 1.0
    if lasted >= store["next"]:
        mean = store["sum"] / store["n"]
        run.series.append((lasted, mean))
        store["sum"] = store["n"] = 0.0
        store["next"] += max(1.0, whole / 300.0)
        lowest = store["lowest"] = min(store.get("lowest", mean), mean)
        if mean > lowest + 4.0 * _noise_pa(rig):
            if lasted < _ENOUGH_S:
                return run.restart("begun again: the pump is still charging")
            return _judge_leak(run, now, charged=True)
    if lasted >= whole:
        return _judge_leak(run, now, charged=False)
    if len(run.series) >= 10:
        run.measure("pressure lost per minute", -60.0 * slope(run.series)[0], "pressure", "at most",
                    60.0 * rig.checks.leak_pa_s)  # fmt: skip
    return run.wait(f"{whole - lasted:.0f} s more", lasted / whole)


def _judge_leak(run: Run, now: GridPoint, charged: bool) -> Conclusion:
    rig = now.rig
    points = run.series
    if charged:  # the last reading, and what the charging had already added to the ones before, are not the leak's
        low = min(range(len(points)), key=lambda i: points[i][1])
        points = points[: low + 1]
    noise, limit = _noise_pa(rig), rig.checks.leak_pa_s
    falling, spread = slope(points)
    falling = -falling
    verdict = verdict_at_most(falling, Z99 * noise * spread, limit)
    run.measure("pressure lost per minute", 60.0 * falling, "pressure", "at most", 60.0 * limit)
    rate = "not known" if math.isnan(falling) else f"{as_text(rig, 60.0 * falling, 'pressure')} a minute"
    if charged:
        if verdict is FAIL:
            return Conclusion(FAIL, f"pressure fell by {rate}, and the pump came on after {points[-1][0]:.0f} s")
        return Conclusion(NOT_JUDGED, f"the pump came on after {points[-1][0]:.0f} s: the time was too short")
    if verdict is PASS:
        still = all(a[1] == b[1] for a, b in pairwise(points))
        remark = "; the reading did not change at all: compare it with the gauge" if still else ""
        return Conclusion(PASS, f"pressure fell by {rate}{remark}")
    if verdict is NOT_JUDGED or len(points) < 6 or min(p for _, p in points) + ATMOSPHERE_PA <= 0.0:
        return Conclusion(NOT_JUDGED, f"pressure fell by {rate}: too near the limit to tell in this time")
    return _leak_or_warm_gas(rig, points, falling, noise, rate)


def _leak_or_warm_gas(
    rig: Rig, points: Sequence[tuple[float, float]], falling: float, noise: float, rate: str
) -> Conclusion:
    """The pressure fell too fast: by a leak, or by warm gas that settles."""
    absolute = [p + ATMOSPHERE_PA for _, p in points]
    leak = diagnose_leak([t for t, _ in points], absolute, noise)
    if leak.decay is Decay.THERMAL:
        return Conclusion(NOT_JUDGED, f"pressure fell by {rate}, as warm gas does that settles: test again when it has")
    oil = Accumulator(rig.hydraulics.accumulator_volume_m3, rig.hydraulics.precharge_pa + ATMOSPHERE_PA)
    lost = 6e7 * oil.leak_from_slope_m3_s(math.fsum(absolute) / len(absolute), -falling)
    if leak.decay is Decay.LEAK:
        return Conclusion(FAIL, f"pressure fell by {rate}: a leak of {lost:.0f} ml a minute")
    return Conclusion(
        FAIL, f"pressure fell by {rate}: {lost:.0f} ml a minute if it is a leak; the time is too short to tell"
    )


LEAK_DOWN: Final = Procedure(
    id="pressure-leak-down",
    title="Pressure leak-down",
    about="With the pump off and the brake left alone, the accumulator keeps its pressure.",
    look_at="Look for oil at hoses, calipers and valves; check the accumulator's gas charge.",
    every_h=lambda site: site.leak_every_h,
    after_cut=False,
    unfit=_leak_unfit,
    steps=(
        Step(
            "Accumulator charged, pump off by the site's procedure, brake left as it is. Confirm when ready.",
            ("accumulator_pressure", "accumulator_margin", "brake_lever"), ready, crew=True,
        ),
        Step(
            "Brake and pump stay as they are while the time runs.",
            ("accumulator_pressure", "service_pressure_1", "service_pressure_2"), _leak,
        ),
    ),
)  # fmt: skip
"""The test itself, as a row of the table."""


# --- auxiliary brake ------------------------------------------------------------------------------------------------


def _auxiliary_unfit(rig: Rig) -> str:
    if isinstance(rig.aux, NoAux):
        return "the rig has no auxiliary brake"
    quantities = ("aux_torque", "aux_current") if isinstance(rig.aux, EddyAux) else ("aux_torque",)
    if not fitted(rig, quantities):
        return f"no sensor reads the auxiliary brake ({' or '.join(quantities)})"
    return lacks(rig, *ON_DRUM)


def _not_lowering(now: GridPoint) -> str:
    """Why this is no steady lowering of the load on the auxiliary brake; empty when it is."""
    why = too_light(now)
    if why:
        return why
    rig, v = now.rig, speed(now)
    clutch = known(now, "clutch_engaged")
    # A regenerative drive brakes through its clutch; any other auxiliary brake must not be helped by the drive.
    if isinstance(rig.aux, EddyAux) and fitted(now.rig, ("clutch_engaged",)) and not clutch < 0.5:
        return "the clutch's reading is missing" if math.isnan(clutch) else "the clutch is engaged"
    least = rig.checks.auxiliary_speed_m_s
    if math.isnan(v):
        return "the block's speed is not known"
    if -v < least:
        return f"lowering at {as_text(rig, max(0.0, -v), 'speed')}: the test needs {as_text(rig, least, 'speed')}"
    return "" if abs(now.estimate.acceleration_m_s2) <= _STEADY_M_S2 else "the speed is not steady"


def _lower(run: Run, now: GridPoint) -> Outcome:
    rig, store = now.rig, run.store
    v, radius = speed(now), now.estimate.radius_m
    why = _not_lowering(now)
    if why:
        return run.wait(why) if "begun" not in run.times_ns else run.restart(f"begun again: {why}")
    torque, doubt = Auxiliary(rig).torque(-v * rig.line.lines / radius, now.reading)
    if math.isnan(torque):
        return run.restart("the auxiliary brake's reading is missing")
    if "begun" not in run.times_ns:
        run.times_ns["begun"] = now.t_ns
        store["aux"] = store["doubt"] = store["pull"] = store["n"] = 0.0
    store["aux"] += torque
    store["doubt"] += doubt
    store["pull"] += now.load.fast_line_n * radius
    store["n"] += 1.0
    share, wide = store["aux"] / store["pull"], store["doubt"] / store["pull"]
    run.measure("auxiliary share of the pull", share, "fraction", "at least", rig.checks.auxiliary_share)
    run.measure("auxiliary torque", store["aux"] / store["n"], "torque")
    run.measure("lowering speed", -v, "speed", "at least", rig.checks.auxiliary_speed_m_s)
    lasted = seconds(now, run.times_ns["begun"])
    if lasted < rig.checks.auxiliary_s:
        return run.wait(f"{rig.checks.auxiliary_s - lasted:.1f} s more", lasted / rig.checks.auxiliary_s)
    took = f"it took {100.0 * share:.0f} % of the pull, {as_text(rig, store['aux'] / store['n'], 'torque')}"
    verdict = verdict_at_most(-share, wide, -rig.checks.auxiliary_share)
    if verdict is NOT_JUDGED:
        return Conclusion(NOT_JUDGED, f"{took}, known to ±{100.0 * wide:.0f} %: too near the limit to tell")
    return Conclusion(verdict, took)


AUXILIARY: Final = Procedure(
    id="auxiliary-brake",
    title="Auxiliary brake test",
    about="Lowering a load at a steady speed, the auxiliary brake takes its share.",
    look_at="Check the auxiliary brake's current, coupling and coolant.",
    every_h=lambda site: site.auxiliary_every_h,
    after_cut=False,
    unfit=_auxiliary_unfit,
    steps=(
        Step(
            "Load of the site's procedure on the hook, way below clear, auxiliary brake ready. Confirm when ready.",
            ("hook_load", "height", "room_down", "coolant_temperature"), ready, crew=True,
        ),
        Step(
            "The load is lowered at a steady speed on the auxiliary brake.",
            ("speed", "height", "hook_load", "aux_current", "aux_torque"), _lower,
        ),
    ),
)  # fmt: skip
"""The test itself, as a row of the table."""
