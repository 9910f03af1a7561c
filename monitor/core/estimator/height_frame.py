"""From metres of unloaded line to the height of the block: layers, datum and stretch in one place.

The filter runs in the height that the block would have if the line did not stretch further than at the datum. Load
stretch is put on at the output and taken out of outside heights, so that picking up the string is not mistaken for
motion of the drum, nor for drift.
"""

from collections.abc import Mapping
from typing import Any, Final

from monitor.config.rig import Rig
from monitor.core.estimator.datum import Correction, Datum
from monitor.core.estimator.drift import DriftWatch
from monitor.core.estimator.height_map import HeightMap
from monitor.core.saved_state import number, part
from monitor.physics.drum import DrumGeometry, block_drop_m
from monitor.physics.tackle import SLACK_LINE_SHARE
from monitor.units import STANDARD_GRAVITY_M_S2

WRAPS_SIGMA: Final = 0.25
"""Doubt of the wraps counted at the datum."""
SETTLED_NS: Final = 1_500_000_000
"""A look at the load as it was before a step: the step is known a second after it came."""
LOAD_TAU_S: Final = 0.3
"""Smoothing of the load's rate."""


def load_noise_n(rig: Rig) -> float:
    """Standard deviation of one reading of the hook load by the rig's file, N; of its noisiest sensor."""
    noise = 0.0
    for sensor in rig.sensors:
        if sensor.role == "load":
            parts = rig.line.lines if sensor.quantity == "dead_line_tension" else 1
            noise = max(noise, sensor.sigma * sensor.si.scale * parts)
    return noise


