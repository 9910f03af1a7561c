"""What the notice costs and what it buys: false "brake now" in calm work against lead in danger, while `notice_s` moves.

Every run is made once; at each grid point its stop mark is worked out again with each of the notices, so that all of them see
the same motion. ``python -m tests.benchmarks notice_figures --write`` draws ``pictures/notice.svg``, too. A calm run (30 minutes
of work) takes about twenty seconds of CPU, a danger run one.
"""

import argparse
import math
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Final

from monitor.analysis.parallel_replay import processors
from monitor.config.rig import Rig
from monitor.core.engine import Core
from monitor.core.estimator.estimate import Estimate
from monitor.core.hoist.stopping import Brakes, Load, StopCalculator, StopResult
from monitor.model.snapshot import HoistState
from simulators.scenario.direct_feed import shipped_core
from simulators.scenario.plant_source import PlantSource
from simulators.trial.cases import case_of
from simulators.trial.danger import last_safe_moment, observe, stays_inside
from tests.benchmarks.figures import Figure, show

PICTURE: Final = Path(__file__).parent / "pictures" / "notice.svg"
NOTICES_S: Final = (0.0, 0.1, 0.2, 0.3, 0.35, 0.4, 0.5, 0.6)
_ON_POINTS: Final = 2
"""Grid points for which the rule's on delay of 0.1 s makes a margin wait."""
_OFF_POINTS: Final = 10
_MOVING: Final = (HoistState.HOISTING, HoistState.LOWERING)
"""States in which the rule counts."""


class Notices(StopCalculator):
    """A stop calculator that works each stop mark out with every notice, and counts where "brake now" would have come."""

    def __init__(self, rig: Rig, core: Core) -> None:
        super().__init__(rig)
        self.tracker = core._tracker
        limits = rig.limits
        self.others = [
            StopCalculator(rig.model_copy(update={"limits": limits.model_copy(update={"notice_s": notice})}))
            for notice in NOTICES_S
        ]
        self.below, self.quiet = [0] * len(NOTICES_S), [_OFF_POINTS] * len(NOTICES_S)
        self.raised: list[list[tuple[int, int]]] = [[] for _ in NOTICES_S]
        """By notice: time of each raise (ns) and direction of the motion."""

    def solve(self, estimate: Estimate, load: Load, brakes: Brakes, slowing_m_s2: float = 0.0) -> StopResult:
        """As the monitor's own, with its notice."""
        tracker = self.tracker
        if not estimate.slow and estimate.validity <= 1 and tracker.state in _MOVING and not tracker.loss.slack:
            for i, other in enumerate(self.others):
                self._count(i, estimate.t_ns, other.solve(estimate, load, brakes, slowing_m_s2))
        return super().solve(estimate, load, brakes, slowing_m_s2)

    def _count(self, i: int, t_ns: int, stop: StopResult) -> None:
        if stop.direction == 0 or min(stop.margin_up_m, stop.margin_down_m) >= 0.0:
            self.below[i] = 0
            self.quiet[i] += 1
            return
        self.below[i] += 1
        if self.below[i] == _ON_POINTS + 1 and self.quiet[i] >= _OFF_POINTS:
            self.raised[i].append((t_ns, stop.direction))
        if self.below[i] > _ON_POINTS:
            self.quiet[i] = 0


def _calm(seed: int, index: int) -> list[int]:
    """False "brake now" of one calm run, by notice: a hand that went on for a second more would have kept the limit."""
    case = case_of("calm", seed, index)
    source, core = PlantSource(case.rig, case.scenario, case.seed), shipped_core(case.rig)
    notices = Notices(case.rig, core)
    core._evaluation.calculator = notices
    false = [0] * len(NOTICES_S)
    known = [0] * len(NOTICES_S)
    for _, items in source.ticks():
        for item in items:
            core.feed(item)
        for i, raised in enumerate(notices.raised):
            for _, direction in raised[known[i] :]:
                wait_s = case.rig.limits.reaction_s + 1.0
                false[i] += stays_inside(source.plant.clone(), direction < 0, wait_s)
            known[i] = len(raised)
    return false


