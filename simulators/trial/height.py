"""A height run: ordinary work while the one position sensor misleads, in ways that it cannot see by itself.

Lost counts, rope that slips, line that was cut without a word, a wrong start wrap, a drift, delays; or nothing at all. Drawn by
seed at varied times and sizes, on the shipped rigs with one position sensor. Scored by how often the truth is inside the bound of
a VALID height, and whether the crew was told before the height was off by what matters at a limit.
"""

import math
import random
from collections import Counter
from collections.abc import Callable, Sequence
from typing import Any, Final

from monitor.config.rig import Rig
from monitor.core.engine import Core
from monitor.core.signals.table import SIGNAL_NAMES
from monitor.model.alarm import Finding
from monitor.model.reading import Validity
from simulators.machine.truth import GRAVITY_M_S2
from simulators.scenario.plant_source import PlantSource

HEIGHT_S: Final = 480.0
MARGIN_M: Final = 1.0
"""What a height may be off by before a limit is no protection: the room to the overtravel device, or so."""
LOOK_TICKS: Final = 20
_HEIGHT: Final = SIGNAL_NAMES.index("height")
_BOUND: Final = SIGNAL_NAMES.index("height_bound")

Draw = tuple[dict[str, Any], dict[str, Any]]
"""Changes of the scenario's table, and what was drawn."""


def _span(draw: random.Random) -> dict[str, float]:
    return {"start_s": round(draw.uniform(60.0, 300.0), 1), "length_s": round(draw.uniform(20.0, 120.0), 1)}


def _lost_counts(draw: random.Random, rig: Rig, position: str) -> Draw:
    share = round(math.exp(draw.uniform(math.log(0.003), math.log(0.3))), 4)
    return {"faults": [{"kind": "missed-counts", "sensor": position, "share": share, **_span(draw)}]}, {"share": share}


def _rope_slip(draw: random.Random, rig: Rig, position: str) -> Draw:
    turns = round(math.exp(draw.uniform(math.log(0.2), math.log(8.0))), 3)
    span = _span(draw)
    fault = {"kind": "rope-slip", "turns_per_s": turns / span["length_s"], **span}
    return {"faults": [fault]}, {"turns": turns}


def _cut_forgotten(draw: random.Random, rig: Rig, position: str) -> Draw:
    turns = round(draw.uniform(2.0, 12.0), 1)
    work = {"program": "cut-and-slip", "start_m": rig.limits.lower_m + 1.5, "settings": {"turns_added": turns}}
    return {"work": work, "faults": []}, {"turns": turns, "start_s": 30.0}


def _wrong_wraps(draw: random.Random, rig: Rig, position: str) -> Draw:
    wraps = round(draw.choice((-1.0, 1.0)) * draw.uniform(1.0, 6.0), 2)
    return {"faults": []}, {"wraps": wraps, "start_s": 10.0}


def _drift(draw: random.Random, rig: Rig, position: str) -> Draw:
    sensor = next(s for s in rig.sensors if s.id == position)
    # A fifth of a metre of block a turn, or so (common practice, no source): the same drift for both kinds of sensor.
    per_m = 5.0 * (sensor.counts_per_turn or 0.0) if sensor.quantity == "drum_counts" else 1.0
    mm_s = round(math.exp(draw.uniform(math.log(0.3), math.log(30.0))), 2)
    fault = {
        "kind": "drift",
        "sensor": position,
        "per_s": draw.choice((-1.0, 1.0)) * 1e-3 * mm_s * per_m,
        **_span(draw),
    }
    del fault["length_s"]
    return {"faults": [fault]}, {"mm_s": mm_s}


def _delays(draw: random.Random, rig: Rig, position: str) -> Draw:
    delay_s = round(draw.uniform(0.1, 1.0), 2)
    fault = {"kind": "late", "sensor": "*", "delay_s": delay_s, **_span(draw)}
    jitter_s = round(draw.uniform(0.0, 0.2), 3)
    return {"faults": [fault], "transport": {"jitter_s": jitter_s}}, {"delay_s": delay_s, "jitter_s": jitter_s}


def _nothing(draw: random.Random, rig: Rig, position: str) -> Draw:
    return {"faults": []}, {"start_s": 10.0}


KINDS: Final[dict[str, Callable[[random.Random, Rig, str], Draw]]] = {
    "lost counts": _lost_counts,
    "rope slip": _rope_slip,
    "forgotten cut": _cut_forgotten,
    "wrong wraps": _wrong_wraps,
    "drift": _drift,
    "delays": _delays,
    "nothing": _nothing,
}
_ON_DRUM: Final = frozenset({"lost counts", "rope slip", "forgotten cut", "wrong wraps"})
"""They befall a drum and its encoder."""


