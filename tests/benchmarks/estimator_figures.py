"""Figures of the estimator against a truth that differs from its configuration.

Run it with ``python -m tests.benchmarks.estimator_figures``; it prints one line per figure.

The truth is made here and shares no code with the estimator: its own drum, wound wrap by wrap, with a rope 2 % thinner
and 10 % stiffer than configured, a source clock that is offset and drifts, delays with a tail, an encoder that rounds
and dithers. The drum follows speed ramps with limited jerk; block speed follows from the drum, kinks included.
"""

import argparse
import math
import random
import statistics
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from monitor.config.rig import Rig
from monitor.config.rig_file import find_rig
from monitor.core.estimator.estimator import Estimate, Estimator
from monitor.model.reading import Sample, Validity
from tests.benchmarks.figures import Figure, show
from tests.core.estimator.motion_bench import say

START_NS = 1_700_000_000_000_000_000
STEP_S = 0.005
Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Mismatch:
    """How the true machine differs from the rig's file."""

    rope: float = -0.02
    modulus: float = 0.10
    wraps: float = 0.0


@dataclass
class Truth:
    """One run of the true machine on a fine time base."""

    t_s: Array
    turns: Array
    height_m: Array
    speed_m_s: Array
    acceleration_m_s2: Array
    load_n: Array
    braking: npt.NDArray[np.bool_]


@dataclass
class Wire:
    """What the encoder's readings go through on their way."""

    rate_hz: float = 20.0
    delay_s: float = 0.004
    tail_s: float = 0.008
    offset_s: float = -3.21
    drift: float = 30e-6
    noise_counts: float = 2.0
    stamped: bool = True
    fault: Callable[[float, float], float | None] | None = None
    """(time, true counts) to counts sent; None sends nothing."""


def true_line_m(rig: Rig, mismatch: Mismatch) -> tuple[Array, Array]:
    """(turns, metres of rope on the drum), wrap by wrap."""
    d = rig.line.rope_diameter_m * (1.0 + mismatch.rope)
    wraps = np.arange(0, int(rig.drum.wraps_per_layer * rig.drum.max_layers) + 1, dtype=float)
    layer = np.floor(wraps[:-1] / rig.drum.wraps_per_layer)
    circumference = 2 * math.pi * (rig.drum.core_diameter_m / 2 + d / 2 + layer * rig.drum.nesting * d)
    return wraps, np.concatenate(([0.0], np.cumsum(circumference)))


def run_truth(rig: Rig, mismatch: Mismatch, legs: Sequence[tuple[float, float, float]], rest_s: float = 3.0) -> Truth:
    """The truth over `legs` of (height to go to, block speed on layer 1 equivalent, hook load), from the datum."""
    wraps, line = true_line_m(rig, mismatch)
    n_lines = rig.line.lines
    start = rig.reference.turns + mismatch.wraps
    base = float(np.interp(start, wraps, line))
    reference = rig.reference

    def to_turns(height: float) -> float:
        return float(np.interp(base + (height - reference.height_m) * n_lines, line, wraps))

    turns_now, pieces, loads, brakes = start, [], [], []
    for height, speed, load in legs:
        target = to_turns(height)
        distance = target - turns_now
        top = speed / (2 * math.pi * (rig.drum.core_diameter_m / 2) / n_lines)
        profile = _ramp(abs(distance), top, 0.8 * top, 1.2 * top)
        moving = turns_now + math.copysign(1.0, distance) * profile
        still = np.full(int(rest_s / STEP_S), moving[-1])
        pieces += [moving, still]
        slowing = np.zeros(len(moving), dtype=bool)
        slowing[int(0.75 * len(moving)) :] = True
        loads += [np.full(len(moving) + len(still), load)]
        brakes += [slowing, np.ones(len(still), dtype=bool)]
        turns_now = float(moving[-1])
    turns = np.concatenate(pieces)
    load_n = _smooth(np.concatenate(loads), 1.0)
    unloaded = reference.height_m + (np.interp(turns, wraps, line) - base) / n_lines
    ea = rig.line.axial_stiffness_n * (1.0 + mismatch.modulus)
    tail = rig.mast.crown_m + (rig.line.fast_line_m + rig.line.dead_line_m) / n_lines
    drop0 = reference.hook_load_n / n_lines / ea * (tail - reference.height_m)
    height = unloaded - (load_n / n_lines / ea * (tail - unloaded) - drop0)
    speed_m_s = np.asarray(np.gradient(height, STEP_S), dtype=np.float64)
    times: Array = np.arange(len(turns), dtype=np.float64) * STEP_S
    return Truth(
        times,
        turns - mismatch.wraps,
        height,
        speed_m_s,
        np.asarray(np.gradient(speed_m_s, STEP_S), dtype=np.float64),
        load_n,
        np.concatenate(brakes),
    )


