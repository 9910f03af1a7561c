"""Field logs of position and load with a known truth, and the faults that logs of other recorders have, by seed.

`work` makes days of tripping and drilling on the land rig as a smooth truth at 0.1 s; `log_of` reads it off every so many
seconds with noise and rounding; a fault of `FAULTS` spoils the rows and says where no height can be known from them.
"""

import math
import random
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

from monitor.units import STANDARD_GRAVITY_M_S2
from tests.support.log_map import log_map

Floats = npt.NDArray[np.float64]
Row = tuple[float, str, str]
"""Seconds since the start, position and load as they stand in the log."""
START_S: Final = 1_767_225_600
STEP_S: Final = 0.1
STAND_M: Final = 28.5
SLIPS_M: Final = 5.0
"""Strokes end more than 3 m short of the land rig's limits: calm work."""
BLOCK_N: Final = 215_700.0
"""Of the land rig: 22 t."""
MAP: Final = log_map(position="sigma = 0.02", load="sigma = 4")


@dataclass(frozen=True, slots=True)
class Truth:
    """What the block did, every `STEP_S`: height m, whole hook load N; and how often the string was set in slips."""

    height_m: Floats
    load_n: Floats
    set_downs: int

    @property
    def seconds(self) -> float:
        """Its length."""
        return len(self.height_m) * STEP_S

    @property
    def line_work_j(self) -> float:
        """Mean load times travel, every step (API RP 9B counts every stroke, the block alone too)."""
        travel = np.abs(np.diff(self.height_m))
        return float(np.sum(travel * (self.load_n[1:] + self.load_n[:-1]) / 2.0))

    def at(self, seconds: float) -> int:
        """The step at a time."""
        return min(len(self.height_m) - 1, max(0, round(seconds / STEP_S)))


@dataclass(slots=True)
class DirtyLog:
    """Rows as a recorder left them. `unknowable`: (from, to) seconds in which nobody can know the height from them."""

    period_s: float
    rows: list[Row]
    unknowable: list[tuple[float, float]] = field(default_factory=list)

    def write(self, folder: Path, mapping: str = MAP) -> tuple[Path, Path]:
        """The log and its map as files."""
        log, map_path = folder / "log.csv", folder / "map.toml"
        lines = [f"{START_S + seconds:.3f},{position},{load}\n" for seconds, position, load in self.rows]
        log.write_text("time,pos,load\n" + "".join(lines), encoding="utf-8")
        map_path.write_text(mapping, encoding="utf-8")
        return log, map_path


class _Work:
    """Makes a truth piece by piece."""

    def __init__(self, rng: random.Random) -> None:
        self.rng = rng
        self.height: list[Floats] = []
        self.load: list[Floats] = []
        self.z, self.now_n = SLIPS_M, BLOCK_N
        self.count = self.set_downs = 0

    def move(self, to_m: float, speed: float, load_n: float) -> None:
        """Travel with even acceleration and deceleration, which the load shows (mass times acceleration)."""
        way = to_m - self.z
        ramp = max(1.0, speed / 0.4)
        speed = min(speed, abs(way) / ramp)
        seconds = abs(way) / max(speed, 1e-6) + ramp
        t = np.arange(STEP_S, seconds + STEP_S, STEP_S)
        rise = np.clip(t / ramp, 0.0, 1.0)
        fall = np.clip((t - (seconds - ramp)) / ramp, 0.0, 1.0)
        # Distance with linear ramps of the speed at both ends.
        braked = np.clip(t - (seconds - ramp), 0.0, None) * fall / 2.0
        done = speed * (np.minimum(t, ramp) * rise / 2.0 + np.clip(t - ramp, 0.0, None) - braked)
        up = math.copysign(1.0, way)
        change = up * speed / ramp * ((t < ramp).astype(float) - (t > seconds - ramp))
        self._add(self.z + up * np.minimum(done, abs(way)), load_n * (1.0 + change / STANDARD_GRAVITY_M_S2))
        self.z = float(to_m)

    def rest(self, seconds: float, load_n: float) -> None:
        """Stand still; the load goes over within a second."""
        count = max(1, round(seconds / STEP_S))
        share = np.minimum(1.0, np.arange(1, count + 1) * STEP_S)
        self._add(np.full(count, self.z), self.now_n + (load_n - self.now_n) * share)
        self.now_n = load_n

    def _add(self, height: Floats, load: Floats) -> None:
        self.height.append(height)
        self.load.append(load)
        self.count += len(height)
        self.now_n = float(load[-1])


