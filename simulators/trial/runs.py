"""One run of a trial: the monitor beside the truth, and what came of it as plain data."""

from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from monitor.core.engine import Core
from monitor.core.signals.table import SIGNAL_NAMES
from monitor.model.alarm import AlarmState, Finding, Severity
from monitor.model.reading import Validity
from monitor.model.stream import SECOND_NS, Action, Frame
from simulators.machine.plant import TICK_S, Plant
from simulators.scenario.direct_feed import shipped_core
from simulators.scenario.plant_source import PlantSource
from simulators.trial.cases import FAULT_S, MOTION, Case, Result
from simulators.trial.danger import danger, stays_inside
from simulators.trial.height import file_of, observe_height

_HEIGHT: Final = SIGNAL_NAMES.index("height")
_BOUND: Final = SIGNAL_NAMES.index("height_bound")
NEWS_S: Final = 0.3
"""What a hand does takes so long to show: lag of the brake or rise of the field, and two grid points (common practice)."""
COPY_EVERY_S: Final = 0.1
_OVER: Final = (AlarmState.NORMAL, AlarmState.RETURNED)


def run_case(case: Case) -> Result:
    """Run it; the result holds ``set``, ``index`` and what the set scores."""
    source = PlantSource(case.rig, case.scenario, case.seed)
    core = shipped_core(file_of(case.rig, case.facts))
    found = {"danger": danger, "calm": _calm, "instrument": _instrument, "height": _height}[case.set](
        case, source, core
    )
    stream_s = round(source.plant.t_s, 2)
    return {"set": case.set, "index": case.index, "stream_s": stream_s, **found, "facts": case.facts}


def _feed(core: Core, items: Iterable[Frame | Action]) -> list[Finding]:
    return [finding for item in items for finding in core.feed(item)]


# --- calm -------------------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _AlarmLog:
    """Alarms of a calm run."""

    raised: list[list[Any]] = field(default_factory=list)
    """Time of the run (s), key, severity, and whether it was "false" or "justified"."""
    active: dict[str, int] = field(default_factory=dict)
    """Since when, by key, stream time in ns."""
    lengths_s: list[float] = field(default_factory=list)
    """How long each stayed that went away again."""


def _calm(case: Case, source: PlantSource, core: Core) -> Result:
    """Ordinary work: every alarm, how long it lasted, and whether it was justified."""
    log = _AlarmLog()
    lately: deque[Plant] = deque([source.plant.clone()], maxlen=1 + round(NEWS_S / COPY_EVERY_S))
    for tick, (now_ns, items) in enumerate(source.ticks()):
        if tick % round(COPY_EVERY_S / TICK_S) == 0:
            lately.append(source.plant.clone())
        for finding in _feed(core, items):
            if finding.raised:
                at_s = round((finding.t_ns - source.origin_ns) / 1e9, 3)
                log.raised.append([at_s, finding.key, finding.severity.name, _why(finding, source, lately[0])])
                log.active[finding.key] = now_ns
            elif finding.kind == "alarm" and finding.after in _OVER and finding.key in log.active:
                log.lengths_s.append((now_ns - log.active.pop(finding.key)) / 1e9)
    return {
        "hours": source.duration_s / 3600.0,
        "alarms": log.raised,
        "windows": _windows(log.raised, source.duration_s),
        "chattering": _chattering(log.raised),
        "fleeting": sum(1 for length_s in log.lengths_s if length_s < 1.0),
        "stale": sum(1 for since in log.active.values() if source.end_ns - since > 600 * SECOND_NS),
        "events": [event.name for event in source.events],
    }


def _why(finding: Finding, source: PlantSource, before: Plant) -> str:
    """An alarm of motion is justified where it would have been too late had the hand stayed one second more as it was `before`:
    what it did within `NEWS_S` no sensor has told yet."""
    if not finding.key.startswith(MOTION):
        return "false"
    wait_s = source.rig.limits.reaction_s + 1.0 + source.plant.t_s - before.t_s
    return "false" if stays_inside(before.clone(), finding.key.endswith("down"), wait_s) else "justified"