def _ramp(distance: float, top: float, up: float, down: float) -> Array:
    """A way of `distance` with rounded speed ramps: cumulative, fine steps."""
    top = min(top, math.sqrt(distance * 2 * up * down / (up + down)) * 0.98)
    cruise = max(0.0, distance - top * top / 2 / up - top * top / 2 / down) / top
    t = np.arange(0.0, top / up + cruise + top / down + 0.6, STEP_S)
    v = np.minimum(np.minimum(up * t, top), down * np.maximum(0.0, top / up + cruise + top / down - t))
    v = _smooth(np.concatenate((np.zeros(60), v, np.zeros(60))), 0.25)
    way = np.cumsum(v) * STEP_S
    return np.asarray(way * (distance / way[-1]))


def _smooth(x: Array, width_s: float) -> Array:
    n = max(1, int(width_s / STEP_S))
    padded = np.concatenate((np.full(n, x[0]), x, np.full(n, x[-1])))
    return np.asarray(np.convolve(padded, np.ones(n) / n, mode="same")[n:-n])


@dataclass
class Track:
    """Estimates of one run beside the truth at the same times."""

    t_s: list[float] = field(default_factory=list)
    truth: list[int] = field(default_factory=list)
    estimates: list[Estimate] = field(default_factory=list)
    readings: list[tuple[float, float]] = field(default_factory=list)
    """(time taken, true time base; counts) of what was sent."""


def readings(rig: Rig, truth: Truth, wire: Wire, rng: random.Random) -> Iterator[tuple[int, int | None, float, float]]:
    """(arrival ns, source ns, counts, true time s) in order of arrival."""
    encoder = next(s for s in rig.sensors if s.quantity == "drum_counts")
    per_turn = encoder.counts_per_turn or 1.0
    zero = rig.reference.counts.get(encoder.id, 0) - encoder.sense * rig.reference.turns * per_turn
    end, k, last_arrival = float(truth.t_s[-1]), 0, 0
    while (t := k / wire.rate_hz) < end:
        k += 1
        counts = zero + encoder.sense * float(np.interp(t, truth.t_s, truth.turns)) * per_turn
        sent: float | None = counts + rng.gauss(0.0, wire.noise_counts)
        if wire.fault is not None:
            sent = wire.fault(t, sent if sent is not None else counts)
        if sent is None:
            continue
        arrival = max(last_arrival, START_NS + int((t + wire.delay_s + rng.expovariate(1 / wire.tail_s)) * 1e9))
        last_arrival = arrival
        stamp = START_NS + int((wire.offset_s + t * (1.0 + wire.drift)) * 1e3) * 1_000_000
        yield arrival, stamp if wire.stamped else None, float(round(sent)) % 2**encoder.bits, t


def follow(
    rig: Rig, truth: Truth, wire: Wire, seed: int, each_s: float = 0.05, reference_at_s: float | None = None
) -> Track:
    """Run the estimator over a truth; look at it every `each_s`; one crew reference, if asked, at `reference_at_s`."""
    rng = random.Random(seed)
    estimator, track = Estimator(rig), Track()
    index = next(i for i, s in enumerate(rig.sensors) if s.quantity == "drum_counts")
    pending = readings(rig, truth, wire, rng)
    upcoming = next(pending, None)
    look = 0.5
    while look < float(truth.t_s[-1]):
        now_ns = START_NS + int(look * 1e9)
        at = int(look / STEP_S)
        while upcoming is not None and upcoming[0] <= now_ns:
            arrival, stamp, counts, taken = upcoming
            estimator.ingest(Sample(arrival, index, counts, stamp))
            track.readings.append((taken, counts))
            upcoming = next(pending, None)
        say(estimator, rig, now_ns, "hook_load", float(truth.load_n[at]) + rng.gauss(0.0, 6e3))
        say(estimator, rig, now_ns, "brake_lever", float(truth.braking[at]))
        if reference_at_s is not None and look >= reference_at_s:
            estimator.reference(now_ns, float(truth.height_m[at]) + rng.gauss(0.0, 0.01))
            reference_at_s = None
        track.t_s.append(look)
        track.truth.append(at)
        track.estimates.append(estimator.estimate(now_ns))
        look += each_s
    return track


