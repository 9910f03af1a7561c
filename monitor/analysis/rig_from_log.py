"""What a log says of its rig: sensors, units, ranges, noise, what the block weighs, and between which heights it works.

Nothing here is certain: every figure goes with what it was read from. Theory of the block's weight: in a log of tripping or
drilling the string's weight changes with every stand, and the block's does not. So the load comes back, again and again, to one
narrow level low in its range, and that level is the block with what always hangs with it.
"""

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np

from monitor.adapters.sessions.chain import SessionChain
from monitor.adapters.tables.columns import ColumnDecoder
from monitor.adapters.tables.field_log import FieldLog
from monitor.adapters.tables.field_map import LogMap, load_map
from monitor.adapters.tables.proposal.propose import propose
from monitor.adapters.tables.readers.series import Series
from monitor.adapters.tables.readers.table import Layout
from monitor.analysis.known import noise_at_rest
from monitor.analysis.work.block_weight import block_level
from monitor.analysis.work.log import WorkedLog, worked
from monitor.analysis.work.series import Bools, Floats, held, series
from monitor.config.new_rig import Answer
from monitor.config.rig import Block, LimitHeights, Mast, Rig
from monitor.config.rig_file import find_rig
from monitor.config.sensor import Sensor
from monitor.config.toml_file import parse_toml, validate
from monitor.core.sensors.decoder import Decoder
from monitor.errors import UserError
from monitor.model.reading import Sample
from monitor.model.stream import Action, ActionKind
from monitor.units import STANDARD_GRAVITY_M_S2 as GRAVITY

ENOUGH: Final = 200
"""With fewer readings nothing is proposed."""
_FEW: Final = 1e-3
"""Share of readings at either end that may be bad."""
_RESTS_M: Final = 0.1
_ALIKE: Final = 0.1
"""Between two readings the block rests, and nothing was hung on it or taken off (share of its weight)."""
_BY_MAP: Final = "by the map, or the session's own rig"
_REPLACE: Final = "not in the log: put the rig's own"
_BELOW: Final = ", below the floor: LOOK AT IT, the position may count from another zero"


def found_in_log(paths: Sequence[Path], map_path: Path | None = None) -> tuple[Mapping[str, Answer], Sequence[Sensor]]:
    """Answers for a new rig's file, by the questions' names, settings of its two sensors; and what else the log measures.

    Raises:
        UserError: the log cannot be read, or has too little in it.
    """
    rig, words, t_ns, height, load = _readings(paths, map_path)
    known = np.isfinite(height)
    if known.sum() < ENOUGH or np.isfinite(load).sum() < ENOUGH:
        raise UserError(
            f"{paths[0]}: only {int(known.sum())} readings of the position and {int(np.isfinite(load).sum())} of the load "
            f"can be used; {ENOUGH} of each are needed to propose anything"
        )
    step_s = float(np.median(np.diff(t_ns[known]))) * 1e-9
    low, high = (float(end) for end in np.quantile(height[known], (_FEW, 1.0 - _FEW)))
    most_n = float(np.nanquantile(load, 1.0 - _FEW))
    block_n, share = block_level(load, most_n)
    log = worked(series(_provisional(rig, low, high, block_n, most_n), t_ns, height, load))
    more = [sensor for sensor in rig.sensors if sensor.role in ("plain", "switch")]
    return _answers(rig, words, log, step_s, (low, high), most_n, block_n, share), more


def _readings(paths: Sequence[Path], map_path: Path | None) -> tuple[Rig, Mapping[str, str], Any, Floats, Floats]:
    """(the log's rig, why a column is what it is, times ns, block position m, hook load N) at the times of the position."""
    words: Mapping[str, str] = {}
    position: list[tuple[int, float]] = []
    load: list[tuple[int, float]] = []
    if all(path.suffix == ".stopmark" for path in paths):
        with SessionChain(paths) as chain:
            rig = chain.rig
            places = _places(rig)
            decoder = ColumnDecoder(rig)
            for session in chain.sessions:
                for part in decoder.read(session):
                    for place, into in zip(places, (position, load), strict=True):
                        mine = part.sensor == place
                        into += zip(part.t_ns[mine].tolist(), part.value[mine].tolist(), strict=True)
    else:
        if map_path is None:
            mapping, words = _proposed(paths)
        else:
            mapping = load_map(map_path)
        log = FieldLog(paths, mapping)
        rig = log.rig
        places = _places(rig)
        decode = Decoder(rig).decode
        off = False
        for given in log.inputs():
            if isinstance(given, Action):
                off = bool(given.number) if given.kind == ActionKind.BOUND_HEIGHT else off
                continue
            for item in decode(given):
                if isinstance(item, Sample) and item.sensor in places and not (off and item.sensor == places[0]):
                    (position if item.sensor == places[0] else load).append((item.t_ns, item.value))
    times = np.array([t for t, _ in position], np.int64)
    at_ns = np.array([t for t, _ in load], np.int64)
    values = np.array([v for _, v in load], np.float64)
    stale_s = 3e-9 * float(np.median(np.diff(at_ns))) if len(at_ns) > 1 else 0.0
    return rig, words, times, np.array([v for _, v in position], np.float64), held(times, at_ns, values, stale_s)


