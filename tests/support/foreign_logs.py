"""Logs as other rigs' recorders write them, over a truth that has nothing of `dirty_logs` or `known_logs`.

`Well` is a hand at work: strokes with hesitations, the string eased into the slips and lifted out of them, stands drilled slowly
on a top drive, singles drilled on a kelly, reaming. `Style` is a recorder's habit: heads, units, how a time is written, the signs
between cells and in numbers, what stands for no reading, how often a reading comes and for how many rows it stands.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random
from typing import Final

import numpy as np
import numpy.typing as npt

from monitor.units import FOOT_M, STANDARD_GRAVITY_M_S2

Floats = npt.NDArray[np.float64]
DT_S: Final = 0.5
BEGIN: Final = datetime(2025, 10, 20, 5, 0, tzinfo=UTC)
TONNE_N: Final = 1000.0 * STANDARD_GRAVITY_M_S2


class Well:
    """The truth, made motion by motion, `DT_S` apart."""

    def __init__(self, seed: int, block_t: float = 25.0, string_t: float = 80.0) -> None:
        self.draw = Random(seed)
        self.slips_m, self.block_t, self.string_t = 1.2, block_t, string_t
        self.at_m = self.slips_m + 0.3
        self.hangs = False
        self.set_downs = 0
        self._heights: list[Floats] = []
        self._loads: list[Floats] = []

    @property
    def _weight_t(self) -> float:
        return self.block_t + (self.string_t if self.hangs else 0.0)

    def _add(self, heights: Floats, load_t: "float | Floats") -> None:
        self._heights.append(heights)
        self._loads.append(np.broadcast_to(np.asarray(load_t, np.float64), heights.shape) * TONNE_N)
        self.at_m = float(heights[-1])

    def rest(self, seconds: float) -> None:
        """Stand still."""
        self._add(np.full(max(1, round(seconds / DT_S)), self.at_m), self._weight_t)

    def move(self, to_m: float, speed: float) -> None:
        """From rest to rest, with friction in the hole."""
        way = to_m - self.at_m
        if abs(way) < 1e-6:
            return
        speed = min(speed, math.sqrt(0.25 * abs(way)))
        ramp = speed / 0.25
        whole = abs(way) / speed + ramp
        t = np.minimum(np.arange(DT_S, whole + DT_S, DT_S), whole)
        early, late = 0.125 * t * t, abs(way) - 0.125 * (whole - t) ** 2
        done = np.where(t < ramp, early, np.where(t < whole - ramp, 0.5 * speed * ramp + speed * (t - ramp), late))
        drag = (1.03 if way > 0 else 0.97) if self.hangs else 1.0
        self._add(self.at_m + math.copysign(1.0, way) * done, self._weight_t * drag)

    def stroke(self, to_m: float, speed: float) -> None:
        """A long way, at times with a rest on it."""
        while abs(to_m - self.at_m) > 0.02:
            pauses = self.draw.random() < 0.3
            share = self.draw.uniform(0.3, 0.9) if pauses else 1.0
            self.move(self.at_m + (to_m - self.at_m) * share, speed * self.draw.uniform(0.7, 1.2))
            if pauses:
                self.rest(self.draw.uniform(2.0, 25.0))

    def set_in_slips(self) -> None:
        """Ease the string down into the slips."""
        self.rest(self.draw.uniform(2.0, 6.0))
        steps = round(self.draw.uniform(3.0, 7.0) / DT_S)
        eased = np.linspace(self.at_m, self.at_m - self.draw.uniform(0.1, 0.35), steps)
        self._add(eased, np.linspace(self._weight_t, self.block_t, steps))
        self.hangs = False
        self.set_downs += 1

    def lift(self) -> None:
        """Take the string out of the slips."""
        steps = round(self.draw.uniform(3.0, 8.0) / DT_S)
        raised = np.linspace(self.at_m, self.at_m + self.draw.uniform(0.1, 0.35), steps)
        self._add(
            raised, np.linspace(self.block_t, (self.block_t + self.string_t) * self.draw.uniform(1.0, 1.12), steps)
        )
        self.hangs = True

    def pull_out(self, stands: int, stand_m: float = 28.6) -> None:
        """Stand after stand."""
        draw = self.draw
        for _ in range(stands):
            if not self.hangs:
                self.move(self.slips_m + draw.uniform(0.0, 0.3), 1.0)
                self.rest(draw.uniform(5.0, 20.0))
                self.lift()
            self.stroke(self.slips_m + stand_m + draw.gauss(0.4, 0.15), draw.uniform(0.5, 1.0))
            self.rest(draw.uniform(1.0, 8.0))
            self.move(self.at_m - draw.uniform(0.1, 0.6), 0.15)
            self.set_in_slips()
            self.string_t = max(8.0, self.string_t - 0.75)
            self.rest(draw.uniform(25.0, 90.0))
            self.stroke(self.slips_m + draw.uniform(0.0, 0.3), draw.uniform(0.8, 1.5))
            self.rest(draw.uniform(8.0, 20.0))

    def run_in(self, stands: int, stand_m: float = 28.6) -> None:
        """Stand after stand."""
        draw = self.draw
        for _ in range(stands):
            self.rest(draw.uniform(12.0, 33.0))
            self.stroke(self.slips_m + stand_m + draw.gauss(0.3, 0.2), 1.2)
            self.rest(draw.uniform(20.0, 55.0))
            self.string_t += 0.75
            self.lift()
            self.rest(draw.uniform(1.0, 6.0))
            self.stroke(self.slips_m + 0.3 + draw.gauss(0.1, 0.08), draw.uniform(0.5, 1.3))
            self.set_in_slips()

    def _drilled_to(self, low_m: float, m_an_hour: float) -> None:
        while self.at_m > low_m + 0.01:
            step = min(self.at_m - low_m, self.draw.uniform(0.5, 3.0))
            count = max(2, round(step / (m_an_hour / 3600.0 * self.draw.uniform(0.3, 1.8)) / DT_S))
            noise = np.random.default_rng(self.draw.randrange(10**9)).normal(0.0, 0.6, count)
            self._add(
                self.at_m - step * np.arange(1, count + 1) / count,
                self._weight_t - self.draw.uniform(3.0, 13.0) + noise,
            )

    def drill_stands(self, stands: int, m_an_hour: float = 30.0) -> None:
        """With a top drive; some are reamed before the connection."""
        draw = self.draw
        for _ in range(stands):
            self.stroke(self.slips_m + 28.9, 0.9)
            self.rest(draw.uniform(60.0, 150.0))
            self.string_t += 0.75
            self.lift()
            low = self.slips_m + draw.uniform(0.4, 0.8)
            self._drilled_to(low, m_an_hour)
            for _ in range(draw.randint(0, 2)):
                self.move(self.slips_m + draw.uniform(8.0, 27.0), 0.3)
                self.rest(draw.uniform(5.0, 60.0))
                self.move(low, 0.25)
            self.rest(draw.uniform(30.0, 120.0))
            self.set_in_slips()
            self.rest(draw.uniform(40.0, 100.0))

    def drill_singles(self, singles: int, m_an_hour: float = 20.0) -> None:
        """With a kelly: down slowly by a single, up with the kelly, over to the next single and up with that."""
        draw = self.draw
        for _ in range(singles):
            if not self.hangs:
                self.rest(draw.uniform(60.0, 120.0))
                self.lift()
            self.move(self.slips_m + 13.8, 0.3)
            self._drilled_to(self.slips_m + 4.4, m_an_hour)
            self.rest(draw.uniform(20.0, 90.0))
            self.move(self.at_m + 14.9, 0.45)
            self.set_in_slips()
            self.rest(draw.uniform(20.0, 50.0))
            self.move(self.at_m - 2.5, 0.3)
            self.rest(draw.uniform(20.0, 40.0))
            self.string_t += 0.3
            self.move(self.at_m + 10.4, 0.6)
            self.rest(draw.uniform(30.0, 70.0))
            self.lift()
            self.stroke(self.slips_m + 13.8, 0.4)

    @property
    def height_m(self) -> Floats:
        """Truth every `DT_S`."""
        return np.concatenate(self._heights)

    @property
    def load_n(self) -> Floats:
        """Truth every `DT_S`."""
        return np.concatenate(self._loads)

    @property
    def line_work_j(self) -> float:
        """Mean load times travel."""
        load = self.load_n
        return float(np.sum(np.abs(np.diff(self.height_m)) * (load[1:] + load[:-1]) / 2.0))


@dataclass(frozen=True, slots=True)
class Style:
    """How a recorder writes."""

    heads: tuple[str, ...]
    """Of the time, in one column or two, then position and load, then one that looks alike: the bit's depth."""
    time: Callable[[datetime], str]
    metre: float = 1.0
    """Of the position and the depth."""
    newton: float = 1e-3
    digits: tuple[int, int] = (2, 1)
    delimiter: str = ","
    decimal: str = "."
    above: str = ""
    """Lines above the heads."""
    period_s: float = 3.0
    load_rows: int = 1
    """Each load stands in so many rows."""
    position_rows: int = 1
    marks: tuple[tuple[str, float], ...] = ()
    """Words for no reading, each with its share of the cells of position and of load."""


