"""One run of a trial: the monitor beside the truth, and what came of it as plain data."""

from typing import Any, Final

from monitor.core.engine import Core
from monitor.core.signals.table import SIGNAL_NAMES
from monitor.model.alarm import Finding, Severity
from monitor.model.reading import Validity
from simulators.machine.plant import TICK_S, Plant
from simulators.scenario.direct_feed import shipped_core
from simulators.scenario.plant_source import PlantSource
from simulators.trial.cases import Case

MOTION: Final = ("brake-now", "past-help")
SNAPSHOT_TICKS: Final = 5
_HEIGHT: Final = SIGNAL_NAMES.index("height")
_BOUND: Final = SIGNAL_NAMES.index("height_bound")
_SECOND: Final = 1_000_000_000

Result = dict[str, Any]


def run_case(case: Case) -> Result:
    """Run it; the result holds ``set``, ``index`` and what the set scores."""
    source = PlantSource(case.rig, case.scenario, case.seed)
    core = shipped_core(case.rig)
    found = {"danger": _danger, "calm": _calm, "instrument": _instrument}[case.set](case, source, core)
    stream_s = round(source.plant.t_s, 2)
    return {"set": case.set, "index": case.index, "stream_s": stream_s, **found, "facts": case.facts}


def _feed(core: Core, items: list[Any]) -> list[Finding]:
    return [finding for item in items for finding in core.feed(item)]


# --- danger -----------------------------------------------------------------------------------------------------------


def stays_inside(plant: Plant, down: bool, wait_s: float = 0.0) -> bool:
    """Whether the block stays inside the limit when, after `wait_s` as it goes now, the brake is pulled fully.

    Drives `plant` on: give it a clone.
    """
    lower, upper = plant.rig.limits.lower_m, plant.rig.limits.upper_m
    for tick in range(round((wait_s + 12.0) / TICK_S)):
        if tick == round(wait_s / TICK_S):
            plant.levers.brake, plant.levers.speed_m_s, plant.levers.clutch = 1.0, 0.0, False
        plant.tick()
        if plant.height_m <= lower if down else plant.height_m >= upper:
            return False
        if plant.omega == 0.0 and tick > round(wait_s / TICK_S) + 60 and abs(plant.speed_m_s) < 0.02:
            break
    return abs(plant.omega) < 1e-6


def _danger(case: Case, source: PlantSource, core: Core) -> Result:
    down = bool(case.facts["down"])
    side = "down" if down else "up"
    names = tuple(f"{word}-{side}" for word in MOTION)
    limits = case.rig.limits
    plant = source.plant
    clones: list[tuple[int, Plant]] = []
    alarms: list[tuple[int, str]] = []
    still_ns = source.origin_ns
    crossed_ns = 0
    for tick, (now, items) in enumerate(source.ticks()):
        alarms += [(f.t_ns, f.key) for f in _feed(core, items) if f.raised or f.prompted]
        speed = -plant.speed_m_s if down else plant.speed_m_s
        room = plant.height_m - limits.lower_m if down else limits.upper_m - plant.height_m
        if speed < 0.03 and not crossed_ns:
            still_ns = now
            clones.clear()
        elif tick % SNAPSHOT_TICKS == 0 and room < 14.0 and not crossed_ns:
            clones.append((now, plant.clone()))
        if room <= 0.0 and not crossed_ns:
            crossed_ns = now
        if crossed_ns and now > crossed_ns + _SECOND:
            break
    if not crossed_ns:
        return {"outcome": "no danger", "warned_s": None, "spare_s": None, "lead_s": None, "ease_s": None}
    low, high = 0, len(clones)  # clones[:low] stop inside; clones[high:] do not
    while low < high:
        middle = (low + high) // 2
        if stays_inside(clones[middle][1].clone(), down):
            low = middle + 1
        else:
            high = middle
    too_late_ns = clones[low - 1][0] if low else None
    first = min((t for t, key in alarms if key in names and still_ns <= t), default=None)
    ease = min((t for t, key in alarms if key == f"ease-{side}" and still_ns <= t), default=None)
    warned = first is not None and first < crossed_ns
    result: Result = {
        "warned_s": (crossed_ns - first) * 1e-9 if first is not None else None,
        "spare_s": None,
        "lead_s": None,
        "ease_s": (crossed_ns - ease) * 1e-9 if ease is not None else None,
        "speed_m_s": abs(plant.speed_m_s),
    }
    if too_late_ns is None:
        # Whatever anybody does from where we looked, the brake does not keep the limit.
        return {"outcome": "beyond the brake" if warned else "beyond the brake, silent", **result}
    useful_ns = too_late_ns - int(limits.reaction_s * 1e9)
    if useful_ns <= still_ns:
        return {"outcome": "no time" if warned else "no time, silent", **result}
    if first is None or not warned:
        return {"outcome": "silent", **result}
    result["spare_s"] = (useful_ns - first) * 1e-9
    result["lead_s"] = (too_late_ns - first) * 1e-9
    return {"outcome": "in time" if first <= useful_ns else "late", **result}


