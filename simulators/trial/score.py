"""From results to figures: shares with exact confidence intervals, medians by order statistics, rates by Poisson."""

import math
from collections import Counter
from collections.abc import Sequence
from typing import Any, Final

from scipy.stats import beta, binom, chi2

from simulators.trial.cases import FAULT_S, MOTION, Result
from simulators.trial.danger import Outcome
from simulators.trial.height import score_height

CONFIDENCE: Final = 0.95


def share(hits: int, of: int) -> dict[str, Any]:
    """A proportion with its exact two-sided interval (Clopper and Pearson 1934)."""
    tail = (1 - CONFIDENCE) / 2
    low = float(beta.ppf(tail, hits, of - hits + 1)) if 0 < hits <= of else 0.0
    high = float(beta.ppf(1 - tail, hits + 1, of - hits)) if 0 <= hits < of else 1.0
    return {"hits": hits, "of": of, "share": hits / of if of else None, "low": low if of else 0.0, "high": high}


def rate(count: int, exposure: float) -> dict[str, Any]:
    """Events per unit of exposure with the exact Poisson interval (Garwood 1936)."""
    tail = (1 - CONFIDENCE) / 2
    low = float(chi2.ppf(tail, 2 * count)) / 2 if count else 0.0
    high = float(chi2.ppf(1 - tail, 2 * count + 2)) / 2
    if exposure <= 0:
        return {"count": count, "per": None, "low": None, "high": None}
    return {"count": count, "per": count / exposure, "low": low / exposure, "high": high / exposure}


def quantile(values: Sequence[float], p: float) -> dict[str, Any]:
    """Quantile `p` with a distribution-free interval from order statistics (binomial)."""
    n = len(values)
    if n == 0:
        return {"value": None, "low": None, "high": None}
    ordered = sorted(values)
    at = ordered[min(n - 1, int(p * n))]
    tail = (1 - CONFIDENCE) / 2
    low = int(binom.ppf(tail, n, p)) - 1
    high = int(binom.ppf(1 - tail, n, p)) + 1
    return {"value": at, "low": ordered[max(0, low)], "high": ordered[min(n - 1, high)]}


def _danger(results: Sequence[Result]) -> dict[str, Any]:
    """Shares of warnings in time, and their lead."""
    each = [Outcome(r["outcome"]) for r in results]
    outcomes = Counter(each)
    possible = [r for r, came in zip(results, each, strict=True) if came.avoidable]
    hopeless = [came for came in each if came.hopeless]

    def known(name: str) -> list[float]:
        return [r[name] for r in possible if r[name] is not None]

    lead, spare = known("lead_s"), known("spare_s")
    return {
        "runs": len(results),
        "outcomes": {str(came): outcomes[came] for came in sorted(outcomes)},
        "in_time": share(outcomes[Outcome.IN_TIME], len(possible)),
        "silent": share(sum(came.silent for came in each), len(results)),
        "warned_when_beyond_help": share(sum(not came.silent for came in hopeless), len(hopeless)),
        "lead_over_too_late_s": {
            "median": quantile(lead, 0.5),
            "percentile_1": quantile(lead, 0.01),
        },
        "spare_over_last_useful_s": {
            "median": quantile(spare, 0.5),
            "percentile_1": quantile(spare, 0.01),
        },
        "warning_before_limit_s": quantile(known("warned_s"), 0.5),
        "first_notice_before_limit_s": quantile(known("ease_s"), 0.5),
        "words": _last_words(results),
        "misses": [{"index": r["index"], "outcome": r["outcome"], "facts": r["facts"]} for r in results if is_miss(r)],
    }


_FALSE_M: Final = 0.3
"""A last word is false where a full brake would have left more room than this."""
_CENTIMETRES_M: Final = 0.05
_CROSSING_S: Final = 0.1
"""Two grid points: a word that comes as late as this after the limit is passed came at the crossing."""