@dataclass(slots=True)
class ForeignLog:
    """The rows of a log, which a test may spoil, and how to write them."""

    style: Style
    seconds: Floats
    height_m: Floats
    load_n: Floats
    gone: set[int] = field(default_factory=set)
    """Rows that are missing."""
    clock_s: Floats | None = None
    """What the log's clock shows more than the true one, by row."""

    def write(self, path: Path, seed: int = 1) -> Path:
        """The log as a file."""
        draw, style = Random(seed), self.style
        lines = [style.above + style.delimiter.join(style.heads)]
        for place, seconds in enumerate(self.seconds.tolist()):
            if place in self.gone:
                continue
            shown = seconds + (0.0 if self.clock_s is None else float(self.clock_s[place]))
            position = self.height_m[place - place % style.position_rows] * style.metre
            load = self.load_n[place - place % style.load_rows] * style.newton
            cells = [f"{position:.{style.digits[0]}f}", f"{load:.{style.digits[1]}f}"]
            for word, share in style.marks:
                cells = [word if draw.random() < share else cell for cell in cells]
            cells.append(f"{(1500.0 - self.height_m[place]) * style.metre:.1f}")
            cells = [cell.replace(".", style.decimal) for cell in cells]
            lines.append(style.delimiter.join([style.time(BEGIN + timedelta(seconds=shown)), *cells]))
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        return path


