"""What a shift does: programs of moves, by the names that scenarios use. To add one, write it here and put it in PROGRAMS.

Most programs never end: they go on for as long as the scenario lasts.
"""

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Final

from monitor.config.rig import Rig
from simulators.crew.operator import HAND_S, Moves, Operator
from simulators.machine.plant import Plant
from simulators.machine.truth import GRAVITY_M_S2


def trip(op: Operator) -> Moves:
    """Stands out and in, in turn, for as long as asked."""
    op.plant.string_in_slips(op.get("string_n", 1.0e6))
    stands = int(op.get("stands", 3))
    yield from op.wait(3.0)
    while True:
        for _ in range(stands):
            yield from op.stand_out()
        yield from op.pause(10.0)
        for _ in range(stands):
            yield from op.stand_in()
        yield from op.pause(10.0)


def trip_in(op: Operator) -> Moves:
    """Stands into the hole until the program's time is over; the string grows."""
    op.plant.string_in_slips(op.get("string_n", 0.5e6))
    yield from op.wait(3.0)
    while True:
        yield from op.stand_in()


def trip_out(op: Operator) -> Moves:
    """Stands out of the hole; the string shrinks to nothing, then the operator waits."""
    op.plant.string_in_slips(op.get("string_n", 1.2e6))
    yield from op.wait(3.0)
    while op.plant.string.weight_n > 1.5 * op.stand_kg * GRAVITY_M_S2:
        yield from op.stand_out()
    while True:
        yield from op.pause(60.0)


def drill(op: Operator) -> Moves:
    """Drill a stand down slowly, then a connection: slips, up, new stand, and on."""
    p = op.plant
    p.hang_string(op.get("string_n", 1.1e6))
    yield from op.wait(3.0)
    rate = op.get("rate_m_s", 0.02)
    while True:
        bottom = op.low_m + 0.5
        while p.height_m > bottom + 0.05:
            yield from op.run_down(max(bottom, p.height_m - 1.0), rate, 0.05)
        yield from op.settle()
        yield from op.pause(20.0)
        yield from op.set_slips()
        p.unlatch()
        yield from op.pause(10.0)
        yield from op.stand_in()
        yield from op.take_weight()
        yield from op.up(op.top_m, 0.6)


def singles(op: Operator) -> Moves:
    """Pick up singles and run them."""
    op.plant.string_in_slips(op.get("string_n", 0.2e6))
    yield from op.wait(3.0)
    while True:
        yield from op.single_in(op.get("joint_m", 9.5), op.get("joint_kg", 270.0))


def casing(op: Operator) -> Moves:
    """Run casing: joints of 12 m, heavy."""
    op.plant.string_in_slips(op.get("string_n", 0.9e6))
    yield from op.wait(3.0)
    while True:
        yield from op.single_in(op.get("joint_m", 12.2), op.get("joint_kg", 850.0))


def cut_and_slip(op: Operator) -> Moves:
    """Hang the block off, slip and cut the line, then go on tripping (the crew tells the monitor, or forgets)."""
    p = op.plant
    p.string_in_slips(op.get("string_n", 0.8e6))
    yield from op.wait(5.0)
    yield from op.wait(20.0)
    p.cut_and_slip(op.get("turns_added", 4.0))
    yield from op.wait(40.0)
    while True:
        yield from op.stand_out()


def overtravel_test(op: Operator) -> Moves:
    """Raise the empty block slowly until the overtravel device acts, then come back down."""
    p = op.plant
    yield from op.wait(3.0)
    yield from op.up(op.rig.limits.upper_m - 3.0, op.hand.hoist_m_s)
    yield from op.wait(5.0)
    yield from op.up(op.rig.limits.device_m + 1.0, op.get("test_m_s", 0.15), exact=True, hands_off_s=5.0)
    yield from op.wait(10.0)
    p.overtravel.reset = True
    p.wake()
    yield from op.down(op.low_m, op.hand.lower_m_s)
    p.overtravel.reset = False
    while True:
        yield from op.pause(30.0)
        if p.string.hanging:
            return