def _last_words(results: Sequence[Result]) -> dict[str, Any]:
    """How the last two words before a limit fared: false raises by word, and crossings that lacked one."""
    crossed = [r for r in results if r["warned_s"] is not None or Outcome(r["outcome"]) is not Outcome.NO_DANGER]

    def without(word: str) -> int:
        return sum(
            not any(w["word"] == word and (w["before_s"] or 0.0) >= -_CROSSING_S for w in r["words"]) for r in crossed
        )

    figures: dict[str, Any] = {}
    for word in ("brake-fully", "will-cross"):
        raised = [w for r in results for w in r["words"] if w["word"] == word]
        before = [w["before_s"] for w in raised if w["before_s"] is not None]
        figures[word.replace("-", "_")] = {
            "stopped_short": share(sum(w["spare_m"] > 0.0 for w in raised), len(raised)),
            "false": share(sum(w["spare_m"] > _FALSE_M for w in raised), len(raised)),
            "most_spare_m": max((w["spare_m"] for w in raised), default=None),
            "before_limit_s": quantile(before, 0.5),
            "crossed_without": share(without(word), len(crossed)),
        }
    inside = [
        w["predicted_m"][0] - _CENTIMETRES_M <= -w["spare_m"] <= w["predicted_m"][1] + _CENTIMETRES_M
        for r in results for w in r["words"] if w["word"] == "will-cross"
    ]  # fmt: skip
    figures["overrun_as_said"] = share(sum(inside), len(inside))
    return figures


def _calm(results: Sequence[Result]) -> dict[str, Any]:
    """Rates of false alarms and of alarms in all."""
    hours = math.fsum(r["hours"] for r in results)
    alarms = [alarm for r in results for alarm in r["alarms"]]
    serious = [a for a in alarms if a[2] in ("WARNING", "DANGER")]
    false = [a for a in serious if a[3] == "false"]
    windows = [count for r in results for count in r["windows"]]
    total = max(len(alarms), 1)
    mix = Counter(a[2] for a in alarms)
    return {
        "runs": len(results),
        "hours": hours,
        "false_serious_per_100_h": rate(len(false), hours / 100),
        "all_serious_per_100_h": rate(len(serious), hours / 100),
        "false_motion_per_100_h": rate(sum(a[1].startswith(MOTION) for a in false), hours / 100),
        "alarms_per_10_min": rate(len(alarms), hours * 6),
        "worst_10_min": max(windows, default=0),
        "windows_above_10": share(sum(w > 10 for w in windows), len(windows)),
        "chattering": sum(r["chattering"] for r in results),
        "fleeting": sum(r["fleeting"] for r in results),
        "stale": sum(r["stale"] for r in results),
        "priority_mix": {name: mix[name] / total for name in ("NOTICE", "CAUTION", "WARNING", "DANGER")},
        "by_alarm": dict(Counter(a[1] for a in alarms).most_common(12)),
        "false_by_alarm": dict(Counter(a[1] for a in false).most_common(12)),
        "isa_18_2": {"alarms_per_10_min": 1.0, "worst_10_min": 10, "chattering": 0, "stale": 5},
    }


def _instrument(results: Sequence[Result]) -> dict[str, Any]:
    """Faults announced, and wrong heights while VALID."""
    announced = [r["announced_s"] for r in results if r["announced_s"] is not None]
    kinds: dict[str, list[Result]] = {}
    for r in results:
        kinds.setdefault(f"{r['facts']['kind']} {r['facts']['quantity']}", []).append(r)
    return {
        "runs": len(results),
        "announced": share(len(announced), len(results)),
        "time_to_announce_s": {"median": quantile(announced, 0.5), "percentile_99": quantile(announced, 0.99)},
        "wrong_height_while_valid": {
            **share(sum(r["wrong"] for r in results), sum(r["valid"] for r in results)),
            "note": "looked at five times a second; the interval takes looks for independent, which they are not",
        },
        "worst_height_beyond_bound_m": max((r["worst_m"] for r in results), default=0.0),
        "runs_with_wrong_height": sum(r["wrong"] > 0 for r in results),
        "false_motion_alarms": sum(r["false_motion"] for r in results),
        "false_motion_per_10_h": rate(sum(r["false_motion"] for r in results), len(results) * FAULT_S / 36_000.0),
        "by_kind": {
            kind: {"runs": len(rows), "announced": sum(r["announced_s"] is not None for r in rows)}
            for kind, rows in sorted(kinds.items())
        },
        "misses": [{"index": r["index"], "facts": r["facts"]} for r in results if is_miss(r)],
    }


def is_miss(result: Result) -> bool:
    """Whether a run shows the monitor failing at what the set is about: it then leaves a session."""
    if result["set"] == "danger":
        return Outcome(result["outcome"]).miss
    if result["set"] == "calm":
        return any(a[2] in ("WARNING", "DANGER") and a[3] == "false" for a in result["alarms"])
    return result["wrong"] > 0 or (result["set"] == "instrument" and result["announced_s"] is None)


def score(name: str, results: Sequence[Result]) -> dict[str, Any]:
    """Figures of one set."""
    if name == "height":
        return score_height(results, share, quantile)
    return {"danger": _danger, "calm": _calm, "instrument": _instrument}[name](results)
