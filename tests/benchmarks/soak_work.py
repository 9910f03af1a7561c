"""What the crew of the soak run does: shifts of ordinary work, halts and fresh starts around trouble, and the keys they press."""

import math
import random
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Final

from monitor.config.rig import Rig
from monitor.core.checks.guided_checks import PROCEDURES
from monitor.model.snapshot import Snapshot
from monitor.model.stream import ActionKind
from simulators.crew.operator import CAREFUL, CLUMSY, Moves, Operator
from simulators.crew.programs import PROGRAMS
from simulators.machine.plant import Plant

Act = Callable[[ActionKind, str, float | None], None]
"""Say something to the monitor now: kind, target, number."""

TAPE_M: Final = 0.01
"""Standard deviation of a height that the crew measures."""


STILL_M_S: Final = 0.03
"""Slow enough to measure the block's height: a bit that drills ahead goes slower, for a quarter of an hour on end."""


def drilling(op: Operator) -> Moves:
    """Like the program of that name, but from a string in the slips, as a shift finds it."""
    p = op.plant
    p.string_in_slips(op.get("string_n", 1.0e6))
    yield from op.wait(3.0)
    while True:
        yield from op.stand_in()
        yield from op.take_weight()
        yield from op.up(op.top_m, 0.6)
        bottom = op.low_m + 0.5
        while p.height_m > bottom + 0.05 and p.string.hanging:
            before_m = p.height_m
            yield from op.run_down(max(bottom, p.height_m - 1.0), 0.02, 0.05)
            if before_m - p.height_m < 0.1:
                break
        yield from op.settle()
        yield from op.pause(20.0)
        yield from op.set_slips()
        p.unlatch()
        yield from op.pause(10.0)


SHIFTS: Final[Mapping[str, tuple[int, Callable[[Operator], Moves]]]] = MappingProxyType(
    {
        "trip": (4, PROGRAMS["trip"]),
        "trip-in": (2, PROGRAMS["trip-in"]),
        "trip-out": (2, PROGRAMS["trip-out"]),
        "drill": (2, drilling),
        "singles": (1, PROGRAMS["singles"]),
        "casing": (1, PROGRAMS["casing"]),
        "overtravel-test": (1, PROGRAMS["wait"]),
        "cut-and-slip": (1, PROGRAMS["wait"]),
    }
)
"""Kinds of shifts: how often, and by which program (the last two have their own beginning, see `work`)."""


def free(op: Operator) -> bool:
    """Whether work may change here: the block stands low with nothing in its elevator."""
    p = op.plant
    return p.omega == 0.0 and not p.string.latched and p.hung_kg == 0.0 and p.height_m < op.low_m + 1.5


def measured(plant: Plant, rig: Rig, draw: random.Random) -> float:
    """The block's height as the crew measures it."""
    return min(max(draw.gauss(plant.height_m, TAPE_M), rig.mast.floor_m), rig.mast.crown_m)


def wraps_at_reference(plant: Plant, rig: Rig) -> float:
    """Wraps on the drum with the block at the reference height, as somebody counts them there: to a quarter."""
    up_m = rig.reference.height_m - plant.height_m
    line_m = plant.spool.line_m(plant.turns - plant.slip_turns) + up_m * plant.truth.lines
    return round(4.0 * plant.spool.turns(line_m)) / 4.0


def renewed(op: Operator, draw: random.Random, act: Act) -> Moves:
    """The crew tells of another line on the drum, then gives the block's height."""
    yield from op.wait(5.0)
    act(ActionKind.SLIP_AND_CUT, "", wraps_at_reference(op.plant, op.rig))
    yield from op.wait(6.0)
    act(ActionKind.REFERENCE_HEIGHT, "", measured(op.plant, op.rig, draw))
    yield from op.wait(4.0)


def device_test(op: Operator, act: Act) -> Moves:
    """The overtravel device is tested as the guided check asks for, and the block brought down again."""
    limits = op.rig.limits
    yield from op.wait(5.0)
    act(ActionKind.CHECK_START, "overtravel-function", None)
    yield from op.wait(2.0)
    act(ActionKind.CHECK_STEP, "overtravel-function", None)
    yield from op.up(limits.upper_m - 3.0, op.hand.hoist_m_s)
    yield from op.wait(5.0)
    yield from op.up(limits.device_m + 1.0, 0.15, exact=True, hands_off_s=5.0)
    yield from op.wait(10.0)
    yield from lowered(op)


def lowered(op: Operator) -> Moves:
    """Down to where work begins. A device that has tripped holds the brake: the crew bridges it until the block is down."""
    device = op.plant.overtravel
    over_m = 10.0 if device.electric or device.air else 0.0
    device.shift_m += over_m
    try:
        yield from op.wait(2.0)
        yield from op.down(op.low_m, op.hand.lower_m_s)
    finally:
        device.shift_m -= over_m