def work(seed: int, hours: float) -> Truth:
    """Trips out and in, drilling and waiting, for `hours`."""
    rng = random.Random(seed)
    made = _Work(rng)
    string_n = rng.uniform(500e3, 1400e3)
    made.rest(20.0, BLOCK_N)
    while made.count * STEP_S < hours * 3600.0:
        kind = rng.choices(("out", "in", "drill", "wait"), (4, 4, 2, 1))[0]
        if kind == "wait":
            made.rest(rng.uniform(300.0, 2400.0), BLOCK_N)
            continue
        for _ in range(rng.randint(2, 12)):
            top = SLIPS_M + STAND_M + rng.gauss(0.0, 0.05)
            low = SLIPS_M + rng.gauss(0.0, 0.05)
            speed = rng.uniform(0.4, 1.2)
            if kind == "out":
                made.rest(rng.uniform(8.0, 20.0), BLOCK_N + string_n)
                made.move(top, speed, BLOCK_N + string_n)
                made.rest(rng.uniform(4.0, 10.0), BLOCK_N + string_n)
                _slips(made, rng)
                made.move(low, rng.uniform(0.8, 1.4), BLOCK_N)
                made.rest(rng.uniform(15.0, 50.0), BLOCK_N)
                string_n = max(250e3, string_n - 7e3)
            else:
                made.rest(rng.uniform(10.0, 40.0), BLOCK_N)
                made.move(top, rng.uniform(0.8, 1.4), BLOCK_N)
                made.rest(rng.uniform(15.0, 40.0), BLOCK_N)
                made.rest(rng.uniform(8.0, 20.0), BLOCK_N + string_n)
                made.move(low, speed if kind == "in" else rng.uniform(0.006, 0.03), BLOCK_N + string_n)
                made.rest(rng.uniform(4.0, 10.0), BLOCK_N + string_n)
                _slips(made, rng)
                string_n = min(1800e3, string_n + 7e3)
    return Truth(np.concatenate(made.height), np.concatenate(made.load), made.set_downs)


def _slips(made: _Work, rng: random.Random) -> None:
    """The string is set in slips where the block stands; the block stays for the connection."""
    made.set_downs += 1
    made.rest(rng.uniform(25.0, 60.0), BLOCK_N)


def runaway(gain_m_s2: float, slowing_m_s2: float) -> Truth:
    """A load that is lowered at 0.9 m/s for a while, runs away, is braked to rest above the floor, and is hoisted again."""
    seconds = np.arange(0.0, 200.0, STEP_S)
    speed = np.zeros_like(seconds)
    speed[(seconds > 10.0) & (seconds < 20.0)] = -0.9
    # So long that both stretches take 24 m.
    run_s = -0.9 / gain_m_s2 + math.sqrt(
        (0.9 / gain_m_s2) ** 2 + 2 * 24.0 / gain_m_s2 / (1.0 + gain_m_s2 / slowing_m_s2)
    )
    away = (seconds >= 20.0) & (seconds < 20.0 + run_s)
    speed[away] = -0.9 - gain_m_s2 * (seconds[away] - 20.0)
    top = -0.9 - gain_m_s2 * run_s
    braked = seconds >= 20.0 + run_s
    speed[braked] = np.minimum(0.0, top + slowing_m_s2 * (seconds[braked] - 20.0 - run_s))
    speed[(seconds > 60.0) & (seconds < 80.0)] = 1.1
    height = 37.0 + np.cumsum(speed) * STEP_S
    return Truth(height, np.full_like(height, 8.0 * BLOCK_N), 0)


def log_of(truth: Truth, period_s: float, seed: int) -> DirtyLog:
    """The truth as a good recorder would have written it: centimetres and tenths of a kN, a little noise on both."""
    rng = np.random.default_rng(seed)
    step = max(1, round(period_s / STEP_S))
    heights, loads = truth.height_m[::step], truth.load_n[::step]
    heights = heights + rng.normal(0.0, 0.004, len(heights))
    loads = loads + rng.normal(0.0, 2000.0, len(loads))
    rows = [
        (place * step * STEP_S, f"{height:.2f}", f"{load / 1e3:.1f}")
        for place, (height, load) in enumerate(zip(heights.tolist(), loads.tolist(), strict=True))
    ]
    return DirtyLog(step * STEP_S, rows)


Fault = Callable[[DirtyLog, random.Random], None]


def clean(log: DirtyLog, rng: random.Random) -> None:
    """Nothing is wrong."""


def bad_position(log: DirtyLog, rng: random.Random) -> None:
    """One position below the floor, once, early in the log: within what the sensor can show."""
    place = len(log.rows) // 10 + rng.randrange(20)
    log.rows[place] = (log.rows[place][0], "-1.94", log.rows[place][2])


def spikes(log: DirtyLog, rng: random.Random) -> None:
    """Single positions anywhere in the mast, about one in 400."""
    for place in _places(log, rng, 400):
        seconds, _, load = log.rows[place]
        log.rows[place] = (seconds, f"{rng.uniform(-2.0, 43.0):.2f}", load)


def load_spikes(log: DirtyLog, rng: random.Random) -> None:
    """Single loads far off, about one in 400."""
    for place in _places(log, rng, 400):
        seconds, position, _ = log.rows[place]
        log.rows[place] = (seconds, position, f"{rng.uniform(0.0, 4000.0):.1f}")