def log_of(well: Well, style: Style, seed: int = 1, noise_n: float = 6e3) -> ForeignLog:
    """What the recorder saw of the truth."""
    noise = np.random.default_rng(seed)
    seconds = np.arange(0.0, len(well.height_m) * DT_S - 1.0, style.period_s)
    place = (seconds / DT_S).astype(np.int64)
    return ForeignLog(
        style, seconds, well.height_m[place] + noise.normal(0.0, 0.008, len(place)),
        well.load_n[place] + noise.normal(0.0, noise_n, len(place)),
    )  # fmt: skip


def _spreadsheet(when: datetime) -> str:
    return f"{when.timestamp() / 86_400.0 + 25_569.0:.6f}"


_KLBF: Final = 1.0 / 4448.2216152605
STYLES: Final = {
    "twelve hours, feet, load in three rows": Style(
        ("Date", "Time", "Block Hgt (ft)", "Hkld (klbs)", "Bit Depth (ft)"), lambda when: when.strftime("%m/%d/%Y\t%I:%M:%S %p"),
        1.0 / FOOT_M, _KLBF, delimiter="\t", period_s=5.0, load_rows=3, marks=(("-999.25", 0.004),),
    ),
    "epoch, comma, tonnes": Style(
        ("Zeit", "Hakenhöhe [m]", "Hakenlast [t]", "Bohrtiefe [m]"), lambda when: f"{when.timestamp() * 1e3:.0f}",
        1.0, 1.0 / TONNE_N, delimiter=";", decimal=",",
    ),
    "spreadsheet, feet": Style(
        ("DateTime", "BPOS", "HKLD", "DBTM"), _spreadsheet, 1.0 / FOOT_M, _KLBF, (1, 1), "\t", period_s=10.0,
    ),
    "time of day, no units": Style(
        ("TIME", "BLOCK POSITION", "HOOK LOAD", "BIT DEPTH"), lambda when: f"{when:%H:%M:%S}",
        newton=1.0 / TONNE_N, period_s=10.0,
    ),
    "lines above, quoted, kilodecanewtons": Style(
        ('"Date/Time"', '"Bloc Position (m)"', '"Hook Load (kdaN)"', '"Bit Position (m)"'),
        lambda when: f'"{when:%d-%b-%y %H:%M:%S}"',
        newton=1e-4, digits=(3, 2), above='"Well data"\n"Pad 3"\n\n', marks=(("", 0.003),),
    ),
    "both in three rows": Style(
        ("Timestamp", "Block", "Weight", "Depth"), lambda when: f"{when:%Y-%m-%dT%H:%M:%S}", 1.0 / FOOT_M, _KLBF, (1, 0),
        load_rows=3, position_rows=3,
    ),
}  # fmt: skip
