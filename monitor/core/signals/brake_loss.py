"""Whether there is no service brake left: what a rule may call DANGER only when it is so.

Theory of operation. Three things each mean that the service brake does not hold what hangs there, whatever the lever does:

* pressure: the lever asks for the brake, and both circuits show next to nothing;
* store: the accumulator has less oil left than one full application takes, down to its precharge (below it the bottle is empty),
  unless the circuits show just now, under demand, that there is pressure;
* grip: what the brake can hold, by its circuits and supply and by the strongest friction that its stops allow for, is less
  than what hangs on the line, be it the block alone (holding ratio below 1 whatever the doubt).

Any one of them that is known to be so is enough. Not so is said only where all that the rig can read are known and say so: a
reading that is missing leaves it open.
"""

from typing import Final

from monitor.core.signals.grid_point import GridPoint
from monitor.model.reading import ABSENT, ABSENT_FLAG, DEGRADED, UNKNOWN_FLAG, Flag
from monitor.physics.hydraulics import ADIABATIC, Accumulator
from monitor.units import ATMOSPHERE_PA

_NOTHING_SHARE: Final = 0.2
"""Both circuits below this share of what the lever asks for: no brake (common practice, no source)."""
_ANSWERED_SHARE: Final = 0.5
"""A circuit at this share of what the lever asks for answers."""
_HANGS_SHARE: Final = 0.5
"""Hook load over the block's own weight from which on something hangs on the line, and is not carried by something else."""


def service_brake_lost(point: GridPoint) -> Flag:
    """1 where there is no service brake left, 0 where there is, by what is known."""
    answers = (_pressure_lost(point), _store_empty(point), _grip_lost(point))
    lost = [validity for number, validity in answers if validity <= DEGRADED and number >= 0.5]
    if lost:
        return 1.0, min(lost)
    fitted = [validity for _, validity in answers if validity != ABSENT]
    if not fitted:
        return ABSENT_FLAG
    worst = max(fitted)
    return (0.0, worst) if worst <= DEGRADED else UNKNOWN_FLAG


def _flag(true: bool, validity: int) -> Flag:
    return (1.0 if true else 0.0), validity


def _pressure_lost(point: GridPoint) -> Flag:
    """The lever asks for the brake and neither circuit answers."""
    readings = point.readings
    lever, lever_ok = readings["brake_lever"]
    first, first_ok = readings["service_pressure_1"]
    second, second_ok = readings["service_pressure_2"]
    if ABSENT in (lever_ok, first_ok, second_ok):
        return ABSENT_FLAG
    worst = max(lever_ok, first_ok, second_ok)
    if worst > DEGRADED:
        return UNKNOWN_FLAG
    asked = lever * point.numbers.full_pressure_pa
    return _flag(lever >= point.numbers.demand_lever and max(first, second) < _NOTHING_SHARE * asked, worst)


def _store_empty(point: GridPoint) -> Flag:
    """The accumulator has less oil than one full application takes."""
    pressure_pa, validity = point.readings["accumulator_pressure"]
    if validity == ABSENT or not point.numbers.has_oil:
        return ABSENT_FLAG
    if validity > DEGRADED:
        return UNKNOWN_FLAG
    oil = point.rig.hydraulics
    if pressure_pa >= oil.min_pressure_pa:
        return _flag(False, validity)
    precharge_pa = oil.precharge_pa + ATMOSPHERE_PA
    bottle = Accumulator(oil.accumulator_volume_m3, precharge_pa)
    left_m3 = bottle.usable_m3(pressure_pa + ATMOSPHERE_PA, precharge_pa, ADIABATIC)
    return _flag(left_m3 < oil.stroke_volume_m3 and not _answers(point), validity)


def _answers(point: GridPoint) -> bool:
    """Whether a circuit is known to answer the lever just now."""
    lever, lever_ok = point.readings["brake_lever"]
    asked_pa = _ANSWERED_SHARE * lever * point.numbers.full_pressure_pa
    circuits = (point.readings["service_pressure_1"], point.readings["service_pressure_2"])
    asks = lever_ok <= DEGRADED and lever >= point.numbers.demand_lever
    return asks and any(validity <= DEGRADED and pressure_pa >= asked_pa for pressure_pa, validity in circuits)


def _grip_lost(point: GridPoint) -> Flag:
    """What the service brake can hold is less than what hangs on the line."""
    load, ratios = point.load, point.ratios
    if not point.numbers.knows_tackle:
        return ABSENT_FLAG
    if max(load.validity, ratios.validity) > DEGRADED:
        return UNKNOWN_FLAG
    hangs = load.hook_n > _HANGS_SHARE * point.numbers.block_n
    supplied = point.supply.validity if point.supply.validity <= DEGRADED else DEGRADED
    return _flag(hangs and ratios.holding_most < 1.0, max(load.validity, ratios.validity, supplied))
