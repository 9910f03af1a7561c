"""Which column is which quantity: by the words of its head and description, its unit, and what its numbers do."""

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

from monitor.adapters.tables.numbers import number_in
from monitor.adapters.tables.proposal.unit_names import parted, unit_named
from monitor.config.rig import Rig
from monitor.model.quantities import QUANTITIES
from monitor.units import STANDARD_GRAVITY_M_S2, UNITS, Dimension

LEAST_NUMBERS: Final = 0.3
"""Share of cells that must be numbers."""
LEAST_SCORE: Final = 6.0
"""Below it, a column is nothing that is known."""

_NAMES: Final[Mapping[str, tuple[str, ...]]] = {
    "block_position": (
        "block position", "block pos", "block height", "block hgt", "blk pos", "blkpos", "blockpos", "bpos", "dbpos",
        "blk height", "travelling block", "traveling block", "hook position", "hook height", "hook pos", "hookpos",
        "block elevation", "elevator height", "elevator position", "top drive height", "top drive position", "hakenhöhe",
        "blockposition", "blockhöhe", "blokkposisjon", "blokkhøyde", "posicion del bloque", "posición del bloque",
        "posicion bloque", "altura del bloque", "position du moufle", "hauteur crochet", "положение талевого блока",
        "положение крюкоблока", "положение крюка", "высота крюка", "высота талевого блока", "положение тальблока",
    ),
    "hook_load": (
        "hook load", "hookload", "hkld", "hkla", "hklda", "hklav", "hklo", "hook weight", "hook wt", "weight on hook",
        "load on hook", "hakenlast", "kroklast", "krokbelastning", "carga en el gancho", "carga gancho", "peso en gancho",
        "charge au crochet", "poids au crochet", "вес на крюке", "нагрузка на крюке", "нагрузка на крюк",
    ),
    "dead_line_tension": ("dead line tension", "deadline tension", "dead line load", "dead line pull", "deadline anchor"),
    "drum_counts": (
        "drum counts", "drum count", "drum encoder", "drawworks encoder", "encoder counts", "encoder count", "encoder",
        "drum pulses",    ),
    "bit_depth": ("bit depth", "bit position", "depth bit meas", "bit md", "dbtm", "dptbit", "bitdep", "глубина долота"),
    "hole_depth": ("hole depth", "depth hole meas", "hole md", "dmea", "total depth", "holedep", "dephol", "глубина забоя"),
    "activity_code": ("activity code", "rig activity", "actcod", "actc", "activity"),
    "line_work_counter": ("ton miles", "ton mile", "line work", "wire work", "drill line work", "tmd"),
    "brake_lever": ("brake lever", "brake handle", "brake demand", "brake command"),
    "service_pressure_1": ("service brake pressure", "brake pressure", "service pressure"),
}  # fmt: skip
"""Words for quantities in heads and descriptions, best first (common practice, no source); the rest go by their own names."""
_NOT: Final = re.compile(
    r"\b(max|maximum|min|minimum|limit|alarm|set ?point|sp|threshold|speed|velocity|vel|rate|target|delta|change|over ?pull|"
    r"status|flag|quality|offset|zero|tare|raw|std|var|tvd|vertical)\b"
)
"""Words beside a quantity's own that make it something else."""
_SPLIT: Final = re.compile(r"(?<=[a-z])(?=[A-Z])|[_\-./\\|:\s]+")


_SOUGHT: Final = tuple(quantity for quantity in QUANTITIES if quantity != "height_mark")
"""A height mark's height stands in no log."""


@dataclass(frozen=True, slots=True)
class FoundColumn:
    """A column taken for a quantity, in a unit of ours. `doubts` are choices that a person must look at."""

    column: str
    quantity: str
    unit: str
    score: float
    evidence: str
    doubts: tuple[str, ...]
    sense: int = 1
    add: float = 0.0
    """What its numbers are multiplied by, and what is added then."""


@dataclass(frozen=True, slots=True)
class Sampled:
    """A column of the sample: name and unit as parted from the head, the file's own description, its numbers in order."""

    head: str
    name: str
    unit: str
    words: str
    numbers: tuple[float, ...]
    filled: int
    """Cells that are not empty."""