def _danger(seed: int, index: int) -> list[float]:
    """Lead of "brake now" over the moment at which a full brake is too late, s, by notice; NaN where nothing was to be kept."""
    case = case_of("danger", seed, index)
    source, core = PlantSource(case.rig, case.scenario, case.seed), shipped_core(case.rig)
    notices = Notices(case.rig, core)
    core._evaluation.calculator = notices
    trace = observe(case, source, core)
    safe_ns = last_safe_moment(trace) if trace.crossed_ns is not None else None
    leads = []
    for raised in notices.raised:
        first = min((t for t, way in raised if t >= trace.still_ns and (way < 0) == trace.down), default=None)
        leads.append(math.nan if safe_ns is None or first is None else (safe_ns - first) * 1e-9)
    return leads


def main(arguments: Sequence[str] | None = None) -> list[Figure]:
    """Run, print, draw."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--calm", type=int, default=24, help="calm runs of half an hour")
    parser.add_argument("--danger", type=int, default=100)
    parser.add_argument("--seed", type=int, default=61)
    parser.add_argument("--jobs", type=int, default=processors())
    args = parser.parse_args(arguments)
    with ProcessPoolExecutor(args.jobs, mp_context=get_context("spawn")) as pool:
        false = list(pool.map(partial(_calm, args.seed), range(args.calm)))
        leads = list(pool.map(partial(_danger, args.seed), range(args.danger)))
    hours = args.calm / 2
    per_100_h = [100.0 * sum(run[i] for run in false) / hours for i in range(len(NOTICES_S))]
    medians, least = [], []
    for i in range(len(NOTICES_S)):
        known = sorted(run[i] for run in leads if not math.isnan(run[i]))
        medians.append(known[len(known) // 2])
        least.append(known[0])
    PICTURE.write_text(picture(per_100_h, medians, least, hours, args.danger), encoding="utf-8")
    figures = []
    for i, notice in enumerate(NOTICES_S):
        name = f"notice {notice:g} s"
        figures.append(Figure(f"{name}: false brake now per 100 h of calm work", per_100_h[i], f"({hours:g} h)"))
        figures.append(Figure(f"{name}: lead, median", medians[i], f"s (least {least[i]:.2f})"))
    return show(*figures)


def picture(
    per_100_h: Sequence[float], median_s: Sequence[float], least_s: Sequence[float], hours: float, runs: int
) -> str:
    """False rate against lead, a point for each notice, as SVG."""
    left, top, wide, tall = 70, 40, 560, 280
    most_lead, most_rate = 1.05 * max(median_s), max(1.0, 1.1 * max(per_100_h))

    def x(lead_s: float) -> float:
        return left + wide * lead_s / most_lead

    def y(rate: float) -> float:
        return top + tall * (1.0 - rate / most_rate)

    bottom = top + tall
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {left + wide + 40} {bottom + 54}" width="700" role="img"'
        ' font-family="sans-serif" font-size="13">',
        "<title>False warnings in calm work against lead in danger, for several notices</title>",
        '<rect width="100%" height="100%" fill="#fff"/>',
        f'<path d="M{left} {top}V{bottom}H{left + wide}" fill="none" stroke="#000"/>',
        f'<text x="{left}" y="{top - 14}">false "brake now" per 100 h of calm work ({hours:g} h)</text>',
        f'<text x="{left + wide / 2}" y="{bottom + 42}" text-anchor="middle">lead over the last moment of a full brake, s'
        f" ({runs} danger runs): median \u25cf, least \u25cb</text>",
    ]
    for rate in (0.0, most_rate / 2, most_rate):
        parts.append(f'<text x="{left - 8}" y="{y(rate) + 4:.1f}" text-anchor="end">{rate:.3g}</text>')
    for tenths in range(0, int(10 * most_lead) + 1, 5):
        parts.append(f'<text x="{x(tenths / 10):.1f}" y="{bottom + 18}" text-anchor="middle">{tenths / 10}</text>')
    for notice, rate, middle, low in zip(NOTICES_S, per_100_h, median_s, least_s, strict=True):
        parts.append(f'<circle cx="{x(middle):.1f}" cy="{y(rate):.1f}" r="5" fill="#1f5582"/>')
        parts.append(f'<circle cx="{x(low):.1f}" cy="{y(rate):.1f}" r="4" fill="none" stroke="#1f5582"/>')
        parts.append(f'<text x="{x(middle):.1f}" y="{y(rate) - 9:.1f}" text-anchor="middle">{notice:.1f}</text>')
    return "".join(parts) + "</svg>\n"


if __name__ == "__main__":
    main()
