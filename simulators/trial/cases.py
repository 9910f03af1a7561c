"""What a trial draws: rig, machine, work and faults, by set, seed and index alone."""

import random
from dataclasses import dataclass
from typing import Any, Final, Literal

from monitor.config.rig import Rig
from monitor.config.rig_file import find_rig
from monitor.config.toml_file import validate
from simulators.machine.truth import GRAVITY_M_S2
from simulators.scenario.scenario import Scenario
from simulators.trial.height import draw_height

SetName = Literal["danger", "calm", "instrument", "height"]
SETS: Final[tuple[SetName, ...]] = ("danger", "calm", "instrument", "height")
CALM_S: Final = 1800.0
"""Length of one calm run, s: half an hour."""
INSTRUMENT_S: Final = 240.0
FAULT_S: Final = 80.0
"""How long its sensor misbehaves, s."""
MOTION: Final = ("brake-now", "brake-fully", "will-cross")
"""Rules that warn of a limit, without the side."""

Result = dict[str, Any]
"""What came of a case, as plain data: it is kept as a line of JSON."""

_RIGS: Final = ("land", "land", "light", "deep")


@dataclass(frozen=True, slots=True)
class Case:
    """One run: what is simulated on which rig."""

    set: SetName
    seed: int
    index: int
    rig: Rig
    scenario: Scenario
    facts: dict[str, Any]
    """What was drawn, for the record of a miss."""


def _rig(draw: random.Random, name: str) -> Rig:
    """A shipped rig with another amount of line on its drum, so that layer changes come at other heights."""
    rig = find_rig(name)
    turns = rig.reference.turns + draw.uniform(-4.0, 8.0)
    return rig.model_copy(update={"reference": rig.reference.model_copy(update={"turns": round(turns, 3)})})


def case_of(name: SetName, seed: int, index: int) -> Case:
    """Run `index` of a set."""
    draw = random.Random(f"trial:{name}:{seed}:{index}")
    make = {"danger": _danger, "calm": _calm, "instrument": _instrument, "height": _height}[name]
    rig, table, facts = make(draw)
    table["name"] = f"{name}-{seed}-{index}"
    scenario = validate(Scenario, table, f"trial {name} {index}")
    return Case(name, seed, index, rig, scenario, facts | {"rig": rig.name})


def _danger(draw: random.Random) -> tuple[Rig, dict[str, Any], dict[str, Any]]:
    """A run at a limit: random load, speed, layer, brake state. Nobody brakes, or somebody does, late, half-heartedly, or
    with a hand that wanders."""
    rig = _rig(draw, draw.choice(_RIGS))
    limits = rig.limits
    down = draw.random() < 0.5
    rated_n = rig.block.rated_load_kg * GRAVITY_M_S2
    faults: list[dict[str, Any]] = []
    state = draw.choices(("sound", "hot", "leak", "glazed", "fresh"), (0.45, 0.15, 0.15, 0.15, 0.1))[0]
    if state == "hot":
        faults.append({"kind": "hot-discs", "temperature_c": draw.uniform(150.0, 340.0)})
    elif state == "leak":
        faults.append({"kind": "circuit-leak", "circuit": draw.choice((1, 2)), "share": draw.uniform(0.2, 0.6)})
    elif state == "glazed":
        faults.append({"kind": "pads-glazed", "factor": draw.uniform(0.75, 0.95)})
    elif state == "fresh":
        faults.append({"kind": "pads-fresh", "factor": draw.uniform(1.05, 1.25)})
    settings: dict[str, float] = {"wait_s": draw.uniform(2.0, 4.0)}
    span = limits.upper_m - limits.lower_m
    if down:
        string = draw.uniform(0.05, 0.55) * rated_n if draw.random() < 0.85 else 0.0
        settings |= {
            "string_n": string,
            "lower_m_s": draw.uniform(0.35, 0.85) * limits.max_speed_m_s,
            "brake_at_m": limits.lower_m - 0.4,
            "practice": 3.0 if state == "glazed" else 1.0,
        }
        start = limits.lower_m + draw.uniform(0.45, 0.9) * span
        program = "run-to-floor"
    else:
        string = draw.uniform(0.02, 0.3) * rated_n if draw.random() < 0.3 else 0.0
        settings |= {
            "string_n": string,
            "hoist_m_s": draw.uniform(0.4, 0.98) * limits.max_speed_m_s,
            "brake_at_m": limits.upper_m + 0.5,
        }
        start = limits.upper_m - draw.uniform(0.4, 0.85) * span
        program = "run-to-crown"
    distance = start - limits.lower_m if down else limits.upper_m - start
    speed = settings["lower_m_s"] if down else settings["hoist_m_s"]
    hand, pulls = _hand(draw, speed)
    if "pull" in pulls:
        room = pulls.pop("room_m")
        settings |= pulls | {"pull_at_m": limits.lower_m + room if down else limits.upper_m - room}
    table: dict[str, Any] = {
        "description": "a run at a limit",
        "rig": rig.name,
        "duration_s": round(30.0 + 8.0 * settings.get("practice", 0.0) + 3.0 * distance / speed, 1),
        "work": {"program": program, "start_m": round(start, 3), "settings": settings},
        "faults": faults,
    }
    return rig, table, {"down": down, "brake": state, "hand": hand, "string_n": string, **settings}