def _windows(alarms: Sequence[Sequence[Any]], duration_s: float) -> list[int]:
    """Alarms in every ten minutes."""
    counts = [0] * max(1, round(duration_s / 600.0))
    for at_s, *_ in alarms:
        counts[min(len(counts) - 1, int(at_s / 600.0))] += 1
    return counts


def _chattering(alarms: Sequence[Sequence[Any]]) -> int:
    """How many keys came three times within a minute."""
    times: dict[str, list[float]] = {}
    for at_s, key, *_ in alarms:
        times.setdefault(key, []).append(at_s)
    return sum(any(c - a <= 60.0 for a, c in zip(t, t[2:], strict=False)) for t in times.values())


# --- instrument -------------------------------------------------------------------------------------------------------


def _announces(finding: Finding, sensor: str, quantity: str) -> bool:
    """Whether a finding tells the crew about this sensor, or about what only it can tell."""
    name = finding.key.split(":")
    if len(name) == 2 and name[1] == sensor:
        return finding.after not in (*_OVER, "")
    if not finding.raised:
        return False
    if quantity in ("drum_counts", "block_position"):
        return finding.key in ("height-unknown", "slow-data")
    if quantity in ("hook_load", "dead_line_tension"):
        return finding.key in ("load-lost", "slack-line", "load-over-rating", "load-near-rating", "design-factor-low")
    if quantity.startswith("service_pressure"):
        pressure = ("service-brake-lost", "service-pressure-low", "pressure-unasked", "circuits-unequal")
        return finding.key in (*pressure, "brake-weak", "brake-weakening")
    by_quantity = {
        "emergency_release_pressure": ("release-pressure-low", "release-pressure-drift", "emergency-ratio-low"),
        "accumulator_pressure": ("service-brake-lost", "accumulator-low", "applications-few", "oil-leak"),
        "disc_temperature_left": ("disc-hot-left", "discs-unequal", "disc-hot-computed", "brake-fade"),
        "disc_temperature_right": ("disc-hot-right", "discs-unequal", "disc-hot-computed", "brake-fade"),
        "coolant_temperature": ("coolant-hot",),
        "aux_current": ("auxiliary-idle", "auxiliary-share-low"),
        "aux_torque": ("auxiliary-idle", "auxiliary-share-low"),
    }
    return finding.key in by_quantity.get(quantity, ())


def _instrument(case: Case, source: PlantSource, core: Core) -> Result:
    """One faulty sensor: when the monitor announces it, and whether a VALID height is ever outside its bound."""
    plant = source.plant
    sensor, quantity = case.facts["sensor"], case.facts["quantity"]
    start_ns = source.origin_ns + int(case.facts["start_s"] * 1e9)
    end_ns = start_ns + int(FAULT_S * SECOND_NS)
    announced: int | None = None
    false_motion = 0
    valid = wrong = looked = 0
    worst = 0.0
    for tick, (now, items) in enumerate(source.ticks()):
        found = _feed(core, items)
        if tick % 20 == 0 and now >= start_ns:
            found += core.advance(now)
        for finding in found:
            if start_ns <= finding.t_ns <= end_ns:
                if announced is None and _announces(finding, sensor, quantity):
                    announced = finding.t_ns
                if finding.raised and finding.severity >= Severity.WARNING and finding.key.startswith(MOTION):
                    false_motion += 1
        if tick % 20 == 0 and now >= start_ns:
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


def _height(case: Case, source: PlantSource, core: Core) -> Result:
    return observe_height(case.facts, source, core)


def progress_of(done: int, total: int, width: int = 30) -> str:
    """A bar in text."""
    filled = width * done // max(total, 1)
    return f"[{'#' * filled}{'.' * (width - filled)}] {done}/{total}"
