"""Logs whose truth is known: a block that trips, drills and reams by a plan drawn from a seed, seen every so often.

The truth is made at 0.05 s: strokes with their acceleration, slips, a string that grows or shrinks by each stand, friction in
the tackle and the hole. `Log.seen` is what an instrument gives of it: every `step_s`, rounded, with noise.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from random import Random
from typing import Any

import numpy as np

from monitor.config.rig import Rig
from monitor.config.rig_file import shipped_rigs
from monitor.config.toml_file import read_toml, validate
from monitor.model.stream import Frame
from monitor.units import STANDARD_GRAVITY_M_S2 as GRAVITY

DT_S = 0.05
START_NS = 1_767_225_600_000_000_000
BLOCK_N = 22_000 * GRAVITY


def log_rig(step_s: float = 1.0, **tables: Any) -> Rig:
    """A rig of which only position and load are known."""
    land = read_toml(shipped_rigs()["land"])
    data = {name: land[name] for name in ("format", "name", "title", "block", "mast", "limits")}
    stale_s = max(1.0, 3.0 * step_s)
    data["sensors"] = [
        {"id": "position", "quantity": "block_position", "unit": "m", "rate_hz": 1.0 / step_s, "stale_after_s": stale_s,
         "range": [-2, 45], "sigma": 0.01},
        {"id": "load", "quantity": "hook_load", "unit": "kN", "rate_hz": 1.0 / step_s, "stale_after_s": stale_s,
         "range": [0, 4500], "sigma": 2.0},
    ]  # fmt: skip
    return validate(Rig, data | tables, "log rig")


@dataclass
class Truth:
    """What really happened."""

    stands: list[tuple[float, float, float, str]] = field(default_factory=list)
    """Set in slips, lifted, set again (s), and the activity."""
    work_j: dict[tuple[str, bool], float] = field(default_factory=dict)
    """Line work by activity and whether the string hung on the block."""
    top_speed_m_s: float = 0.0
    moves: list[tuple[float, float, float, float]] = field(default_factory=list)
    """From and to, s, then m, of each, from rest to rest."""

    @property
    def strokes(self) -> list[tuple[float, float, float, float]]:
        """From and to, s, then m; one that goes on the same way after a rest is one."""
        made: list[tuple[float, float, float, float]] = []
        for from_s, to_s, from_m, to_m in self.moves:
            if made and (made[-1][3] - made[-1][2]) * (to_m - from_m) > 0.0:
                from_s, _, from_m, _ = made.pop()
            made.append((from_s, to_s, from_m, to_m))
        return made


class Log:
    """The truth over time: append motions in order."""

    def __init__(self, seed: int, odd: bool = False) -> None:
        """`odd`: the block weighs other than the rig's file says, and the tackle's friction shows in the load."""
        self.draw = Random(seed)
        self.block_n = BLOCK_N * (self.draw.uniform(0.85, 1.15) if odd else 1.0)
        self.drags = (self.draw.uniform(1.0, 1.08), self.draw.uniform(0.92, 1.0)) if odd else (1.04, 0.97)
        self.truth = Truth()
        self._heights: list[np.ndarray] = []
        self._loads: list[np.ndarray] = []
        self.height_m = 2.0
        self.string_n = 0.0
        self.hangs = False
        self.t_s = 0.0
        self.activity = "tripping in"
        self.set_s = math.nan
        """When the string was last set in slips; not known of a log that begins so."""

    # --- motions ------------------------------------------------------------------------------------------------------

    def _load(self, speed: np.ndarray) -> np.ndarray:
        """Hook load as a load cell below the tackle's friction gives it."""
        weight = self.block_n + (self.string_n if self.hangs else 0.0)
        up, down = self.drags
        drag = np.where(speed > 0.02, up, np.where(speed < -0.02, down, 1.0))
        return weight * drag

    def _append(self, heights: np.ndarray, loads: np.ndarray) -> None:
        self._heights.append(heights)
        self._loads.append(loads)
        steps = np.abs(np.diff(heights, prepend=self.height_m))
        key = self.activity, self.hangs
        self.truth.work_j[key] = self.truth.work_j.get(key, 0.0) + float((steps * loads).sum())
        self.height_m = float(heights[-1])
        self.t_s += len(heights) * DT_S

    def rest(self, seconds: float) -> None:
        """Nothing moves."""
        count = max(1, round(seconds / DT_S))
        self._append(np.full(count, self.height_m), self._load(np.zeros(count)))

    def move(self, to_m: float, speed_m_s: float, accel_m_s2: float = 0.4) -> None:
        """One stroke: speeds up, goes on, slows down."""
        way = to_m - self.height_m
        if abs(way) < 1e-3:
            return
        top = min(speed_m_s, math.sqrt(abs(way) * accel_m_s2))
        ramp, whole = top / accel_m_s2, abs(way) / top + top / accel_m_s2
        t = np.arange(1, round(whole / DT_S) + 1) * DT_S
        left = np.clip(whole - t, 0.0, None)
        gone = np.where(
            t < ramp,
            0.5 * accel_m_s2 * t**2,
            np.where(left < ramp, abs(way) - 0.5 * accel_m_s2 * left**2, top * (t - 0.5 * ramp)),
        )
        gone[-1] = abs(way)
        heights = self.height_m + math.copysign(1.0, way) * gone
        self.truth.top_speed_m_s = max(self.truth.top_speed_m_s, top)
        from_s, from_m = self.t_s, self.height_m
        self._append(heights, self._load(np.gradient(heights, DT_S)))
        self.truth.moves.append((from_s, self.t_s, from_m, self.height_m))

    def _weight_to(self, hangs: bool, seconds: float = 1.2) -> None:
        """The slips take the string, or give it back."""
        old = self._load(np.zeros(1))[0]
        self.hangs = hangs
        new = self._load(np.zeros(1))[0]
        count = round(seconds / DT_S)
        self._append(np.full(count, self.height_m), np.linspace(old, new, count))

    def set_slips(self) -> float:
        """The string stands in slips from here on."""
        self.set_s = self.t_s + 0.6
        self._weight_to(False)
        return self.set_s

    def lift(self) -> float:
        """The string hangs on the block from here on."""
        t_s = self.t_s + 0.6
        self._weight_to(True)
        return t_s

    def _stand(self, lifted_s: float, activity: str) -> None:
        """The string is set again: a whole stand, if it was seen being set before."""
        before_s = self.set_s
        again_s = self.set_slips()
        if math.isfinite(before_s):
            self.truth.stands.append((before_s, lifted_s, again_s, activity))

    # --- work ---------------------------------------------------------------------------------------------------------

    def trip(self, stands: int, out: bool) -> None:
        """So many stands out of the hole, or into it."""
        draw = self.draw
        self.activity = "tripping out" if out else "tripping in"
        self.string_n = draw.uniform(150e3, 1_600e3) if out or self.string_n < 1e5 else self.string_n
        weight_n = draw.uniform(4e3, 9e3)
        low, high = 1.5 + draw.uniform(0.0, 1.0), 0.0
        length = draw.uniform(27.0, 28.8)
        self.rest(20.0)
        if self.hangs:
            self.set_slips()
        self.move(low if out else low + length, 0.8)
        for _ in range(stands):
            length = draw.gauss(length, 0.05)
            high = low + length
            self.rest(draw.uniform(6.0, 25.0))  # latched, or the stand brought and made up
            lifted_s = self.lift()
            self.rest(draw.uniform(0.5, 3.0))
            heavy = self.block_n + self.string_n
            speed = draw.uniform(0.35, 0.75) if heavy > 1e6 else draw.uniform(0.6, 1.4)
            self.move(high if out else low, speed)
            self.rest(draw.uniform(1.0, 6.0))
            self._stand(lifted_s, self.activity)
            self.string_n = max(60e3, self.string_n + (-weight_n if out else weight_n))
            self.rest(draw.uniform(8.0, 30.0))
            if draw.random() < 0.04:
                self.rest(draw.uniform(120.0, 900.0))
            self.move(low if out else low + length, draw.uniform(0.7, 1.5))
        self.rest(30.0)

    def drill(self, stands: int, ream: bool = False) -> None:
        """So many stands drilled down; each then reamed where `ream`."""
        draw = self.draw
        self.string_n = max(self.string_n, draw.uniform(500e3, 1_400e3))
        self.activity = "drilling"
        low, length = 2.0, draw.uniform(27.0, 28.8)
        if self.hangs:
            self.set_slips()
        self.move(low + length, 0.8)
        for _ in range(stands):
            self.rest(draw.uniform(15.0, 45.0))
            lifted_s = self.lift()
            self.rest(draw.uniform(10.0, 60.0))
            self.move(low, draw.uniform(0.004, 0.02), 0.01)
            if ream:
                self.activity = "reaming"
                for _ in range(2):
                    self.move(low + 20.0, draw.uniform(0.12, 0.2))
                    self.move(low, draw.uniform(0.1, 0.15))
                self.activity = "drilling"
            self.rest(draw.uniform(2.0, 20.0))
            self._stand(lifted_s, "drilling")
            self.string_n += 6e3
            self.rest(draw.uniform(20.0, 60.0))
            self.move(low + length, draw.uniform(0.5, 1.0))
        self.rest(30.0)

    # --- what is seen -------------------------------------------------------------------------------------------------

    def seen(
        self, step_s: float, noise_m: float = 0.004, noise_n: float = 1_500.0, round_m: float = 0.01
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """(time ns, height m, hook load N) of an instrument that looks every `step_s`."""
        heights, loads = np.concatenate(self._heights), np.concatenate(self._loads)
        noise = np.random.default_rng(self.draw.getrandbits(32))
        begin = noise.uniform(0.0, step_s)
        t_s = np.arange(begin, len(heights) * DT_S - DT_S, step_s)
        place = np.minimum(np.round(t_s / DT_S).astype(np.int64), len(heights) - 1)
        height = heights[place] + noise.normal(0.0, noise_m, len(place))
        load = loads[place] * noise.normal(1.0, 0.004, len(place)) + noise.normal(0.0, noise_n, len(place))
        return START_NS + np.round(t_s * 1e9).astype(np.int64), np.round(height / round_m) * round_m, np.round(load, -2)


def night(seed: int, stands: int = 40) -> Log:
    """A night: out of the hole, in again, and some drilling; begins and ends at rest."""
    log = Log(seed)
    log.trip(stands, out=True)
    log.trip(stands, out=False)
    log.drill(max(2, stands // 10))
    log.drill(max(2, stands // 10), ream=True)
    return log


def odd_night(seed: int) -> Log:
    """A night on a rig whose file is not right: light strings at first, then out of the hole, reaming, and in again."""
    log = Log(seed, odd=True)
    log.trip(20, out=False)
    log.string_n = 60e3
    log.trip(15, out=False)
    log.trip(30, out=True)
    log.drill(4, ream=True)
    log.string_n = 40e3
    log.trip(10, out=False)
    return log


Seen = tuple[np.ndarray, np.ndarray, np.ndarray]


def filled(seen: Seen, rows: int) -> Seen:
    """Each value repeated until the next, which comes every so many rows."""
    place = np.arange(len(seen[0])) // rows * rows
    return seen[0], seen[1][place], seen[2][place]


def spoiled(seen: Seen, seed: int) -> Seen:
    """One load in a hundred and one position in two hundred is anything but."""
    t_ns, height, load = seen[0], seen[1].copy(), seen[2].copy()
    draw = np.random.default_rng(seed)
    bad = draw.random(len(load)) < 0.01
    load[bad] = draw.choice([0.0, -100.0, BLOCK_N, 3e6], bad.sum())
    bad = draw.random(len(height)) < 0.005
    height[bad] = draw.uniform(-1.0, 40.0, bad.sum())
    return t_ns, height, load


def found_stands(stands: Sequence[tuple[float, float]], log: Log, start_ns: int, within_s: float) -> int:
    """How many of the true stands are among (lifted, set again) of `stands`, both ends within `within_s`."""
    off = (START_NS - start_ns) * 1e-9
    return sum(
        any(abs(lifted - at - off) < within_s and abs(again - end - off) < within_s for lifted, again in stands)
        for _, at, end, _ in log.truth.stands
    )


def sessions_frames(log: Log, step_s: float) -> tuple[Rig, list[Frame]]:
    """What a session of `log` holds: its rig, and a message a reading."""
    rig = log_rig(step_s)
    position, load = (rig.topic(sensor) for sensor in rig.sensors)
    frames = []
    for t_ns, height_m, load_n in zip(*log.seen(step_s), strict=True):
        frames.append(Frame(int(t_ns), position, f"{height_m:.2f}".encode()))
        frames.append(Frame(int(t_ns), load, f"{load_n / 1e3:.1f}".encode()))
    return rig, frames