def percentile(values: Sequence[float], share: float) -> float:
    """The value below which `share` of `values` lie; NaN without any."""
    return sorted(values)[min(len(values) - 1, int(share * len(values)))] if values else math.nan


def rms(values: Sequence[float]) -> float:
    """Root of the mean square."""
    return math.sqrt(statistics.fmean(v * v for v in values))


def steady(truth: Truth, at: int) -> bool:
    """Moving at an even speed for the last half second."""
    window = truth.speed_m_s[max(0, at - 100) : at + 1]
    return bool(abs(truth.speed_m_s[at]) > 0.1 and window.max() - window.min() < 0.03)


def smoother(rig: Rig, truth: Truth, track: Track, jerk_psd: float, lag_s: float) -> tuple[list[float], list[float]]:
    """(heights, speeds) at the looks by an optimal fixed-lag smoother with the same readings and configured drum.

    Rauch, Tung and Striebel's smoother on the white-jerk model over each window that ends `lag_s` after the look, with
    perfect reading times: it knows the future that the filter does not. Both are the block's, with the stretch of the line.
    """
    encoder = next(s for s in rig.sensors if s.quantity == "drum_counts")
    per_turn = encoder.counts_per_turn or 1.0
    wraps, line = true_line_m(rig, Mismatch(0.0, 0.0, 0.0))
    base = float(np.interp(rig.reference.turns, wraps, line))
    taken = np.array([t for t, _ in track.readings])
    counts = np.array([c for _, c in track.readings])
    turns = rig.reference.turns + encoder.sense * (counts - rig.reference.counts[encoder.id]) / per_turn
    z = rig.reference.height_m + (np.interp(turns, wraps, line) - base) / rig.line.lines
    dt = 1.0 / encoder.rate_hz
    f = np.array([[1, dt, dt * dt / 2], [0, 1, dt], [0, 0, 1]])
    q = jerk_psd * np.array(
        [[dt**5 / 20, dt**4 / 8, dt**3 / 6], [dt**4 / 8, dt**3 / 3, dt**2 / 2], [dt**3 / 6, dt**2 / 2, dt]]
    )
    r = (math.sqrt(encoder.sigma**2 + 1 / 12) / per_turn * 0.21) ** 2
    x, p = np.array([z[0], 0.0, 0.0]), np.diag([1.0, 1.0, 1.0])
    kept: list[tuple[Array, Array, Array, Array]] = []
    for reading in z:
        xp, pp = f @ x, f @ p @ f.T + q
        s = pp[0, 0] + r
        gain = pp[:, 0] / s
        x, p = xp + gain * (reading - xp[0]), pp - np.outer(gain, pp[0])
        kept.append((x, p, xp, pp))
    gains = [kept[i][1] @ f.T @ np.linalg.inv(kept[i + 1][3]) for i in range(len(kept) - 1)]
    steps = round(lag_s / dt)
    ea = rig.line.axial_stiffness_n
    tail = rig.mast.crown_m + (rig.line.fast_line_m + rig.line.dead_line_m) / rig.line.lines
    drop0 = rig.reference.hook_load_n / rig.line.lines / ea * (tail - rig.reference.height_m)
    heights, speeds = [], []
    for look, at in zip(track.t_s, track.truth, strict=True):
        i = int(np.searchsorted(taken, look, side="right")) - 1
        last = min(i + steps, len(kept) - 1)
        best = kept[last][0]
        for j in range(last - 1, i - 1, -1):
            best = kept[j][0] + gains[j] @ (best - kept[j + 1][2])
        ahead = look - float(taken[i])
        height = float(best[0] + best[1] * ahead + best[2] * ahead * ahead / 2)
        heights.append(height - (float(truth.load_n[at]) / rig.line.lines / ea * (tail - height) - drop0))
        # Height is x - strain (tail - x), so speed is 1 + strain times that of x.
        strain = float(truth.load_n[at]) / rig.line.lines / ea
        speeds.append(float(best[1] + best[2] * ahead) * (1.0 + strain))
    return heights, speeds


TRIP = (
    (29.5, 1.2, 1.2e6), (28.5, 0.2, 1.2e6), (28.5 - 27, 1.3, 2.2e5), (29.5, 0.7, 1.3e6), (2.0, 0.9, 2.2e5),
    (36.0, 1.5, 2.2e5), (3.0, 0.5, 1.8e6), (15.0, 0.3, 1.8e6), (1.5, 1.2, 4e5),
)  # fmt: skip
"""Height, speed and hook load of a few strokes over the working range."""


