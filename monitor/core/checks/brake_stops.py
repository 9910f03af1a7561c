"""The brake stop test: stops upwards and downwards, each after a roll with nothing but the load at work.

Theory of operation. Lowering alone cannot tell a brake that grips harder from sheaves that run easier
(`monitor.core.brakes.friction_filter`), and the sheaves' doubt is most of what is not known of the brake. Hoisting can:
sheaves hinder the load both ways, so with the drive off and the brake off a block that rolls up slows down by more, and one
that rolls down gains speed by less, than it would without them, and the two together give sheaves and inertia, each for
itself. The stop after each roll then gives the brake. Two of each are asked for: one for the number, one to confirm it.

The weighing itself is that of every stop; the test only sees to it that there is something to be weighed, and says what
came of it. A stop does not count without its roll, nor while a reading is missing that the weighing needs.
"""

import math
from typing import Final

from monitor.config.optional_tables import STOPPING
from monitor.config.rig import Rig
from monitor.core.checks.brakes import CIRCUITS, ready, too_light
from monitor.core.checks.procedure import (
    FAIL,
    KNOWN,
    NOT_JUDGED,
    PASS,
    Conclusion,
    Outcome,
    Procedure,
    Run,
    Step,
    fitted,
    known,
    lacks,
    seconds,
    speed,
    verdict_at_most,
)
from monitor.core.signals.grid_point import GridPoint

EACH_WAY: Final = 2
"""Stops asked for in each direction."""
ROLL_S: Final = 1.0
"""Shortest roll before a stop: over twice the delay of the estimated acceleration."""
_ROLL_M_S: Final = 0.15
_REST_M_S: Final = 0.02
_OFF_SHARE: Final = 0.05
"""Share of full pressure below which a circuit is released."""
_WEIGHED_S: Final = 1.0
"""From rest until the stop has been weighed."""


def _unfit(rig: Rig) -> str:
    if not fitted(rig, CIRCUITS):
        return "no sensor reads the brake's pressure"
    if not fitted(rig, ("clutch_engaged",)):
        return "no sensor tells whether the drive pulls"
    return lacks(rig, *STOPPING)


def _stops(run: Run, now: GridPoint) -> Outcome:
    store = run.store
    up, down = store.setdefault("up", 0.0), store.setdefault("down", 0.0)
    store.setdefault("rolled", 0.0)
    if up >= EACH_WAY and down >= EACH_WAY:
        return (
            _judge(run, now)
            if seconds(now, run.times_ns["rest"]) >= _WEIGHED_S
            else run.wait("the last stop is weighed", 1.0)
        )
    progress = (min(up, EACH_WAY) + min(down, EACH_WAY)) / (2.0 * EACH_WAY)
    v, clutch = speed(now), known(now, "clutch_engaged")
    pressures = [known(now, circuit) for circuit in fitted(now.rig, CIRCUITS)]
    why = too_light(now)
    if math.isnan(v + clutch + sum(pressures, 0.0)):
        why = "a reading of speed, clutch or brake pressure is missing"
    if why:
        store["rolled"] = 0.0
        return run.wait(why, progress)
    off = max(pressures) < _OFF_SHARE * now.numbers.full_pressure_pa
    if abs(v) >= _ROLL_M_S and off and clutch < 0.5:
        way = math.copysign(1.0, v)
        if way != store.get("way"):
            store["way"] = way
            run.times_ns["way"] = now.t_ns
        store["rolled"] = seconds(now, run.times_ns["way"])
    elif clutch >= 0.5 or (off and abs(v) < _ROLL_M_S):
        store["way"], store["rolled"] = 0.0, 0.0
    elif abs(v) < _REST_M_S:
        if store["rolled"] >= ROLL_S:
            store["up" if store["way"] > 0.0 else "down"] += 1.0
            run.times_ns["rest"] = now.t_ns
        store["way"], store["rolled"] = 0.0, 0.0
    wanted = [f"{EACH_WAY - n:.0f} {way}" for n, way in ((up, "up"), (down, "down")) if n < EACH_WAY]
    return run.wait(f"stops wanted: {' and '.join(wanted)}, each after a roll of {ROLL_S:.0f} s", progress)


def _judge(run: Run, now: GridPoint) -> Conclusion:
    """What the stops came to."""
    value, validity = now.brakes.effectiveness
    sigma, _ = now.brakes.effectiveness_sigma
    if validity > KNOWN or math.isnan(value + sigma):
        return Conclusion(NOT_JUDGED, "the stops were too short to weigh the brake")
    least = now.rig.checks.stops_effectiveness
    run.measure("brake effectiveness", value, "ratio", "at least", least)
    run.measure("its standard deviation", sigma, "ratio")
    found = f"the brake has {100.0 * value:.0f} % of the configured torque, known to ±{100.0 * sigma:.0f} %"
    verdict = verdict_at_most(-value, sigma, -least)
    if verdict in (PASS, FAIL):
        return Conclusion(verdict, found)
    return Conclusion(NOT_JUDGED, f"{found}: too near {100.0 * least:.0f} % to tell")


STOPS: Final = Procedure(
    id="brake-stops",
    title="Brake stop test",
    about="Stops up and down, each after a free roll, show what the brake has.",
    look_at="Check pads or bands, their adjustment, disc heat and brake pressure.",
    every_h=lambda site: None,
    after_cut=False,
    unfit=_unfit,
    steps=(
        Step(
            "Load of the site's procedure on the hook, room both ways, auxiliary brake off. Confirm when ready.",
            ("hook_load", "height", "room_up", "room_down"), ready, crew=True,
        ),
        Step(
            "Hoist, drive off, let it roll, brake to rest; lower, let it roll, brake to rest. Twice each.",
            ("speed", "height", "clutch_engaged", "service_pressure_1", "service_pressure_2", "effectiveness"), _stops,
        ),
    ),
)  # fmt: skip
"""The test itself, as a row of the table."""
