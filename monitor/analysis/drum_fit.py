"""Which drum the heights of one set say it is, and what that means for the rig's file: a fit, and the lines that say it."""

import math
from collections.abc import Iterator
from dataclasses import replace
from textwrap import wrap
from typing import Final

from monitor.analysis.heights import HeightSet, MeasuredHeight
from monitor.config.rig import Rig
from monitor.config.sensor import Sensor
from monitor.core.estimator.height_frame import HeightFrame
from monitor.core.estimator.height_map import HeightMap
from monitor.errors import UserError
from monitor.physics.calibration import Fitted, calibrate
from monitor.text import harmless, one_line
from monitor.units import FOOT_M, INCH_M

COLUMNS: Final = 80
_WRAPS_PRIOR: Final = 6.0
_ROPE_PRIOR: Final = 0.03
_NESTING_PRIOR: Final = 0.05
"""What is believed of the rig file before any height: wraps, share of the diameter, rope diameters (common practice, no
source): wraps change with each cut, a rope wears by a few per cent, nesting lies between 0.866 and about 0.95."""
_STIFFNESS_DOUBT: Final = 0.2
"""How far published stiffnesses of one kind of rope lie apart, see `monitor.physics.drum.rope_ea_n`."""
_STRETCH_GOOD_M: Final = 0.01
"""What unequal stretch may differ by before it is worth a word."""
_FAR: Final = 2.0
"""So many times what was believed from the rig file is abnormal."""
_NEAR_TURNS: Final = 2.0
"""So near to a height that was seen, the curve needs no warning."""
_LINE_LIMIT_M: Final = 0.1
_NESTING_IN_FILE: Final = (0.7, 1.0)


def straight_words(error_m: float, wraps: float, where: str, layers: HeightMap) -> str:
    """What a straight two-point line would do."""
    if abs(error_m) < 0.0005:
        return f"a straight line {where} would be right: no change of layers lies between"
    verdict = "UNSAFE" if abs(error_m) > _LINE_LIMIT_M else "within 0.1 m"
    way = "high: the block is lower than it says" if error_m > 0 else "low: the block is higher than it says"
    return (
        f"a straight line {where} would be {verdict}: up to {abs(error_m):.3f} m ({abs(error_m) / FOOT_M:.2f} ft) too {way},"
        f" worst at {in_both(layers.height(wraps))}, {wraps:.1f} wraps"
    )


def problem_of(rig: Rig, found: HeightSet) -> str:
    """Why this set of heights cannot determine the drum; empty when it can."""
    rows = found.heights
    more = "take a height reference at another place, or give heights by hand with --seen"
    if len(rows) < 2:
        count = "no height was seen" if not rows else f"one height was seen ({rows[0].height_m:.2f} m)"
        return f"{count}, and it takes at least two with metres between them: {more}"
    low, high = rows[0], rows[-1]
    turned, risen = high.turns - low.turns, high.height_m - low.height_m
    if turned < 1.0:
        heights = [row.height_m for row in rows]
        return (
            f"all {len(rows)} heights ({min(heights):.2f} to {max(heights):.2f} m) lie within one turn of the drum, and it"
            f" takes at least two with metres between them: {more}"
        )
    if risen <= 0:
        return (
            f"the height falls from {low.height_m:.2f} to {high.height_m:.2f} m while the drum takes in {turned:.1f} turns:"
            " the encoder's sense is the wrong way round, or a height belongs to other turns"
        )
    layers = HeightFrame(rig).layers
    least, most = layers.rise_at(-math.inf), layers.rise_at(math.inf)
    if not 0.85 * least < risen / turned < 1.15 * most:
        return (
            f"the block rose {risen / turned:.3f} m a turn from {low.height_m:.2f} to {high.height_m:.2f} m, and this drum"
            f" with {rig.line.lines} lines gives {least:.3f} to {most:.3f}: look at lines, counts_per_turn and these heights"
        )
    return ""