def draw_height(draw: random.Random, rigs: Callable[[str], Rig]) -> tuple[Rig, dict[str, Any], dict[str, Any]]:
    """A run's rig, scenario table and facts; `rigs` gives a rig by its name."""
    kind = draw.choice(tuple(KINDS))
    rig = rigs("land" if kind in _ON_DRUM else draw.choice(("land", "light")))
    position = next(sensor.id for sensor in rig.sensors if sensor.role == "position")
    rated_n = rig.block.rated_load_kg * GRAVITY_M_S2
    settings = {"string_n": draw.uniform(0.1, 0.35) * rated_n, "pause": 0.8, "clumsy": float(draw.random() < 0.3)}
    table: dict[str, Any] = {
        "description": "the one position sensor misleads",
        "rig": rig.name,
        "duration_s": HEIGHT_S,
        "work": {
            "program": draw.choice(("trip-in", "trip-out", "trip")),
            "start_m": rig.limits.lower_m + draw.uniform(1.4, 2.0),
            "settings": settings,
        },
    }
    changes, facts = KINDS[kind](draw, rig, position)
    if changes["faults"]:
        facts["start_s"] = changes["faults"][0]["start_s"]
    if "work" in changes:
        changes["work"]["settings"] |= settings
    return rig, table | changes, {"kind": kind, **facts}


def file_of(rig: Rig, facts: dict[str, Any]) -> Rig:
    """What the monitor is told of the rig: its file may have another number of wraps at the reference."""
    if "wraps" not in facts:
        return rig
    turns = rig.reference.turns + facts["wraps"]
    return rig.model_copy(update={"reference": rig.reference.model_copy(update={"turns": turns})})


def tells_of_height(finding: Finding) -> bool:
    """Whether a finding tells the crew to look at the height or at what measures it."""
    if finding.key.startswith(("verdict:drum", "verdict:block", "sensor-refused", "sensor-stale")):
        return bool(finding.after)
    return finding.raised and finding.key.startswith(("height-", "slow-data"))


def observe_height(facts: dict[str, Any], source: PlantSource, core: Core) -> dict[str, Any]:
    """Looks five times a second from the fault on."""
    plant = source.plant
    from_ns = source.origin_ns + int(facts["start_s"] * 1e9)
    looked = valid = wrong = 0
    worst = 0.0
    told_ns: int | None = None
    off_ns: int | None = None
    for tick, (now, items) in enumerate(source.ticks()):
        found = [finding for item in items for finding in core.feed(item)]
        if now < from_ns:
            continue
        if tick % LOOK_TICKS == 0:
            found += core.advance(now)
            (height, validity), (bound, _) = core.values[_HEIGHT], core.values[_BOUND]
            error = abs(height - plant.height_m)
            looked += 1
            if validity == Validity.VALID:
                valid += 1
                wrong += error > bound
                worst = max(worst, error - bound)
            if off_ns is None and validity <= Validity.DEGRADED and error > MARGIN_M:
                off_ns = now
        if told_ns is None and any(tells_of_height(finding) for finding in found):
            told_ns = now
    return {
        "looked": looked,
        "valid": valid,
        "wrong": wrong,
        "worst_m": round(worst, 4),
        "told_s": None if told_ns is None else (told_ns - from_ns) * 1e-9,
        "off_s": None if off_ns is None else (off_ns - from_ns) * 1e-9,
    }


def score_height(
    results: Sequence[dict[str, Any]],
    share: Callable[[int, int], dict[str, Any]],
    quantile: Callable[..., dict[str, Any]],
) -> dict[str, Any]:
    """Figures over all runs and by kind."""

    def of(rows: Sequence[dict[str, Any]]) -> dict[str, Any]:
        valid, wrong = sum(r["valid"] for r in rows), sum(r["wrong"] for r in rows)
        looked = sum(r["looked"] for r in rows)
        off = [r for r in rows if r["off_s"] is not None]
        told = [r["told_s"] for r in rows if r["told_s"] is not None]
        before = sum(r["told_s"] is not None and r["told_s"] <= r["off_s"] for r in off)
        return {
            "runs": len(rows),
            "valid": share(valid, looked),
            "inside_while_valid": share(valid - wrong, valid),
            "wrong_while_valid": share(wrong, looked),
            "told": share(len(told), len(rows)),
            "time_to_tell_s": quantile(told, 0.5),
            "told_before_off_by_a_metre": share(before, len(off)),
        }

    kinds = Counter(r["facts"]["kind"] for r in results)
    return of(results) | {
        "worst_height_beyond_bound_m": max((r["worst_m"] for r in results), default=0.0),
        "by_kind": {kind: of([r for r in results if r["facts"]["kind"] == kind]) for kind in sorted(kinds)},
        "misses": [{"index": r["index"], "facts": r["facts"]} for r in results if r["wrong"]],
    }