class HeightFrame:
    """The curve from turns to height, what is not known about it, and the stretch of the line under the present load."""

    __slots__ = (
        "_configured", "_highest_load_n", "_least_load_n", "_load_ns", "_load_stepped", "_lowest_load_n", "_rate_noise",
        "_reference", "_settled_n", "_settled_ns", "_smoothed_load_n",
        "counting", "datum", "datum_stretch_m", "flex", "layers", "load_known", "load_n", "load_rate_n_s", "tail_m", "watch",
    )  # fmt: skip

    def __init__(self, rig: Rig) -> None:
        line, drum, reference = rig.line, rig.drum, rig.reference
        self._reference = reference
        self.counting = rig.uncertainty.counting
        """What counts may miss, as a share of the way."""
        self._configured = DrumGeometry(
            drum.core_diameter_m,
            line.rope_diameter_m,
            drum.wraps_per_layer,
            drum.nesting,
            drum.max_layers,
            min(drum.dead_wraps, drum.wraps_per_layer),
        )
        self.layers = HeightMap(self._configured, reference.turns, reference.height_m, line.lines)
        self.datum = Datum(reference.sigma_m, rig.uncertainty.rope_diameter / 2.0, WRAPS_SIGMA)
        self.watch = DriftWatch(self.layers)
        # Block drop under load = load * flex * (tail - height): Hooke's law, see `monitor.physics.drum.block_drop_m`.
        # A rig whose line or reference is not known gives its height ready-made: no stretch comes on top.
        stretches = rig.has("line", "reference")
        self.flex = 1.0 / (line.lines * line.axial_stiffness_n) if stretches else 0.0
        self.tail_m = rig.mast.crown_m + (line.fast_line_m + line.dead_line_m) / line.lines
        self.load_n = self._smoothed_load_n = reference.hook_load_n
        self._least_load_n = SLACK_LINE_SHARE * rig.block.mass_kg * STANDARD_GRAVITY_M_S2
        self._lowest_load_n = self._highest_load_n = self.load_n
        self.load_known = True
        """Whether what stands in `load_n` is what hangs there now."""
        self._load_stepped = False
        self._settled_n = (self.load_n, self.load_n)
        """Loads of one and two looks ago, the older first."""
        self._settled_ns = 0
        self.load_rate_n_s = 0.0
        self._load_ns = 0
        self._rate_noise = (2.0 * load_noise_n(rig) / LOAD_TAU_S) ** 2 + 1e-9
        """Square of two sigmas of what the load's noise makes of its rate, (N/s)^2; never nothing."""
        self.datum_stretch_m = 0.0
        if stretches:
            self.datum_stretch_m = block_drop_m(
                reference.hook_load_n / line.lines, line.axial_stiffness_n, rig.mast.crown_m - reference.height_m, line.lines,
                line.fast_line_m, line.dead_line_m,
            )  # fmt: skip

    def state(self) -> dict[str, Any]:
        """What a restart must not lose, as plain JSON values."""
        return {
            "turns": self.layers.turns,
            "height_m": self.layers.height_m,
            "rope_m": self.layers.drum.rope_diameter_m,
            "datum": self.datum.state(),
            "watch": self.watch.state(),
        }

    def restore(self, saved: Mapping[str, Any]) -> None:
        """Take up what `state` gave for the same drum, line and reference.

        Raises:
            ValueError: it is not such a state; the frame may then hold a part of it.
        """
        configured = self._configured.rope_diameter_m
        rope = number(saved, "rope_m", 0.5 * configured, 2.0 * configured)
        turns, height = number(saved, "turns", 0.0, 1e4), number(saved, "height_m", -200.0, 200.0)
        self.datum.restore(part(saved, "datum"))
        base = HeightMap(self._configured, turns, height, self.layers.lines)
        self.layers = base.moved(rope=rope / configured - 1.0)
        self.watch.restore(part(saved, "watch"), base)

    def trust_load(self, t_ns: int, known: bool, stepped: bool) -> None:
        """Whether the load is known at the grid point `t_ns`. From one that stepped the stretch goes back to what it was before,
        for as long as that lasts."""
        self.load_known = known
        if stepped and not self._load_stepped:
            self.load_n = self._smoothed_load_n = self._settled_n[0]
            self.load_rate_n_s = 0.0
        self._load_stepped = stepped
        if not stepped and t_ns - self._settled_ns > SETTLED_NS:
            self._settled_n = (self._settled_n[1], self.load_n)
            self._settled_ns = t_ns

    def load(self, t_ns: int, hook_load_n: float) -> None:
        """The hook load now, N."""
        if self._load_stepped:
            self._load_ns = t_ns
            return
        if self._load_ns:
            dt = (t_ns - self._load_ns) * 1e-9
            if dt > 0.0:
                gain = dt / (LOAD_TAU_S + dt)
                change = hook_load_n - self._smoothed_load_n
                self._smoothed_load_n += gain * change
                rate = 0.0 if dt > 1.0 else (1.0 - gain) * change / LOAD_TAU_S
                # Of a rate as small as the load's noise makes it next to nothing is left; a pick-up stays what it is.
                square = rate * rate
                self.load_rate_n_s = rate / (1.0 + self._rate_noise / square) if square else 0.0
        else:
            self._smoothed_load_n = hook_load_n
        self.load_n = hook_load_n
        self._load_ns = t_ns
        if hook_load_n < self._lowest_load_n:
            self._lowest_load_n = hook_load_n
        elif hook_load_n > self._highest_load_n:
            self._highest_load_n = hook_load_n

    def stretch_m(self, height_m: float) -> float:
        """How much lower the block hangs at `height_m` than it would under the load of the datum."""
        return self.load_n * self.flex * (self.tail_m - height_m) - self.datum_stretch_m

    def stretch_doubt_m(self, height_m: float) -> float:
        """What the stretch at `height_m` may be off by because the load is not known, or reads as if not even the block hung on
        the line: anything may hang there now that has hung there since the run began. 0 where it is known."""
        if self.load_known and self.load_n >= self._least_load_n:
            return 0.0
        load = self.load_n
        doubt_n = max(load - self._lowest_load_n, self._highest_load_n - load)
        return doubt_n * self.flex * abs(self.tail_m - height_m)

    def record_reference(self, t_ns: int, x: float, outside_m: float, sigma_m: float) -> None:
        """Keep an outside height for the drift watch: the curve says `x`, it says `outside_m` (both unloaded)."""
        counted = self.layers.locate(x)[0] - self.datum.wraps
        self.watch.add(t_ns, counted, outside_m, self.stretch_m(x), sigma_m)

    def correct(self, found: Correction) -> None:
        """Put a correction of the datum into effect on the curve."""
        layers = self.layers
        self.layers = layers.moved(layers.turns + found.wraps, layers.height_m + found.offset_m, found.rope)

    def set_datum(self, turns: float, x: float, sigma_m: float) -> None:
        """A new datum on the same drum: unloaded height `x` with `turns` wraps on it."""
        self.layers = self.layers.moved(turns, x)
        self.datum.restart(sigma_m)

    def replace_line(self, turns_at_reference: float) -> None:
        """The line was cut: the configured drum again, with so many wraps on it at the reference height."""
        reference = self._reference
        self.layers = HeightMap(self._configured, turns_at_reference, reference.height_m, self.layers.lines)
        self.datum.restart(reference.sigma_m, rope_known=False, wraps_known=False)
        self.watch.restart(self.layers)