def _proposed(paths: Sequence[Path]) -> tuple[LogMap, Mapping[str, str]]:
    """The map that the log's own heads, units and numbers propose (as `stopmark import` does without a map), and the reasons.

    Raises:
        FieldLogError: time, block position or hook load could not be found.
    """
    rig = find_rig("land")  # for its name only: of a log's rig nothing is known yet
    proposal = propose(Series(paths, Layout()), rig, rig.name, rig_named=False)
    reasons = {choice.what: f"column {choice.value}: {choice.evidence}" for choice in proposal.choices}
    return validate(LogMap, parse_toml(proposal.toml, "the proposed map"), "the proposed map"), reasons


def _places(rig: Rig) -> tuple[int, int]:
    position, load = rig.sensor_of("block_position"), rig.sensor_of("hook_load")
    if position is None or load is None:
        raise UserError("--from-log: the log must have a block position and a hook load")
    return rig.sensors.index(position), rig.sensors.index(load)


def _provisional(rig: Rig, low: float, high: float, block_n: float, most_n: float) -> Rig:
    """A rig with room to spare, to look at the motion with."""
    return rig.model_copy(
        update={
            "block": Block(mass_kg=block_n / GRAVITY, rated_load_kg=1.5 * most_n / GRAVITY),
            "mast": Mast(crown_m=max(high + 5.0, 1.0), floor_m=low - 5.0),
            "limits": LimitHeights(upper_m=max(high + 2.0, 0.5), lower_m=low - 2.0, max_speed_m_s=2.0),
        }
    )


def _answers(
    rig: Rig,
    words: Mapping[str, str],
    log: WorkedLog,
    step_s: float,
    ends: tuple[float, float],
    most_n: float,
    block_n: float,
    share: float,
) -> dict[str, Answer]:
    low, high = ends
    block = log.motion.block_n[1] if log.motion.stands else block_n
    rests = np.abs(np.diff(log.series.height_m)) < _RESTS_M
    alike = np.abs(np.diff(log.series.load_n)) < _ALIKE * block
    stands = len(log.motion.stands)
    fits = f"; {stands} stands are found with it" if stands else "; no stand is found with it: LOOK AT IT"
    top = max(log.top_up_m_s, log.top_down_m_s)
    upper, lower = round(high + 0.5, 1), max(0.0, round(low - 0.3, 1))  # a new rig's floor is at 0
    crown = math.ceil(high + 4.0)
    position, load = (sensor for sensor in (rig.sensor_of("block_position"), rig.sensor_of("hook_load")) if sensor)
    return {
        "block": Answer(
            round(block / GRAVITY, -1),
            f"from the log: the load comes back to {block / 1e3:.0f} kN in {100 * share:.0f} % of the readings{fits}",
        ),
        "rated": Answer(
            math.ceil(1.25 * most_n / GRAVITY / 1e4) * 1e4,
            f"a quarter above the log's highest ({most_n / 1e3:.0f} kN); {_REPLACE}",
        ),
        "crown": Answer(float(crown), f"4 m above the log's highest position ({high:.1f} m); {_REPLACE}"),
        "upper": Answer(upper, f"the log's work goes up to {high:.1f} m; {_REPLACE}"),
        "lower": Answer(lower, f"the log's work goes down to {low:.1f} m{'' if low >= 0.0 else _BELOW}; {_REPLACE}"),
        "max_speed": Answer(
            max(0.5, math.ceil(11.0 * top) / 10.0), f"a tenth above the log's highest speed over a second or more ({top:.2f} m/s)"
        ),
        "every": Answer(float(f"{step_s:.3g}"), f"from the log: median of {len(log.series.t_s)} readings"),
        "position_unit": Answer(position.unit, words.get(position.quantity, _BY_MAP)),
        "load_unit": Answer(load.unit, words.get(load.quantity, _BY_MAP)),
        **_sensor("position", position, log.series.height_m, rests, (low, high), 2.0),
        **_sensor("load", load, log.series.load_n, rests & alike, (0.45 * most_n, most_n), 0.5 * most_n),
    }  # fmt: skip


def _sensor(
    role: str, sensor: Sensor, numbers: Floats, rests: Bools, ends: tuple[float, float], spare: float
) -> dict[str, Answer]:
    """Range and noise of one sensor, in its unit. `rests`: between which readings the block was at rest."""
    unit = sensor.si
    low, high = (unit.from_si(end) for end in (ends[0] - spare, ends[1] + spare))
    steps = np.abs(np.diff(numbers))
    changes = steps[np.isfinite(steps) & (steps > 0.0)]
    finest = float(np.quantile(changes, 0.02)) if len(changes) else 0.0
    noise = noise_at_rest(numbers, rests)
    shown = f"{float(f'{finest / unit.scale:.2g}'):g} {unit.name}"
    return {
        f"{role}_range": Answer(
            (float(f"{low:.4g}"), float(f"{high:.4g}")), "from the log: what it has, with room to spare"
        ),
        f"{role}_sigma": Answer(
            max(float(f"{max(noise, finest / math.sqrt(12.0)) / unit.scale:.2g}"), 1e-6),
            f"from the log: from reading to reading at rest (finest step {shown})",
        ),
    }