# --- calm -------------------------------------------------------------------------------------------------------------


def _calm(case: Case, source: PlantSource, core: Core) -> Result:
    plant, limits = source.plant, case.rig.limits
    alarms: list[list[Any]] = []
    active: dict[str, int] = {}
    spans: list[tuple[str, float]] = []
    for now, items in source.ticks():
        for finding in _feed(core, items):
            if finding.kind != "alarm":
                continue
            if finding.raised:
                why = "false"
                if finding.key.startswith(MOTION):
                    # Justified: had the hand stayed as it was for another second, it would have been too late.
                    twin = plant.clone()
                    if not stays_inside(twin, finding.key.endswith("down"), limits.reaction_s + 1.0):
                        why = "justified"
                at = (finding.t_ns - source.origin_ns) / 1e9
                alarms.append([round(at, 3), finding.key, finding.severity.name, why])
                active[finding.key] = now
            elif finding.after in ("normal", "returned unacknowledged") and finding.key in active:
                spans.append((finding.key, (now - active.pop(finding.key)) / 1e9))
    counts: dict[str, list[float]] = {}
    for at, key, _, _ in alarms:
        counts.setdefault(key, []).append(at)
    chattering = sum(
        1 for times in counts.values() if any(b - a <= 60.0 for a, b in zip(times, times[2:], strict=False))
    )
    windows = [0] * max(1, round(source.duration_s / 600.0))
    for at, *_ in alarms:
        windows[min(len(windows) - 1, int(at / 600.0))] += 1
    return {
        "hours": source.duration_s / 3600.0,
        "alarms": alarms,
        "windows": windows,
        "chattering": chattering,
        "fleeting": sum(1 for _, length in spans if length < 1.0),
        "stale": sum(1 for since in active.values() if source.end_ns - since > 600 * _SECOND),
        "events": [event.name for event in source.events],
    }


# --- instrument -------------------------------------------------------------------------------------------------------


def _announces(finding: Finding, sensor: str, quantity: str) -> bool:
    """Whether a finding tells the crew about this sensor, or about what only it can tell."""
    name = finding.key.split(":")
    if len(name) == 2 and name[1] == sensor:
        return finding.after not in ("normal", "returned unacknowledged", "")
    if not finding.raised:
        return False
    if quantity in ("drum_counts", "block_position"):
        return finding.key in ("height-unknown", "slow-data")
    if quantity in ("hook_load", "dead_line_tension"):
        return finding.key in ("slack-line", "load-over-rating", "load-near-rating", "design-factor-low")
    if quantity.startswith("service_pressure"):
        brake = ("pressure-unasked", "circuits-unequal", "service-pressure-low", "brake-weak", "brake-weakening")
        return finding.key in brake
    by_quantity = {
        "emergency_release_pressure": ("release-pressure-low", "release-pressure-drift", "emergency-ratio-low"),
        "accumulator_pressure": ("accumulator-low", "applications-few", "oil-leak"),
        "disc_temperature_left": ("disc-hot-left", "discs-unequal", "disc-hot-computed", "brake-fade"),
        "disc_temperature_right": ("disc-hot-right", "discs-unequal", "disc-hot-computed", "brake-fade"),
        "coolant_temperature": ("coolant-hot",),
        "aux_current": ("auxiliary-idle", "auxiliary-share-low"),
        "aux_torque": ("auxiliary-idle", "auxiliary-share-low"),
    }
    return finding.key in by_quantity.get(quantity, ())


def _instrument(case: Case, source: PlantSource, core: Core) -> Result:
    plant = source.plant
    sensor, quantity = case.facts["sensor"], case.facts["quantity"]
    start_ns = source.origin_ns + int(case.facts["start_s"] * 1e9)
    end_ns = start_ns + 80 * _SECOND
    announced: int | None = None
    false_motion = 0
    valid = wrong = looked = 0
    worst = 0.0
    for tick, (now, items) in enumerate(source.ticks()):
        for finding in _feed(core, items):
            if start_ns <= finding.t_ns <= end_ns:
                if announced is None and _announces(finding, sensor, quantity):
                    announced = finding.t_ns
                if finding.raised and finding.severity >= Severity.WARNING and finding.key.startswith(MOTION):
                    false_motion += 1
        if tick % 20 == 0 and now >= start_ns:
            core.advance(now)
            looked += 1
            (height, validity), (bound, _) = core.values[_HEIGHT], core.values[_BOUND]
            if validity == Validity.VALID:
                valid += 1
                error = abs(height - plant.height_m)
                if error > bound:
                    wrong += 1
                    worst = max(worst, error - bound)
    return {
        "announced_s": (announced - start_ns) * 1e-9 if announced is not None else None,
        "false_motion": false_motion,
        "looked": looked,
        "valid": valid,
        "wrong": wrong,
        "worst_m": round(worst, 4),
    }


def progress_of(done: int, total: int, width: int = 30) -> str:
    """A bar in text."""
    filled = width * done // max(total, 1)
    return f"[{'#' * filled}{'.' * (width - filled)}] {done}/{total}"