def _hand(draw: random.Random, speed_m_s: float) -> tuple[str, dict[str, float]]:
    """What the hand does about it: its name, how much it pulls, and how much room it has left by then."""
    hand = draw.choices(("none", "late", "partial", "feather"), (0.4, 0.25, 0.2, 0.15))[0]
    if hand == "none":
        return hand, {}
    # Around where a full brake just stops short: half a second of lag and ramp, then 0.4 to 1.5 m/s2 (common practice).
    needed_m = 0.5 * speed_m_s + speed_m_s**2 / (2.0 * draw.uniform(0.4, 1.5))
    if hand == "late":
        return hand, {"pull": 1.0, "room_m": needed_m * draw.uniform(0.6, 1.3)}
    room = needed_m * draw.uniform(0.8, 2.5)
    wander = {"feather": draw.uniform(0.05, 0.12)} if hand == "feather" else {}
    return hand, {"pull": draw.uniform(0.15, 0.7), "room_m": room, **wander}


def _calm(draw: random.Random) -> tuple[Rig, dict[str, Any], dict[str, Any]]:
    """Half an hour of ordinary work by a clumsy hand on a sound rig."""
    rig = _rig(draw, draw.choice(_RIGS))
    program = draw.choices(("trip", "trip-in", "trip-out", "drill", "singles", "casing"), (4, 2, 2, 2, 1, 1))[0]
    rated_n = rig.block.rated_load_kg * GRAVITY_M_S2
    heavy = {"singles": 0.15, "casing": 0.3}.get(program, 0.35)
    settings = {
        "string_n": draw.uniform(0.4, 1.0) * heavy * rated_n,
        "stands": float(draw.randint(2, 5)),
        "clumsy": 1.0,
        "pause": draw.uniform(0.8, 1.6),
    }
    table: dict[str, Any] = {
        "description": "ordinary work",
        "rig": rig.name,
        "duration_s": CALM_S,
        "work": {"program": program, "start_m": rig.limits.lower_m + draw.uniform(1.4, 3.0), "settings": settings},
    }
    if program == "drill":
        table["work"]["start_m"] = rig.limits.lower_m + draw.uniform(5.0, 15.0)
    return rig, table, {"program": program, **settings}


def _instrument(draw: random.Random) -> tuple[Rig, dict[str, Any], dict[str, Any]]:
    """Ordinary work by a careful hand while one sensor misbehaves."""
    rig = _rig(draw, draw.choice(_RIGS))
    start = draw.uniform(50.0, 110.0)
    sensor = draw.choice([s for s in rig.sensors if s.role in ("position", "load", "plain")])
    span = sensor.range[1] - sensor.range[0]
    position = sensor.role == "position"
    kinds = ["freeze", "dropout", "spikes", "late"]
    if position:
        kinds += ["freeze", "dropout", "missed-counts", "reversed"]
    elif sensor.quantity in ("hook_load", "dead_line_tension"):
        kinds += ["wrong-unit", "bias"]
    elif sensor.quantity.startswith("service_pressure"):
        kinds += ["bias", "wrong-unit"]
    kind = draw.choice(kinds)
    if sensor.quantity != "drum_counts" and kind == "missed-counts":
        kind = "bias"
    fault: dict[str, Any] = {"kind": kind, "sensor": sensor.id, "start_s": start, "length_s": FAULT_S}
    size = 60_000.0 if sensor.quantity == "drum_counts" else 0.25 * span
    if kind == "bias":
        fault["amount"] = draw.choice((-1.0, 1.0)) * (
            draw.uniform(2.0, 6.0) if position else draw.uniform(0.1, 0.3) * span
        )
    elif kind == "spikes":
        fault |= {"amount": size, "share": draw.uniform(0.03, 0.2)}
    elif kind == "late":
        fault["delay_s"] = draw.uniform(1.0, 3.0)
    elif kind == "missed-counts":
        fault["share"] = draw.uniform(0.05, 0.5)
    elif kind == "wrong-unit":
        fault["factor"] = draw.choice((0.2248, 14.504, 0.0689, 4.448))
    rated_n = rig.block.rated_load_kg * GRAVITY_M_S2
    table: dict[str, Any] = {
        "description": "one sensor misbehaves",
        "rig": rig.name,
        "duration_s": INSTRUMENT_S,
        "work": {
            "program": draw.choice(("trip-in", "trip-out", "trip")),
            "start_m": rig.limits.lower_m + 1.5,
            "settings": {"string_n": draw.uniform(0.1, 0.35) * rated_n, "pause": 0.8},
        },
        "faults": [fault],
    }
    return rig, table, {"kind": kind, "sensor": sensor.id, "quantity": sensor.quantity, "start_s": start}


def _height(draw: random.Random) -> tuple[Rig, dict[str, Any], dict[str, Any]]:
    """Ordinary work while the one position sensor misleads."""
    return draw_height(draw, lambda name: _rig(draw, name))