class DrumFit:
    """One set of heights fitted, and everything that is said of it."""

    def __init__(self, rig: Rig, found: HeightSet, encoder: Sensor | None) -> None:
        self.rig, self.found, self.encoder = rig, found, encoder
        self.rows: list[MeasuredHeight] = found.heights
        frame = HeightFrame(rig)
        stretches = [_stretch(frame, row, rig.reference.hook_load_n) for row in self.rows]
        middle = sorted(stretches)[len(stretches) // 2]
        self.stretch_m = max(map(abs, stretches))
        loads = [row.load_n for row in self.rows if row.load_n is not None]
        self.load_difference_n = max(loads) - min(loads) if loads else None
        # What the stretch would still differ by were all heights one height.
        usual = sorted(loads)[len(loads) // 2] if loads else 0.0
        unequal = [
            _stretch(frame, row, usual) - _stretch(frame, replace(row, load_n=usual), usual) for row in self.rows
        ]
        self.unequal_m = max(unequal) - min(unequal)
        self.zero = self.rows[0].turns
        self.turns = [row.turns - self.zero for row in self.rows]
        # As the monitor has them: the height that the block would have if the line stretched no further than at the reference.
        heights = [row.height_m + more for row, more in zip(self.rows, stretches, strict=True)]
        sigmas = [
            math.hypot(row.sigma_m, _STIFFNESS_DOUBT * (more - middle))
            for row, more in zip(self.rows, stretches, strict=True)
        ]
        self.file = frame.layers.moved(turns=found.wraps_at_reference)
        start = max(0.0, self.file.locate(heights[0])[0])
        try:
            self.result = calibrate(
                heights, self.turns, rig.line.lines, frame.layers.drum, start, height_sigma_m=sigmas,
                start_turns_sigma=_WRAPS_PRIOR, rope_diameter_sigma=_ROPE_PRIOR, nesting_sigma=_NESTING_PRIOR,
                straight_line_limit_m=_LINE_LIMIT_M,
            )  # fmt: skip
        except ValueError as error:
            raise UserError(f"the heights cannot be fitted: {error}") from None
        self.sigmas = sigmas
        self.curve = HeightMap(
            self.result.drum, self.result.start_turns.value, self.result.zero_height_m, rig.line.lines
        )
        """The fitted curve, height over wraps."""
        self.wraps = self.curve.locate(rig.reference.height_m)[0]
        """Wraps at the rig's reference height."""

    def lines(self, last: bool) -> Iterator[str]:
        """Everything; the lines for the rig file only when no later set has come."""
        yield from self._heights()
        yield from self._fitted()
        yield from self._line()
        yield from self._file()
        if last:
            yield from self._toml()
        else:
            yield from wrapped("no lines for the rig file from this set: the drum has been changed or recounted since")

    def _heights(self) -> Iterator[str]:
        """Every height with its turns, load and residual."""
        result = self.result
        yield ""
        yield (f"{'heights seen':<39}{'m':>7}{'ft':>8}{'turns':>9}{'kN':>7}{'off mm':>8}")
        for row, turns, off, sigma in zip(self.rows, self.turns, result.residuals_m, self.sigmas, strict=True):
            words = one_line(row.words)
            if len(words) > 38:
                yield from wrapped(words)
                words = ""
            load = "–" if row.load_n is None else f"{row.load_n / 1e3:.0f}"
            mark = " !" if abs(off) > 3.0 * sigma else ""
            yield (
                f"{words:<39}{row.height_m:>7.2f}{row.height_m / FOOT_M:>8.1f}{turns:>9.2f}{load:>7}{round(off * 1e3):>+8d}{mark}"
            )
        yield from wrapped(
            f"off: height less the fitted drum's, {result.rms_residual_m * 1e3:.0f} mm all together (root mean square)"
        )
        if any(abs(off) > 3.0 * sigma for off, sigma in zip(result.residuals_m, self.sigmas, strict=True)):
            yield from wrapped(
                "! does not fit the others: a misread height, counts lost, or rope that slipped; put it right and try again"
            )
        if self.load_difference_n is None:
            yield from wrapped(
                f"no hook loads: {self.rig.reference.hook_load_n / 1e3:.0f} kN, the rig file's, is taken for all of them"
            )
        elif self.unequal_m > _STRETCH_GOOD_M:
            yield from wrapped(
                f"HOOK LOADS DIFFER by up to {self.load_difference_n / 1e3:.0f} kN, which is {self.unequal_m * 1e3:.0f} mm of"
                f" stretch. It was taken out, is known to {_STIFFNESS_DOUBT * 100:.0f} %, and such heights count for less:"
                " heights at one load tell more"
            )
        elif self.stretch_m > _STRETCH_GOOD_M:
            yield from wrapped(
                f"the line's stretch against the {self.rig.reference.hook_load_n / 1e3:.0f} kN of the rig file's reference, up"
                f" to {self.stretch_m * 1e3:.0f} mm, was taken out; it is known to {_STIFFNESS_DOUBT * 100:.0f} %"
            )

    def _fitted(self) -> Iterator[str]:
        """The fitted drum: wraps, rope diameter, nesting, each with its uncertainty."""
        result, rig = self.result, self.rig
        yield ""
        yield (f"{'':<24}{'fitted':>10}{'error':>9}{'rig file':>11}{'believed':>10}")
        yield _row(f"wraps at {in_both(rig.reference.height_m)}", self.wraps, result.start_turns,
             self.found.wraps_at_reference, _WRAPS_PRIOR, 2)  # fmt: skip
        yield _row("rope diameter, mm", result.rope_diameter_m.value, result.rope_diameter_m, rig.line.rope_diameter_m,
             _ROPE_PRIOR * rig.line.rope_diameter_m, 2, 1e-3)  # fmt: skip
        yield _row("rope diameter, in", result.rope_diameter_m.value, result.rope_diameter_m, rig.line.rope_diameter_m,
             _ROPE_PRIOR * rig.line.rope_diameter_m, 3, INCH_M)  # fmt: skip
        yield _row("nesting", result.nesting.value, result.nesting, rig.drum.nesting, _NESTING_PRIOR, 3)
        yield from wrapped(
            "error: one standard error. believed: the same of the rig file before any height. NOT determined: the heights"
            " did not halve it, so the value is held near the rig file's by that belief alone."
        )
        off = {
            "wraps": (self.wraps - self.found.wraps_at_reference) / _WRAPS_PRIOR,
            "rope diameter": (result.rope_diameter_m.value / rig.line.rope_diameter_m - 1.0) / _ROPE_PRIOR,
            "nesting": (result.nesting.value - rig.drum.nesting) / _NESTING_PRIOR,
        }
        far = [name for name, times in off.items() if abs(times) > _FAR]
        if far:
            yield from wrapped(
                f"FAR FROM THE RIG FILE: {', '.join(far)}. Doubt the heights, the lines strung and the counts before the drum."
            )

    def _line(self) -> Iterator[str]:
        """What a straight two-point line would be wrong by."""
        result = self.result
        yield ""
        wraps = result.start_turns.value + result.straight_line_worst_turns
        yield from wrapped(
            straight_words(result.straight_line_error_m, wraps, "through the lowest and the highest height", self.curve)
            + f", {result.straight_line_worst_turns:.1f} turns above the lowest"
        )

    def _file(self) -> Iterator[str]:
        """What the present rig file's drum would be wrong by over the travel."""
        low, limits, curve = self.rows[0], self.rig.limits, self.curve
        start = self.result.start_turns.value
        bottom = curve.height(start)
        wraps = self.file.locate(bottom)[0]

        def reads(turns: float) -> float:
            return self.file.height(wraps + turns) - curve.height(start + turns)

        ends = [curve.locate(height)[0] - start for height in (limits.lower_m, limits.upper_m)]
        kinks = [kink - start for kink in curve.drum.layer_change_turns]
        kinks += [kink - wraps for kink in self.file.drum.layer_change_turns]
        places = sorted([*ends, *(kink for kink in kinks if ends[0] < kink < ends[1])])
        worst = max(places, key=lambda turns: abs(reads(turns)))
        yield ""
        yield from wrapped(f"the rig file's drum, set right at {in_both(low.height_m)}, would read wrong by up to"
             f" {_signed(reads(worst))} over the travel:")  # fmt: skip
        yield (f"{'block at m':>12}{'ft':>8}{'layer':>7}{'file reads m':>14}{'wrong by m':>12}{'ft':>8}")
        for turns in places:
            height, off = curve.height(start + turns), round(reads(turns), 3) + 0.0  # no minus zero
            beyond = "" if -_NEAR_TURNS <= turns <= self.turns[-1] + _NEAR_TURNS else "  none seen"
            yield (f"{height:>12.2f}{height / FOOT_M:>8.1f}{curve.drum.layer(start + turns + 1e-6):>7}{height + off:>14.2f}"
                  f"{off:>+12.3f}{round(off / FOOT_M, 2) + 0.0:>+8.2f}{beyond}")  # fmt: skip
        count = self._own_count()
        if count is not None:
            own = self.file.height(self.rig.reference.turns + count) - bottom
            yield from wrapped(
                f"by the count of its own reference the file reads {_signed(own)} at {in_both(low.height_m)}"
            )

    def _own_count(self) -> float | None:
        """Turns from the rig file's reference to the lowest height by the counts in the file; None where it has none."""
        encoder = self.encoder
        if encoder is None or not self.found.as_configured or encoder.id not in self.rig.reference.counts:
            return None
        per_count = encoder.sense / (encoder.counts_per_turn or 1.0)
        modulus = 2**encoder.bits
        more = self.zero / per_count - self.rig.reference.counts[encoder.id]
        return float((more - modulus * math.floor(more / modulus + 0.5)) * per_count)

    def _toml(self) -> Iterator[str]:
        """Lines for the rig file."""
        result, rig, encoder = self.result, self.rig, self.encoder
        rope, nesting = result.rope_diameter_m, result.nesting
        yield ""
        yield ("for a person to put into the rig's file after checking; they belong together:")
        yield ("  [line]")
        yield (f"  rope_diameter_m = {rope.value:.5f}{_held(rope)}")
        yield ("  [drum]")
        low, high = _NESTING_IN_FILE
        fits = low <= nesting.value <= high
        yield (f"  {'' if fits else '# '}nesting = {nesting.value:.3f}{_held(nesting)}")
        if not fits:
            yield from wrapped(f"  # a rig file takes {low:g} to {high:g}: something else is wrong with these heights")
        yield ("  [reference]")
        yield (f"  height_m = {rig.reference.height_m:g}")
        yield (f"  turns = {self.wraps:.2f}{_held(result.start_turns)}")
        yield (f"  hook_load_n = {rig.reference.hook_load_n:.0f}")
        if encoder is not None:
            per_count = encoder.sense / (encoder.counts_per_turn or 1.0)
            counts = round((self.zero + self.wraps - result.start_turns.value) / per_count) % 2**encoder.bits
            others = len([name for name in rig.reference.counts if name != encoder.id])
            yield (f"  counts = {{ {encoder.id} = {counts} }}{'  # and the other encoders there' if others else ''}")
        else:
            yield ("  # counts: read the encoder with the block at that height and that load")


def _stretch(frame: HeightFrame, row: MeasuredHeight, load_n: float) -> float:
    """How much lower the block hung than with the stretch of the rig's reference, m; `load_n` where none is known."""
    frame.load_n = load_n if row.load_n is None else row.load_n
    return frame.stretch_m(row.height_m)


def _row(
    words: str, value: float, fitted: Fitted, file: float, believed: float, decimals: int, unit: float = 1.0
) -> str:
    return (f"{words:<24}{value / unit:>10.{decimals}f}{fitted.standard_error / unit:>9.{decimals}f}{file / unit:>11.{decimals}f}"
          f"{f'± {believed / unit:.{decimals}f}':>10}  {'determined' if fitted.determined else 'NOT determined'}")  # fmt: skip


def _held(fitted: Fitted) -> str:
    return "" if fitted.determined else "  # NOT determined by these heights"


def in_both(metres: float) -> str:
    return f"{metres:.2f} m ({metres / FOOT_M:.1f} ft)"


def _signed(metres: float) -> str:
    return f"{metres:+.3f} m ({metres / FOOT_M:+.2f} ft)"


def wrapped(words: str) -> Iterator[str]:
    """`words` as lines that fit; what follows the first is set in."""
    yield from (harmless(line) for line in wrap(words, COLUMNS, subsequent_indent="  ", break_on_hyphens=False))
