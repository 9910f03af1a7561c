"""How cost grows with sensors, their rate, hours and rigs: CPU time of the core, each against a straight line.

Run it with ``python -m tests.benchmarks.scale_figures``; it prints a table and draws ``pictures/scale.svg``. The streams are made
beforehand, so that only the core is measured: frames decoded, every signal and every rule. Further sensors are copies of the
hook load on topics of their own, each with all its readings; hours are of a log with a row every ten seconds, the hour that was
simulated over and over, with a jump of the block at each seam; rigs are cores of one process, each fed its own stream, one
second of each in turn. Each axis has a straight line through its points (least squares, each point weighed by its own cost), and
the figure is how far off it they are.
"""

import argparse
import gc
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import Final

from monitor.config.rig import Rig
from monitor.config.rig_file import find_rig
from monitor.core.engine import Core
from monitor.model.stream import SECOND_NS, Action, Frame
from simulators.scenario.direct_feed import shipped_core
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.scenario import find_scenario
from tests.benchmarks.core_figures import FULL_RATE_SENSORS, cpu_s
from tests.benchmarks.figures import Figure, show

PICTURE: Final = Path(__file__).parent / "pictures" / "scale.svg"
SENSORS: Final = (20, 50, 100, 200, 300)
RATES_HZ: Final = (1, 5, 10, 20, 50, 100)
HOURS: Final = (1, 3, 10, 30, 100, 300, 1000)
RIGS: Final = (1, 5, 10, 20, 50)
SLOW_S: Final = 10.0
_COPIED: Final = "hook_load"
Items = Sequence[Frame | Action]


@dataclass(frozen=True, slots=True)
class Axis:
    """What was counted, and the cost of each count."""

    name: str
    unit: str
    costs: Mapping[int, float]

    def line(self) -> tuple[float, float]:
        """(at nothing, for each more) of the straight line."""
        pairs = [(float(x), cost, 1.0 / (cost * cost)) for x, cost in self.costs.items()]
        weight = sum(w for _, _, w in pairs)
        mean_x, mean_y = (sum(w * pair[side] for *pair, w in pairs) / weight for side in (0, 1))
        slope = sum(w * (x - mean_x) * (y - mean_y) for x, y, w in pairs) / sum(
            w * (x - mean_x) ** 2 for x, _, w in pairs
        )
        return mean_y - slope * mean_x, slope

    def furthest(self) -> float:
        """How far the point furthest off the line is from it, as a share of its own cost."""
        at_nothing, each = self.line()
        return max(abs(at_nothing + each * x - cost) / cost for x, cost in self.costs.items())


def main(arguments: Sequence[str] | None = None) -> list[Figure]:
    """Measure, print, draw."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=int, default=60, help="stream time of each measurement but that of hours")
    parser.add_argument(
        "--hours", type=int, default=300, help="longest log of ten-second rows; 1000 takes ten minutes more"
    )
    args = parser.parse_args(arguments)
    axes = [by_sensors(args.seconds), by_rate(args.seconds), by_hours(args.hours), by_rigs(args.seconds)]
    PICTURE.write_text(picture(axes), encoding="utf-8")
    figures = []
    for axis in axes:
        _, each = axis.line()
        for count, cost in axis.costs.items():
            figures.append(Figure(f"scale: {axis.name} {count}", cost, axis.unit))
        figures.append(Figure(f"scale: {axis.name}, for each more", each, axis.unit))
        figures.append(Figure(f"scale: {axis.name}, furthest from a straight line", 100.0 * axis.furthest(), "%", "10"))
    return show(*figures)


def by_sensors(seconds: int) -> Axis:
    """Of the land rig, with copies of its hook load up to so many sensors in all."""
    rig = find_rig("land")
    items = stream(rig, seconds)
    copied = next(sensor for sensor in rig.sensors if sensor.quantity == _COPIED)
    topic = rig.topic(copied)
    costs = {}
    for count in SENSORS:
        more = [
            copied.model_copy(update={"id": f"copy-{n}", "topic": f"{copied.topic}-{n}"})
            for n in range(count - len(rig.sensors))
        ]
        wide = rig.model_copy(update={"sensors": (*rig.sensors, *more)})
        topics = [wide.topic(sensor) for sensor in more]
        widened = [
            one
            for item in items
            for one in (
                (item, *(item._replace(topic=name) for name in topics))
                if isinstance(item, Frame) and item.topic == topic
                else (item,)
            )
        ]
        costs[count] = fed_ms(wide, widened, seconds)
    return Axis("sensors", "ms a second", costs)


def by_rate(seconds: int) -> Axis:
    """Of the land rig, twelve of its sensors so often."""
    rig = find_rig("land")
    costs = {}
    for rate_hz in RATES_HZ:
        sensors = [
            sensor.model_copy(update={"rate_hz": float(rate_hz)}) if place < FULL_RATE_SENSORS else sensor
            for place, sensor in enumerate(rig.sensors)
        ]
        quick = rig.model_copy(update={"sensors": tuple(sensors)})
        costs[rate_hz] = fed_ms(quick, stream(quick, seconds), seconds)
    return Axis("readings a second of twelve sensors", "ms a second", costs)


def by_hours(most: int) -> Axis:
    """Of a log with rows ten seconds apart, all of it, s."""
    rig = find_rig("land")
    slow = [
        sensor.model_copy(update={"rate_hz": 1.0 / SLOW_S, "stale_after_s": 3.0 * SLOW_S}) for sensor in rig.sensors
    ]
    rig = rig.model_copy(update={"sensors": tuple(slow)})
    hour = stream(rig, 3600)
    costs = {}
    for hours in HOURS:
        if hours <= most:
            costs[hours] = _fed_s(shipped_core(rig), again(hour, hours))
    return Axis("hours of ten-second rows", "s", costs)


def _fed_s(core: Core, parts: Iterator[Items]) -> float:
    """CPU time of `core` for streams that follow one another; making them does not count."""
    return sum(cpu_s(lambda items=items: [core.feed(one) for one in items]) for items in parts)


def again(hour: Items, hours: int) -> Iterator[Items]:
    """The same hour, over and over, each with times of its own."""
    for number in range(hours):
        yield [later(item, 3600 * number) for item in hour]


def later(item: Frame | Action, by_s: int) -> Frame | Action:
    """The same input so much later, the source's time in its payload (ms) included."""
    if by_s == 0 or not isinstance(item, Frame):
        return item.moved_to(item.t_ns + by_s * SECOND_NS)
    document = json.loads(item.payload)
    if "t" in document:
        document["t"] += by_s * 1000
    return Frame(item.t_ns + by_s * SECOND_NS, item.topic, json.dumps(document).encode(), item.retained)