def sampled(head: str, unit_words: str, words: str, cells: Sequence[str], comma: bool) -> Sampled:
    """A column to be judged; `comma` says that numbers are written with one."""
    name, unit = parted(head, unit_words)
    numbers, filled = [], 0
    for cell in cells:
        word = cell.strip()
        if not word:
            continue
        filled += 1
        try:
            number = number_in(word, comma)
        except ValueError:
            continue
        if math.isfinite(number):
            numbers.append(number)
    return Sampled(head, name, unit, words, tuple(numbers), filled)


def find_columns(columns: Sequence[Sampled], rig: Rig) -> list[FoundColumn]:
    """The columns that are quantities, in the order of these; each column and each quantity once."""
    candidates = []
    for column in columns:
        if len(column.numbers) < 2 or len(column.numbers) < LEAST_NUMBERS * column.filled:
            continue
        for quantity in _SOUGHT:
            found = _read_as(column, quantity, rig)
            if found is not None:
                candidates.append(found)
    candidates.sort(key=lambda found: -found.score)
    taken: dict[str, FoundColumn] = {}
    for found in candidates:
        if any(found.column == other.column for other in taken.values()):
            continue
        if found.quantity not in taken:
            taken[found.quantity] = found
        elif found.score > taken[found.quantity].score - 2.0:
            taken[found.quantity] = _with_rival(taken[found.quantity], found)
    for role, quantity in (("position", "block_position"), ("load", "hook_load")):
        if not any(QUANTITIES[each].role == role for each in taken):
            rest = [column for column in columns if all(column.head != other.column for other in taken.values())]
            alone = _by_numbers(rest, quantity, rig)
            if alone is not None:
                taken[quantity] = alone
    return sorted(taken.values(), key=lambda found: _SOUGHT.index(found.quantity))


RIVAL: Final = "could be it as well"


def _with_rival(found: FoundColumn, other: FoundColumn) -> FoundColumn:
    if any(RIVAL in doubt for doubt in found.doubts):
        return found
    doubt = (
        f"{QUANTITIES[found.quantity].label}: {other.column!r} {RIVAL} ({other.evidence}); {found.column!r} is taken"
    )
    return replace(found, doubts=(*found.doubts, doubt))


def _by_numbers(columns: Sequence[Sampled], quantity: str, rig: Rig) -> FoundColumn | None:
    """The only column whose unit and numbers are those of `quantity`, where no head names it; None where several are."""
    dimension = QUANTITIES[quantity].dimension
    found = []
    for column in columns:
        named = unit_named(column.unit, dimension) if column.unit else None
        if len(column.numbers) < LEAST_ALONE or (column.unit and named is None) or _OTHERS.search(_plain(column.name)):
            continue
        unit, unit_why, doubts, _ = _unit(column, quantity, dimension, named, rig)
        share, good = _fit(column.numbers, quantity, unit, rig)
        if share > 0.97 and good > -0.8 and (quantity != "block_position" or _goes_up_and_down(column.numbers, unit)):
            low, high = _middle(column.numbers)
            doubt = f"{QUANTITIES[quantity].label}: no head names it; {column.head!r} is taken by its numbers"
            evidence = f"the only one with such numbers; {unit_why}; {low:g} to {high:g} {unit}"
            found.append(FoundColumn(column.head, quantity, unit, 0.0, evidence, (doubt, *doubts)))
    units = {column.head: column.unit for column in columns}
    written = [each for each in found if units[each.column]]
    found = written or found  # a unit that is written says more than numbers that would fit
    return found[0] if len(found) == 1 else None


def _goes_up_and_down(numbers: Sequence[float], unit: str) -> bool:
    """Whether it moves as a block does: over metres, in small steps, back and forth."""
    low, high = _middle(numbers)
    span = high - low
    steps = sorted(abs(later - one) for one, later in pairwise(numbers))
    small = steps[int(0.95 * len(steps))] < 0.4 * span
    return UNITS[unit].scale * span > LEAST_STROKE_M and small and sum(steps) > 3.0 * span