def frozen(log: DirtyLog, rng: random.Random) -> None:
    """The position repeats exactly for two to ten minutes, then is where the block is."""
    for place in _places(log, rng, round(2400.0 / log.period_s)):
        after = min(len(log.rows), place + max(5, round(rng.uniform(120.0, 600.0) / log.period_s)))
        stuck = log.rows[place][1]
        log.rows[place:after] = [(seconds, stuck, load) for seconds, _, load in log.rows[place:after]]
        log.unknowable.append((log.rows[place][0], log.rows[after - 1][0] + log.period_s))


def filled(log: DirtyLog, rng: random.Random) -> None:
    """Every reading is repeated in the rows until the next: the recorder fills forward. Its own readings come at `period_s`,
    the rows three to twenty times as often."""
    times = rng.choice((5, 10, 20)) if log.period_s >= 1.0 else 3
    step = log.period_s / times
    log.rows = [
        (seconds + part * step, position, load) for seconds, position, load in log.rows for part in range(times)
    ]


def half_filled(log: DirtyLog, rng: random.Random) -> None:
    """The load alone is filled forward, three rows to a reading, while the position comes with every row."""
    held = ""
    rows: list[Row] = []
    for place, (seconds, position, load) in enumerate(log.rows):
        held = load if place % 3 == 0 else held
        rows.append((seconds, position, held))
    log.rows = rows


def cells_gone(log: DirtyLog, rng: random.Random) -> None:
    """The position's cell is empty for one to ten minutes."""
    for place in _places(log, rng, round(2400.0 / log.period_s)):
        after = min(len(log.rows), place + max(3, round(rng.uniform(60.0, 600.0) / log.period_s)))
        log.rows[place:after] = [(seconds, "", load) for seconds, _, load in log.rows[place:after]]
        log.unknowable.append((log.rows[place][0], log.rows[after - 1][0] + log.period_s))


def rows_gone(log: DirtyLog, rng: random.Random) -> None:
    """Rows are missing for one to twenty minutes, and once for eight hours where the log is long enough."""
    for place in sorted(_places(log, rng, round(3600.0 / log.period_s)), reverse=True):
        after = min(len(log.rows), place + max(3, round(rng.uniform(60.0, 1200.0) / log.period_s)))
        if after < len(log.rows):
            log.unknowable.append((log.rows[place - 1][0], log.rows[after][0]))
            del log.rows[place:after]


def disordered(log: DirtyLog, rng: random.Random) -> None:
    """Rows change places with their neighbours, and some are written twice."""
    for place in _places(log, rng, 150):
        log.rows[place], log.rows[place - 1] = log.rows[place - 1], log.rows[place]
    for place in sorted(_places(log, rng, 300), reverse=True):
        log.rows.insert(place, log.rows[place])


def shifted(log: DirtyLog, rng: random.Random) -> None:
    """The position is metres off for ten minutes to an hour, and back then: nobody can know which of the two is right."""
    for place in _places(log, rng, round(10_800.0 / log.period_s)):
        after = min(len(log.rows), place + round(rng.uniform(600.0, 3600.0) / log.period_s))
        by = rng.choice((-1.0, 1.0)) * rng.uniform(1.5, 6.0)
        log.rows[place:after] = [
            (s, f"{float(position) + by:.2f}", load) for s, position, load in log.rows[place:after]
        ]
        log.unknowable.append((log.rows[place][0], log.rows[after - 1][0] + log.period_s))


def marked(log: DirtyLog, rng: random.Random) -> None:
    """Cells that say -999.25, NULL, or nothing, and zeros, one in 50."""
    for place in _places(log, rng, 50):
        seconds, position, load = log.rows[place]
        word = rng.choice(("-999.25", "NULL", "", "#N/A", "1e30"))
        log.rows[place] = (seconds, word, load) if rng.random() < 0.5 else (seconds, position, word)


def _places(log: DirtyLog, rng: random.Random, every: int) -> list[int]:
    """About one place in `every`, never near the ends of the log and no two near one another."""
    every = max(every, 12)
    first = min(len(log.rows) // 10, every) + 12
    return [place + rng.randrange(every // 4) for place in range(first, len(log.rows) - every // 2 - 12, every)]


FAULTS: Final[dict[str, Fault]] = {
    fault.__name__: fault
    for fault in (
        clean, bad_position, spikes, load_spikes, frozen, filled, half_filled, cells_gone, rows_gone, disordered, shifted, marked,
    )
}  # fmt: skip


def dirty_log(truth: Truth, fault: str, period_s: float, seed: int) -> DirtyLog:
    """The truth read off every `period_s` with one kind of fault, by seed."""
    log = log_of(truth, period_s, seed)
    FAULTS[fault](log, random.Random(f"{fault} {seed}"))
    return log