def by_rigs(seconds: int) -> Axis:
    """Of so many cores in one process."""
    rig = find_rig("land")
    parts = [list(group) for _, group in groupby(stream(rig, seconds), key=lambda item: item.t_ns // SECOND_NS)]
    costs = {}
    for count in RIGS:
        cores = [shipped_core(rig) for _ in range(count)]
        gc.collect()
        spent = cpu_s(lambda cores=cores: [core.feed(item) for part in parts for core in cores for item in part])
        costs[count] = 1e3 * spent / seconds
    return Axis("rigs in one process", "ms a second", costs)


def stream(rig: Rig, seconds: int) -> Items:
    """What the simulated rig sends."""
    return list(PlantSource(rig, find_scenario("calm-trip"), 1, duration_s=float(seconds)).items())


def fed_ms(rig: Rig, items: Items, seconds: int) -> float:
    """CPU time of a fresh core for a second of the stream, ms: the best of two."""
    times = []
    for _ in range(2):
        core = shipped_core(rig)
        gc.collect()
        times.append(cpu_s(lambda core=core: [core.feed(item) for item in items]))
    return 1e3 * min(times) / seconds


def picture(axes: Sequence[Axis]) -> str:
    """Cost against each axis, with its straight line, as SVG."""
    wide, tall, left, top = 300, 180, 64, 34
    step_x, step_y = wide + left + 40, tall + top + 56
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {2 * step_x} {2 * step_y}" width="{2 * step_x}" role="img"'
        ' font-family="sans-serif" font-size="12">',
        "<title>CPU time of the core against sensors, rate, hours and rigs</title>",
        '<rect width="100%" height="100%" fill="#fff"/>',
    ]
    for number, axis in enumerate(axes):
        x0, y0 = left + number % 2 * step_x, top + number // 2 * step_y
        most_x, most_y = 1.05 * max(axis.costs), 1.1 * max(axis.costs.values())

        def place(x: float, y: float, x0: int = x0, y0: int = y0, mx: float = most_x, my: float = most_y) -> str:
            return f"{x0 + wide * x / mx:.1f} {y0 + tall * (1.0 - y / my):.1f}"

        at_nothing, each = axis.line()
        parts.append(f'<path d="M{x0} {y0}V{y0 + tall}H{x0 + wide}" fill="none" stroke="#000"/>')
        parts.append(f'<path d="M{place(0, at_nothing)}L{place(most_x, at_nothing + each * most_x)}" stroke="#999"/>')
        parts.append(f'<text x="{x0}" y="{y0 - 12}">CPU time, {axis.unit}</text>')
        parts.append(f'<text x="{x0 + wide / 2}" y="{y0 + tall + 34}" text-anchor="middle">{axis.name}</text>')
        for cost in (0.0, max(axis.costs.values())):
            at_y = place(0, cost).split()[1]
            parts.append(f'<text x="{x0 - 6}" y="{at_y}" text-anchor="end">{cost:.3g}</text>')
        for count, cost in axis.costs.items():
            at_x, at_y = place(count, cost).split()
            parts.append(f'<circle cx="{at_x}" cy="{at_y}" r="4" fill="#1f5582"/>')
        for count in {min(axis.costs), max(axis.costs), *list(axis.costs)[-2:]}:
            at_x = place(count, 0).split()[0]
            parts.append(f'<text x="{at_x}" y="{y0 + tall + 16}" text-anchor="middle">{count}</text>')
    return "".join(parts) + "</svg>\n"


if __name__ == "__main__":
    main()