def freeze(start_s: float, stop_s: float, lost: bool = False) -> Callable[[float, float], float | None]:
    """The encoder repeats one reading from `start_s` to `stop_s`; with `lost` it then counts on from there."""
    held: list[float] = []
    shift: list[float] = []

    def fault(t: float, counts: float) -> float | None:
        if t < start_s:
            return counts
        if not held:
            held.append(counts)
        if t < stop_s:
            return held[0]
        if lost and not shift:
            shift.append(held[0] - counts)
        return counts + (shift[0] if lost else 0.0)

    return fault


def gaps(every_s: float, length_s: float) -> Callable[[float, float], float | None]:
    """Nothing is sent for `length_s` out of `every_s`."""
    return lambda t, counts: None if t % every_s > every_s - length_s else counts


def spikes(every_s: float, size: float) -> Callable[[float, float], float | None]:
    """Single readings far off."""
    return lambda t, counts: counts + size if t % every_s < 0.05 else counts


def jump(at_s: float, size: float) -> Callable[[float, float], float | None]:
    """All readings off by `size` from `at_s` on."""
    return lambda t, counts: counts + size if t >= at_s else counts


def timing(rig: Rig, truth: Truth) -> list[Figure]:
    """Cost of one reading and of one estimate: the best of many short runs, because others share the machine."""
    index = next(i for i, s in enumerate(rig.sensors) if s.quantity == "drum_counts")
    samples = [Sample(a, index, c, s) for a, s, c, _ in readings(rig, truth, Wire(), random.Random(1))]
    taking, telling, estimator = [], [], Estimator(rig)
    for k in range(0, len(samples) - 100, 100):
        begin = time.perf_counter()
        for sample in samples[k : k + 100]:
            estimator.ingest(sample)
        middle = time.perf_counter()
        now = samples[k + 99].t_ns + 10_000_000
        for _ in range(100):
            estimator.estimate(now)
        taking.append((middle - begin) / 100)
        telling.append((time.perf_counter() - middle) / 100)
    return show(
        Figure("estimator: one reading", 1e6 * min(taking), "us"),
        Figure("estimator: one estimate", 1e6 * min(telling), "us"),
    )


FAULTS: dict[str, Wire] = {
    "none": Wire(),
    "frozen 3 s at speed": Wire(fault=freeze(8.0, 11.0)),
    "frozen for good": Wire(fault=freeze(8.0, 1e9)),
    "frozen, counts lost": Wire(fault=freeze(8.0, 10.0, lost=True)),
    "frozen at rest": Wire(fault=freeze(27.0, 31.0)),
    "gaps of 0.3 s": Wire(fault=gaps(1.0, 0.3)),
    "gaps of 1.5 s": Wire(fault=gaps(6.0, 1.5)),
    "gaps of 5 s": Wire(fault=gaps(20.0, 5.0)),
    "spikes": Wire(fault=spikes(1.37, 3000.0)),
    "jump of 3 m": Wire(fault=jump(40.0, 60_000.0)),
    "no source times": Wire(stamped=False),
    "noise of 40 counts": Wire(noise_counts=40.0),
    "delays of 0.5 s": Wire(tail_s=0.5),
    "one reading in 5 s": Wire(rate_hz=0.2),
}