def brake_test(op: Operator) -> Moves:
    """With a string hanging: stop several times from a moderate speed, then pull against the set brake."""
    p = op.plant
    p.hang_string(op.get("string_n", 1.0e6))
    yield from op.wait(3.0)
    for _ in range(int(op.get("stops", 5))):
        yield from op.run_down(p.height_m - 2.5, op.get("test_m_s", 0.5), 5.0)
        yield from op.settle()
        yield from op.wait(6.0)
    p.levers.clutch = True
    p.levers.speed_m_s = 0.3
    for _ in range(100):
        yield
    yield from op.settle()
    while True:
        yield from op.pause(30.0)


def wait(op: Operator) -> Moves:
    """Nothing moves; the string hangs or stands in the slips."""
    weight = op.get("string_n", 0.0)
    if weight:
        op.plant.hang_string(weight)
    while True:
        yield from op.pause(30.0)


def run_to_floor(op: Operator) -> Moves:
    """Lower a string without slowing down, and pull the brake too late by design."""
    p = op.plant
    weight = op.get("string_n", 1.2e6)
    if weight > 0:
        p.hang_string(weight)
    yield from op.wait(op.get("wait_s", 2.0))
    for _ in range(int(op.get("practice", 0.0))):  # stops well away from any limit, as work before would have brought
        yield from op.run_down(p.height_m - 2.0, 0.5, 50.0)
        yield from op.settle()
        yield from op.wait(2.0)
    brake_at = op.get("brake_at_m", op.rig.limits.lower_m + 0.5)
    pull = op.get("pull", 0.0)
    yield from op.run_down(op.get("pull_at_m", brake_at) if pull else brake_at, op.hand.lower_m_s, 50.0)
    if pull:
        yield from op.hold_brake(pull, brake_at)
    yield from op.settle()
    while True:
        yield from op.pause(30.0)


def run_to_crown(op: Operator) -> Moves:
    """Hoist without slowing down, cut and brake too late by design."""
    p, levers = op.plant, op.plant.levers
    weight = op.get("string_n", 0.0)
    if weight > 0:
        p.hang_string(weight)
    yield from op.wait(op.get("wait_s", 2.0))
    levers.clutch, levers.speed_m_s = True, 0.1
    for _ in range(12):
        yield
    levers.brake = 0.0
    brake_at = op.get("brake_at_m", op.rig.limits.upper_m - 0.2)
    pull = op.get("pull", 0.0)
    run_to = op.get("pull_at_m", brake_at) if pull else brake_at
    speed = 0.1
    while p.height_m < run_to and not p.overtravel.electric and not p.overtravel.air and not p.drive.tripped:
        speed = min(speed + 0.4 * HAND_S, op.hand.hoist_m_s)
        levers.speed_m_s = speed
        yield
    if pull:
        yield from op.hold_brake(pull, brake_at)
    delay = op.get("delay_s", 0.0)
    for _ in range(round(delay / HAND_S)):
        yield
    yield from op.settle()
    while True:
        yield from op.pause(30.0)


def limit_stops(op: Operator) -> Moves:
    """Up and down between the limits, each stroke brought to rest as far from its limit as asked."""
    p, limits = op.plant, op.rig.limits
    weight = op.get("string_n", 0.0)
    if weight > 0:
        p.hang_string(weight)
    yield from op.wait(3.0)
    spare = op.get("spare_m", 3.0)
    while True:
        yield from op.up(limits.upper_m - spare, op.hand.hoist_m_s)
        yield from op.pause(3.0)
        yield from op.down(limits.lower_m + spare, op.hand.lower_m_s)
        yield from op.pause(3.0)


PROGRAMS: Final[Mapping[str, Callable[[Operator], Moves]]] = MappingProxyType(
    {
        "trip": trip,
        "trip-in": trip_in,
        "trip-out": trip_out,
        "drill": drill,
        "singles": singles,
        "casing": casing,
        "cut-and-slip": cut_and_slip,
        "overtravel-test": overtravel_test,
        "brake-test": brake_test,
        "wait": wait,
        "run-to-floor": run_to_floor,
        "run-to-crown": run_to_crown,
        "limit-stops": limit_stops,
    }
)


def operator_of(
    plant: Plant, rig: Rig, program: str, seed: int | str, settings: Mapping[str, float] | None = None
) -> Operator:
    """An operator who follows `program` with a scenario's `settings`."""
    operator = Operator(plant, rig, program, seed, settings)
    operator.follow(PROGRAMS[program](operator))
    return operator