LEAST_ALONE: Final = 200
"""Numbers without which nothing is told by numbers alone."""
LEAST_STROKE_M: Final = 8.0
LEAST_HEIGHT_M: Final = 1.0
"""A block that is never higher than that is none, or its numbers are in another unit."""
_OTHERS: Final = re.compile(
    r"depth|\bbit\b|\bhole\b|\bmd\b|\btvd\b|\bdmea|\bdbtm|\bwob\b|weight on bit|\brop\b|volume|\bpit|tank|torque|"
    r"\brpm|pressure|\bspp|flow|temp|density|gas|string weight|over ?pull|speed|velocity|number|count|\bid\b"
)
"""Words of heads that are something else, whatever their numbers do."""


def _plain(words: str) -> str:
    return " ".join(part for part in _SPLIT.split(words) if part).casefold()


def _name_score(column: Sampled, quantity: str) -> tuple[float, str]:
    """(points, what matched) of the head and the description."""
    own = QUANTITIES[quantity]
    names = (*_NAMES.get(quantity, ()), quantity.replace("_", " "), own.label.casefold().replace(",", ""))
    best, matched = 0.0, ""
    for text, weight, where in ((column.name, 1.0, "its name"), (column.words, 0.8, "its description")):
        plain = _plain(text)
        tight = plain.replace(" ", "")
        for name in names:
            points = 0.0
            if plain == name or tight == name.replace(" ", ""):
                points = 10.0
            elif re.search(rf"\b{re.escape(name)}\b", plain) or (len(name) > 5 and name.replace(" ", "") in tight):
                points = 8.0
            elif all(re.search(rf"\b{re.escape(word)}", plain) for word in name.split()) and " " in name:
                points = 7.0
            if points and _NOT.search(re.sub(rf"\b{re.escape(name)}\b", " ", plain)):
                points -= 5.0
            if points * weight > best:
                best, matched = points * weight, f"{where} says {name!r}"
    return best, matched


def _read_as(column: Sampled, quantity: str, rig: Rig) -> FoundColumn | None:
    points, why = _name_score(column, quantity)
    dimension = QUANTITIES[quantity].dimension
    if points < LEAST_SCORE - 1.0:
        return None
    if dimension == "energy" and not column.unit:
        column = replace(column, unit=column.name)  # line work is often called by its unit, as "ton-miles"
    named = unit_named(column.unit, dimension) if column.unit else None
    if column.unit and named is None and dimension not in ("count", "switch"):
        # A unit of something else: a hook's speed is no load. What is no unit at all says nothing.
        other = any(unit_named(column.unit, each) for each in _DIMENSIONS if each != dimension)
        points -= 6.0 if other else 0.0
    unit, unit_why, doubts, fit = _unit(column, quantity, dimension, named, rig)
    points += 2.0 * (named is not None) + 2.0 * (fit - 0.5)
    if points < LEAST_SCORE or (fit < 0.5 and dimension not in ("length", "force")):
        return None
    low, high = _middle(column.numbers)
    evidence = f"{why}; {unit_why}; {low:g} to {high:g} {unit}"
    return FoundColumn(column.head, quantity, unit, points, evidence, tuple(doubts))


_DIMENSIONS: Final[tuple[Dimension, ...]] = (
    "length", "force", "pressure", "energy", "temperature", "torque", "current", "fraction",
)  # fmt: skip


def _middle(numbers: Sequence[float]) -> tuple[float, float]:
    ordered = sorted(numbers)
    return ordered[int(0.01 * len(ordered))], ordered[int(0.99 * (len(ordered) - 1))]