def fault_figures(rig: Rig, truth: Truth) -> list[Figure]:
    """One line per sensor fault: share of the time VALID, DEGRADED and INVALID, and truth inside the bound while so."""
    print("sensor faults:            VALID        inside   DEGRADED     inside   INVALID   worst error while VALID")
    figures = []
    for name, wire in FAULTS.items():
        model = rig
        if wire.rate_hz != 20.0 or wire.stamped is False:
            sensors = tuple(
                s.model_copy(
                    update={
                        "rate_hz": wire.rate_hz,
                        "stale_after_s": 2.5 / wire.rate_hz if wire.rate_hz < 1 else s.stale_after_s,
                        "time": s.time if wire.stamped else None,
                    }
                )
                if s.quantity == "drum_counts"
                else s
                for s in rig.sensors
            )
            model = rig.model_copy(update={"sensors": sensors})
        track = follow(model, truth, wire, 1)
        shares: dict[Validity, list[bool]] = {Validity.VALID: [], Validity.DEGRADED: [], Validity.INVALID: []}
        worst = 0.0
        for at, e in zip(track.truth, track.estimates, strict=True):
            error = abs(e.height_m - float(truth.height_m[at]))
            shares[e.validity].append(error <= e.height_bound_m)
            if e.validity is Validity.VALID:
                worst = max(worst, error)
        n = len(track.estimates)
        valid, degraded, invalid = shares.values()
        inside = [f"{100 * sum(x) / len(x):6.2f} %" if x else "       -" for x in (valid, degraded)]
        print(
            f"  {name:22} {100 * len(valid) / n:6.1f} %   {inside[0]}   {100 * len(degraded) / n:6.1f} %   {inside[1]}"
            f"   {100 * len(invalid) / n:5.1f} %   {worst:.3f} m"
        )
        if valid:
            kept = f"truth inside the 99 % bound while VALID, {name}"
            figures.append(
                Figure(kept, 100 * sum(valid) / len(valid), f"% of the {100 * len(valid) / n:.1f} % VALID", "99")
            )
    return figures


def main(arguments: Sequence[str] | None = None) -> list[Figure]:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0] if __doc__ else "")
    parser.add_argument("--seeds", type=int, default=3)
    options = parser.parse_args(arguments)
    rig = find_rig("land")
    truth = run_truth(rig, Mismatch(), TRIP)
    figures: list[Figure] = []

    for name, reference_s in (("datum of the file only", None), ("one crew reference near the top", 25.0)):
        heights, speeds, inside, inside_v, valid = [], [], 0, 0, 0
        own_h, own_v, best_h, best_v = [], [], [], []
        swing_v, swing_a = [], []
        for seed in range(options.seeds):
            track = follow(rig, truth, Wire(), seed, reference_at_s=reference_s)
            smooth = smoother(rig, truth, track, 0.5, 0.5) if reference_s is None else None
            for i, (t, at, e) in enumerate(zip(track.t_s, track.truth, track.estimates, strict=True)):
                if reference_s is not None and t < reference_s:
                    continue
                eh, ev = e.height_m - truth.height_m[at], e.speed_m_s - truth.speed_m_s[at]
                if e.validity is Validity.VALID:
                    valid += 1
                    inside += bool(abs(eh) <= e.height_bound_m)
                    inside_v += bool(abs(ev) <= e.speed_bound_m_s)
                heights.append(abs(eh))
                if 0.3 < abs(truth.acceleration_m_s2[at]) < 4.0:  # above: the kink of a layer change
                    swing_v.append(ev)
                    swing_a.append(e.acceleration_m_s2 - float(truth.acceleration_m_s2[at]))
                if steady(truth, at):
                    speeds.append(abs(ev))
                    if smooth is not None:
                        own_h.append(eh)
                        own_v.append(ev)
                        best_h.append(smooth[0][i] - truth.height_m[at])
                        best_v.append(smooth[1][i] - truth.speed_m_s[at])
        middle, wide, fast = percentile(heights, 0.5), percentile(heights, 0.95), percentile(speeds, 0.95)
        print(f"{name}:")
        print(f"  height error, 95 %:            {wide:.4f} m   (median {middle:.4f})")
        print(f"  speed error steady, 95 %:      {fast:.4f} m/s ({len(speeds)} looks)")
        print(f"  height inside its 99 % bound:  {100 * inside / valid:.2f} % of {valid} VALID looks")
        print(f"  speed inside its 99 % bound:   {100 * inside_v / valid:.2f} %")
        figures += [
            Figure(f"height error, 95 %, {name}", wide, "m", "0.05"),
            Figure(f"speed error, 95 %, steady, {name}", fast, "m/s", "0.02"),
        ]
        print(f"  starting or braking, rms:      {rms(swing_v):.4f} m/s, {rms(swing_a):.3f} m/s2")
        if own_h:
            ours, best = rms(own_h), rms(best_h)
            print(f"  height rms over smoother's:    {ours / best:.3f}   ({ours:.4f} / {best:.4f})")
            figures.append(Figure("height error over an optimal fixed-lag smoother's", ours / best, "", "1.15"))
            ours, best = rms(own_v), rms(best_v)
            print(f"  speed rms over smoother's:     {ours / best:.3f}   ({ours:.4f} / {best:.4f})")
            figures.append(Figure("speed error over the smoother's", ours / best, "", "1.15"))
    return figures + fault_figures(rig, truth) + timing(rig, truth)


if __name__ == "__main__":
    main()
