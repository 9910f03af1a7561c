"""Plots as inline SVG: one panel per quantity over a common time axis, drawn as bands from least to greatest.

A pixel of a night holds a hundred readings; what is drawn for it is their whole range, so that no peak is lost. Where
nothing was known nothing is drawn.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Final

import numpy as np
import numpy.typing as npt

from monitor.analysis.alarm_figures import Span
from monitor.analysis.known import runs
from monitor.analysis.recording import Numbers
from monitor.model.alarm import Severity
from monitor.model.stream import GRID_NS
from monitor.report.html import text as escape

WIDTH: Final = 1040
LEFT: Final = 138
RIGHT: Final = 26
PANEL: Final = 118
GAP: Final = 16
BINS: Final = 900
INK: Final = ("#1f5582", "#b4591f", "#3d7a4a")
COLOUR: Final = {
    Severity.NOTICE: "#5d6b78",
    Severity.CAUTION: "#b08d00",
    Severity.WARNING: "#c9660a",
    Severity.DANGER: "#b3201a",
}


@dataclass(frozen=True, slots=True)
class Curve:
    """One curve of a panel, in the units shown."""

    label: str
    numbers: Numbers


@dataclass(frozen=True, slots=True)
class Panel:
    """One panel: its title with unit, its curves, and levels worth a line."""

    title: str
    curves: Sequence[Curve]
    levels: Sequence[tuple[str, float]] = ()
    zero: bool = False
    """Whether zero belongs on the axis."""
    legend: bool = False
    """Whether a single curve is named, too."""
    missing: str = field(default="not known in this record")


def ticks(low: float, high: float, count: int = 4) -> list[float]:
    """Round numbers from `low` to `high`, about `count` of them."""
    if not high > low:
        return [low]
    raw = (high - low) / count
    size = 10.0 ** math.floor(math.log10(raw))
    step = next((size * m for m in (1.0, 2.0, 2.5, 5.0) if size * m >= raw), size * 10.0)
    first = math.ceil(low / step - 1e-9)
    return [i * step for i in range(first, math.floor(high / step + 1e-9) + 1)]


def time_ticks(start_ns: int, end_ns: int) -> list[tuple[int, str]]:
    """Round times of day within, with their words (UTC)."""
    span_s = max(1.0, (end_ns - start_ns) * 1e-9)
    steps = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400)
    step = next((s for s in steps if span_s / s <= 10), math.ceil(span_s / 864_000) * 86_400)
    first = -(-start_ns // (step * 1_000_000_000)) * step
    form = "%H:%M:%S" if step < 60 else "%H:%M" if step < 86_400 else "%d %b"
    return [
        # In more than a day midnight is marked by its date: the same time of day comes twice.
        (
            t * 1_000_000_000,
            datetime.fromtimestamp(t, UTC).strftime("%d %b" if span_s > 86_400 and t % 86_400 == 0 else form),
        )
        for t in range(first, end_ns // 1_000_000_000 + 1, step)
    ]


class Chart:
    """Panels under one another over the time from `start_ns` to `end_ns`.

    `t_ns` are the times of the curves' numbers; left out, these are spread evenly.
    """

    def __init__(
        self,
        start_ns: int,
        end_ns: int,
        holes: Sequence[tuple[int, int]] = (),
        t_ns: npt.NDArray[np.int64] | None = None,
    ) -> None:
        self.start_ns, self.end_ns = start_ns, max(end_ns, start_ns + 1)
        self._holes = holes
        self._bins = None if t_ns is None else bins(t_ns, self.start_ns, self.end_ns)
        self._parts: list[str] = []
        self._y = 4.0

    def x(self, t_ns: int) -> float:
        """Place of a time."""
        share = (t_ns - self.start_ns) / (self.end_ns - self.start_ns)
        return LEFT + min(1.0, max(0.0, share)) * (WIDTH - LEFT - RIGHT)

    def panel(self, panel: Panel, marks: Sequence[Span] = ()) -> None:
        """Add a panel; `marks` are alarms shown as ticks along its upper edge."""
        top, bottom = self._y + 16, self._y + PANEL
        self._frame(panel.title, top, bottom)
        bands = [(curve, band(curve.numbers, self._bins)) for curve in panel.curves]
        known = [band for _, band in bands if np.isfinite(band[0]).any()]
        if not known:
            self._say(panel.missing, (top + bottom) / 2)
        else:
            low = min(float(np.nanmin(lows)) for lows, _ in known)
            high = max(float(np.nanmax(highs)) for _, highs in known)
            for _, level in panel.levels:
                low, high = min(low, level), max(high, level)
            low, high = (min(0.0, low), max(0.0, high)) if panel.zero else (low, high)
            pad = 0.06 * (high - low) or max(abs(high) * 0.1, 0.5)
            low, high = low - pad, high + pad
            scale = (bottom - top) / (high - low)
            self._grid(low, high, top, bottom, scale)
            for label, level in panel.levels:
                y = bottom - (level - low) * scale
                self._parts.append(f'<line class="level" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y:.1f}" y2="{y:.1f}"/>')
                at = y + 11 if y < top + 12 else y - 3
                self._parts.append(f'<text class="small" x="{WIDTH - RIGHT - 4}" y="{at:.1f}" text-anchor="end">'
                                   f"{escape(label)}</text>")  # fmt: skip
            for place, (_, (lows, highs)) in enumerate(bands):
                self._curve(lows, highs, low, bottom, scale, INK[place % len(INK)])
            if len(bands) > 1 or panel.legend:
                self._legend([curve.label for curve, _ in bands])
        for mark in marks:
            x = self.x(mark.from_ns)
            self._parts.append(f'<path d="M{x - 3:.1f} {top - 1} h6 l-3 6 z" fill="{COLOUR[mark.severity]}"/>')
        self._y = bottom + GAP

    def bars(self, title: str, rows: Sequence[tuple[str, Sequence[Span]]]) -> None:
        """One row per alarm with a bar wherever it was true."""
        top = self._y + 16
        bottom = top + 15 * len(rows) + 4
        self._frame(title, top, bottom)
        for place, (_, found) in enumerate(rows):
            y = top + 4 + 15 * place
            for span in found:
                x = self.x(span.from_ns)
                wide = max(2.0, self.x(span.to_ns) - x)
                colour = COLOUR[span.severity]
                self._parts.append(f'<rect x="{x:.1f}" y="{y:.1f}" width="{wide:.1f}" height="9" fill="{colour}"/>')
        for place, (name, found) in enumerate(rows):
            y = top + 12 + 15 * place
            word = found[0].severity.name[0] if found else ""
            self._parts.append(
                f'<text class="small" x="{LEFT - 8}" y="{y}" text-anchor="end">{escape(name[:22])} {word}</text>'
            )
        self._y = bottom + GAP

    def bands(self, title: str, rows: Sequence[tuple[str, Sequence[tuple[int, int]]]]) -> None:
        """One row per word with a bar from each time to the other, ns; the words stand above their row."""
        top = self._y + 16
        bottom = top + 24 * len(rows) + 4
        self._frame(title, top, bottom)
        for place, (words, times) in enumerate(rows):
            y = top + 14 + 24 * place
            for from_ns, to_ns in times:
                x = self.x(from_ns)
                wide = max(1.5, self.x(to_ns) - x)
                self._parts.append(
                    f'<rect x="{x:.1f}" y="{y:.1f}" width="{wide:.1f}" height="9" fill="{COLOUR[Severity.NOTICE]}"/>'
                )
            self._parts.append(f'<text class="small" x="{LEFT + 4}" y="{y - 3}">{escape(words)}</text>')
        self._y = bottom + GAP

    def svg(self, label: str) -> str:
        """The whole drawing; `label` says what it shows, for those who do not see it."""
        height = self._y + 18
        axis = []
        for t_ns, text in time_ticks(self.start_ns, self.end_ns):
            x = self.x(t_ns)
            axis.append(f'<text class="small" x="{x:.1f}" y="{self._y + 2:.1f}" text-anchor="middle">{text}</text>')
        return (
            f'<svg viewBox="0 0 {WIDTH} {height:.0f}" role="img" aria-label="{escape(label)}">'
            + "".join(self._parts) + "".join(axis) + "</svg>"
        )  # fmt: skip

    # --- inside -----------------------------------------------------------------------------------------------------

    def _frame(self, title: str, top: float, bottom: float) -> None:
        wide, high = WIDTH - LEFT - RIGHT, bottom - top
        self._parts.append(f'<text class="title" x="{LEFT}" y="{top - 5:.1f}">{escape(title)}</text>')
        self._parts.append(f'<rect class="field" x="{LEFT}" y="{top}" width="{wide}" height="{high}"/>')
        for first, last in self._holes:
            x = self.x(first)
            hole = max(1.5, self.x(last) - x)
            self._parts.append(f'<rect class="hole" x="{x:.1f}" y="{top}" width="{hole:.1f}" height="{high}"/>')
        for t_ns, _ in time_ticks(self.start_ns, self.end_ns):
            x = self.x(t_ns)
            self._parts.append(f'<line class="grid" x1="{x:.1f}" x2="{x:.1f}" y1="{top}" y2="{bottom}"/>')

    def _grid(self, low: float, high: float, top: float, bottom: float, scale: float) -> None:
        for level in ticks(low, high):
            y = bottom - (level - low) * scale
            self._parts.append(f'<line class="grid" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y:.1f}" y2="{y:.1f}"/>')
            text = f"{level:,.10g}".replace("-", "−")
            self._parts.append(f'<text class="small" x="{LEFT - 8}" y="{y + 3.5:.1f}" text-anchor="end">{text}</text>')

    def _curve(self, lows: Numbers, highs: Numbers, low: float, bottom: float, scale: float, colour: str) -> None:
        step = (WIDTH - LEFT - RIGHT) / len(lows)
        xs = [LEFT + (i + 0.5) * step for i in range(len(lows))]
        path = []
        for first, after in runs(np.isfinite(lows)):
            up = [f"{xs[i]:.1f} {bottom - (float(highs[i]) - low) * scale:.1f}" for i in range(first, after)]
            down = [
                f"{xs[i]:.1f} {bottom - (float(lows[i]) - low) * scale:.1f}" for i in range(after - 1, first - 1, -1)
            ]
            path.append("M" + "L".join(up + down) + "Z")
        self._parts.append(f'<path class="curve" d="{"".join(path)}" fill="{colour}" stroke="{colour}"/>')

    def _legend(self, labels: Sequence[str]) -> None:
        y = self._y + 11
        x = float(WIDTH - RIGHT)
        for place in range(len(labels) - 1, -1, -1):
            self._parts.append(
                f'<text class="small" x="{x:.0f}" y="{y}" text-anchor="end">{escape(labels[place])}</text>'
            )
            x -= 6.2 * len(labels[place]) + 6
            self._parts.append(
                f'<rect x="{x - 12:.0f}" y="{y - 6}" width="12" height="4" fill="{INK[place % len(INK)]}"/>'
            )
            x -= 24

    def _say(self, text: str, y: float) -> None:
        self._parts.append(
            f'<text class="missing" x="{WIDTH / 2}" y="{y:.0f}" text-anchor="middle">{escape(text)}</text>'
        )


def bins(t_ns: npt.NDArray[np.int64], start_ns: int, end_ns: int) -> npt.NDArray[np.int64]:
    """Where in `t_ns` each of equal parts of the time from `start_ns` to `end_ns` begins: `BINS` of them, fewer in less
    time."""
    count = max(1, min(BINS, (end_ns - start_ns) // GRID_NS))
    edges = np.array([start_ns + (end_ns - start_ns) * place // count for place in range(count)], np.int64)
    return np.searchsorted(t_ns, edges)


def band(numbers: Numbers, starts: npt.NDArray[np.int64] | None = None) -> tuple[Numbers, Numbers]:
    """(least, greatest) of each bin; NaN where nothing in it is known. `starts` says where each bin begins (see `bins`);
    left out, all hold as many numbers."""
    if starts is None:
        if len(numbers) <= BINS:
            return numbers, numbers
        starts = np.linspace(0, len(numbers), BINS, endpoint=False).astype(np.int64)
    filled = np.diff(starts, append=len(numbers)) > 0
    lows = np.full(len(starts), np.nan, np.float32)
    highs = lows.copy()
    if filled.any():
        lows[filled] = np.fmin.reduceat(numbers, starts[filled])
        highs[filled] = np.fmax.reduceat(numbers, starts[filled])
    return lows, highs
