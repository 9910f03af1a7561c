"""What the crew, or an import, says of the height: a reference, a cut of the line, a jump that no block makes. Each says in a
finding what became of it."""

import math

from monitor.config.rig import Rig
from monitor.core.checks.guided_checks import Checks
from monitor.core.estimator.estimator import Estimator
from monitor.core.signals.evaluation import Evaluation
from monitor.model.alarm import Finding, Severity
from monitor.model.stream import Action
from monitor.text import printable


def said(action: Action, message: str) -> Finding:
    """A finding that records what the crew did."""
    return Finding(action.t_ns, "action", str(action.kind), Severity.NOTICE, "", printable(action.who, 12), message)


def reference(action: Action, rig: Rig, estimator: Estimator, evaluation: Evaluation, checks: Checks) -> list[Finding]:
    """The block is at this height now."""
    height = action.number
    mast = rig.mast
    if height is None or not mast.floor_m <= height <= mast.crown_m:
        return [said(action, "height reference refused: give a height between floor and crown")]
    before = estimator.estimate(action.t_ns)
    speed = before.speed_m_s if math.isfinite(before.speed_bound_m_s) else math.nan
    checks.reference(height, before.height_m, speed)
    estimator.reference(action.t_ns, height)
    by_m = estimator.estimate(action.t_ns).height_m - before.height_m
    if math.isfinite(by_m):
        evaluation.brake_health.creep.shift_heights(by_m)
    return [said(action, f"height reference taken at {height:.2f} m")]


def doubt_height(action: Action, estimator: Estimator) -> list[Finding]:
    """The position goes on from elsewhere."""
    by_m = action.number
    if by_m is None or not math.isfinite(by_m):
        return [said(action, "height not doubted: by how much the position moved is not said")]
    estimator.doubt_height(by_m)
    return [said(action, f"position moved by {by_m:+.2f} m where no block can")]


def bound_height(action: Action, estimator: Estimator, evaluation: Evaluation) -> list[Finding]:
    """The position may be off from here on, or no longer is: what it moved by to get there is no travel."""
    by_m = action.number
    if by_m is None or not 0.0 <= by_m < math.inf:
        return [said(action, "height not bounded: by how much the position may be off is not said")]
    estimator.bound_height(by_m)
    evaluation.line_work.go_on_elsewhere()
    if by_m == 0.0:
        return [said(action, "position is where it was before again")]
    return [
        said(
            action,
            f"position may be off by {by_m:.2f} m: it stepped, or the string is handled so far from where it was",
        )
    ]


def slip_and_cut(
    action: Action, rig: Rig, estimator: Estimator, evaluation: Evaluation, checks: Checks
) -> list[Finding]:
    """Line was cut."""
    turns = action.number
    if not rig.has("drum", "line"):
        return [said(action, "slip and cut refused: the rig's file has no drum and line")]
    most = rig.drum.wraps_per_layer * rig.drum.max_layers
    if turns is None or not 0 <= turns <= most:
        return [said(action, f"slip and cut refused: give the wraps on the drum, 0 to {most:g}")]
    estimator.slip_and_cut(action.t_ns, turns)
    checks.slip_and_cut(action.t_ns)
    evaluation.line_work.cut()
    return [said(action, f"slip and cut: {turns:g} wraps at the reference height")]
