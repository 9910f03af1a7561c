"""The hook load, from whichever load sensor the rig has."""

from monitor.config.rig import Rig
from monitor.model.reading import Sample
from monitor.physics.tackle import dead_line_n


def dead_line_shares(rig: Rig) -> dict[int, float]:
    """Dead-line tension over hook load by the last direction of motion (1 up, 0 not known, -1 down): tackle friction."""
    lines, k = rig.line.lines, rig.line.sheave_factor
    return {way: dead_line_n(1.0, k, lines, way) for way in (1, 0, -1)}


class HookLoad:
    """The last reading of the sensor that speaks for the hook load: one that measures the hook, else one at the dead line.

    Of two sensors alike the first does.
    """

    __slots__ = ("_last_ns", "_number", "_sensor", "_shares", "_stale_ns")

    def __init__(self, rig: Rig) -> None:
        by_quantity: dict[str, int] = {}
        for index, sensor in enumerate(rig.sensors):
            by_quantity.setdefault(sensor.quantity, index)
        has_hook_load = "hook_load" in by_quantity
        self._shares = None if has_hook_load else dead_line_shares(rig)
        self._sensor = by_quantity.get("hook_load" if has_hook_load else "dead_line_tension", -1)
        self._stale_ns = round(rig.sensors[self._sensor].stale_after_s * 1e9)
        self._number = 0.0
        self._last_ns = -1

    def add_reading(self, sample: Sample, direction: int) -> float | None:
        """A reading of any load sensor, with the last direction of motion; the hook load by then, N, None if not known."""
        if sample.sensor == self._sensor:
            self._number, self._last_ns = sample.value, sample.t_ns
        elif self._last_ns < 0 or sample.t_ns - self._last_ns > self._stale_ns:
            return None
        return self._number if self._shares is None else self._number / self._shares[direction]