def work(op: Operator, draw: random.Random, act: Act) -> Moves:
    """Shift after shift, for ever."""
    p = op.plant
    rated_n = op.rig.block.rated_load_kg * 9.81
    names = list(SHIFTS)
    while True:
        name = draw.choices(names, [SHIFTS[name][0] for name in names])[0]
        heavy = {"singles": 0.15, "casing": 0.3}.get(name, 0.35)
        op.settings["string_n"] = draw.uniform(0.4, 1.0) * heavy * rated_n
        op.settings["stands"] = float(draw.randint(2, 5))
        op.hand = CLUMSY if draw.random() < 0.3 else CAREFUL
        until_s = p.t_s + draw.uniform(1200.0, 4500.0)
        if name == "cut-and-slip":
            p.string_in_slips(op.settings["string_n"])
            yield from op.wait(5.0)
            turns = wraps_at_reference(p, op.rig)
            p.cut_and_slip(draw.uniform(2.0, 6.0) * (1.0 if turns < 12.0 else -1.0))
            yield from renewed(op, draw, act)
            continue
        if name == "overtravel-test":
            p.string_in_slips(op.settings["string_n"])
            yield from device_test(op, act)
            continue
        for _ in SHIFTS[name][1](op):
            yield
            if p.t_s >= until_s and free(op):
                break


def halt(op: Operator) -> Moves:
    """Something is wrong: stop, and wait with the brake set."""
    yield from op.settle()
    yield from op.wait(1e9)


def start_again(op: Operator, draw: random.Random, act: Act, new_line: bool = False) -> Moves:
    """After trouble: stop, put the string into the slips, bring the empty block down, and go on with another shift."""
    p, low = op.plant, op.low_m
    yield from op.settle()
    if new_line:
        yield from renewed(op, draw, act)
    if p.string.latched:
        yield from op.set_slips()
        p.unlatch()
    p.hang_pipe(0.0)
    yield from op.wait(10.0)
    if p.height_m < low:
        yield from op.up(low, 0.3)
    else:
        yield from lowered(op)
    yield from work(op, draw, act)


class Crew:
    """Presses keys at random, and gives the height where it is wanted. `look` once a second of the stream."""

    def __init__(self, plant: Plant, rig: Rig, draw: random.Random, act: Act) -> None:
        self.plant, self.rig, self.draw, self.act = plant, rig, draw, act
        self.reference_wanted = False
        self.references = 0
        self._still_s = 0
        self._keys: tuple[str, ...] = ()

    def look(self, snapshot: Snapshot) -> None:
        """One second has passed."""
        draw, act = self.draw, self.act
        plant = self.plant
        still = abs(plant.speed_m_s) < STILL_M_S and not plant.parted
        self._still_s = self._still_s + 1 if still else 0
        if self.reference_wanted and self._still_s >= 3:
            act(ActionKind.REFERENCE_HEIGHT, "", measured(plant, self.rig, draw))
            self.reference_wanted = False
            self.references += 1
            return
        chance = draw.random()
        if chance < 1 / 90:
            act(ActionKind.ACKNOWLEDGE, "", None)
            for alarm in snapshot.alarms:
                if not alarm.active:
                    act(ActionKind.RESET, alarm.key, None)
        elif chance < 1 / 45:
            self._press(snapshot)

    def _press(self, snapshot: Snapshot) -> None:
        """Any one key, sometimes one that makes no sense."""
        draw, act = self.draw, self.act
        key = draw.choice(snapshot.alarms).key if snapshot.alarms else draw.choice(("coolant-hot", "no such alarm"))
        checks = tuple(procedure.id for procedure in PROCEDURES)
        running = next((check.id for check in snapshot.checks if check.running), None)
        match draw.randrange(9):
            case 0:
                act(ActionKind.ACKNOWLEDGE, key, None)
            case 1:
                act(ActionKind.SHELVE, key, draw.uniform(60.0, 900.0))
            case 2:
                act(ActionKind.UNSHELVE, key, None)
            case 3:
                act(ActionKind.OUT_OF_SERVICE, key, None)
                self._keys = (*self._keys, key)
            case 4:
                act(ActionKind.SILENCE, "", None)
            case 5 if running is not None:
                act(ActionKind.CHECK_STEP, running, None)
            case 6 if running is not None:
                act(ActionKind.CHECK_ABORT, running, None)
            case 5 | 6:
                act(ActionKind.CHECK_START, draw.choice(checks), None)
            case 7 if self._still_s >= 3:
                act(ActionKind.REFERENCE_HEIGHT, "", measured(self.plant, self.rig, draw))
            case 7:
                act(ActionKind.REFERENCE_HEIGHT, "", draw.choice((-3.0, math.nan, 900.0)))
            case _:
                act(ActionKind.NOTE, "", None)
        if draw.random() < 0.5:
            for out in self._keys:
                act(ActionKind.IN_SERVICE, out, None)
            self._keys = ()