def _unit(
    column: Sampled, quantity: str, dimension: Dimension, named: str | None, rig: Rig
) -> tuple[str, str, list[str], float]:
    """(unit, why, doubts, share of the numbers that this rig can show in it)."""
    label = QUANTITIES[quantity].label
    units = [unit.name for unit in UNITS.values() if unit.dimension == dimension]
    ranked = sorted(units, key=lambda name: -_fit(column.numbers, quantity, name, rig)[1])
    best = ranked[0]
    share, good = _fit(column.numbers, quantity, best, rig)
    if named is not None:
        own_share = _fit(column.numbers, quantity, named, rig)[0]
        if own_share >= 0.5 or share < 0.95 or dimension not in ("length", "force"):
            short = column.unit.casefold() in ("ton", "tons")
            doubt = f"{label}: {column.unit!r} is taken for a metric ton; a short one is 2 klbf"
            return named, f"the file says {column.unit!r}", [doubt] if short else [], own_share
        doubt = (
            f"{label}: the file says {column.unit!r}, in which the rig {rig.name} can hardly show {column.head!r}; "
            f"in {best} it can, which is taken"
        )
        return best, f"the file says {column.unit!r}, its numbers {best}", [doubt], share
    if len(units) == 1:
        return best, "it has one unit only", [], share
    rivals = [name for name in ranked[1:] if _fit(column.numbers, quantity, name, rig)[1] > good - 0.7]
    also = f"; {' or '.join(rivals[:2])} would do as well" if rivals else ""
    said = f"{column.unit!r} is no unit that is known" if column.unit else "no unit is written"
    doubt = f"{label}: {said}; by its numbers {column.head!r} is taken to be in {best}{also}"
    return best, f"its numbers fit {best}", [doubt], share


def _fit(numbers: Sequence[float], quantity: str, unit_name: str, rig: Rig) -> tuple[float, float]:
    """(share of the numbers that are possible in this unit, how well their size fits; 0 is best, and less is worse)."""
    unit = UNITS[unit_name]
    high = unit.to_si(_middle(numbers)[1])
    ordered = sorted(map(unit.to_si, numbers))
    if quantity == "block_position":
        ends = rig.mast.floor_m - 3.0, rig.mast.crown_m + 3.0
        # The highest of a shift is near the upper limit; a factor of e away from it costs one.
        good = -abs(math.log(max(high, 1e-9) / rig.limits.upper_m))
        reaches = high > LEAST_HEIGHT_M
    elif quantity in ("hook_load", "dead_line_tension"):
        empty = rig.block.mass_kg * STANDARD_GRAVITY_M_S2
        ends = (
            -0.05 * rig.block.rated_load_kg * STANDARD_GRAVITY_M_S2,
            1.5 * rig.block.rated_load_kg * STANDARD_GRAVITY_M_S2,
        )
        if quantity == "dead_line_tension":
            empty, ends = empty / rig.line.lines, (ends[0] / 4, ends[1] / 4)
        # The lowest loads that are any are the empty block's.
        some = [number for number in ordered if number > 0.02 * max(high, 1e-9)]
        least = some[len(some) // 20] if some else high
        good = -abs(math.log(max(least, 1e-9) / empty))
        reaches = high > 0.3 * empty
    else:
        reaches = True
        ends = _WIDE.get(unit.dimension, (-math.inf, math.inf))
        good = -abs(math.log(max(abs(high), 1e-9) / _TYPICAL.get(unit.dimension, max(abs(high), 1e-9))))
    inside = reaches * sum(ends[0] <= number <= ends[1] for number in ordered) / len(ordered)
    return inside, good - 5.0 * (1.0 - inside) - RARE * (unit_name not in _USUAL)


RARE: Final = 0.2
_USUAL: Final = frozenset(
    ("m", "ft", "kN", "klbf", "tf", "bar", "psi", "degC", "percent", "kN*m", "ton-mile", "A", "counts", "switch")
)
"""Units that logs are written in (common practice, no source); of two that fit alike the usual one is likelier: a
kilodecanewton is within 2 % of a tonne's weight."""

_WIDE: Final[Mapping[str, tuple[float, float]]] = {
    "pressure": (-0.5e6, 60e6), "temperature": (-60.0, 1000.0), "current": (-2000.0, 2000.0), "fraction": (-0.1, 1.1),
    "switch": (0.0, 1.0), "length": (-50.0, 15_000.0), "energy": (0.0, 1e15), "count": (-2147483648.0, 4294967295.0),
}  # fmt: skip
_TYPICAL: Final[Mapping[str, float]] = {
    "pressure": 1e7,
    "temperature": 60.0,
    "fraction": 1.0,
    "torque": 3e4,
    "length": 2500.0,
}
"""The size of such readings, SI, to tell units apart where none is written (common practice, no source)."""
