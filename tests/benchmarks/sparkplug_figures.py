"""What decoding Sparkplug costs: metrics of a node's data to readings in SI, in batches and one by one.

Run it with ``python -m tests.benchmarks.sparkplug_figures``. A node has 50 metrics of float and whole-number types, of which
the rig has 16 sensors; data carry aliases and a time stamp each. CPU time of one process, the best of several rounds.
"""

import argparse
import time
from collections.abc import Sequence
from typing import Any

from monitor.core.sensors.decoder import Decoder
from monitor.model.reading import Sample
from monitor.model.stream import Frame
from tests.benchmarks.figures import Figure, show
from tests.support.sparkplug import MS, T, frame, load_sensor, metric, rig_with

SENSORS, METRICS = 16, 50
BATCHES = (1, 16, 500)


def main(arguments: Sequence[str] | None = None) -> list[Figure]:
    """Print the figures."""
    parser = argparse.ArgumentParser(description="Cost of decoding Sparkplug data.")
    parser.add_argument("--metrics", type=int, default=100_000, help="metrics of each round")
    parser.add_argument("--rounds", type=int, default=5)
    args = parser.parse_args(arguments)
    figures: list[Figure] = []
    for size, ours in [(size, True) for size in BATCHES] + [(500, False)]:
        count = max(1, args.metrics // size)
        best = max(_rate(size, ours, count) for _ in range(args.rounds))
        which = "all of them sensors" if ours else f"{SENSORS} of {METRICS} sensors"
        goal = "at least 150,000" if size == 500 else ""
        figures += show(Figure(f"Sparkplug decoded, {size} metrics a message, {which}", best, "metrics/s", goal))
    return figures


def _rate(size: int, ours: bool, count: int) -> float:
    """Metrics a second of CPU time."""
    sensors = [load_sensor(metric=f"m{place}").model_copy(update={"id": f"s{place}"}) for place in range(SENSORS)]
    decoder = Decoder(rig_with(*sensors))
    kinds = ("Float", "Int16")
    births = [metric(f"m{place}", alias=place, datatype=kinds[place % 2], is_null=True) for place in range(METRICS)]
    decoder.decode(frame("DBIRTH", *births))
    frames: list[Frame] = []
    for number in range(count):
        rows: list[dict[str, Any]] = []
        for place in range(size):
            alias = place % (SENSORS if ours else METRICS)
            value = {"int_value": 0xFFFFFFCE} if alias % 2 else {"float_value": 100.0 + place}
            rows.append(metric(alias=alias, timestamp=MS + number, **value))
        frames.append(frame("DDATA", *rows, seq=(number + 1) % 256, t_ns=T + number * 1_000_000))
    readings = 0
    start = time.process_time()
    for message in frames:
        readings += len(decoder.decode(message))
    spent = time.process_time() - start
    (last,) = decoder.decode(frame("DDATA", metric(alias=0, float_value=1.0), seq=(count + 1) % 256))
    assert isinstance(last, Sample)
    assert decoder.missing == 0
    assert readings == (count * size if ours else count * sum(place % METRICS < SENSORS for place in range(size)))
    return count * size / spent


if __name__ == "__main__":
    main()
